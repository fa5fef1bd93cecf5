"""The written chart, its edits, and both as plain data."""

import json
from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.charts import charts, edits
from workbench.chart import Chart, Mark, Note, PossibleHit, Section, Text, WrittenBar
from workbench.chart.data import chart_from_data, edit_from_data, to_data
from workbench.chart.edits import (
    EDITS,
    AcceptHit,
    AddNote,
    ChangeNote,
    CompositeEdit,
    Edit,
    MoveBarLine,
    MoveNote,
    NameSection,
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

SNARE_2 = Note(F(1, 4), "snare", 100, frozenset({"accent"}), deviation_s=0.01, confidence=0.4)


@pytest.fixture
def chart():
    empty = Chart.empty(TimeMap.steady(4, 120), title="Tin Roof Waltz")
    groove = WrittenBar((Note(F(0), "kick"), SNARE_2))
    return apply(empty, SetBars(0, (groove, groove, groove)))


def through_json(data):
    return json.loads(json.dumps(data))


POSSIBLE = st.lists(
    st.builds(PossibleHit, st.floats(-1, 9), st.sampled_from(["snare", "ride"]), st.integers(1, 127), st.floats(0, 1))
)


@given(charts(), POSSIBLE)
def test_charts_round_trip_through_json(chart, hits):
    chart = replace(chart, possible_hits=tuple(hits))
    assert all(0 <= k < len(chart) for k, _, _ in chart.possible_notes())
    assert chart_from_data(through_json(to_data(chart))) == chart


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
        c for c in subclasses(Edit) if c.__module__ == "workbench.chart.edits" and not c.__name__.startswith("_")
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


def test_repeats_are_bars_with_the_same_pattern(chart):
    softer = apply(chart, ChangeNote(1, F(1, 4), "snare", velocity=30))
    assert softer.repeats_of(0) == (0, 1, 2)
    assert apply(chart, RemoveNote(1, F(0), "kick")).repeats_of(0) == (0, 2)


def test_grid_columns_follow_each_beats_subdivision(chart):
    bar = WrittenBar((), (4, 3, 2, 1))
    columns = apply(chart, SetBars(3, (bar,))).grid_positions(3)
    assert columns == (0, F(1, 16), F(1, 8), F(3, 16), F(1, 4), F(1, 3), F(5, 12), F(1, 2), F(5, 8), F(3, 4))


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


@pytest.mark.parametrize(
    "fields, message",
    [
        ({"position": 0.25}, "exact fraction"),
        ({"position": F(-1, 4)}, "before its bar"),
        ({"velocity": 0}, "1 to 127"),
        ({"velocity": 64.0}, "whole number"),
        ({"articulations": {"sforzando"}}, "Unknown articulation"),
        ({"sticking": "B"}, "sticking"),
        ({"confidence": 2.0}, "between 0 and 1"),
        ({"deviation_s": float("nan")}, "finite"),
    ],
)
def test_impossible_notes(fields, message):
    with pytest.raises(ChartError, match=message):
        Note(**{"position": F(0), "instrument": "kick", **fields})


def test_impossible_charts(chart):
    with pytest.raises(ChartError, match="written bars"):
        Chart(chart.time_map, chart.bars[:2])
    with pytest.raises(ChartError, match="Two sections"):
        Chart(chart.time_map, chart.bars, sections=(Section(0, "a"), Section(0, "b")))
    with pytest.raises(ChartError, match="There is no bar 10"):
        Chart(chart.time_map, chart.bars, sections=(Section(9, "a"),))
    with pytest.raises(ChartError, match="feel"):
        Chart(chart.time_map, chart.bars, feel="wobbly")
    with pytest.raises(ChartError, match="no bar"):
        Chart(chart.time_map, chart.bars, texts=(Text(7, F(0), "x"),))
    with pytest.raises(ChartError, match="after the last bar"):
        Chart(chart.time_map, chart.bars, marks=(Mark("fill", (0, F(0)), (4, F(1, 8))),))
    with pytest.raises(ChartError, match="end after"):
        Mark("fill", (1, F(0)), (1, F(0)))
    with pytest.raises(ChartError, match="Two kick"):
        WrittenBar((Note(F(0), "kick"), Note(F(0), "kick", 9)))


def _paths(data, path=()):
    if isinstance(data, dict):
        for key, value in data.items():
            yield (*path, key)
            yield from _paths(value, (*path, key))
    elif isinstance(data, list):
        for k, value in enumerate(data):
            yield from _paths(value, (*path, k))


def test_one_broken_field_at_a_time(chart):
    """Replacing or removing any field of a chart's data is refused with a ChartError."""
    chart = apply(chart, NameSection(0, "Verse", "A"))
    chart = apply(chart, SetText(1, F(0), "watch"))
    good = through_json(to_data(chart))
    for path in list(_paths(good)):
        for change in ("wrong", "missing"):
            data = through_json(good)
            inner = data
            for key in path[:-1]:
                inner = inner[key]
            if change == "wrong":
                inner[path[-1]] = {"no": "such thing"}
            elif isinstance(inner, dict) and path[-1] not in {
                "articulations",
                "deviation_s",
                "confidence",
                "confirmed",
                "label",
            }:
                del inner[path[-1]]
            else:
                continue
            with pytest.raises(ChartError):
                chart_from_data(data)


@pytest.mark.parametrize(
    "data",
    [
        None,
        [],
        "add note",
        {"edit": "burn"},
        {"edit": [[]]},
        {"edit": "add note"},
        {"edit": "remove note", "bar_index": 0},
        {"edit": "remove note", "bar_index": "0", "position": "0", "instrument": "kick"},
        {"edit": "remove note", "bar_index": 0, "position": "1/0", "instrument": "kick"},
        {"edit": "remove note", "bar_index": 0, "position": "9" * 5000, "instrument": "kick"},
        {"edit": "remove note", "bar_index": True, "position": "0", "instrument": "kick"},
        {"edit": "move bar line", "bar_index": 0, "time_s": float("nan")},
        {"edit": "remove section", "bar_index": 0, "surprise": 1},
    ],
)
def test_unreadable_edits(data):
    with pytest.raises(ChartError):
        edit_from_data(data)


def test_edits_nested_without_end():
    data = {"edit": "remove section", "bar_index": 0}
    for _ in range(50):
        data = {"edit": "together", "edits": [data]}
    with pytest.raises(ChartError, match="deeply"):
        edit_from_data(data)
