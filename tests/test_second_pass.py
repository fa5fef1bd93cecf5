"""The second pass over a song: what its own bars say of each stroke."""

import numpy as np
import pytest

from workbench.chart.drumkit import DETECTED
from workbench.chart.events import Stroke
from workbench.chart.meter import TimeMap
from workbench.listening.activations import Activations
from workbench.listening.detect import detect_strokes, read_calibration
from workbench.listening.second_pass import POSSIBLE_FROM, find_candidates, judge, second_pass

BARS, BEAT_S = 8, 0.5
TIME_MAP = TimeMap.steady(BARS, 60 / BEAT_S)
HAT, KICK, SNARE = (DETECTED.index(name) for name in ("closed hi-hat", "kick", "snare"))


def song(**changed):
    """Eighths on the hi-hat, kick on 1 and 3, snare on 2 and 4; ``changed`` are heights of hats by eighth ("e12")."""
    onset = np.full((round(BARS * 4 * BEAT_S * 100) + 50, len(DETECTED)), 0.01, np.float32)
    for eighth in range(BARS * 8):
        frame = round(eighth * BEAT_S / 2 * 100)
        onset[frame, HAT] = changed.get(f"e{eighth}", 0.97)
        if eighth % 2 == 0:
            onset[frame, KICK if eighth % 4 == 0 else SNARE] = 0.97
    nothing = np.zeros(len(onset), np.float32)
    return Activations(100.0, DETECTED, onset, np.full_like(onset, 0.6), nothing, nothing)


def possible(activations):
    return second_pass(activations, detect_strokes(activations), TIME_MAP)[1]


def test_a_song_in_which_all_is_heard_suggests_nothing_and_every_stroke_is_sure():
    activations = song()
    strokes, hits = second_pass(activations, detect_strokes(activations), TIME_MAP)
    assert not hits and len(strokes) == BARS * 12
    assert min(s.confidence for s in strokes) > 0.85


@pytest.mark.parametrize("height", [0.3, 0.45])
def test_a_faint_stroke_that_other_bars_have_is_suggested_with_that_reason(height):
    (hit,) = possible(song(e21=height))
    assert hit.instrument == "closed hi-hat" and hit.time_s == pytest.approx(21 * BEAT_S / 2, abs=0.02)
    assert hit.probability >= POSSIBLE_FROM
    assert "6 of the 6 bars" in hit.reason


def test_what_like_bars_have_moves_the_probability():
    alone, together = song(e21=0.4), song(**{f"e{8 * k + 5}": 0.4 if k == 2 else 0.01 for k in range(BARS)})
    heights = []
    for activations in (alone, together):
        found = find_candidates(activations, TIME_MAP)
        (k,) = np.flatnonzero((np.abs(found.time_s - 21 * BEAT_S / 2) < 0.02) & (found.column == HAT))
        heights.append(judge(found, read_calibration())[k])
    assert heights[0] > heights[1]


def test_a_stroke_that_is_written_is_not_suggested_again():
    activations = song(e21=0.4)
    written = [*detect_strokes(activations), Stroke(21 * BEAT_S / 2, "closed hi-hat", 70, 0.4)]
    assert second_pass(activations, written, TIME_MAP)[1] == []


def test_silence_and_a_single_bar_pass():
    nothing = np.zeros((300, len(DETECTED)), np.float32)
    silent = Activations(100.0, DETECTED, nothing, nothing, nothing[:, 0], nothing[:, 0])
    assert second_pass(silent, [], TimeMap.steady(1, 120)) == ([], [])
