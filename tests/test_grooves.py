"""Grooves: their base and their names."""

from fractions import Fraction as F

from tests.parts import CRASHED, FILL, ROCK, bar, part
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.reading.grooves import find_groove
from workbench.reading.read import read_part, reading_to_edits


def test_the_base_is_the_bar_the_others_differ_from_least():
    once = bar(H="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x.......x.x..x..")
    chart = part(CRASHED, ROCK, once, FILL, CRASHED, ROCK, ROCK, FILL)
    groove = find_groove(chart, [range(8)], frozenset({3, 7}))
    assert groove.phrase_bars == 1
    assert chart.bars[groove.base_bars[0]].content == ROCK.content


def test_a_phrase_of_two_bars_where_it_repeats():
    answer = bar(H="x.x.x.x.x.x.x.x.", S="....x.......x..x", K="..x...x...x.....")
    chart = part(*[ROCK, answer] * 4)
    groove = find_groove(chart, [range(8)], frozenset())
    assert groove.base_bars == (0, 1) and groove.base_of(5) == 1
    assert groove.names[0] == "8ths on the hi-hat", "what both bars share comes first"
    assert [k for k, name in enumerate(groove.names) if " of 2: " in name] == [1, 3], "then each bar by itself"


def test_phrases_begin_with_each_stretch():
    answer = bar(H="x.x.x.x.x.x.x.x.", S="....x.......x..x", K="..x...x...x.....")
    chart = part(*[ROCK, answer] * 2, FILL, *[ROCK, answer] * 2)
    groove = find_groove(chart, [range(0, 4), range(5, 9)], frozenset())
    assert [groove.base_of(k) for k in (0, 1, 5, 6)] == [0, 1, 0, 1]


def test_what_is_written_of_a_bar_leaves_dynamics_aside():
    from dataclasses import replace

    from workbench.chart import WrittenBar

    louder = WrittenBar(tuple(replace(n, velocity=120, deviation_s=0.01) for n in ROCK.notes))
    assert louder.content == ROCK.content
    assert ROCK.content == {(n.position, n.instrument, n.articulations) for n in ROCK.notes}
    accented = WrittenBar(tuple(replace(n, articulations=frozenset({"accent"})) for n in ROCK.notes))
    assert not accented.content & ROCK.content


def test_soft_snare_strokes_are_ghosts_only_where_the_part_has_loud_ones():
    from dataclasses import replace

    from workbench.chart import Note, WrittenBar
    from workbench.chart.ghosts import ghost_limit

    soft = [Note(F(k, 16), "snare", 30) for k in (3, 7)]
    loud = [Note(F(k, 16), "snare", 100) for k in (4, 12)]
    assert ghost_limit(part(WrittenBar((*soft, *loud)))) == 45
    assert ghost_limit(part(WrittenBar(tuple(soft)))) < 30
    ghosts = tuple(replace(n, articulations=frozenset({"ghost"})) for n in soft)
    assert ghost_limit(part(WrittenBar((*ghosts, *loud)))) == 0


def test_a_bar_that_lacks_its_first_hi_hat_is_no_base():
    """One bar that is plainest but opens otherwise than all others is a variation, not the groove."""
    hats = [Note(F(k, 8), "closed hi-hat") for k in range(8)]
    back = [Note(F(1, 4), "snare", 100), Note(F(3, 4), "snare", 100), Note(F(0), "kick", 100)]
    odd = WrittenBar((*hats[1:], *back))
    rest = [WrittenBar((*hats, *back, Note(F(2 * k + 1, 16), "kick", 90))) for k in (1, 2, 4, 5)]
    chart = Chart(TimeMap.steady(5, 110), (odd, *rest))
    groove = find_groove(chart, [range(5)], frozenset())
    assert all((F(0), "closed hi-hat") in {n.key for n in chart.bars[k].notes} for k in groove.base_bars)


def test_two_grooves_on_one_timekeeper_are_told_as_two():
    """The kick changes for good in the middle; hi-hat and backbeat go on, so it is one section."""
    other = bar(H="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x..x..x...x.....")
    reading = read_part(part(*[ROCK] * 6, *[other] * 6, *[ROCK] * 4))
    assert [g.groove.bar_indices for g in reading.grooves] == [(*range(6), *range(12, 16)), tuple(range(6, 12))]
    assert len({g.text for g in reading.grooves}) == 2 and not reading.variations
    marks = [m for m in reading_to_edits(reading).apply(reading.chart).marks if m.kind == "groove"]
    assert [m.start[0] for m in marks] == [0, 6, 12] and marks[0].text == marks[2].text != marks[1].text


def test_a_phrase_that_alternates_or_a_bar_or_two_of_something_else_is_no_groove_of_its_own():
    other = bar(H="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x..x..x...x.....")
    for bars in ([ROCK, other] * 6, [*[ROCK] * 6, other, other, *[ROCK] * 6]):
        assert len(read_part(part(*bars)).grooves) == 1


def test_a_bar_without_the_time_keeper_does_not_stand_for_a_groove_kept_on_it():
    """Two bars of 8ths on the floor tom, taken for a fill, and a last one with the kick alone after a crash."""
    toms = bar(S="x.x.x.x.x.x.x.x.", F="x.x.x.x.x.x.x.x.", K="x.x.x.x.x.x.x.x.")
    opening = bar(H="o...............", F="..........x.x.x.", K="x.x.x.x.x.x.x.x.")
    last = bar(C="x...............", K="x.x.x.x.x.x.....")
    chart, filled = part(opening, toms, last), frozenset({0, 1})
    assert find_groove(chart, [range(3)], filled, timekeeper="toms").base_bars == (1,)
    assert find_groove(chart, [range(3)], filled, timekeeper="crash").base_bars == (2,), "it keeps what there is"
    assert find_groove(part(toms, toms, toms), [range(3)], filled, timekeeper="toms").base_bars == (2,)
