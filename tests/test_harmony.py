"""Changes of harmony in synthetic chords."""

import numpy as np
import pytest
from scipy.signal import resample_poly

from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.harmony import _decimated, hear_harmony

RATE = SAMPLE_RATE_HZ


def chords(roots, beat_s=0.5, beats_each=4):
    """Held triads on MIDI roots, each for a number of beats."""
    t = np.arange(int(RATE * beat_s * beats_each)) / RATE
    out = [sum(np.sin(2 * np.pi * 440 * 2 ** ((root + k - 69) / 12) * t) for k in (-24, 0, 4, 7)) for root in roots]
    return 0.1 * np.concatenate(out)


def test_changes_are_heard_where_chords_change():
    harmony = hear_harmony(chords([60, 65, 67, 60, 69, 65]))
    changes = harmony.changes_at(np.arange(24) * 0.5)
    assert changes[4::4].min() > 1.0
    assert np.delete(changes, np.s_[::4]).max() < 0.0


def test_bass_changes_with_the_chords_and_what_sounds_over_beats_of_one_chord_is_alike():
    sounding, bass, change = hear_harmony(chords([60, 65, 67, 60, 69, 65])).over(np.arange(24) * 0.5)
    assert bass[4::4].min() > 1.0
    assert np.delete(bass, np.s_[::4]).max() < 0.0
    assert change[4::4].min() > 1.0 > np.delete(change, np.s_[::4]).max()
    assert np.linalg.norm(sounding, axis=1) == pytest.approx(np.ones(24), abs=0.05)
    assert sounding[1] @ sounding[2] > 0.9 > 0.5 > sounding[1] @ sounding[5]


@pytest.mark.parametrize("samples", [1, 5, 127, 128, 129, 10_000])
def test_the_lower_rate_is_that_of_scipy(samples):
    noise = np.random.default_rng(samples).normal(size=samples).astype(np.float32)
    np.testing.assert_allclose(_decimated(noise, 4), resample_poly(noise, 1, 4), atol=1e-6)


def test_noise_bursts_tell_less():
    rng = np.random.default_rng(0)
    sound = rng.normal(0, 0.001, RATE * 12)
    for k in range(24):
        at = k * RATE // 2
        sound[at : at + 2000] += rng.normal(0, 0.3, 2000) * np.exp(-np.arange(2000) / 300)
    beats = np.arange(24) * 0.5
    bursts = np.abs(hear_harmony(sound).changes_at(beats)).mean()
    held = np.abs(hear_harmony(chords([60, 65, 67, 60, 69, 65])).changes_at(beats)).mean()
    assert bursts < 0.6 * held


@pytest.mark.parametrize("samples", [np.zeros(RATE * 4), np.zeros(100)])
def test_silence_changes_nothing(samples):
    assert hear_harmony(samples).changes_at(np.arange(8) * 0.5).tolist() == [0.0] * 8


def test_blocks_join():
    sound = chords([60, 65] * 20, beats_each=4)  # 80 s: more than one block
    harmony = hear_harmony(sound)
    assert len(harmony.pitch_classes) == pytest.approx(80 * harmony.frame_rate_hz, abs=3)
    changes = harmony.changes_at(np.arange(160) * 0.5)
    assert changes[4::4].min() > 0.8
