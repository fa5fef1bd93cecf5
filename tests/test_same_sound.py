"""Strokes told by their waveform: against librosa's linear prediction, and in music that is made for it."""

from __future__ import annotations

import librosa
import numpy as np
import pytest
from scipy.signal import correlate as correlate_by_scipy
from scipy.signal import lfilter

from workbench.chart.drumkit import DETECTED
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.same_sound import (
    LEAD_IN,
    LEEWAY,
    MOST_EVIDENCE,
    ORDER,
    PIECE,
    correlate,
    pieces_at,
    tell_same_sounds,
    whiten,
)

SNARE = DETECTED.index("snare")


def coloured(seed: int, seconds: float) -> np.ndarray:
    """Noise with a resonance, as music has."""
    noise = np.random.default_rng(seed).standard_normal(round(seconds * SAMPLE_RATE_HZ))
    return lfilter([1.0], [1.0, -1.6, 0.8], noise).astype(np.float32)


def test_whitened_as_by_librosas_linear_prediction():
    """librosa.lpc (Burg's method) finds nearly the same filter; what is left has no colour."""
    music = coloured(1, 4.0)
    white = whiten(music).astype(float)
    by_librosa = lfilter(librosa.lpc(music, order=ORDER), [1.0], music)
    assert np.corrcoef(white[1000:], by_librosa[1000:])[0, 1] > 0.999
    alike = [np.corrcoef(white[:-lag], white[lag:])[0, 1] for lag in range(1, 20)]
    assert np.abs(alike).max() < 0.02 < 0.5 < np.corrcoef(music[:-1], music[1:])[0, 1]
    assert np.std(white) == pytest.approx(1.0, rel=0.05)


@pytest.mark.parametrize("samples", [0, 1, 5000, 3 * 2**20 // 2])
def test_any_length_is_whitened(samples):
    assert len(whiten(coloured(2, 40.0)[:samples])) == samples
    assert not whiten(np.zeros(samples, np.float32)).any()


def song(machine: bool, loudness: float = 1.0):
    """A minute of music, a drum every second and, heard as surely, every second of those moved by half a second
    nothing; the first twenty strokes are heard surely.  A machine strikes with one sound, a player with another each
    time."""
    rng = np.random.default_rng(3)
    music = coloured(4, 61.0)
    struck = np.arange(60) + 0.5
    decay = np.exp(-np.arange(3000) / 600)
    sound = rng.standard_normal(3000) * decay
    for at in np.round(struck * SAMPLE_RATE_HZ).astype(int):
        music[at : at + 3000] += loudness * (sound if machine else rng.standard_normal(3000) * decay)
    time_s = np.concatenate([struck, np.arange(60) + 0.97]) + rng.uniform(-0.006, 0.006, 120)
    sure = np.arange(120) < 20
    return whiten(music), time_s, np.full(120, SNARE), np.where(sure, 0.9, 0.3), np.where(sure, 0.95, 0.5)


def test_a_machines_drum_is_told_from_nothing():
    """Three times as soft as what is played with it, it is found where it is and nowhere else."""
    told = tell_same_sounds(*song(machine=True))
    assert np.all(told[20:60] > 2) and np.mean(told[60:] < -2) > 0.95
    assert np.abs(told).max() <= MOST_EVIDENCE


def test_of_strokes_that_are_never_alike_nothing_is_told():
    told = tell_same_sounds(*song(machine=False))
    assert np.abs(told[20:]).mean() < 1.0
    assert abs(told[20:60].mean() - told[60:].mean()) < 1.0  # 12 where a machine plays


def test_correlated_as_by_scipy():
    """scipy.signal.correlate at every lag within the leeway, divided by the length of what it lies on."""
    rng = np.random.default_rng(7)
    white = rng.standard_normal(3 * SAMPLE_RATE_HZ).astype(np.float16)
    time_s, sound = np.array([0.5, 1.1, 2.9999]), rng.standard_normal(PIECE).astype(np.float32)
    sound /= np.linalg.norm(sound)
    pieces = pieces_at(white, time_s)
    for piece, at_s, told in zip(pieces, time_s, correlate(pieces, sound), strict=True):
        along = correlate_by_scipy(piece, sound, "valid")
        assert len(along) == 2 * LEEWAY + 1
        lag = int(np.argmax(along))
        assert told == pytest.approx(along[lag] / np.linalg.norm(piece[lag : lag + PIECE]), abs=1e-4)
        begins = round(at_s * SAMPLE_RATE_HZ) - LEAD_IN - LEEWAY
        there = white[begins : begins + len(piece)].astype(np.float32)
        assert np.array_equal(piece[: len(there)], there) and not piece[len(there) :].any()


def test_sure_strokes_are_no_witnesses_for_themselves():
    """Where nothing is played, those said to be sure tell as little as the others."""
    white, time_s, column, height, likely = song(machine=True, loudness=0.0)
    told = tell_same_sounds(white, time_s, column, height, likely)
    assert abs(told[:20].mean() - told[20:].mean()) < 0.5


def test_too_few_sure_strokes_tell_nothing():
    white, time_s, column, height, likely = song(machine=True)
    assert not tell_same_sounds(white, time_s, column, np.where(np.arange(120) < 5, 0.9, 0.1), likely).any()


def test_beyond_the_ends_of_a_recording():
    white, time_s, column, height, likely = song(machine=True)
    time_s = np.append(time_s, [-0.01, 0.0, 61.0, 61.02])
    more = [np.append(x, np.full(4, x[-1])) for x in (column, height, likely)]
    assert np.isfinite(tell_same_sounds(white, time_s, *more)).all()
