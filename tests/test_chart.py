"""The written chart, its edits, and both as plain data."""

from fractions import Fraction as F

import pytest

from workbench.chart import Chart, Mark, Note, Section, Text, WrittenBar
from workbench.chart.edits import ChangeNote, RemoveNote, SetBars, SetText, apply
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import ChartError
from workbench.notation.musicxml import write_musicxml
from workbench.notation.musicxml_read import read_musicxml

SNARE_2 = Note(F(1, 4), "snare", 100, frozenset({"accent"}), deviation_s=0.01, confidence=0.4)


@pytest.fixture
def chart():
    empty = Chart.empty(TimeMap.steady(4, 120), title="Tin Roof Waltz")
    groove = WrittenBar((Note(F(0), "kick"), SNARE_2))
    return apply(empty, SetBars(0, (groove, groove, groove)))


def test_repeats_are_bars_with_the_same_pattern(chart):
    softer = apply(chart, ChangeNote(1, F(1, 4), "snare", velocity=30))
    assert softer.repeats_of(0) == (0, 1, 2)
    assert apply(chart, RemoveNote(1, F(0), "kick")).repeats_of(0) == (0, 2)


def test_grid_columns_follow_each_beats_subdivision(chart):
    bar = WrittenBar((), (4, 3, 2, 1))
    columns = apply(chart, SetBars(3, (bar,))).grid_positions(3)
    assert columns == (0, F(1, 16), F(1, 8), F(3, 16), F(1, 4), F(1, 3), F(5, 12), F(1, 2), F(5, 8), F(3, 4))


@pytest.mark.parametrize("length, columns", [(F(1, 32), (0,)), (F(5, 64), (0, F(1, 64))), (F(5, 16), (0, F(1, 16)))])
def test_a_bar_begins_with_a_column_however_short_it_is(length, columns):
    timed = Bar(Meter(4, 4), (1.0,) if length <= F(1, 4) else (1.0, 1.1), length)
    assert WrittenBar().grid_positions(timed)[: len(columns)] == columns


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


def test_a_text_behind_the_end_of_its_bar_stands_in_the_bar_after_it(tmp_path):
    """Of a pick-up of one beat: what stands on its third beat is heard on the second beat of bar 1."""
    whole = TimeMap.steady(2, 120)
    pickup = Bar(Meter(4, 4), (-0.5,), F(1, 4))
    time_map = TimeMap([pickup, *whole.bars], whole.end_s)
    texts = (Text(0, F(1, 2), "build"), Text(0, F(1, 4), "in"), Text(2, F(2), "end"))
    chart = Chart.empty(time_map, texts=texts)
    moved = (Text(0, F(1, 4), "in"), Text(1, F(1, 4), "build"), Text(2, F(1), "end"))
    assert chart.texts == moved
    assert SetText(0, F(1, 2), "").apply(chart).texts == (moved[0], moved[2])
    path = write_musicxml(chart, tmp_path / "pickup.musicxml")
    assert read_musicxml(path).chart.texts == moved
