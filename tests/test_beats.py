"""The pulse in synthetic activations; beats that cover, bend and refine."""

import numpy as np
import pytest

from tests.played import activations_of
from workbench.chart.events import Stroke
from workbench.chart.meter import TimeMap
from workbench.listening.beats import beats_of, cover, draw_to_lines, refine_beats, track_pulse


@pytest.mark.parametrize("tempo_bpm", [52, 75, 100, 133, 170, 200])
def test_pulse_follows_the_tempo(tempo_bpm):
    time_map = TimeMap.steady(12, tempo_bpm, start_s=0.4)
    pulse = track_pulse(activations_of(time_map, time_map.end_s).beat, 100.0)
    expected = [b.time_s for b in beats_of(time_map)]
    assert np.abs(pulse[:, None] - np.array(expected)).min(axis=0).max() < 0.03


def test_beats_reach_over_the_music_and_not_further():
    beats = cover(np.arange(4, 10) * 0.5, 0.02, 6.4)
    assert beats[0] == pytest.approx(0.0) and beats[-1] == pytest.approx(6.5)
    assert cover(np.arange(20) * 0.5, 3.0, 5.0)[[0, -1]].tolist() == [3.0, 5.0]


def test_lines_draw_beats_with_them():
    beats, at = draw_to_lines(np.arange(20) * 0.5, np.array([3.1, 6.1]))
    assert beats[at].tolist() == [3.1, 6.1]
    assert np.allclose(np.diff(beats[at[0] : at[1] + 1]), 0.5)
    assert beats[0] == 0.0
    assert draw_to_lines(np.arange(20) * 0.5, np.array([3.0, 3.1])) is None


def test_beats_move_onto_strokes_but_kept_ones_stay():
    beats = np.arange(8) * 0.5
    strokes = [Stroke(t + 0.02, "snare") for t in beats]
    assert np.allclose(refine_beats(beats, strokes), beats + 0.02)
    assert refine_beats(beats, strokes, keep=[3])[3] == beats[3]
    assert refine_beats(beats, ()).tolist() == beats.tolist()
