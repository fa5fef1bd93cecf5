"""Short-time spectra, against scipy.signal (its ShortTimeFFT), and what Parseval says of them."""

import numpy as np
import pytest
from scipy.signal import ShortTimeFFT, get_window

from workbench.sound.spectrum import hann, spectra

RATE, WIDTH, STEP = 44100, 512, 128


def test_the_window_is_the_periodic_one_of_scipy():
    assert np.abs(hann(WIDTH) - get_window("hann", WIDTH)).max() < 1e-6


def test_spectra_are_those_of_scipy():
    sound = np.random.default_rng(0).standard_normal(8 * WIDTH).astype(np.float32)
    starts = range(0, len(sound) - WIDTH + 1, STEP)
    ours = spectra(sound, starts, hann(WIDTH))
    theirs = ShortTimeFFT(hann(WIDTH), STEP, RATE, phase_shift=None)
    first = (WIDTH // 2) // STEP  # its frames are named by their middle
    frames = theirs.stft(sound, p0=first, p1=first + len(ours)).T
    assert np.abs(np.abs(ours) - np.abs(frames)).max() < 1e-3


@pytest.mark.parametrize("where", ["before", "behind", "array"])
def test_outside_the_recording_is_silence(where):
    sound = np.ones((2, 1000), np.float32)
    starts = {"before": range(-WIDTH, 0, STEP), "behind": range(1000, 2000, STEP), "array": np.array([-600, 1200])}[
        where
    ]
    found = spectra(sound, starts, np.ones(WIDTH, np.float32))
    assert found.shape == (2, len(starts), WIDTH // 2 + 1)
    inside = [max(0, min(1000, s + WIDTH) - max(0, s)) for s in starts]
    assert found[0, :, 0].real == pytest.approx(inside)


def test_zeros_may_follow_the_window():
    sound = np.random.default_rng(1).standard_normal(WIDTH).astype(np.float32)
    fine = spectra(sound, range(0, 1), hann(WIDTH), 2 * WIDTH)
    assert fine.shape == (1, WIDTH + 1)
    assert fine[0, ::2] == pytest.approx(spectra(sound, range(0, 1), hann(WIDTH))[0], abs=1e-3)
