"""Drums of composed songs."""

import numpy as np
import pytest

from workbench.chart.meter import Meter
from workbench.training.composed_drums import DrumPattern, HumanDrums, Manner, play_fill, with_crash
from workbench.training.performances import CLOSED, CRASH, KICK, RIDE, SNARE, Performance
from workbench.training.song_form import GROUPS, SongBar, quarters


def bar(meter="4/4", number=0):
    return SongBar(Meter.parse(meter), GROUPS[meter][0], "A", number, 4, 0)


def groove(beats_per_bar=4, bars=16):
    """Kick on 1, snare on 2, ride on every beat; the number of the bar is in the ride's velocity."""
    beats = np.arange(beats_per_bar * bars, dtype=float)
    one, two = beats[::beats_per_bar], beats[1::beats_per_bar]
    beat = np.concatenate([beats, one, two])
    instrument = np.concatenate([np.full(len(beats), RIDE), np.full(bars, KICK), np.full(bars, SNARE)])
    velocity = np.concatenate([beats // beats_per_bar / bars, np.full(2 * bars, 0.8)])
    return Performance(beat, instrument, velocity, beats_per_bar, float(len(beats)), 100.0)


@pytest.mark.parametrize("meter", GROUPS)
@pytest.mark.parametrize("triplets", [False, True])
def test_patterns_stay_within_their_bar_and_repeat(meter, triplets):
    rng = np.random.default_rng(4)
    manner = Manner.draw(rng, 110.0, triplets, machine=True)
    pattern, length = DrumPattern(rng, manner, bar(meter), None), quarters(Meter.parse(meter))
    one, other = (pattern.play(rng, False, False, False, length) for _ in range(2))
    assert one == other
    assert all(0 <= at < length and 0 < level <= 1 for at, _, level in one)
    assert all(at < length / 2 for at, *_ in pattern.play(rng, False, False, False, length / 2)) or manner.swing


def test_backbeats_of_most_four_fall_on_two_and_four():
    # Common practice, no source.
    rng, found = np.random.default_rng(5), []
    for _ in range(200):
        manner = Manner.draw(rng, 100.0, False, machine=True)
        found.append(np.flatnonzero(DrumPattern(rng, manner, bar(), None).backbeat).tolist() == [4, 12])
    assert np.mean(found) > 0.8


def test_a_crash_takes_the_place_of_the_time_keeper():
    rows = with_crash(np.random.default_rng(0), [(0.0, CLOSED, 0.5), (1.0, SNARE, 0.9), (1.0, CLOSED, 0.5)])
    assert (0.0, KICK, 0.85) in rows and (1.0, CLOSED, 0.5) in rows
    assert [i for at, i, _ in rows if at < 0.1] == [CRASH, KICK]


def test_fills_fill_the_rest_of_the_bar():
    rng = np.random.default_rng(6)
    manner = Manner.draw(rng, 100.0, False, machine=False)
    for _ in range(20):
        at = [a for a, *_ in play_fill(rng, manner, 4.0, 3.0, 0.25)]
        assert all(3.0 <= a < 4.0 for a in at)


def test_a_performance_in_its_own_meter_is_played_as_it_was():
    played = groove()
    drums = HumanDrums(np.random.default_rng(7), played, [], Meter(4, 4), own=True)
    rows = [drums.play(np.random.default_rng(0), bar(number=k % 4), k, False, 4.0) for k in range(3)]
    for k, here in enumerate(rows):
        number = (drums.first + k) % drums.bars
        assert {round(level * 16) for _, i, level in here if i == RIDE} == {number}
        assert [(at, i) for at, i, _ in sorted(here) if i != RIDE] == [(0.0, KICK), (1.0, SNARE)]


@pytest.mark.parametrize("meter", ["3/4", "5/4", "7/8", "12/8", "4/4"])
@pytest.mark.parametrize("beats_per_bar", [3, 4])
def test_a_performance_is_laid_over_other_meters(meter, beats_per_bar):
    drums = HumanDrums(np.random.default_rng(8), groove(beats_per_bar), [], Meter.parse(meter), own=False)
    length = quarters(Meter.parse(meter))
    rows = drums.play(np.random.default_rng(0), bar(meter), 0, False, length)
    assert rows and all(-0.1 <= at < length for at, *_ in rows)
    assert any(i == KICK and at == 0.0 for at, i, _ in rows)
