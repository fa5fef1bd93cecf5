"""Lessons: their order and their tempi."""

import random
from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path

import pytest

from tests.parts import CRASHED, EMPTY, FILL, FOUR_FOUR, HALF, RIDE, ROCK, bar, part
from tests.sentences import says
from workbench.chart import Chart, Mark, Section
from workbench.chart.meter import Bar, TimeMap
from workbench.errors import ChartError
from workbench.practice.exercises import choose_exercises
from workbench.practice.lesson import FILL_WAYS, lesson_lines, plan_lesson
from workbench.practice.tempi import METRONOME_MARKS, metronome_mark
from workbench.practice.words import words_of
from workbench.reading.read import read_part

MORE_KICK = bar(H="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x.......x.x...x.")
SONG = [
    CRASHED,
    ROCK,
    MORE_KICK,
    ROCK,
    ROCK,
    ROCK,
    MORE_KICK,
    FILL,
    *[RIDE] * 4,
    CRASHED,
    ROCK,
    ROCK,
    FILL,
    *[ROCK] * 4,
]


@pytest.fixture(scope="module")
def lesson():
    return plan_lesson(read_part(part(*SONG, title="Copper Weather")))


@pytest.mark.common_practice
def test_first_the_form_then_the_groove_of_most_bars_and_last_the_song(lesson):
    kinds = [i.exercise.kind if i.exercise else i.title for i in lesson.items]
    assert kinds[0] == "The form" and kinds[-1] == "The song" and kinds[1] == "groove"
    assert kinds.index("fill") > kinds.index("variation") > 1 and kinds.index("fill") < kinds.index("groove", 2)
    assert lesson.minutes == sum(i.minutes for i in lesson.items)


@pytest.mark.common_practice
def test_what_sections_have_in_common_is_taught_once():
    """Verse and chorus on one groove, and its bar with a crash in both: two items, not four."""
    song = part(*[CRASHED, *[ROCK] * 3, CRASHED, *[ROCK] * 3] * 2)
    named = replace(song, sections=(Section(0, "Verse"), Section(8, "Chorus")))
    items = {i.title: i for i in plan_lesson(read_part(named)).items}
    assert list(items)[1:-1] == ["Verse, Chorus: groove", "Verse, Chorus: variation, bars 1, 5, 9, 13"]
    assert "16 bars: 12 exactly as here" in items["Verse, Chorus: groove"].why
    assert len({i.exercise.where for i in items.values() if i.exercise and i.exercise.kind == "variation"}) == 1
    german = plan_lesson(read_part(named), words=words_of("de"))
    assert german.items[1].title == "Verse, Chorus: Groove"


@pytest.mark.common_practice
def test_no_variation_is_taught_before_its_groove():
    ridden = bar(R="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x.......x.x...x.")
    song = part(*[ROCK, MORE_KICK, ROCK, ROCK] * 3, *[RIDE, ridden, RIDE, RIDE] * 2)
    titles = [i.title for i in plan_lesson(read_part(song)).items]
    assert [t.split(":")[0] for t in titles[1:-1]] == ["A", "A", "B", "B"] and "variation" in titles[4], titles


def test_a_groove_is_counted_where_it_is_played(lesson):
    """Not in its pick-up, its fills or its rests: fourteen of twenty bars here, four with changes."""
    assert "14 of the 20 bars go by this groove: 10 exactly as here, 4 with changes." in lesson.items[1].why
    bars = TimeMap.steady(9, 110).bars
    pickup = TimeMap(
        (replace(bars[0], beat_times_s=bars[0].beat_times_s[-1:], length=F(1, 4)), *bars[1:]), 9 * 240 / 110
    )
    told = plan_lesson(read_part(Chart(pickup, (bar(S="x"), *[ROCK] * 7, EMPTY)))).items[1].why
    assert told.startswith("7 of the 8 bars play this groove")


def test_a_groove_that_is_played_freely_is_not_said_to_repeat():
    rng = random.Random(3)
    signs = lambda: "".join(rng.choice("x..") for _ in range(16))
    free = part(*[bar(H=signs(), S=signs(), K=signs()) for _ in range(8)])
    item = plan_lesson(read_part(free)).items[1]
    assert "No bar repeats" in item.exercise.listen_for[0]
    assert "of the 8 bars are played freely" in item.why and "play this groove" not in item.why


def test_a_bar_that_the_reading_calls_different_does_not_play_the_groove():
    other = bar(C="x...............", K="x...............")
    reading = read_part(part(*[ROCK] * 5, other, *[ROCK] * 2))
    assert any("different" in v.text and v.bars == (5,) for v in reading.variations)
    why = plan_lesson(reading).items[1].why
    assert why.startswith("7 of the 8 bars play this groove.") and "vary" not in why
    changed = plan_lesson(read_part(part(CRASHED, *[ROCK] * 7))).items[1].why
    assert changed.startswith("This groove goes through all 8 bars: 7 exactly as here, 1 with changes.")


def test_a_groove_of_which_one_bar_is_the_model_is_not_said_to_be_played_by_all():
    """Each bar leaves out another stroke: one plays the groove as it stands."""
    less = [bar(H=f"{'x.' * k}..{'x.' * (7 - k)}", S="....x.......x...", K="x.......x.x.....") for k in range(1, 6)]
    reading = read_part(part(*less[:3], ROCK, *less[3:]))
    base = reading.grooves[0].groove.base_bars
    exact = sum(b.pattern == reading.chart.bars[base[0]].pattern for b in reading.chart.bars)
    assert exact == 1
    assert (
        plan_lesson(reading)
        .items[1]
        .why.startswith("This groove goes through all 6 bars: 1 exactly as here, 5 with changes.")
    )


def test_a_fill_is_learnt_out_of_what_precedes_it_and_into_what_follows():
    for bars, words in (([ROCK] * 3 + [FILL] + [ROCK] * 4, (True, True)), ([ROCK] * 7 + [FILL], (True, False))):
        (item,) = [i for i in plan_lesson(read_part(part(*bars))).items if i.exercise and i.exercise.kind == "fill"]
        assert ("out of the groove" in item.why, "into what follows" in item.why) == words
    assert FILL_WAYS[False, True].endswith("alone, then into what follows.")


def test_names_of_sections_are_said_where_there_are_some(lesson):
    assert "section's name" in lesson.items[0].why
    assert "section's name" not in plan_lesson(read_part(part(*[ROCK] * 8))).items[0].why


def test_all_count_in_the_same_metronome_marks(lesson):
    assert set(lesson.tempi_bpm[:-1]) <= set(METRONOME_MARKS) and list(lesson.tempi_bpm) == sorted(lesson.tempi_bpm)
    assert lesson.tempi_bpm[-1] == 110 and metronome_mark(110.4) == 112
    for item in lesson.items:
        assert {item.start_bpm, item.goal_bpm} <= set(lesson.tempi_bpm) and item.start_bpm <= item.goal_bpm


def test_the_last_tempo_is_said_to_be_the_records(lesson):
    """110 is no metronome mark (those are 108 and 112), so nobody shall look for it on the scale."""
    item = lesson.items[1]
    assert lesson.tempo_said(item, 110) == "110, the song's tempo"
    assert lesson.tempo_said(item, lesson.tempi_bpm[0]).isdigit()
    recorded = replace(lesson, recording=Path("song.flac"))
    assert all("110, the record's tempo" in line for line in lesson_lines(recorded)[1:])
    german = lesson_lines(replace(lesson, words=words_of("de")))
    assert says(german[0], f"{len(lesson.items)} Punkte", f"{lesson.minutes} Minuten")
    assert all(" to " not in line for line in german) and any(" → 110" in line for line in german)
    assert "das Tempo der Aufnahme" in replace(recorded, words=words_of("de")).tempo_said(item, 110)


def test_a_lesson_ends_at_the_tempo_of_the_pack():
    """A fill is rushed: the score, the lesson and the pack name the song's tempo all the same."""
    chart = part(*[ROCK] * 7, FILL, *[ROCK] * 8)
    bars = [
        replace(b, beat_times_s=tuple(t - 0.02 * n for n, t in enumerate(b.beat_times_s))) if k == 7 else b
        for k, b in enumerate(chart.time_map.bars)
    ]
    reading = read_part(replace(chart, time_map=TimeMap(bars, chart.time_map.end_s)))
    ends = {e.name: e.tempi_bpm[-1] for e in choose_exercises(reading)}
    items = [i for i in plan_lesson(reading).items if i.exercise]
    assert {i.exercise.kind for i in items} >= {"groove", "fill"}
    assert all(i.goal_bpm == ends[i.exercise.name] == 110 for i in items)


def test_each_item_ends_at_the_tempo_that_the_score_prints_for_it():
    bars, now_s = [], 0.0
    for bpm in [*[120.0] * 8, *[90.0] * 6]:
        bars.append(Bar(FOUR_FOUR, tuple(now_s + 60 / bpm * k for k in range(4))))
        now_s += 240 / bpm
    chart = part(*[ROCK] * 8, *[HALF] * 6, sections=(Section(0, "Verse", "A"), Section(8, "Chorus", "B")))
    lesson = plan_lesson(read_part(replace(chart, time_map=TimeMap(bars, now_s))))
    goals = {i.title: i.goal_bpm for i in lesson.items}
    assert goals["A Verse: groove"] == goals["The song"] == 120 and goals["B Chorus: groove"] == 90
    for item in lesson.items:
        assert item.start_bpm <= item.goal_bpm == lesson.own_tempo_bpm(item)


def test_what_comes_once_and_is_no_fill_is_named_with_why_nobody_teaches_it():
    lick = bar(H="x.x.x.x.x.x.x.x.", S="....x.......x.x.", K="x.......x.x.....")
    lesson = plan_lesson(read_part(part(*[ROCK] * 7, lick, *[ROCK] * 4)))
    assert not any(i.exercise and 7 in i.exercise.stages[0].bars for i in lesson.items)
    (note,) = lesson.notes
    assert says(note, "bar 8", "once", "no fill", "grid")
    marked = part(*[ROCK] * 7, lick, *[ROCK] * 4, marks=(Mark("fill", (7, F(3, 4)), (8, F(0)), confirmed=True),))
    taught = plan_lesson(read_part(marked))
    assert not taught.notes and any(i.title == "Fill 1, bar 8" for i in taught.items)


@pytest.mark.common_practice
@pytest.mark.parametrize("items, count", [(4, 1), (9, 2), (39, 9), (40, 9)])
def test_a_long_lesson_says_at_its_start_how_to_take_it(lesson, items, count):
    """Sessions of three quarters of an hour, about as long as each other, in the order of the plan."""
    minutes = [5, *[10] * (items - 1)]
    long = replace(lesson, items=tuple(replace(lesson.items[k % 3], minutes=m) for k, m in enumerate(minutes)))
    assert len(long.sessions) == count
    numbers = [k for first, last in long.sessions for k in range(first, last + 1)]
    assert numbers == list(range(1, items + 1)), "each item in one"
    lengths = [sum(minutes[first - 1 : last]) for first, last in long.sessions]
    assert max(lengths) - min(lengths) <= 10 and max(lengths) <= 50
    first = lesson_lines(long)[0]
    assert says(first, f"{items} items, {sum(minutes)} minutes in all")
    assert (f"{count} sessions (items 1–{long.sessions[0][1]}, " in first and "choose fewer" in first) == (count > 1)
    assert first in lesson_lines(replace(long, dispute="The bars are in dispute."))[1]
    assert long.to_data()["sessions"][-1][1] == items and first in long._repr_html_()
    alone = replace(lesson, items=(replace(lesson.items[0], minutes=120),))
    assert alone.sessions == ((1, 1),) and "sessions" not in alone.overview, "one item is no session too many"
    assert replace(lesson, items=()).sessions == ()


def test_a_plan_is_changed_item_by_item(lesson):
    changed = lesson.changed(student="Ana").changed(2, minutes=12, comment="Low left hand").of([2, len(lesson.items)])
    assert (changed.student, lesson.student) == ("Ana", "")
    assert [i.title for i in changed.items] == [lesson.items[1].title, "The song"]
    assert changed.table.loc[1, "comment"] == "Low left hand" and changed.minutes == 12 + lesson.items[-1].minutes
    for wrong in (lambda: lesson.changed(0, minutes=1), lambda: lesson.of([99]), lambda: lesson.changed(2, tempo=1)):
        with pytest.raises(ChartError):
            wrong()


def test_a_part_without_anything_sure_has_no_lesson():
    with pytest.raises(ChartError, match="nothing to learn"):
        plan_lesson(read_part(part(bar())))
