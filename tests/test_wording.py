"""The whole reading: exact, complete, independent of where the part begins, never over the user."""

import json
import re
from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.charts import charts, written_bars
from tests.parts import CRASHED, EMPTY, FILL, HALF, RIDE, ROCK, bar, part, rebuilt
from workbench.chart import Chart, Mark, Note, Text, WrittenBar
from workbench.chart.data import edit_from_data, to_data
from workbench.chart.edits import RemoveMark, RemoveNote, SetMark
from workbench.chart.meter import Meter, TimeMap
from workbench.commands.cli import main
from workbench.files.chartfile import read_chart, write_chart
from workbench.files.document import ChartDocument
from workbench.reading.read import read_part, reading_to_edits
from workbench.reading.sticking import Player
from workbench.reading.wording import all_statements, to_markdown

SONG = [CRASHED, *[ROCK] * 6, FILL, *[RIDE] * 8, CRASHED, *[ROCK] * 6, FILL, *[HALF] * 4, EMPTY, EMPTY]
POOL = st.sampled_from([CRASHED, ROCK, ROCK, ROCK, RIDE, HALF, FILL, EMPTY])


@st.composite
def songs(draw, max_bars=24):
    bars = draw(st.lists(st.one_of(POOL, written_bars()), min_size=1, max_size=max_bars))
    return part(*bars)


def assert_rebuilds(chart):
    reading = read_part(chart)
    for k in range(len(chart)):
        assert rebuilt(reading, k) == chart.bars[k].content, k
    return reading


@settings(max_examples=40)
@given(songs())
def test_base_variations_and_fills_give_every_bar_back(chart):
    assert_rebuilds(chart)


@settings(max_examples=40)
@given(charts())
def test_so_they_do_in_any_meter_with_any_marks(chart):
    reading = assert_rebuilds(replace(chart, marks=tuple(replace(m, confirmed=True) for m in chart.marks)))
    json.dumps(reading.to_data())
    assert reading.to_markdown().startswith("# ")


@settings(max_examples=25)
@given(songs(16).filter(lambda c: c.bars[0].notes), st.integers(1, 9))
def test_shifting_a_part_by_whole_bars_shifts_every_statement_and_changes_none(chart, bars):
    shifted = Chart(TimeMap.steady(len(chart) + bars, 110), (*[EMPTY] * bars, *chart.bars))
    here = [(s.kind, s.text, s.bars) for s in read_part(chart).statements]
    there = [
        (s.kind, s.text, tuple(k - bars for k in s.bars))
        for s in read_part(shifted).statements
        if s.bars != tuple(range(bars))
    ]
    assert here == there


def test_each_thing_is_said_once_with_its_bars():
    reading = read_part(part(*SONG))
    said = [(s.kind, s.text, s.bars) for s in reading.statements]
    assert len(set(said)) == len(said) and all(bars for _, _, bars in said)
    (crash,) = [v for v in reading.variations if v.text == "crash instead of hi-hat on 1"]
    assert crash.bars == (0, 16)
    (fill,) = [s for s in reading.statements if s.text.startswith("fill 1, ")]
    assert fill.bars == (7, 23)


def test_the_page():
    page = read_part(part(*SONG, title="Enamel Kettle")).to_markdown()
    for line in (
        "# Enamel Kettle",
        "| A | 1–8 | 8 bars, time on the hi-hat |",
        "| B | 9–16 | 8 bars, time on the ride |",
        "- bars 1, 17: crash instead of hi-hat on 1",
        "snare  |. . x . . . x . |",
        "Leads into B, lands on ride and kick on 1",
        "Count: `2 e & a 3 e & a 4 e & a`. Hands: `R L R L R L R L R L R L`.",
    ):
        assert line in page, page
    assert "R+L: right hi-hat and left snare." in page and "(RL)" not in page


def test_the_page_explains_brackets_of_a_count_and_places_without_hands():
    late = bar(H="x.x.............", S="....x.xx.xxx....", T=".............xxx", K="x...............")
    page = read_part(part(*[CRASHED, *[ROCK] * 6, late] * 2)).to_markdown()
    assert "Count: `2 & a (3) e & a (4) e & a`." in page
    assert page.count("in brackets") == 1
    assert "in brackets" not in read_part(part(*SONG)).to_markdown()
    three = bar(H="x.x.x.x.", C="x.......", S="x.x...x.", K="x...x...")
    page = read_part(part(*[three] * 8)).to_markdown()
    assert "Hands: `? R+L R R+L`" in page and "?: see Playability." in page
    assert "three things for two hands on 1 (crash, closed hi-hat, snare): leave one out" in page


def test_a_bar_of_another_meter_is_said():
    two_four = bar(Meter(2, 4), H="x.x.x.x.", S="....x...", K="x.......")
    bars = [
        *TimeMap.steady(4, 120).bars,
        *TimeMap.steady(1, 120, Meter(2, 4), 8.0).bars,
        *TimeMap.steady(4, 120, start_s=9.0).bars,
    ]
    reading = assert_rebuilds(Chart(TimeMap(bars, 17.0), (*[ROCK] * 4, two_four, *[ROCK] * 4)))
    assert [(v.text, v.bars) for v in reading.variations] == [("a bar of 2/4", (4,))]


def test_an_empty_chart_reads_as_silence():
    reading = read_part(Chart.empty(TimeMap.steady(4, 100)))
    assert [s.text for s in reading.statements] == ["no drums: 4 bars"]


# -- played freely ----------------------------------------------------------------------

FREE = [
    bar(H="x.......", S="..x.x...", K="......x."),
    bar(H="..x..x..", K="x..x...."),
    bar(R="x.x.....", S="......xx"),
    bar(H="....x.x.", S=".x......", K="x....x.."),
    bar(R="x..x..x.", S="....x..."),
    bar(H=".x.x....", K="x.....x."),
    bar(S="x..x....", K="..x....x"),
    bar(R=".x...x.x", S="x.......", K="....x..."),
]


def test_of_bars_played_freely_the_page_tells_little_and_the_data_everything():
    reading = assert_rebuilds(part(*FREE))
    (own,) = reading.grooves
    assert own.free and own.text.startswith("no bar repeats: played freely")
    page = reading.to_markdown()
    told = {int(n): int(strokes) for n, strokes in re.findall(r"\n- bar (\d+): (\d+) strokes?; ", page)}
    # What fills take is told with them.
    strokes = {
        k + 1: sum(not any(f.span.covers(k, n.position) for f in reading.fills) for n in written.notes)
        for k, written in enumerate(FREE)
        if k not in own.groove.base_bars
    }
    assert told == {n: count for n, count in strokes.items() if count}
    assert page.count("\n- bar") == len(told) >= 4
    data = reading.to_data()
    differing = {n for v in data["variations"] for n in v["bars"]}
    assert set(told) <= differing
    assert data["grooves"][0]["free"]


def test_a_groove_is_not_called_free_for_its_variations():
    assert not any(g.free for g in read_part(part(*SONG)).grooves)
    # Every bar has another kick of its own, and all have the groove.
    own = [bar(H="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x" + "." * k + "x" + "." * (14 - k)) for k in range(8)]
    assert not any(g.free for g in read_part(part(*own)).grooves)


# -- into the chart and back ------------------------------------------------------------


def test_a_reading_goes_into_the_chart_as_one_step_and_reads_the_same():
    chart = part(*SONG)
    edit = reading_to_edits(read_part(chart))
    assert edit_from_data(json.loads(json.dumps(to_data(edit)))) == edit
    marked = edit.apply(chart)
    assert [(s.label, s.bar_index) for s in marked.sections] == [("A", 0), ("B", 8), ("A", 16), ("C", 24), ("", 28)]
    assert [(m.start, m.end) for m in marked.marks if m.kind == "fill"] == [
        ((7, F(1, 4)), (8, F(0))),
        ((23, F(1, 4)), (24, F(0))),
    ]
    again = reading_to_edits(read_part(marked)).apply(marked)
    assert again == marked


def test_what_the_user_confirmed_is_never_changed():
    chart = part(*SONG)
    marked = reading_to_edits(read_part(chart)).apply(chart)
    mine = (
        Mark("fill", (7, F(1, 2)), (8, F(0)), "my words", confirmed=True),
        Mark("groove", (8, F(0)), (16, F(0)), "the ride part", confirmed=True),
        Mark("note", (24, F(0)), (28, F(0)), "count aloud", confirmed=True),
    )
    for mark in mine:
        marked = SetMark(mark).apply(marked)
    marked = replace(marked, sections=tuple(replace(s, name="Verse") if s.label == "A" else s for s in marked.sections))
    reading = read_part(marked)
    after = reading_to_edits(reading).apply(marked)
    assert set(mine) <= set(after.marks) and after.sections == marked.sections
    for mark in mine:
        assert not any(
            m != mark and m.kind == mark.kind and m.start < mark.end and mark.start < m.end for m in after.marks
        )
    page = reading.to_markdown()
    assert all(m.text in page.lower() or m.text in page for m in mine) and "A Verse" in page


def test_where_the_user_says_there_is_no_fill_none_is_proposed_and_the_groove_is_still_named():
    chart = part(*SONG)
    marked = reading_to_edits(read_part(chart)).apply(chart)
    first = next(m for m in marked.marks if m.kind == "fill")
    for start in (first.start, (7, F(0))):
        no_fill = Mark("groove", start, first.end, confirmed=True)
        refused = SetMark(no_fill).apply(RemoveMark("fill", first.start).apply(marked))
        again = reading_to_edits(read_part(refused)).apply(refused)
        assert [m.start[0] for m in again.marks if m.kind == "fill"] == [23]
        assert no_fill in again.marks
        assert [m for m in again.marks if m.kind == "groove" and m.text] == [
            m for m in marked.marks if m.kind == "groove"
        ]


def test_cues_for_the_score_leave_the_users_texts_alone():
    mine = Text(24, F(0), "softly")
    chart = part(*SONG, texts=(mine,))
    cued = reading_to_edits(read_part(chart), cues=True).apply(chart)
    assert cued.texts == (Text(7, F(1, 4), "fill"), Text(23, F(1, 4), "fill"), mine)
    plain = part(*SONG)
    assert Text(24, F(0), "half-time") in reading_to_edits(read_part(plain), cues=True).apply(plain).texts


def test_a_silent_last_bar_is_no_section():
    chart = part(*[ROCK] * 8, EMPTY)
    assert [s.label for s in reading_to_edits(read_part(chart)).apply(chart).sections] == ["A"]


# -- the command --------------------------------------------------------------------------


@pytest.fixture
def song_file(tmp_path):
    path = tmp_path / "lanterns.chart.json"
    write_chart(part(*SONG, title="Enamel Kettle"), path)
    return path


def test_the_command_prints_the_page(song_file, capsys):
    assert main(["read", str(song_file)]) == 0
    assert capsys.readouterr().out == read_part(read_chart(song_file)).to_markdown()


def test_the_command_writes_files_and_marks(song_file, tmp_path, capsys):
    status = main(
        [
            "read",
            str(song_file),
            "--out",
            str(tmp_path / "out"),
            "--mark",
            "--sticking",
            "--left-handed",
            "--hand-to-hand",
        ]
    )
    assert status == 0
    data = json.loads((tmp_path / "out/lanterns.reading.json").read_text("utf-8"))
    assert data["sticking"]["handedness"] == "left" and len(data["fills"]) == 2
    assert (tmp_path / "out/lanterns.reading.md").read_text("utf-8").startswith("# Enamel Kettle")
    chart = read_chart(song_file)
    assert chart.sections and chart.marks and chart.bars[0].notes[0].sticking in "RL"
    said = capsys.readouterr().err
    sections = len(chart.sections)
    assert f"Written into {song_file}: {sections} sections" in said and "2 fills" in said and "sticking" in said
    assert "from the chart alone" in said


def test_the_command_reads_parts_of_any_kind_and_writes_only_into_charts(song_file, tmp_path, capsys):
    assert main(["score", str(song_file), "--to", "musicxml,midi", "--no-form"]) == 0
    for ending in ("musicxml", "mid"):
        part_file = song_file.with_name(f"lanterns.{ending}")
        capsys.readouterr()
        assert main(["read", str(part_file)]) == 0
        assert capsys.readouterr().out.startswith("# Enamel Kettle")
        assert main(["read", str(part_file), "--mark"]) == 2
        assert "can be read, but marks" in capsys.readouterr().err
    assert main(["read", str(part_file), "--out", str(tmp_path / "out")]) == 0
    assert (tmp_path / "out" / "lanterns.reading.md").exists()


def test_the_command_compares_two_versions(song_file, tmp_path, capsys):
    live = tmp_path / "live.chart.json"
    write_chart(part(*SONG[:8], *[ROCK] * 4, *SONG[8:], title="Live"), live)
    assert main(["read", str(song_file), "--against", str(live), "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["only_second"]) == 4


def test_unsaved_edits_of_both_versions_count(song_file, tmp_path, capsys):
    live = tmp_path / "live.chart.json"
    write_chart(read_chart(song_file), live)
    with ChartDocument.open(live) as document:
        document.apply(RemoveNote(2, F(0), "kick"))
    assert read_chart(live) == read_chart(song_file)
    assert main(["read", str(song_file), "--against", str(live), "--json"]) == 0
    (change,) = json.loads(capsys.readouterr().out)["changes"]
    assert "kick" in change["text"]


def test_the_command_says_what_it_cannot_read(tmp_path, capsys):
    assert main(["read", str(tmp_path / "none.chart.json")]) == 2
    assert "none.chart.json" in capsys.readouterr().err


def test_players_change_the_sticking_only():
    chart = part(*SONG)
    right, left = read_part(chart).to_data(), read_part(chart, player=Player("left")).to_data()
    assert right.pop("sticking") != left.pop("sticking")
    right.pop("feel"), left.pop("feel")
    assert [s for s in right.pop("statements") if s["kind"] != "feel"] == [
        s for s in left.pop("statements") if s["kind"] != "feel"
    ]
    assert right == left


def test_what_rests_on_doubtful_hits_is_said():
    """Toms that the detector was not sure of; confirming them takes the doubt away."""
    bars = [
        WrittenBar(
            (
                Note(F(0), "kick", confidence=0.9),
                Note(F(1, 4), "high tom", confidence=0.4),
                Note(F(3, 4), "high tom", confidence=0.4),
            )
        )
        for _ in range(4)
    ]
    chart = Chart(TimeMap.steady(4, 100), tuple(bars))
    reading = read_part(chart)
    said = "Most hits of these are doubtful: high tom (8 of 8); look at them in the grid"
    assert said in to_markdown(reading) and "kick (" not in to_markdown(reading)
    assert [s.kind for s in all_statements(reading)].count("doubt") == 1
    sure = replace(chart, bars=tuple(WrittenBar(tuple(replace(n, confirmed=True) for n in b.notes)) for b in bars))
    assert said not in to_markdown(read_part(sure))
