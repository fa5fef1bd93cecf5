"""Reading a part, and writing what was read into the chart."""

import json
from dataclasses import replace
from fractions import Fraction as F

from tests.parts import EMPTY, ROCK, bar, part
from tests.test_wording import SONG
from workbench.chart import Mark, Text
from workbench.chart.data import edit_from_data, to_data
from workbench.chart.edits import RemoveMark, SetMark
from workbench.reading.read import read_part, reading_to_edits
from workbench.reading.sticking import Player


def test_a_groove_is_not_called_free_for_its_variations():
    assert not any(g.free for g in read_part(part(*SONG)).grooves)
    # Every bar has another kick of its own, and all have the groove.
    own = [bar(H="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x" + "." * k + "x" + "." * (14 - k)) for k in range(8)]
    assert not any(g.free for g in read_part(part(*own)).grooves)


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


def test_players_change_the_sticking_only():
    chart = part(*SONG)
    right, left = read_part(chart).to_data(), read_part(chart, player=Player("left")).to_data()
    assert right.pop("sticking") != left.pop("sticking")
    right.pop("feel"), left.pop("feel")
    assert [s for s in right.pop("statements") if s["kind"] != "feel"] == [
        s for s in left.pop("statements") if s["kind"] != "feel"
    ]
    assert right == left
