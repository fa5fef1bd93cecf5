"""Grooves: their base and their names."""

from fractions import Fraction as F

import pytest

from tests.parts import CRASHED, FILL, ROCK, bar, part
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import Meter, TimeMap
from workbench.reading.grooves import find_groove
from workbench.reading.patterns import Patterns


def names(*bars, **heading):
    chart = part(*bars, **heading)
    return find_groove(chart, [range(len(chart))], frozenset()).names


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "rows, said",
    [
        (
            dict(H="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x.......x......."),
            ["backbeat on 2 and 4", "kick on 1 and 3", "8ths on the hi-hat"],
        ),
        (
            dict(R="x.x.x.x.x.x.x.x.", X="....x.......x...", K="x.......x......."),
            ["backbeat on 2 and 4 (side stick)", "8ths on the ride"],
        ),
        (dict(H="x.x.x.x.x.x.x.x.", S="........x.......", K="x.....x........."), ["half-time, snare on 3"]),
        (dict(H="xxxxxxxx", S=".x.x.x.x", K="x.x.x.x."), ["double-time, snare on every &", "four on the floor"]),
        (
            dict(H="..x...x...x...x.", S="....x.......x...", K="x...x...x...x..."),
            ["four on the floor", "off-beats on the hi-hat"],
        ),
        (dict(H="x.x.x.x.", S="x.x.x.x.", K="x...x..."), ["four on the snare"]),
        (dict(H="xxxx", S="..x.", K="..x."), ["one drop, kick and snare on 3"]),
        (dict(C="xxxx", S=".x.x", K="x.x."), ["quarters on the crash"]),
        (dict(F="xxxxxxxx", S="..x...x.", K="x...x..."), ["8ths on the toms"]),
        (
            dict(R="x..x.xx..x.x", P="...x.....x.."),
            ["jazz time (1, 2 let, 3, 4 let) on the ride", "left foot on 2 and 4"],
        ),
        (dict(R="x...x..xx...x..x", P="....x.......x..."), ["jazz time (1, 2 a, 3, 4 a) on the ride"]),
        (dict(H="x.xx.xx.xx.x", S="...x.....x..", K="x.....x....."), ["shuffled", "shuffled 8ths on the hi-hat"]),
        (dict(H="x.xx.xx.xx.x", S=".o..o.x.o.o.", K="x..........."), ["half-time, snare on 3"]),
        (
            dict(H="x.x.x.x.x.x.x.o.", S="....x.......x...", K="x..............."),
            ["8ths on the hi-hat, open on the & of 4"],
        ),
        (
            dict(H="x.x.x.x.x.x.x.x.", S="....x..o.o..x...", K="x..............."),
            ["backbeat on 2 and 4", "ghost notes on the a of 2 and the e of 3"],
        ),
        (dict(S="x...x...", H=".x.x.x.x", K="..x...x."), ["linear (no two together)"]),
        (dict(H="xxxxxxxxxxxxxxxx", S="....x.......x...", K="x..............."), ["16ths on the hi-hat"]),
        (dict(H="x...x...x...x...", S="....x.......x...", K="x..x..x........."), ["kick on 1, the a of 1, the & of 2"]),
    ],
)
def test_names_of_the_trade(rows, said):
    found = names(*[bar(**rows)] * 4)
    assert all(s in found for s in said), found


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "rows, name",
    [
        (dict(H="xxxxxxxx", S="..x...x.", K="x...x..."), "rock eighths"),
        (dict(H="xxxxxxxx", S="..x...x.", K="x..x...."), "rock eighths with a push"),
        (dict(H="xxxxxxxxxxxxxxxx", S="....x.......x...", K="x......."), "sixteenth groove"),
        (dict(H="..x...x...x...x.", S="....x.......x...", K="x...x...x...x..."), "disco"),
        (dict(H="xxxxxxxx", S="....x...", K="x......."), "half-time"),
        (dict(H="x.xx.xx.xx.x", S="...x.....x..", K="x.....x....."), "shuffle"),
        (dict(H="x.xx.xx.xx.x", S=".o..o.x.o.o.", K="x..........."), "half-time shuffle"),
        (dict(R="x..x.xx..x.x", P="...x.....x.."), "jazz time"),
        (dict(S="xxxxxxxxxxxxxxxx", K="x...x...x...x..."), "train beat"),
        (dict(R="xxxxxxxx", K="x..xx..x", P="..x...x."), "samba"),
        (dict(H="xxxxxxxx", K="x..xx..x", X="x..x..x."), "bossa nova"),
        (dict(H="xxxx", S="..x.", K="..x."), "one drop"),
        (dict(H="xxxxxxxx", S=".x.....x", K="x..x...."), ""),
    ],
)
def test_names_that_a_student_knows(rows, name):
    chart = part(*[bar(**rows)] * 4)
    groove = find_groove(chart, [range(4)], frozenset())
    assert groove.known_as == name
    assert groove.text.startswith(name) or name in groove.text


@pytest.mark.common_practice
def test_jazz_time_is_not_called_shuffled_besides_and_eighths_not_four_on_the_floor():
    assert "shuffled" not in names(*[bar(R="x..x.xx..x.x", P="...x.....x..")] * 4)
    assert "kick in 8ths" in names(*[bar(S="..x...x.", K="xxxxxxxx")] * 4)


@pytest.mark.common_practice
def test_names_in_other_meters():
    six_eight = names(*[bar(Meter(6, 8), H="xxxxxx", S="...x..", K="x.....")] * 4, meter=Meter(6, 8))
    assert {"backbeat on 4", "8ths on the hi-hat"} <= set(six_eight)
    waltz = names(*[bar(Meter(3, 4), R="xxx", S=".xx", K="x..")] * 4, meter=Meter(3, 4))
    assert {"snare on 2 and 3", "kick on 1", "quarters on the ride"} <= set(waltz)
    assert "swung 8ths" in names(*[ROCK] * 4, feel="swing 8ths")


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
    assert "in bar 2 of 2 " in groove.names[1]


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


def test_likeness_of_bars():
    patterns = Patterns.of(part(ROCK, ROCK, FILL, bar(), bar()))
    alike = patterns.likeness
    assert alike[0, 1] == pytest.approx(1) and alike[3, 4] == 1 and alike[0, 3] == 0
    assert 0 < alike[0, 2] < 0.5
    assert (alike == alike.T).all()


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
