"""What is practised: which bars, which notes, at which tempi."""

import re
from dataclasses import replace
from fractions import Fraction as F

import pytest

import workbench as wb
from tests.parts import CRASHED, FILL, ROCK, bar, part
from tests.sentences import says
from tests.test_doubts import MORE_KICK, heard, song
from workbench.chart import Chart, Note, Section, WrittenBar
from workbench.chart.drumkit import INSTRUMENTS, instrument
from workbench.chart.meter import TimeMap
from workbench.errors import ChartError
from workbench.files.chartfile import read_chart
from workbench.practice.exercises import (
    bars_playing,
    choose_exercises,
    doubts_told,
    instruments_named,
    section_exercise,
    slug,
    untaught_learnt,
    untaught_told,
)
from workbench.practice.stagecharts import stage_notes, with_sticking
from workbench.practice.stages import Stage, without_recording
from workbench.practice.tempi import default_tempi_bpm, strokes_per_s
from workbench.reading.read import read_part


@pytest.fixture(scope="module")
def reading():
    return read_part(read_chart(wb.demo_song(what="chart")))


@pytest.fixture(scope="module")
def exercises(reading):
    return choose_exercises(reading)


def groove_bar(*more):
    notes = [Note(F(k, 8), "closed hi-hat") for k in range(8)]
    return WrittenBar(
        (*notes, Note(F(0), "kick"), Note(F(1, 2), "kick"), Note(F(1, 4), "snare"), Note(F(3, 4), "snare"), *more)
    )


def sixteenths(tempo_bpm, name="snare"):
    bar = WrittenBar(tuple(Note(F(k, 16), name) for k in range(16)))
    return Chart(TimeMap.steady(2, tempo_bpm), (bar, bar))


def test_every_section_and_fill_of_the_demo_has_its_exercise(reading, exercises):
    titles = [e.title for e in exercises]
    for section in ("A Verse", "B Lift", "C Chorus"):
        assert f"{section}: groove" in titles
    assert {f.span.start[0] for f in reading.fills} == {e.first_bar for e in exercises if e.kind == "fill"}
    assert any(e.kind == "variation" for e in exercises)
    assert len(set(e.name for e in exercises)) == len(exercises)
    assert [e.first_bar for e in exercises] == sorted(e.first_bar for e in exercises)


def test_a_groove_is_learned_in_layers(reading, exercises):
    groove = next(e for e in exercises if e.title == "C Chorus: groove")
    assert [s.name for s in groove.stages] == ["hands", "feet", "all", "record"]
    hands, feet, together, record = groove.stages
    assert hands.bars == feet.bars == together.bars
    assert not any(instrument(n).is_foot for n in hands.instruments)
    assert all(instrument(n).is_foot for n in feet.instruments)
    for k in together.bars:
        apart = stage_notes(reading.chart, hands, k) + stage_notes(reading.chart, feet, k)
        assert sorted(apart, key=lambda n: n.order) == stage_notes(reading.chart, together, k)
    assert record.record and record.bars == tuple(range(record.bars[0], record.bars[-1] + 1))


def test_a_fill_is_learned_in_stages(reading, exercises):
    fill = next(e for e in exercises if e.kind == "fill" and e.first_bar == 29)
    assert {s.name: s.bars for s in fill.stages} == {
        "alone": (29,),
        "setup": (28, 29),
        "landing": (29, 30, 31),
        "song": (27, 28, 29, 30, 31),
    }
    assert not fill.stages[-1].loop and fill.stages[-1].record
    assert fill.listen_for and fill.count.startswith("1 e & a")


def test_a_fill_alone_is_nothing_but_the_fill(reading, exercises):
    fill = next(e for e in exercises if e.kind == "fill" and e.first_bar == 8)
    assert all(n.position >= F(1, 2) for n in stage_notes(reading.chart, fill.stages[0], 8))
    assert any(n.position < F(1, 2) for n in stage_notes(reading.chart, fill.stages[1], 8))


def test_a_variation_comes_in_turn_with_its_groove(reading, exercises):
    for e in exercises:
        if e.kind == "variation":
            base, bar = e.stages[1].bars
            assert e.stages[0].bars == (bar,)
            assert reading.chart.bars[base].pattern != reading.chart.bars[bar].pattern
            assert e.listen_for


def test_choosing_kinds_and_sections(reading):
    assert {e.kind for e in choose_exercises(reading, ("fill",))} == {"fill"}
    chorus = choose_exercises(reading, sections=("c",))
    assert chorus and all(reading.section_at(k).label == "C" for e in chorus for k in e.stages[0].bars)
    with pytest.raises(ChartError, match="no section 'Bridge'"):
        choose_exercises(reading, sections=("Bridge",))
    nameless = replace(
        reading, form=tuple(replace(s, name="", label="A" * (not k)) for k, s in enumerate(reading.form))
    )
    with pytest.raises(ChartError, match="it has A[.]$"):
        choose_exercises(nameless, sections=("Z",))
    with pytest.raises(ChartError, match="not of 'solo'"):
        choose_exercises(reading, ("solo",))


def test_bars_with_kinds_choose_what_lies_in_them_and_more_steps_are_of_any_bars(reading):
    fills = wb.exercises(reading, kinds=["fill"])
    k = fills[-1].stages[0].bars
    first, last = reading.chart.time_map.bar_number(k[0]), reading.chart.time_map.bar_number(k[-1])
    (own,) = wb.exercises(reading, bars=f"{first}-{last}", kinds=["fill"])
    assert own.stages[0].bars == k and own.kind == "fill" and len(fills) > 1
    late = reading.grooves[0].groove.bar_indices[-2]
    (groove, *_) = wb.exercises(reading, bars=str(reading.chart.time_map.bar_number(late)), kinds=["groove"])
    assert groove.title.startswith(f"{reading.grooves[0].label} "), "its groove, though another bar stands for it"
    (plain,) = wb.exercises(reading, bars="1-2")
    (easier,) = wb.exercises(reading, bars="1-2", more_steps=True)
    assert plain.kind == "groove" and len(easier.stages) > len(plain.stages)


@pytest.mark.common_practice
def test_dense_parts_begin_slower():
    dense, sparse = sixteenths(140.0), Chart(TimeMap.steady(1, 140.0), (groove_bar(),))
    assert strokes_per_s(dense, (0, 1)) == pytest.approx(140 / 60 * 4)
    assert default_tempi_bpm(dense, (0, 1))[0] < default_tempi_bpm(sparse, (0,))[0]


def test_fast_hands_get_a_caution():
    fast = section_exercise(sixteenths(200.0), 0, 1)
    easy = section_exercise(sixteenths(80.0), 0, 1)
    assert any("stay loose" in c for c in fast.cautions) and not easy.cautions


def test_the_users_own_bars():
    chart = Chart(TimeMap.steady(4, 100.0), (groove_bar(),) * 4)
    e = section_exercise(chart, 1, 2)
    assert e.where == "bars 2–3" and e.stages[0].bars == (1, 2) and e.stages[-1].record
    with pytest.raises(ChartError, match="There is no bar"):
        section_exercise(chart, 2, 9)
    with pytest.raises(ChartError, match="ends where it begins"):
        section_exercise(chart, 2, 1)


def test_any_instruments_alone():
    chart = Chart(TimeMap.steady(2, 100.0), (groove_bar(),) * 2)
    some, together, _ = section_exercise(chart, 0, 1, instruments=("kick", "snare")).stages
    assert some.title == "snare and kick alone" and together.instruments is None
    assert {n.instrument for n in stage_notes(chart, some, 0)} == {"kick", "snare"}
    with pytest.raises(ChartError, match="In bars 1–2 there is no ride"):
        section_exercise(chart, 0, 1, instruments=("ride",))


def test_families_of_instruments_can_be_named():
    assert instruments_named(("Hi-hat",)) == {"closed hi-hat", "open hi-hat", "pedal hi-hat"}
    assert instruments_named(("toms", "snare")) == {"high tom", "mid tom", "floor tom", "snare"}
    assert instruments_named(("cymbal",)) == {i.name for i in INSTRUMENTS if i.family == "cymbal"}
    with pytest.raises(ChartError, match="no instrument called 'gong'.* all of a kind: hi-hat, tom, cymbal"):
        instruments_named(("gong",))
    chart = Chart(TimeMap.steady(2, 100.0), (groove_bar(),) * 2)
    assert section_exercise(chart, 0, 1, instruments=("hi-hat",)).stages[0].title == "hi-hat alone"


def test_instruments_alone_come_first_in_every_kind_of_exercise(reading):
    for e in choose_exercises(reading, instruments=("kick",)):
        alone, whole = e.stages[:2]
        assert whole.instruments is None and whole.bars == alone.bars and whole.only == alone.only
        assert alone.title == "kick alone" and alone.instruments == {"kick"}
        assert {n.instrument for k in alone.bars for n in stage_notes(reading.chart, alone, k)} == {"kick"}
    with pytest.raises(ChartError, match="In these exercises there is no china"):
        choose_exercises(reading, instruments=("china",))


# -- what cannot be played, what is said ---------------------------------------------

THREE = dict(C="x.......", R="x.x.x.x.", S="x.x...x.", K="x...x...")


def test_where_two_hands_are_too_few_every_exercise_warns_and_gives_no_hands():
    reading = read_part(part(*[bar(**THREE)] * 8))
    warning = "Bars {}: three things for two hands on 1 (crash, ride, snare): leave one out, or check the chart."
    (groove,) = choose_exercises(reading, ("groove",))
    assert groove.warnings == (warning.format("1–4"),)
    assert section_exercise(reading.chart, 0, 1).warnings == (warning.format("1–2"),)
    struck = [n for n in with_sticking(reading).bars[0].notes if not instrument(n.instrument).is_foot]
    assert [n.sticking for n in struck if n.position == 0] == ["", "", ""]
    assert all(n.sticking for n in struck if n.position)
    assert section_exercise(part(ROCK, ROCK), 0, 1).warnings == ()


def test_a_fill_that_cannot_be_played_warns_and_is_not_called_easy():
    fill = bar(H="x.x.............", S="....x...x...x...", T="....x...x...x...", F="....x...x...x.x.")
    (exercise,) = choose_exercises(read_part(part(*[CRASHED, *[ROCK] * 6, fill] * 2)), ("fill",))
    assert any(w.startswith("Bar 8: three things for two hands on 2 (") for w in exercise.warnings)
    assert not any("easy" in said for said in exercise.listen_for)


def test_an_exercise_warns_of_its_own_bars_only():
    hard = bar(**THREE)
    chart = part(CRASHED, *[ROCK] * 4, hard, ROCK, FILL, CRASHED, *[ROCK] * 6, FILL)
    reading = read_part(chart)
    (fill,) = choose_exercises(reading, ("fill",))
    assert any(f.bar_index == 5 for f in reading.sticking.flags) and fill.warnings == ()


@pytest.mark.parametrize("tempo_bpm", [130.0, 150.0, 170.0])
def test_how_fast_the_hands_are_is_one_figure_wherever_it_is_said(tempo_bpm):
    fast = bar(H="x.x.............", S="....xxxxxxxxxxxx", K="x...............")
    (exercise,) = choose_exercises(read_part(part(*[ROCK] * 7, fast, *[ROCK] * 4, tempo_bpm=tempo_bpm)), ("fill",))
    told = {
        figure
        for text in (*exercise.listen_for, *exercise.cautions)
        for figure in re.findall(r"p to (\d+) notes a second", text)
    }
    assert len(told) == 1 and abs(int(told.pop()) - 4 * tempo_bpm / 60) <= 1


def test_a_pedal_too_fast_for_one_foot_is_told():
    fast = bar(H="x.x.x.x.x.x.x.x.", K="xxxxxxxxxxxxxxxx")
    (told,) = section_exercise(part(fast, fast, tempo_bpm=180.0), 0, 1).warnings
    assert told.startswith("Bars 1–2: kick at") and "double pedal" in told


def test_a_fill_that_returns_is_one_exercise_and_its_version_another():
    changed = bar(
        H="x.x.............", S="....xxxx........", T="........xxxx....", F="............xx.x", K="x..............."
    )
    song = [CRASHED, *[ROCK] * 6, FILL] * 2 + [CRASHED, *[ROCK] * 6, changed] * 2
    reading = read_part(part(*song))
    fills = choose_exercises(reading, ("fill",))
    assert [e.title for e in fills] == ["Fill 1, bars 8, 16", "Fill 1, changed, bars 24, 32"]
    assert [e.first_bar for e in choose_exercises(reading, ("fill",), sections=(reading.form[0].label,))] == [
        e.first_bar for e in fills
    ]


def test_what_is_known_of_bars_that_the_user_names_is_said():
    reading = read_part(part(*[CRASHED, *[ROCK] * 6, FILL] * 2))
    (fill,) = choose_exercises(reading, ("fill",))
    words = tuple(w for w in fill.listen_for if not w.startswith("It lands"))
    assert says(words[0], "16ths", "from 2", "4 + 4 + 4", "new drum")
    assert section_exercise(reading.chart, 7, 7, reading=reading).listen_for == words
    both = section_exercise(reading.chart, 6, 7, reading=reading).listen_for
    assert "ackbeat on 2 and 4" in both[0] and both[1].startswith("Fill in bar 8: 16ths from 2")


def test_without_a_recording_no_step_is_called_after_it(reading):
    groove = next(e for e in choose_exercises(reading, ("groove",)) if e.stages[-1].record)
    played = without_recording(groove).stages[-1]
    assert played.name == "played" and played.title.endswith(" as played") and played.bars == groove.stages[-1].bars
    own = without_recording(section_exercise(reading.chart, 1, 2))
    assert [s.name for s in own.stages] == ["hands", "feet", "all"]


# -- the notes of a stage ------------------------------------------------------------


def test_a_part_without_drums_has_no_exercises():
    chart = Chart.empty(TimeMap.steady(8, 100.0), sections=(Section(0, "Rest"),))
    assert choose_exercises(read_part(chart)) == ()


@pytest.mark.parametrize(
    "text, name",
    [
        ("A Verse: groove", "a-verse-groove"),
        ("bars 1–4", "bars-1-4"),
        ("Über/../etc", "uber-etc"),
        ("", "exercise"),
        ("鼓", "exercise"),
    ],
)
def test_names_of_files(text, name):
    assert slug(text) == name


def test_long_names_are_cut():
    assert len(slug("x" * 500)) <= 60


def test_names_stay_apart(reading):
    twice = replace(reading, grooves=(*reading.grooves, *reading.grooves))
    names = [e.name for e in choose_exercises(twice, ("groove",))]
    assert len(set(names)) == len(names)


def test_what_a_student_is_told_of_what_is_not_taught_asks_for_no_tool():
    """A student has a record and ears; the grid and the command line are the teacher's."""
    reading = read_part(song(heard(MORE_KICK, k14=0.7), FILL, 0.95))
    (teacher,), student = untaught_told(reading), untaught_learnt(reading)
    assert says(teacher, "bar", "grid", "confirm") and says(student, "bar", "by ear", "record")
    listened = section_exercise(reading.chart, 7, 7, reading=reading).listen_for
    assert says(listened[-1], "Listen first", "record")
    assert not any(word in text for text in (student, *listened) for word in ("grid", "workbench", "confirm"))


def test_where_bars_stand_it_is_said_how_many_of_their_strokes_are_doubtful():
    """Counted as the step plays them, by the chart's own limit; nothing of what is sure, confirmed or made of them."""
    chart = song(heard(MORE_KICK, k14=0.5, s4=0.6), FILL)
    stage = Stage("played", "", (1, 2, 3))
    strokes = sum(len(chart.bars[k].notes) for k in stage.bars)
    assert doubts_told(chart, stage) == f"Not sure: 2 of {strokes} strokes (bar 3). Listen to the record first."
    assert "1 of" in doubts_told(chart, replace(stage, instruments=frozenset({"kick"})))
    assert "1 of" in doubts_told(replace(chart, doubt_below=0.55), stage)
    sure = (replace(bar, notes=tuple(replace(n, confirmed=True) for n in bar.notes)) for bar in chart.bars)
    assert not doubts_told(replace(chart, bars=tuple(sure)), stage)
    assert not doubts_told(chart, replace(stage, bars=(0, 1)))
    assert not doubts_told(chart, replace(stage, version="frame"))


def test_a_groove_that_sections_share_is_one_exercise_unless_one_section_is_asked_for():
    song = part(*[CRASHED, *[ROCK] * 3, CRASHED, *[ROCK] * 3] * 2)
    reading = read_part(replace(song, sections=(Section(0, "Verse"), Section(8, "Chorus"))))
    groove, crashed = choose_exercises(reading)
    assert (groove.title, groove.where) == ("Verse, Chorus: groove", "bars 1–16")
    assert (crashed.title, crashed.where) == ("Verse, Chorus: variation, bars 1, 5, 9, 13", "bars 1, 5, 9, 13")
    assert bars_playing(reading, 9) == tuple(range(16))
    of_chorus = choose_exercises(reading, sections=["Chorus"])
    assert [e.title for e in of_chorus] == ["Chorus: groove", "Chorus: variation, bars 9, 13"]
