"""Computed songs of tone kicks and noises: what is said to be struck is heard there."""

import numpy as np
import pytest

from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.training.tone_drums import RATTLE, TICK, TONE, play_song


@pytest.mark.parametrize("seed", range(6))
def test_strokes_lie_where_they_sound(seed):
    """The energy of the 30 ms after a stroke against that of 30 ms of the song in the mean."""
    samples, strokes, beats = play_song(np.random.default_rng(seed))
    assert 10 <= len(samples) / SAMPLE_RATE_HZ <= 34 and np.abs(samples).max() == pytest.approx(0.9, abs=1e-6)
    assert (np.diff(strokes[:, 0]) >= 0).all() and set(strokes[:, 1]) <= {TONE, RATTLE, TICK} and TONE in strokes[:, 1]
    assert beats[0, 1] == 1 and beats[:, 1].mean() == pytest.approx(0.25, abs=0.1)
    n = round(0.03 * SAMPLE_RATE_HZ)
    drummed = strokes[strokes[:, 1] != TICK, 0]
    after = [np.mean(samples[a : a + n] ** 2) for a in np.round(drummed * SAMPLE_RATE_HZ).astype(int)]
    assert np.mean(after) > 1.5 * np.mean(samples**2)


def test_backing_sounds_beside_the_drums():
    tone = np.sin(np.arange(12 * SAMPLE_RATE_HZ) * 0.1).astype(np.float32)
    samples, _, _ = play_song(np.random.default_rng(1), tone)
    assert len(samples) == len(tone) and abs(np.corrcoef(samples, tone)[0, 1]) > 0.3
