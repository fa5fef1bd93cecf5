"""Swing written out: straight eighths become triplets, nothing heard moves."""

from dataclasses import replace
from fractions import Fraction as F

import pytest

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import Meter, TimeMap
from workbench.engraving.engrave import engrave_svg
from workbench.notation.musicxml import musicxml_bytes
from workbench.notation.swing import write_out_swing
from workbench.reading.read import read_part

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


@pytest.mark.common_practice
@pytest.mark.parametrize("meter, parts", [(Meter(6, 8), 9), (Meter(7, 8), 3)])
def test_sixteenths_swing_in_six_eight_and_seven_eight_too(meter, parts):
    """In every eighth, so the sign stands, and written out they are triplets of sixteenths."""
    swung = chart([0, F(1, 16), F(1, 8), F(3, 16), F(3, 8), F(1, 2)], "swing 16ths", meter)
    assert swung.feel_told == "swing 16ths" and "Swing 16ths" in engrave_svg(swung)[0]
    assert b"<swing-type>16th" in musicxml_bytes(swung)
    out = write_out_swing(swung)
    assert positions(out) == [0, F(1, 12), F(1, 8), F(5, 24), F(3, 8), F(1, 2)] and out.feel_told == "straight"
    assert out.subdivisions(0)[0] == parts and b"<actual-notes>" in musicxml_bytes(out)


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "meter, told", [(Meter(4, 4), True), (Meter(3, 4), True), (Meter(7, 8), False), (Meter(6, 8), False)]
)
def test_a_swing_sign_stands_only_where_8ths_come_in_pairs(meter, told):
    """In 7/8 they do not, so what swings is written out and nothing is to be swung."""
    swung = chart([0, F(1, 8), F(1, 4), F(1, 3)], "swing 8ths", meter)
    assert swung.feel == "swing 8ths" and (swung.feel_told != "straight") == told
    assert ("Swing 8ths" in engrave_svg(swung)[0]) == (b"<swing>" in musicxml_bytes(swung)) == told
    assert ("swing 8ths" in read_part(swung).to_markdown()) == told


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
