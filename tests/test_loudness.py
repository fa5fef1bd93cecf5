"""Levels of finished sound."""

import numpy as np
import pyloudnorm
import pytest

from workbench.errors import WorkbenchError
from workbench.sound.loudness import CEILING_DBTP, TARGET_LUFS, levelled, loudness_lufs, true_peak_dbtp
from workbench.sound.rendering import Hit, mix_hits

RATE = 44100


def drums(seconds=4):
    """Kick, snare and hi-hat in quarters of a second, round and round."""
    names = ("kick", "closed hi-hat", "snare", "closed hi-hat")
    hits = [Hit(k / 4, names[k % 4], 100) for k in range(int(4 * seconds))]
    return mix_hits(hits, int(seconds * RATE), RATE, loop=True)


def peaky():
    """Noise in bursts, whose peaks stand far above its loudness."""
    rng = np.random.default_rng(0)
    x = np.zeros((4 * RATE, 2), np.float32)
    for n in range(0, 4 * RATE, RATE // 4):
        x[n : n + 4000] = 0.3 * rng.standard_normal((4000, 2)) * np.exp(-np.arange(4000) / 500)[:, None]
    return x


def test_brought_to_its_loudness_under_its_ceiling():
    y = levelled(drums(), RATE)
    assert true_peak_dbtp(y) <= CEILING_DBTP
    assert loudness_lufs(y, RATE) == pytest.approx(TARGET_LUFS, abs=1.0)


@pytest.mark.parametrize("rate", [32000, 44100, 48000])
def test_loudness_is_that_of_pyloudnorm(rate):
    """pyloudnorm (MIT) measures BS.1770-4 itself; the same sound with pauses that both gates leave out."""
    x = np.concatenate([peaky() * 0.3, np.zeros((RATE, 2), np.float32), peaky() * 0.01])
    assert loudness_lufs(x, rate) == pytest.approx(pyloudnorm.Meter(rate).integrated_loudness(x), abs=0.05)


@pytest.mark.parametrize("target_lufs", [-30.0, -6.0])
def test_the_ceiling_holds_whatever_is_asked(target_lufs):
    assert true_peak_dbtp(levelled(peaky(), RATE, target_lufs)) <= CEILING_DBTP


def test_quiet_sound_is_only_turned_up():
    x = np.sin(np.arange(4 * RATE) * 0.1)[:, None] * np.float32(0.01)
    y = levelled(x.astype(np.float32), RATE)
    gain = y[1000:] / np.where(x[1000:] == 0, 1, x[1000:])
    assert np.ptp(gain[np.abs(x[1000:]) > 1e-4]) < 1e-3


def test_a_levelled_loop_stays_a_loop():
    """Two rounds levelled as a loop are the one round levelled, twice."""
    x = np.roll(drums(2), 500, axis=0)
    once = levelled(x, RATE, -8.0, loop=True)
    twice = levelled(np.tile(x, (2, 1)), RATE, -8.0, loop=True)
    assert np.abs(twice - np.tile(once, (2, 1))).max() < 10 ** (-60 / 20)


def test_silence_stays_silent():
    assert not levelled(np.zeros((RATE, 2), np.float32), RATE).any()
    assert loudness_lufs(np.zeros((0, 2)), RATE) == -np.inf
    assert true_peak_dbtp(np.zeros((0, 2))) == -np.inf


def test_short_loops_have_a_loudness():
    assert np.isfinite(loudness_lufs(drums(0.25), RATE))


def test_samples_need_channels():
    with pytest.raises(WorkbenchError, match="frames, channels"):
        levelled(np.zeros(10), RATE)
