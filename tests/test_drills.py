"""Exercises drawn from a fill."""

from fractions import Fraction as F

import pytest
from hypothesis import given, settings

from tests.chart_strategies import charts
from tests.parts import FILL, ROCK, bar, part
from workbench.chart import WrittenBar
from workbench.chart.drumkit import instrument
from workbench.practice.drills import ACCENTED, DRILLS, drills_of
from workbench.practice.easier import ruled
from workbench.practice.exercises import choose_exercises
from workbench.practice.stagecharts import stage_chart, with_sticking
from workbench.reading.read import read_part

TOMS = bar(S="xxxx............", T="....x.x.........", F="........x...x...", K="x.......x.......")


def made(name, written=TOMS):
    return ruled(part(written), 0, written.notes, DRILLS[name])


def strokes(notes):
    return {(n.position * 16, n.instrument) for n in notes}


@pytest.mark.common_practice
def test_hands_on_one_drum_keep_their_places_and_lose_the_feet():
    hands = {0, 1, 2, 3, 4, 6, 8, 12}
    assert strokes(made("one-drum")) == {(k, "snare") for k in hands}
    assert strokes(made("hands")) == {s for s in strokes(TOMS.notes) if s[1] != "kick"}
    loud = {n.position * 16 for n in made("accents") if "accent" in n.articulations and n.velocity == ACCENTED}
    assert loud == {0, 4, 8, 12}


@pytest.mark.common_practice
def test_doubled_strokes_fill_their_own_time_by_the_same_hand():
    chart = with_sticking(read_part(part(TOMS, *[ROCK] * 3)))
    notes = ruled(chart, 0, chart.bars[0].notes, DRILLS["doubled"])
    snare = sorted(n.position * 32 for n in notes if n.instrument == "snare")
    assert snare == [0, 1, 2, 3, 4, 5, 6, 7]
    by_place = {(n.position, n.instrument): n.sticking for n in notes}
    assert by_place[F(1, 32), "snare"] == by_place[F(0), "snare"] in ("R", "L")
    assert sum(n.instrument == "kick" for n in notes) == 2


def test_displaced_is_half_a_beat_later_and_wraps_round_its_bar():
    moved = {((k + 2) % 16, name) for k, name in strokes(TOMS.notes)}
    assert strokes(made("displaced")) == moved


def test_only_what_says_something_new_is_offered():
    roll = bar(S="xxxx............")
    chart = part(roll)
    assert [n for n, _ in drills_of(chart, [(0, roll.notes)], after=False)] == ["accents"]
    assert [n for n, _ in drills_of(part(TOMS), [(0, TOMS.notes)], after=False)] == ["one-drum", "accents", "hands"]


@settings(max_examples=30)
@given(charts())
def test_every_drill_of_any_bar_is_a_bar(chart):
    for k, own in enumerate(chart.bars):
        for rules in DRILLS.values():
            notes = ruled(chart, k, own.notes, rules)
            assert WrittenBar(notes) and all(0 <= n.position < chart.time_map.bars[k].length for n in notes)
            assert {instrument(n.instrument).is_foot for n in notes} <= {True, False}


def test_a_fill_is_learnt_through_its_drills():
    reading = read_part(part(*[ROCK] * 7, FILL, *[ROCK] * 8))
    (fill,) = choose_exercises(reading, kinds=["fill"], more_steps=True)
    names = [s.name for s in fill.stages]
    order = [names.index(n) for n in ("one-drum", "accents", "alone", "doubled", "displaced", "setup", "song")]
    assert order == sorted(order)
    drill = next(s for s in fill.stages if s.name == "one-drum")
    played = stage_chart(reading.chart, drill, 80.0)
    assert {n.instrument for n in played.bars[0].notes} == {"snare"}
    (plain,) = choose_exercises(reading, kinds=["fill"])
    assert not any(s.version for s in plain.stages)
