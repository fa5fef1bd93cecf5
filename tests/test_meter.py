"""Meter and time map: exact positions, and seconds there and back."""

from fractions import Fraction as F

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import ChartError


def drifting_map() -> TimeMap:
    """A pick-up, 4/4 getting faster, two bars of 6/8, a 3/4 bar, 4/4 again."""
    meters = [Meter(4, 4)] * 6 + [Meter(6, 8)] * 2 + [Meter(3, 4)] + [Meter(4, 4)] * 4
    t, beat_s, bars = 0.7, 0.52, []
    for k, meter in enumerate(meters):
        length = F(3, 8) if k == 0 else meter.bar_length
        spans = Bar(
            meter,
            (0.0,) * len(Bar(meter, tuple(range(9))[:2], length).beat_positions())
            if k == 0
            else (0.0,) * meter.counted_beats,
            length,
        ).beat_spans()
        times = []
        for _, span in spans:
            times.append(t)
            t += beat_s * float(span / meter.beat_length)
            beat_s *= 0.985
        bars.append(Bar(meter, tuple(times), length))
    return TimeMap(bars, t)


MAP = drifting_map()


@given(st.integers(0, len(MAP) - 1), st.fractions(0, 1, max_denominator=96))
def test_positions_round_trip_below_a_microsecond(bar_index, part):
    position = part * MAP.bars[bar_index].length
    time_s = MAP.seconds(bar_index, position)
    place = MAP.place(time_s)
    again = MAP.seconds(place.bar_index, place.position)
    assert abs(again - time_s) < 1e-6
    if part < 1:
        assert place.bar_index == bar_index
        assert abs(place.position - float(position)) < 1e-9


@given(st.floats(-5, 60))
def test_seconds_round_trip_below_a_microsecond(time_s):
    place = MAP.place(time_s)
    assert abs(MAP.seconds(*place) - time_s) < 1e-6


def test_bar_lines_belong_to_the_bar_they_open():
    for k in range(len(MAP)):
        assert MAP.place(MAP.bar_start_s(k)).bar_index == k


def test_arrays_and_single_values_agree():
    times = np.linspace(0, 30, 50)
    assert np.allclose(MAP.whole_notes_at(times), [float(MAP.whole_notes_at(t)) for t in times], atol=0)


def test_pickup_bar_counts_from_where_it_begins():
    bar = Bar(Meter(4, 4), (0.0, 0.2), F(3, 8))
    assert bar.beat_positions() == (F(0), F(1, 8))
    assert bar.count(F(0)) == (3, F(1, 8))  # the "and" of 3
    assert bar.count(F(1, 8)) == (4, F(0))
    assert MAP.bar_number(0) == 0 and MAP.bar_number(1) == 1
    assert MAP.bar_index(1) == 1


def test_a_sixteenth_at_120_lasts_an_eighth_of_a_second():
    """120 quarters a minute: 60 s / 120 / 4 = 0.125 s (arithmetic of the tempo mark)."""
    time_map = TimeMap.steady(2, 120)
    assert time_map.seconds(0, F(1, 16)) - time_map.seconds(0) == pytest.approx(0.125, abs=1e-12)


@pytest.mark.common_practice
def test_backbeat_and_groupings():
    """Backbeat = beats 2 and 4; 6 + 4 + 6 sixteenths fill a 4/4 bar."""
    bar = Bar(Meter(4, 4), (0.0, 0.5, 1.0, 1.5))
    assert [bar.count(p)[0] for p in (F(1, 4), F(3, 4))] == [2, 4]
    assert (6 + 4 + 6) * F(1, 16) == Meter(4, 4).bar_length


@pytest.mark.common_practice
def test_compound_meters_count_dotted_beats():
    assert Meter(6, 8).counted_beats == 2 and Meter(12, 8).counted_beats == 4
    assert Meter(3, 8).counted_beats == 3 and Meter(6, 4).counted_beats == 6
    assert TimeMap.steady(1, 60, Meter(6, 8)).quarter_tempo_bpm(0) == pytest.approx(90)


@pytest.mark.parametrize("beats, unit", [(0, 4), (33, 4), (4, 3), (4, 0), (2.5, 4)])
def test_impossible_meters(beats, unit):
    with pytest.raises(ChartError):
        Meter(beats, unit)


@pytest.mark.parametrize("text", ["4", "4/4/4", "a/4", "4/-4", ""])
def test_unreadable_meters(text):
    with pytest.raises(ChartError, match="meter"):
        Meter.parse(text)


def test_impossible_bars():
    with pytest.raises(ChartError, match="beat times"):
        Bar(Meter(4, 4), (0.0, 1.0))
    with pytest.raises(ChartError, match="cannot be"):
        Bar(Meter(4, 4), (0.0,), F(5, 4))
    with pytest.raises(ChartError, match="finite"):
        Bar(Meter(1, 4), (float("nan"),))
    with pytest.raises(ChartError, match="at least one bar"):
        TimeMap([], 1.0)
    with pytest.raises(ChartError, match="must increase: bar 1"):
        TimeMap([Bar(Meter(2, 4), (1.0, 0.5))], 2.0)
    with pytest.raises(ChartError, match="There is no bar 14"):
        TimeMap.steady(3, 100).seconds(13, 0)
