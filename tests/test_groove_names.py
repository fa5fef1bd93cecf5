"""What drummers call a groove."""

import pytest

from tests.parts import ROCK, bar, part
from workbench.chart.meter import Meter
from workbench.reading.groove_names import name_groove
from workbench.reading.grooves import find_groove


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
        (dict(H="x.xx.xx.xx.x", S="...x.....x..", K="x.....x....."), ["shuffled 8ths on the hi-hat"]),
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
        (dict(S="xxxxXxxxxxxxXxxx", K="x...x...x...x..."), "train beat"),
        (dict(S="ooooxoooooooxooo", K="x...x...x...x..."), "train beat"),
        (dict(S="xxxxxxxxxxxxxxxx", K="x...x...x...x..."), ""),
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
    shuffle = bar(H="x.xx.xx.xx.x", S="...x.....x..", K="x.....x.....")
    assert "shuffled" not in names(*[shuffle] * 4)
    assert find_groove(part(*[shuffle] * 4), [range(4)], frozenset()).text.startswith("shuffle: ")
    assert "kick in 8ths" in names(*[bar(S="..x...x.", K="xxxxxxxx")] * 4)


@pytest.mark.common_practice
def test_jazz_time_written_in_plain_eighths_is_told_only_of_a_part_that_swings():
    """Straight, quarters with an 8th after 2 and 4 are no jazz."""
    time = bar(H="x.xxx.xx", S="..x...x.", K="x...x...")
    swung = names(*[time] * 4, feel="swing 8ths")
    assert any("jazz time" in said for said in swung) and not any("jazz" in said for said in names(*[time] * 4))


@pytest.mark.common_practice
def test_a_kick_that_runs_in_sixteenths_is_called_so_and_not_four_on_the_floor_and_all_the_rest():
    blast = names(*[bar(S="xxxxxxxx", K="xxxxxxxxxxxxxxxx")] * 4)
    assert {"kick in 16ths", "snare on all 8ths"} <= set(blast)
    assert "kick in 16ths (none on the & of 1)" in names(*[bar(S="xxxxxxxx", K="xx.xxxxxxxxxxxxx")] * 4)
    assert "snare on all 16ths" in names(*[bar(S="xxxxxxxxxxxxxxxx", K="x.x.x.x.")] * 4)


@pytest.mark.common_practice
def test_feet_or_hands_alone_are_not_linear():
    for alone in (bar(K="xxxxxxxxxxxxxxxx"), bar(S="xxxx....", F="....xxxx")):
        assert not any("linear" in said for said in names(*[alone] * 4))


def test_each_bar_of_a_phrase_names_all_its_places():
    """ "kick on 1, in bar 1 of 2 2, 3" would leave the reader to guess which numbers are bars and which beats."""
    chart = part(bar(K="x..."), bar(K="x.x.x..."), bar(K="x..."), bar(K="x..."))
    assert "kick on 1, in bar 2 of 4 kick on 1, 2, 3" in name_groove(chart, range(4))
    opened = part(bar(K="x...", S="..x...x."), bar(K="x...", S="..xx..x."))
    assert "backbeat on 2 and 4, in bar 2 of 2 snare also on the & of 2" in name_groove(opened, range(2))


def test_a_phrase_whose_bars_differ_in_much_is_told_bar_by_bar():
    """Snare here, kick there, "in bar 2 of 2" in each clause: nobody plays from that."""
    call, answer = bar(H="x.x.x.x.", S="..x...x.", K="x......."), bar(H="x.x.x.x.", S="..x..xx.", K="x...x...")
    assert name_groove(part(call, answer), range(2)) == (
        "quarters on the hi-hat",
        "bar 1 of 2: backbeat on 2 and 4",
        "kick on 1",
        "bar 2 of 2: backbeat on 2 and 4, snare also on the & of 3",
        "kick on 1 and 3",
    )
    four = name_groove(part(call, call, call, answer), range(4))
    assert [name for name in four if " of 4: " in name] == [
        "bars 1–3 of 4: backbeat on 2 and 4",
        "bar 4 of 4: backbeat on 2 and 4, snare also on the & of 3",
    ]
    silent = name_groove(part(call, answer, bar()), range(3))
    assert silent[-3:] == ("bar 3 of 3: no snare", "no kick", "no ride pattern")


@pytest.mark.common_practice
def test_names_in_other_meters():
    six_eight = names(*[bar(Meter(6, 8), H="xxxxxx", S="...x..", K="x.....")] * 4, meter=Meter(6, 8))
    assert {"backbeat on 4", "8ths on the hi-hat"} <= set(six_eight)
    waltz = names(*[bar(Meter(3, 4), R="xxx", S=".xx", K="x..")] * 4, meter=Meter(3, 4))
    assert {"snare on 2 and 3", "kick on 1", "quarters on the ride"} <= set(waltz)
    assert "swung 8ths" in names(*[ROCK] * 4, feel="swing 8ths")
