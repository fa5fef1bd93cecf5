"""Grids of beats that a song may have."""

import numpy as np
import pytest

from tests.played import activations_of
from workbench.chart.events import Stroke
from workbench.chart.meter import TimeMap
from workbench.listening.beats import beats_of
from workbench.listening.grids import (
    LEVELS,
    at_levels,
    bend,
    candidate_grids,
    distance_s,
    follow,
    of_strokes,
    steady_grids,
)


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


def test_beats_follow_a_player_who_drifts_far():
    """The tempo sways by 3 %: beats are farther off a steady grid than its off-beats."""
    beats = 1.0 + np.cumsum(0.5 + 0.015 * np.sin(np.arange(100) / 16))
    even = np.linspace(beats[0], beats[-1], len(beats))
    assert np.abs(beats - even).max() > 0.25
    likelihood = np.zeros(int(beats[-1] * 100) + 100)
    likelihood[np.round(beats * 100).astype(int)] = 1.0
    likelihood = np.maximum(likelihood, np.roll(likelihood, 1) * 0.5)
    followed = follow(even, likelihood, 100.0)
    assert distance_s(beats, followed).max() < 0.04
    assert distance_s(beats, bend(even, likelihood, 100.0)).max() > 0.1


def test_eighths_of_strokes_are_a_grid_where_the_beats_are_uneven():
    """2+2+3: the beats fall on the groups, the strokes on every eighth."""
    eighths = 0.5 + 0.25 * np.arange(140)
    strokes = [Stroke(float(t), "closed hi-hat", 90, 0.9) for t in eighths]
    beat = np.zeros(3700)
    beat[np.round(eighths[np.isin(np.arange(140) % 7, (0, 2, 4))] * 100).astype(int)] = 0.9
    struck = of_strokes(strokes, 3700, 100.0)
    assert struck[75] > 0.7 and struck[63] < 0.1
    grids = candidate_grids(eighths[::2], beat, struck, 100.0, 38.0, 400.0)
    assert min(distance_s(eighths[4:-4], g.beats_s).max() for g in grids if abs(g.tempo_bpm - 240) < 4) < 0.02


def test_every_grid_is_there_once():
    song = TimeMap.steady(20, 120, start_s=0.2)
    pulse = np.array([b.time_s for b in beats_of(song)])
    beat = activations_of(song, song.end_s).beat
    grids = candidate_grids(pulse, beat, beat, 100.0, 38.0, 400.0)
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


@pytest.mark.parametrize("share", [0.06, 0.09])
def test_a_pulse_that_slips_gives_way_to_the_steady_grid(share):
    """In music of constant tempo the pulse goes a quarter of a beat astray for a while and comes back a beat late."""
    beats = 0.2 + 0.5 * np.arange(200)
    likelihood = np.zeros(10_200)
    likelihood[np.round(beats * 100).astype(int)] = 0.9
    astray = (np.arange(200) > 60) & (np.arange(200) < 60 + share * 200)
    pulse = beats + np.where(astray, 0.125, 0.0)
    grids = candidate_grids(pulse, likelihood, likelihood, 100.0, 38.0, 400.0)
    of_tempo = [distance_s(beats[1:-1], g.beats_s) for g in grids if abs(g.tempo_bpm - 120) < 1.5]
    kept = [d for d in of_tempo if np.quantile(d, 0.5) < 0.02]
    assert len(kept) == 1 and kept[0].max() < 0.03


def test_a_pulse_that_a_steady_grid_follows_throughout_is_kept():
    beats = 0.2 + 0.5 * np.arange(200) + np.random.default_rng(1).normal(0.0, 0.004, 200)
    likelihood = np.zeros(10_200)
    likelihood[np.round(beats * 100).astype(int)] = 0.9
    grids = candidate_grids(beats, likelihood, likelihood, 100.0, 38.0, 400.0)
    assert any(not g.steady and len(g.beats_s) == 200 and np.allclose(g.beats_s, beats) for g in grids)
