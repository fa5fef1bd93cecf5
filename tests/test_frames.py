"""Frames and back: sound is restored; the same cells as SciPy's own short-time transform."""

import numpy as np
import pytest
from scipy.signal import ShortTimeFFT

from workbench.sound.frames import BINS, STEP, TOGETHER, WINDOW, compute_frames, count_frames, restore_sound, taper


@pytest.mark.parametrize("n", [1, STEP, 5000, 44100])
def test_frames_give_the_sound_back(n):
    sound = np.random.default_rng(n).standard_normal((2, n)).astype(np.float32)
    frames = compute_frames(sound)
    assert frames.shape == (2, count_frames(n), BINS) and count_frames(n) % TOGETHER == 0
    assert np.allclose(restore_sound(frames, n), sound, atol=1e-5)


def test_cells_are_those_of_scipy():
    sound = np.random.default_rng(1).standard_normal(20_000).astype(np.float32)
    outside = ShortTimeFFT(taper(), STEP, 44100, phase_shift=None).stft(sound, 2, 12).T
    # SciPy's slice p is centred on sample p * STEP; our frame k on sample k * STEP + STEP - WINDOW / 2.
    ours = compute_frames(sound)[2 + WINDOW // 2 // STEP - 1 :][: len(outside)]
    assert np.allclose(ours, outside, atol=1e-3)
