"""Swing written out: straight eighths become triplets, nothing heard moves."""

from dataclasses import replace
from fractions import Fraction as F

import pytest

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import Meter, TimeMap
from workbench.notation.swing import write_out_swing

COMMON_TIME = Meter(4, 4)


def chart(positions, feel, meter=COMMON_TIME):
    notes = tuple(Note(F(p), "ride", deviation_s=0.01) for p in positions)
    return Chart(TimeMap.steady(1, 120, meter), (WrittenBar(notes),), feel=feel)


def positions(of):
    return [n.position for n in of.bars[0].notes]


@pytest.mark.common_practice
def test_eighths_swing_to_the_last_triplet():
    swung = chart([0, F(1, 8), F(1, 4), F(3, 8)], "swing 8ths")
    assert positions(write_out_swing(swung)) == [0, F(1, 6), F(1, 4), F(5, 12)]
    assert write_out_swing(swung).feel == "straight"
    assert write_out_swing(swung).bars[0].subdivisions[:2] == (3, 3)


@pytest.mark.common_practice
def test_sixteenths_swing_within_each_eighth():
    swung = chart([0, F(1, 16), F(1, 8), F(3, 16)], "swing 16ths")
    assert positions(write_out_swing(swung)) == [0, F(1, 12), F(1, 8), F(5, 24)]


def test_beats_of_sixteenths_and_compound_beats_stay():
    swung = chart([0, F(1, 16), F(1, 8)], "swing 8ths")
    assert positions(write_out_swing(swung)) == positions(swung)
    compound = chart([0, F(1, 8), F(3, 16)], "swing 8ths", Meter(6, 8))
    assert positions(write_out_swing(compound)) == positions(compound)


def test_strokes_stay_where_they_were_heard():
    swung = chart([0, F(1, 8)], "swing 8ths")
    out = write_out_swing(swung)
    times = [[c.note_time_s(0, n) for n in c.bars[0].notes] for c in (swung, out)]
    assert times[0] == pytest.approx(times[1], abs=1e-12)


def test_straight_charts_are_returned_as_they_are():
    straight = replace(chart([0, F(1, 8)], "swing 8ths"), feel="straight")
    assert write_out_swing(straight) is straight
