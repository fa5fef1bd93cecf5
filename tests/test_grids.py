"""Grids of beats that a song may have."""

import numpy as np
import pytest

from tests.played import activations_of
from workbench.chart.meter import TimeMap
from workbench.listening.beats import beats_of
from workbench.listening.grids import LEVELS, at_levels, bend, candidate_grids, distance_s, steady_grids


def test_readings_hold_half_double_and_off_beat():
    pulse = np.arange(32) * 0.5
    readings = at_levels(pulse)
    assert any(len(b) == 16 for b in readings) and any(len(b) == 63 for b in readings)
    assert any(np.isclose(b[0], 0.25) and np.allclose(np.diff(b), 0.5) for b in readings)


@pytest.mark.parametrize("tempo_bpm", [63, 97.3, 128, 171.7])
def test_a_steady_grid_is_found_with_its_phase(tempo_bpm):
    song = TimeMap.steady(40, tempo_bpm, start_s=0.37)
    beats = [b.time_s for b in beats_of(song)]
    found = steady_grids(activations_of(song, song.end_s).beat, 100.0)
    # Half the tempo is as good to it; the levels have the other.
    found = [level for g in found for level in at_levels(g, ((1, 1), (2, 1)))]
    near = [np.abs(np.array(beats)[:, None] - g).min(axis=1).max() for g in found]
    assert min(near) < 0.03


def test_steady_beats_follow_a_slow_drift():
    steady = np.arange(100) * 0.5 + 0.2
    drifted = steady + 0.04 * np.sin(np.arange(100) / 20)
    likelihood = np.zeros(5200)
    likelihood[np.round(drifted * 100).astype(int)] = 0.9
    assert np.abs(bend(steady, likelihood, 100.0) - drifted).max() < 0.02


def test_every_grid_is_there_once():
    song = TimeMap.steady(20, 120, start_s=0.2)
    pulse = np.array([b.time_s for b in beats_of(song)])
    grids = candidate_grids(pulse, activations_of(song, song.end_s).beat, 100.0, 38.0, 400.0)
    near = [
        g for g in grids if abs(g.tempo_bpm - 120) < 1 and np.abs(pulse[:, None] - g.beats_s).min(axis=1).max() < 0.02
    ]
    assert len(near) == 1
    assert len(grids) > len(LEVELS)


def test_distance_to_the_nearest_moment():
    rng = np.random.default_rng(0)
    times, others = rng.uniform(-1, 11, 50), np.sort(rng.uniform(0, 10, 20))
    assert np.allclose(distance_s(times, others), np.abs(times[:, None] - others).min(axis=1))
    assert distance_s(np.array([3.0]), np.array([1.0])) == pytest.approx([2.0])
