"""Exercises drawn from a fill."""

from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given, settings

from tests.chart_strategies import charts
from tests.parts import FILL, ROCK, bar, part
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.drumkit import instrument
from workbench.chart.meter import Meter, TimeMap
from workbench.chart.pocket import Pocket
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


def positions(notes, name="snare"):
    return sorted(str(4 * n.position) for n in notes if n.instrument == name)


def swung(*places):
    """A bar of snares at these places, in beats, in a song whose eighths swing."""
    notes = [Note(F(p) / 4, "snare", deviation_s=0.06 if F(p) % 1 == F(1, 2) else 0.0) for p in places]
    bar_ = WrittenBar((*notes, Note(F(0), "kick")))
    return replace(part(bar_), feel="swing 8ths", pocket=Pocket(0.66)), bar_.notes


@pytest.mark.common_practice
def test_doubled_swung_eighths_are_triplets_that_can_be_read():
    """The long eighth is two triplets, the short one two of half their value: nothing lies off their grid."""
    chart, notes = swung("0", "1/2", "7/3", "3")
    made = ruled(chart, 0, notes, DRILLS["doubled"])
    assert positions(made) == sorted(["0", "1/3", "2/3", "5/6", "7/3", "8/3", "3", "7/2"])
    assert not any(n.deviation_s for n in made if 4 * n.position % 1), (
        "strokes that nobody heard have no feel of their own"
    )


@pytest.mark.common_practice
def test_a_dotted_note_is_doubled_by_its_plain_part():
    dotted = bar(S="x..x............")
    assert strokes(made("doubled", dotted)) == {(0, "snare"), (1, "snare"), (3, "snare"), (F(7, 2), "snare")}


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "places, drills",
    [
        (("0", "1/2", "1", "3/2"), {"doubled", "displaced"}),
        (("0", "1/3", "2/3", "1"), {"doubled", "displaced-third"}),
        (("0", "1/2", "7/3", "3"), {"doubled", "displaced-beat"}),
        (("0", "1/4", "1/2"), {"displaced"}),
    ],
)
def test_no_drill_leaves_the_grid_of_its_fill(places, drills):
    chart, notes = swung(*places)
    assert {name for name, _ in drills_of(chart, [(0, notes)], after=True)} == drills
    for name in drills:
        at = {4 * n.position % 1 for n in ruled(chart, 0, notes, DRILLS[name])}
        assert {p.denominator for p in at} <= {1, 2, 3, 4, 6}


def test_six_eight_is_displaced_by_an_eighth():
    fill = WrittenBar(tuple(Note(F(k, 8), "snare") for k in (0, 1, 3, 5)))
    chart = Chart(TimeMap.steady(1, 100, Meter(6, 8)), (fill,))
    names = [name for name, _ in drills_of(chart, [(0, fill.notes)], after=True)]
    assert names == ["doubled", "displaced-third"]
    moved = ruled(chart, 0, fill.notes, DRILLS["displaced-third"])
    assert sorted(8 * n.position for n in moved) == [0, 1, 2, 4]


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
