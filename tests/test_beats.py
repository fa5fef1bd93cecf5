"""The pulse, bars and bar lines found in synthetic activations and strokes."""

from dataclasses import replace

import numpy as np
import pytest

from tests.played import activations_of, play
from workbench.chart.events import Stroke
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import AnalysisError
from workbench.listening.beats import (
    beats_of,
    cover,
    draw_to_lines,
    other_levels,
    refine_beats,
    track_bars,
    track_pulse,
)

ROCK = {"kick": (0, 4), "snare": (2, 6), "closed hi-hat": range(8)}
WALTZ = {"kick": (0,), "snare": (2, 4), "closed hi-hat": range(6)}
SLOW_SIX = {"kick": (0,), "snare": (3,), "closed hi-hat": range(6)}


def drafted(time_map, pattern, **kw):
    strokes = play(time_map, pattern)
    duration_s = time_map.end_s + 0.5
    return track_bars(activations_of(time_map, duration_s), strokes, duration_s=duration_s, **kw)


@pytest.mark.parametrize("tempo_bpm", [52, 75, 100, 133, 170, 200])
def test_pulse_follows_the_tempo(tempo_bpm):
    time_map = TimeMap.steady(12, tempo_bpm, start_s=0.4)
    pulse = track_pulse(activations_of(time_map, time_map.end_s).beat, 100.0)
    expected = [b.time_s for b in beats_of(time_map)]
    assert np.abs(pulse[:, None] - np.array(expected)).min(axis=0).max() < 0.03


@pytest.mark.parametrize("tempo_bpm", [72, 96, 120, 150])
@pytest.mark.parametrize("meter, pattern", [(Meter(4, 4), ROCK), (Meter(3, 4), WALTZ)])
def test_bar_lines_and_meter_of_a_plain_groove(tempo_bpm, meter, pattern):
    time_map = TimeMap.steady(16, tempo_bpm, meter, start_s=0.3)
    found = drafted(time_map, pattern)
    assert {b.meter for b in found.bars} == {meter}
    lines = [found.bar_start_s(k) for k in range(len(found))]
    assert np.allclose(lines[:16], [time_map.bar_start_s(k) for k in range(16)], atol=0.03)


def test_slow_six_eight_is_counted_in_two():
    time_map = TimeMap.steady(12, 56, Meter(6, 8), start_s=0.3)
    found = drafted(time_map, SLOW_SIX)
    assert {str(b.meter) for b in found.bars} == {"6/8"}
    assert found.tempo_bpm(3) == pytest.approx(56, abs=1)


def test_backbeat_decides_between_tempo_and_half_tempo():
    # The same weak activations at every eighth: kick and snare say which of them are beats.
    eighths = TimeMap.steady(32, 180, Meter(4, 4), start_s=0.2)
    weak = activations_of(eighths, eighths.end_s, downbeats=False)
    weak = replace(weak, beat=weak.beat * 0.5)
    for tempo_bpm, bar_count in ((90, 16), (180, 32)):
        time_map = TimeMap.steady(bar_count, tempo_bpm, start_s=0.2)
        found = track_bars(weak, play(time_map, ROCK))
        assert found.tempo_bpm(4) == pytest.approx(tempo_bpm, abs=1)


def test_drifting_tempo_is_followed():
    rng = np.random.default_rng(1)
    gaps = 0.5 * (1 + 0.08 * np.sin(np.arange(64) / 10)) + rng.normal(0, 0.003, 64)
    times = 0.3 + np.concatenate([[0], np.cumsum(gaps)])
    time_map = TimeMap([Bar(Meter(), times[k : k + 4]) for k in range(0, 64, 4)], times[64])
    found = drafted(time_map, ROCK)
    assert np.allclose([found.bar_start_s(k) for k in range(16)], times[:64:4], atol=0.03)


def test_song_that_begins_inside_a_bar_has_a_pick_up():
    whole = TimeMap.steady(13, 110)
    two_beats_s = 2 * 60 / 110
    strokes = [
        Stroke(s.time_s - two_beats_s, s.instrument, s.velocity)
        for s in play(whole, ROCK)
        if s.time_s > two_beats_s - 0.01
    ]
    shifted = TimeMap.steady(13, 110, start_s=-two_beats_s)
    found = track_bars(activations_of(shifted, shifted.end_s), strokes)
    assert found.bars[0].is_pickup and found.bars[0].length == Meter().bar_length / 2
    assert found.bar_start_s(1) == pytest.approx(two_beats_s, abs=0.03)


def test_one_bar_of_two_four_is_found():
    beats = np.arange(8 * 4 + 2 + 8 * 4 + 1) * 0.5 + 0.3
    bars, k = [], 0
    for meter in [Meter(4, 4)] * 8 + [Meter(2, 4)] + [Meter(4, 4)] * 8:
        bars.append(Bar(meter, beats[k : k + meter.beats]))
        k += meter.beats
    time_map = TimeMap(bars, beats[k])
    strokes = play(time_map, {"kick": (0, 4), "snare": (2, 6), "closed hi-hat": range(8)})
    strokes += [Stroke(time_map.bar_start_s(b), "crash", 110) for b in (0, 9)]
    found = track_bars(activations_of(time_map, time_map.end_s), sorted(strokes))
    assert [str(b.meter) for b in found.bars[:17]].count("2/4") == 1
    assert str(found.bars[8].meter) == "2/4"


def test_breaks_without_drums_keep_the_count():
    time_map = TimeMap.steady(20, 120, start_s=0.25)
    strokes = [
        s
        for s in play(time_map, ROCK)
        if not time_map.bar_start_s(8) - 0.01 < s.time_s < time_map.bar_start_s(11) - 0.01
    ]
    activations = activations_of(time_map, time_map.end_s, silent=(16.3, 22.2))
    found = track_bars(activations, strokes)
    assert found.bar_start_s(15) == pytest.approx(time_map.bar_start_s(15), abs=0.03)


def test_fixed_bar_lines_are_kept_exactly_and_turn_the_phase():
    time_map = TimeMap.steady(12, 100, start_s=0.3)
    line_s = time_map.seconds(4, 0.5) + 0.011  # a user hears 3 as 1
    found = drafted(time_map, ROCK, fixed_bars=[line_s])
    lines = [found.bar_start_s(k) for k in range(len(found))]
    assert line_s in lines
    assert found.bars[lines.index(line_s)].fixed
    assert sum(b.fixed for b in found.bars) == 1


def test_fixed_lines_within_a_beat_are_refused():
    with pytest.raises(AnalysisError, match="closer together than a beat"):
        drafted(TimeMap.steady(8, 100), ROCK, fixed_bars=[2.0, 2.03])


def test_too_short_a_recording():
    with pytest.raises(AnalysisError, match="at least one second"):
        track_bars(activations_of(TimeMap.steady(1, 120), 0.5), ())


def test_nothing_played_still_has_bars():
    activations = activations_of(TimeMap.steady(8, 120), 12.0, silent=(0.0, 12.0))
    found = track_bars(activations, ())
    assert len(found) >= 1


def test_readings_hold_half_double_and_off_beat():
    pulse = np.arange(32) * 0.5
    readings = other_levels(pulse)
    assert any(len(b) == 16 for b in readings) and any(len(b) == 63 for b in readings)
    assert any(np.isclose(b[0], 0.25) and np.allclose(np.diff(b), 0.5) for b in readings)


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
