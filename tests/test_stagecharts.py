"""The chart of one step of an exercise."""

from fractions import Fraction as F

import pytest

import workbench as wb
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import Meter, TimeMap
from workbench.errors import ChartError
from workbench.files.chartfile import read_chart
from workbench.practice.exercises import section_exercise
from workbench.practice.stagecharts import recorded_stage_chart, stage_chart, with_sticking
from workbench.practice.stages import Stage
from workbench.reading.read import read_part


@pytest.fixture(scope="module")
def reading():
    return read_part(read_chart(wb.demo_song(what="chart")))


def groove_bar(*more):
    notes = [Note(F(k, 8), "closed hi-hat") for k in range(8)]
    return WrittenBar(
        (*notes, Note(F(0), "kick"), Note(F(1, 2), "kick"), Note(F(1, 4), "snare"), Note(F(3, 4), "snare"), *more)
    )


def test_a_stage_has_its_tempo_and_its_feel_in_proportion():
    bar = WrittenBar((Note(F(1, 4), "snare", deviation_s=0.010),))
    chart = Chart(TimeMap.steady(1, 120.0), (bar,))
    slow = stage_chart(chart, Stage("x", "x", (0,)), 60.0)
    assert slow.time_map.tempo_bpm(0) == pytest.approx(60)
    assert slow.bars[0].notes[0].deviation_s == pytest.approx(0.020)


def test_bars_follow_in_the_order_asked_for():
    chart = Chart(TimeMap.steady(2, 100.0), (groove_bar(), groove_bar(Note(F(15, 16), "snare", 30))))
    turned = stage_chart(chart, Stage("x", "x", (1, 0, 1)), 80.0)
    assert [b.pattern for b in turned.bars] == [chart.bars[k].pattern for k in (1, 0, 1)]


def test_a_pick_up_becomes_a_full_bar(reading):
    alone = stage_chart(reading.chart, Stage("x", "x", (0,)), 100.0)
    assert not alone.time_map.bars[0].is_pickup
    assert min(n.position for n in alone.bars[0].notes) == F(1, 2)
    assert len(alone.subdivisions(0)) == 4


@pytest.mark.parametrize("count, every, expected", [(1, 4, 4), (2, 4, 4), (3, 4, 12), (4, 4, 4), (8, 4, 8)])
def test_a_crash_marks_every_fourth_bar(count, every, expected):
    chart = Chart(TimeMap.steady(count, 100.0), (groove_bar(),) * count)
    marked = stage_chart(chart, Stage("x", "x", tuple(range(count))), 80.0, crash_every=every)
    assert len(marked) == expected
    crashes = [k for k, n in marked.notes() if n.instrument == "crash"]
    assert crashes == list(range(0, expected, every))
    assert not marked.bars[0].find(F(0), "closed hi-hat")


def test_a_recorded_stage_lies_on_its_excerpt(reading):
    chart, speed = reading.chart, 0.5
    own = recorded_stage_chart(chart, Stage("x", "x", (2, 3)), speed)
    start = chart.time_map.bar_start_s(2)
    for (_, a), (k, b) in zip(own.notes(), [(k, n) for k, n in chart.notes() if k in (2, 3)]):
        assert own.note_time_s(k - 2, a) == pytest.approx((chart.note_time_s(k, b) - start) / speed)
    with pytest.raises(ChartError, match="consecutive"):
        recorded_stage_chart(chart, Stage("x", "x", (2, 5)), speed)


def test_other_meters_keep_their_beats():
    bar = WrittenBar((Note(F(0), "kick"), Note(F(3, 8), "snare")))
    chart = Chart(TimeMap.steady(2, 60.0, Meter(6, 8)), (bar, bar))
    e = section_exercise(chart, 0, 1)
    own = stage_chart(chart, e.stages[-1], e.tempi_bpm[0])
    assert own.time_map.bars[0].meter == Meter(6, 8)
    assert own.time_map.end_s == pytest.approx(4 * 60 / e.tempi_bpm[0])


def test_sticking_is_written_in(reading):
    chart = with_sticking(reading)
    assert any(n.sticking for _, n in chart.notes())
    assert [n.key for _, n in chart.notes()] == [n.key for _, n in reading.chart.notes()]
