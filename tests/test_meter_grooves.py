"""Grooves of other meters, and whether strokes tell a meter.  Figures are common practice, no source."""

import numpy as np
import pytest

from workbench.chart.meter import Meter
from workbench.training.meter_grooves import GROOVES, DrummersFeel, play_grooves, tells_meter

#: A drummer's performance of rock in 4/4, a little late, hats softer between beats.
ROCK = [
    (bar * 4 + at + 0.01, name, velocity)
    for bar in range(8)
    for at, name, velocity in (
        *((0, "kick", 101), (2, "kick", 97), (1, "snare", 111), (3, "snare", 113), (2.75, "snare", 30)),
        *((k / 2, "closed hi-hat", 80 - 30 * (k % 2)) for k in range(8)),
    )
]


def bars_of(figure: str, hats: bool = True, bars: int = 16) -> list:
    """Kick and snare of a figure, bar after bar, every fourth with one kick more."""
    letters, out = figure.replace(" ", ""), []
    for bar in range(bars):
        begin = bar * len(letters) / 2
        for k, letter in enumerate(letters):
            out += [(begin + k / 2, name, 100) for name in ("kick", "snare") if name[0] == letter]
            out += [(begin + k / 2, "closed hi-hat", 80)] * hats
        out += [(begin + len(letters) / 2 - 0.25, "kick", 70)] * (bar % 4 == 3)
    return sorted(out)


@pytest.mark.parametrize("meter", GROOVES)
def test_figures_fill_their_bars_and_begin_with_a_kick(meter):
    for figure in GROOVES[meter]:
        letters = figure.replace(" ", "")
        assert len(letters) == 8 * Meter.parse(meter).bar_length and letters[0] == "k"


@pytest.mark.parametrize(
    ("meter", "figure"), [("3/4", "k. s. s."), ("6/8", "k.. s.."), ("7/8", "k. k. s.."), ("5/4", "k.k.s. k.s.")]
)
def test_a_common_groove_tells_its_meter(meter, figure):
    assert tells_meter(bars_of(figure), Meter.parse(meter))


def test_a_backbeat_in_two_is_no_six_four():
    assert not tells_meter(bars_of("k. s. k. s. k. s."), Meter(6, 4))


def test_strokes_on_quarters_are_no_six_eight():
    assert not tells_meter(bars_of("k. s. s."), Meter(6, 8))
    assert not tells_meter(bars_of("k.. s.."), Meter(3, 4))


def test_a_meter_is_not_told_where_bars_begin_elsewhere():
    moved = [(at + 0.5, name, velocity) for at, name, velocity in bars_of("k. k. s..")]
    assert tells_meter(moved, Meter(7, 8), first=0.5) and not tells_meter(moved, Meter(7, 8), first=1.0)


def test_a_song_of_hats_or_of_few_bars_tells_nothing():
    assert not tells_meter([s for s in bars_of("k.. s..") if "hat" in s[1]], Meter(6, 8))
    assert not tells_meter(bars_of("k.. s..", bars=3), Meter(6, 8)) and not tells_meter([], Meter(6, 8))


def test_feel_is_the_drummers():
    feel = DrummersFeel.of(np.random.default_rng(1), ROCK, 120.0)
    assert feel.keeper == "closed hi-hat" and not feel.swung and not feel.foot
    assert {v for _, v in feel.played["on"]} == {80} and {v for _, v in feel.played["off"]} == {50}
    assert {v for _, v in feel.played["ghost"]} == {30} and {v for _, v in feel.played["snare"]} == {111, 113}
    assert [late for late, _ in feel.played["kick"]] == pytest.approx([0.005] * 16)


def test_swung_eighths_are_felt():
    swung = [(at + (1 / 6 if "hat" in name and (at - 0.01) % 1 == 0.5 else 0), name, v) for at, name, v in ROCK]
    assert DrummersFeel.of(np.random.default_rng(1), swung, 120.0).swung


@pytest.mark.parametrize("meter", GROOVES)
def test_grooves_mostly_tell_their_meter_and_keep_the_feel(meter):
    told = []
    for seed in range(12):
        made = play_grooves(np.random.default_rng(seed), ROCK, 120.0, Meter.parse(meter), 24, 100.0)
        told.append(tells_meter(made, Meter.parse(meter)))
        assert made == sorted(made) and made[-1][0] < 24 * float(4 * Meter.parse(meter).bar_length) + 0.1
        assert {v for _, name, v in made if name == "kick"} == {97, 101}
    assert np.mean(told) > 0.7


def test_the_same_seed_plays_the_same():
    one, two = (play_grooves(np.random.default_rng(3), ROCK, 120.0, Meter(7, 8), 8, 140.0) for _ in range(2))
    assert one == two
