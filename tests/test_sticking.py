"""Sticking: hands, feet, and what cannot be played."""

from fractions import Fraction as F

import pytest

from tests.parts import FILL, ROCK, bar, part
from workbench.chart import Note, WrittenBar
from workbench.chart.drumkit import INSTRUMENTS, PERCUSSION
from workbench.errors import AnalysisError
from workbench.reading.read import read_part
from workbench.reading.sticking import Player, propose_sticking, sticking_edit, too_many_for_two_hands


def sticks(*bars, tempo_bpm=110.0, **player):
    chart = part(*bars, tempo_bpm=tempo_bpm)
    sticking = propose_sticking(chart, Player(**player))
    return " | ".join(sticking.text(chart, k) for k in range(len(chart)))


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "rows, player, said",
    [
        (dict(S="xxxxxxxxxxxxxxxx"), {}, "R L R L R L R L R L R L R L R L"),
        (dict(S="xxxxxxxxxxxxxxxx"), dict(handedness="left"), "L R L R L R L R L R L R L R L R"),
        (dict(S="x.xxx.xxx.xxx.xx"), {}, "R R L R R L R R L R R L"),
        (dict(S="x.xxx.xx........"), dict(style="hand to hand"), "R L R L R L"),
        (dict(H="xxxxxxxx", S="..x...x.", K="x...x..."), {}, "R R R+L R R R R+L R"),
        (dict(S="xxxx........", T="....xxxx....", F="........xxxx"), {}, "R L R L R L R L R L R L"),
        (dict(R="x..x.xx..x.x"), {}, "R R R R R R"),
        (dict(H="x.xx.xx.xx.x", S="...x.....x.."), {}, "R R R+L R R R R+L R"),
    ],
)
def test_usual_stickings(rows, player, said):
    assert sticks(bar(**rows), **player) == said


@pytest.mark.common_practice
@pytest.mark.parametrize("tempo_bpm", [90, 140, 200, 260])
def test_jazz_time_is_played_with_one_hand_at_any_tempo(tempo_bpm):
    time = bar(R="x..x.xx..x.x", S=".....x......", P="...x.....x..")
    assert sticks(time, time, tempo_bpm=tempo_bpm) == "R R R+L R R R | R R R+L R R R"


@pytest.mark.common_practice
def test_a_figure_that_comes_again_is_played_the_same():
    """Snare, tom, tom with the kick between, beat for beat, after a groove and after a run; and bars alike."""
    figure = bar(S="x...x...x...x...", T=".x...x...x...x..", F="..x...x...x...x.", K="...x...x...x...x")
    chart = part(ROCK, figure, FILL, figure, bar(S="xxx.............", F="...x............"), figure)
    sticking = propose_sticking(chart)
    beats = {sticking.text(chart, k, F(b, 4), F(b + 1, 4)) for k in (1, 3, 5) for b in range(4)}
    assert len(beats) == 1 and sticking.flags == ()


@pytest.mark.common_practice
@pytest.mark.parametrize("tempo_bpm", [60, 110, 200])
@pytest.mark.parametrize("drum", ["S", "X"])
def test_a_backbeat_alone_is_played_by_the_hand_that_keeps_no_time(tempo_bpm, drum):
    """As beside a hi-hat, so that time can be added; a bar opened by a crash changes nothing."""
    plain, crashed = (
        bar(**{drum: "....x.......x...", "K": "x...x...x...x..."}, C=c) for c in ("." * 16, "x" + "." * 15)
    )
    bars = plain, crashed, plain
    assert sticks(*bars, tempo_bpm=tempo_bpm) == "L L | R L L | L L"
    assert sticks(*bars, tempo_bpm=tempo_bpm, handedness="left") == "R R | L R R | R R"
    assert sticks(plain, plain, tempo_bpm=tempo_bpm, open_handed=True) == "R R | R R"


def test_open_handed_plays_the_hi_hat_with_the_other_hand():
    chart = part(ROCK)
    hands = propose_sticking(chart, Player(open_handed=True)).hands
    assert {h for (_, _, name), h in hands.items() if name == "closed hi-hat"} == {"L"}
    assert {h for (_, _, name), h in hands.items() if name == "snare"} == {"R"}


@pytest.mark.parametrize("style", ["hand to hand", "lead hand"])
def test_a_left_handed_player_plays_the_mirror_image(style):
    chart = part(ROCK, FILL, ROCK, bar(H="xxxx.x.xx.xx.xxx", S="....x.x.....x...", T=".....x....x....."))
    right = propose_sticking(chart, Player("right", style))
    left = propose_sticking(chart, Player("left", style))
    mirror = {"R": "L", "L": "R"}
    assert {k: mirror[h] for k, h in right.hands.items()} == left.hands
    swap = {"right foot": "left foot", "left foot": "right foot"}
    assert {k: swap[f] for k, f in right.feet.items()} == left.feet


def test_fast_sixteenths_on_the_hi_hat_go_hand_to_hand():
    slow, fast = (sticks(bar(H="xxxxxxxx........"), tempo_bpm=t) for t in (90, 150))
    assert slow == "R R R R R R R R" and fast == "R L R L R L R L"


@pytest.mark.parametrize(
    "rows, tempo_bpm, kind, reason",
    [
        (
            dict(H="x...", S="x...", C="x..."),
            100,
            "unplayable",
            "three things for two hands on 1 (crash, closed hi-hat, snare): leave one out",
        ),
        (dict(K="xxxxxxxx"), 220, "double pedal", "two feet"),
        (dict(S="xxxxxxxxxxxxxxxx", T="xxxxxxxxxxxxxxxx"), 220, "unplayable", "no hand is free"),
        (dict(S="xxxxxxxxxxxxxxxx", T="xxxxxxxxxxxxxxxx"), 140, "fast", "hold to about"),
    ],
)
def test_what_cannot_be_played_says_why(rows, tempo_bpm, kind, reason):
    flags = propose_sticking(part(bar(**rows), tempo_bpm=tempo_bpm)).flags
    assert any(f.kind == kind and reason in f.text and f.bar_index == 0 for f in flags), flags


@pytest.mark.parametrize("names", [("open hi-hat", "closed hi-hat"), ("ride", "ride bell"), ("snare", "side stick")])
def test_two_sounds_of_one_surface_at_once_are_flagged(names):
    both = WrittenBar(tuple(Note(F(1, 4), name) for name in names))
    (flag,) = propose_sticking(part(both)).flags
    assert flag.text == f"{names[0]} and {names[1]} at once on 2: leave one out, or check the chart"
    assert flag.kind == "unplayable"
    assert not too_many_for_two_hands(both.notes)


def test_what_no_two_hands_can_play_gets_no_letters():
    chart = part(bar(C="x.......", R="x.......", S="x.x.x.x."))
    sticking = propose_sticking(chart)
    assert sticking.text(chart, 0) == "? R R R"
    assert {p for _, p, _ in sticking.hands} == {F(1, 4), F(1, 2), F(3, 4)}
    assert [n.sticking for n in sticking_edit(chart, sticking).apply(chart).bars[0].notes if n.position == 0] == [
        "",
        "",
        "",
    ]


def test_both_hands_together_are_written_one_way_whichever_takes_which():
    """The order of two letters must not seem to mean something."""
    crossed = sticks(bar(H="xxxx", S=".x.x"), open_handed=True)
    assert crossed == sticks(bar(H="xxxx", S=".x.x")).replace(" R ", " L ").replace("R ", "L ", 1) == "L R+L L R+L"


@pytest.mark.parametrize("tempo_bpm", [60, 110, 150])
def test_ordinary_playing_raises_no_flag(tempo_bpm):
    assert propose_sticking(part(*[ROCK] * 4, FILL, tempo_bpm=tempo_bpm)).flags == ()


def test_a_hand_is_never_in_two_places():
    chart = part(ROCK, FILL, ROCK)
    seen = set()
    for (k, position, _), hand in propose_sticking(chart).hands.items():
        assert (k, position, hand) not in seen
        seen.add((k, position, hand))


def test_feet():
    chart = part(bar(K="x...x...", P="..x...x."))
    feet = propose_sticking(chart).feet
    assert {(name, foot) for (_, _, name), foot in feet.items()} == {
        ("kick", "right foot"),
        ("pedal hi-hat", "left foot"),
    }


def test_confirmed_hands_stay_and_the_rest_follows():
    notes = [Note(F(k, 16), "snare", sticking="L" if k == 0 else "", confirmed=k == 0) for k in range(4)]
    chart = part(WrittenBar(tuple(notes)))
    sticking = propose_sticking(chart, Player(style="hand to hand"))
    assert sticking.text(chart, 0) == "L R L R"
    after = sticking_edit(chart, sticking, renew=True).apply(chart)
    assert [n.sticking for n in after.bars[0].notes] == ["L", "R", "L", "R"]
    assert after.bars[0].notes[0].confirmed and not after.bars[0].notes[1].confirmed


def test_letters_already_written_stay_unless_renewed():
    notes = [Note(F(k, 16), "snare", sticking="L" if k == 0 else "") for k in range(4)]
    chart = part(WrittenBar(tuple(notes)))
    sticking = propose_sticking(chart, Player(style="hand to hand"))
    kept = sticking_edit(chart, sticking).apply(chart)
    assert kept.bars[0].notes[0].sticking == "L"
    renewed = sticking_edit(chart, sticking, renew=True).apply(chart)
    assert [n.sticking for n in renewed.bars[0].notes] == ["R", "L", "R", "L"]


def test_bad_players():
    with pytest.raises(AnalysisError, match="right- or left-handed"):
        Player("both")
    with pytest.raises(AnalysisError, match="sticking style"):
        Player(style="blues")


@pytest.mark.slow
@pytest.mark.parametrize("together", ["snare", "closed hi-hat", "kick"])
def test_hands_reach_whatever_general_midi_knows_and_lines_of_ones_own(together):
    """General MIDI Level 1 Percussion Key Map: keys 35 to 81; a key beyond has a line of its own."""
    for name in [i.name for i in (*INSTRUMENTS, *PERCUSSION)] + ["Log Drum [91]"]:
        notes = [Note(F(k, 8), n) for k in range(8) for n in {"snare" if k % 2 else name, name, together}]
        song = part(*[WrittenBar(tuple(notes))] * 4)
        assert propose_sticking(song).hands is not None
        assert read_part(song).to_markdown().startswith("#")
