"""Named edits: what they change, what they refuse, and that each is written and read."""

from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import test_chart
from tests.charts import charts, edits
from tests.test_chart import SNARE_2
from tests.test_data import through_json
from workbench.chart import Note, PossibleHit, Section, WrittenBar
from workbench.chart.data import chart_from_data, edit_from_data, to_data
from workbench.chart.edits import (
    EDITS,
    AcceptHit,
    AddNote,
    CompositeEdit,
    Edit,
    MoveBarLine,
    MoveNote,
    NameSection,
    Rebar,
    RefuseHit,
    RemoveMark,
    RemoveNote,
    RemoveSection,
    RenameInstrument,
    SetBars,
    SetMeter,
    SetText,
    SetTimeMap,
    apply,
)
from workbench.chart.meter import Meter, TimeMap
from workbench.errors import ChartError

chart = test_chart.chart


@given(st.data())
def test_edits_round_trip_and_leave_the_chart_before_untouched(data):
    chart = data.draw(charts())
    before = to_data(chart)
    edit = data.draw(edits(chart))
    again = edit_from_data(through_json(to_data(edit)))
    assert again == edit
    assert apply(chart, again) == apply(chart, edit)
    assert to_data(chart) == before
    # What the cheap copy of one changed bar yields passes all checks of a new chart.
    after = apply(chart, edit)
    assert chart_from_data(to_data(after)) == after


def test_every_edit_can_be_written():
    def subclasses(cls):
        return {c for s in cls.__subclasses__() for c in {s} | subclasses(s)}

    assert set(EDITS.values()) == {
        c
        for c in subclasses(Edit)
        if c.__module__ == "workbench.chart.edits" and not c.__name__.startswith("_") and c is not Rebar
    }


def test_adding_replaces_what_is_there(chart):
    louder = Note(F(1, 4), "snare", 120)
    assert apply(chart, AddNote(0, louder)).bars[0].notes == (Note(F(0), "kick"), louder)


def test_a_moved_note_keeps_when_it_was_heard_if_near(chart):
    near = apply(chart, MoveNote(0, F(1, 4), "snare", 0, F(1, 4), "side stick"))
    moved = near.bars[0].find(F(1, 4), "side stick")
    assert near.note_time_s(0, moved) == pytest.approx(chart.note_time_s(0, SNARE_2))
    assert moved.confirmed and moved.confidence == 1.0
    far = apply(chart, MoveNote(0, F(1, 4), "snare", 2, F(1, 2), "snare"))
    assert far.bars[2].find(F(1, 2), "snare").deviation_s == 0.0
    assert far.bars[0].find(F(1, 4), "snare") is None


def test_a_line_moved_a_little_keeps_written_places(chart):
    moved = apply(chart, MoveBarLine(1, 2.1))
    assert [n.key for _, n in moved.notes()] == [n.key for _, n in chart.notes()]
    assert moved.time_map.bars[1].fixed and moved.time_map.bar_start_s(1) == pytest.approx(2.1)


def test_a_possible_hit_is_written_where_it_was_heard_or_suggested_no_more(chart):
    hats = tuple(PossibleHit(t, "closed hi-hat", 50, 0.4) for t in (0.26, 1.99))
    chart = apply(replace(chart, possible_hits=hats), AddNote(0, Note(F(1, 8), "open hi-hat", confidence=0.5)))
    assert [(k, n.position) for k, n, _ in chart.possible_notes()] == [(0, F(1, 8)), (1, F(0))]
    written = apply(chart, AcceptHit(0.26, "closed hi-hat"))
    hat = written.bars[0].find(F(1, 8), "closed hi-hat")
    assert hat.confirmed and written.note_time_s(0, hat) == pytest.approx(0.26)
    assert written.bars[0].find(F(1, 8), "open hi-hat") is None and written.possible_hits == hats[1:]
    assert apply(chart, RefuseHit(0.26, "closed hi-hat")).possible_hits == hats[1:]
    with pytest.raises(ChartError, match="No closed hi-hat"):
        apply(written, AcceptHit(0.26, "closed hi-hat"))
    # What the user writes there is not suggested any more, and bars laid anew leave it where it is heard.
    assert len(apply(chart, AddNote(0, Note(F(1, 8), "closed hi-hat"))).possible_notes()) == 1
    assert apply(chart, SetMeter(Meter(3, 4))).possible_hits == hats


def test_renaming_a_row_keeps_the_louder_of_two(chart):
    chart = apply(chart, AddNote(0, Note(F(1, 4), "side stick", 20)))
    renamed = apply(chart, RenameInstrument(0, 3, "snare", "side stick"))
    assert renamed.bars[0].find(F(1, 4), "side stick").velocity == 100
    assert "snare" not in renamed.instruments_used()


def test_a_shorter_meter_never_drops_notes(chart):
    full = apply(chart, AddNote(1, Note(F(3, 4), "crash")))
    short = apply(full, SetMeter(Meter(3, 4)))
    assert sum(1 for _ in short.notes()) == sum(1 for _ in full.notes())
    assert {b.meter for b in short.time_map.bars} == {Meter(3, 4)}


def test_another_time_map_takes_sections_along(chart):
    chart = apply(chart, NameSection(2, "Chorus", "B"))
    halved = TimeMap.steady(2, 60)
    laid = apply(chart, SetTimeMap(halved, (WrittenBar(), WrittenBar())))
    assert laid.sections == (Section(1, "Chorus", "B"),)


def test_together_is_all_or_nothing(chart):
    with pytest.raises(ChartError):
        apply(chart, CompositeEdit((RemoveNote(0, F(0), "kick"), RemoveNote(0, F(0), "kick"))))
    assert chart.bars[0].find(F(0), "kick")


@pytest.mark.parametrize(
    "edit, message",
    [
        (AddNote(4, SNARE_2), "no bar 5"),
        (AddNote(-1, SNARE_2), "no bar 0"),
        (AddNote(0, Note(F(1), "kick")), "lies outside"),
        (RemoveNote(0, F(1, 8), "kick"), "Bar 1 has no kick at position 1/8"),
        (RemoveSection(2), "No section begins at bar 3"),
        (RemoveMark("fill", (0, F(0))), "No fill"),
        (SetBars(3, (WrittenBar(), WrittenBar())), "no bar 5"),
        (RenameInstrument(0, 9, "kick", "snare"), "no bar 10"),
        (SetText(9, F(0), "x"), "no bar 10"),
    ],
)
def test_impossible_edits(chart, edit, message):
    with pytest.raises(ChartError, match=message):
        apply(chart, edit)


def test_every_edit_says_what_was_done():
    """ "Taken back: move note" reads like an order; "a hit moved" is what was taken back."""
    assert [called for called, cls in EDITS.items() if not cls.said and "words" not in vars(cls)] == []
