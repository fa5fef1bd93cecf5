"""The pulse in synthetic activations; beats that cover, bend and refine."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.played import activations_of
from workbench.chart.events import Stroke
from workbench.chart.meter import Meter, TimeMap
from workbench.listening.bars import BarPath
from workbench.listening.beats import beats_of, cover, draw_to_lines, lay_time_map, refine_beats, track_pulse


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


@given(
    st.sampled_from([Meter(4, 4), Meter(7, 8), Meter(6, 8), Meter(3, 4)]),
    st.integers(-6, 0),
    st.floats(-0.99, 1),
    st.floats(0, 0.5),
    st.floats(0.15, 0.8),
)
def test_a_song_may_begin_anywhere_in_its_first_bar(meter, start, first, sound_s, beat_s):
    """Beats increase, none lies before the recording, the next lines stay, and no sound of it is before the bars."""
    beats = (first + np.arange(40)) * beat_s
    starts = tuple(range(max(start, 1 - meter.counted_beats), 24, meter.counted_beats))
    path = BarPath(starts, (meter,) * len(starts), 0.0)
    laid = lay_time_map(beats, path, set(), sound_s, beats[-1])
    begin_s = laid.bars[0].beat_times_s[0]
    assert 0 <= begin_s <= max(sound_s, max(beats[0], 0.0)) + 0.15 * beat_s
    lines = {round(bar.beat_times_s[0], 6) for bar in laid.bars}
    assert {round(float(beats[k]), 6) for k in starts if k > 0 and beats[k] > beat_s} <= lines


def test_a_first_beat_before_the_recording_in_which_nothing_sounds_is_left_out():
    """The next lies less than a millisecond after the beginning."""
    beats = 0.0007 + np.arange(-1, 30) * 0.27
    path = BarPath((-5, 2, 9, 16), (Meter(7, 8),) * 4, 0.0)
    laid = lay_time_map(beats, path, set(), 0.0007, 8.0)
    assert laid.bars[0].beat_times_s == pytest.approx((0.0007,)) and laid.bars[0].length == Meter(7, 8).beat_length
