"""Overlapping frames of a recording and back: what the separation of drums and rest works on.

The square root of a Hann window is applied both ways, so that frames left alone
give the sound back exactly (D. Griffin, J. Lim, *Signal estimation from modified
short-time Fourier transform*, IEEE ASSP 1984).
"""

from __future__ import annotations

import numpy as np
import scipy.fft

from workbench.sound.spectrum import hann, spectra

#: Samples of a frame and from one frame to the next, at 44.1 kHz.
WINDOW, STEP = 2048, 512
BINS = WINDOW // 2 + 1

#: Frames that the network takes together.
TOGETHER = 2


def taper() -> np.ndarray:
    """The window, (WINDOW,), float32; the squares of all that overlap add up to 1."""
    return np.sqrt(hann(WINDOW) * (2 * STEP / WINDOW)).astype(np.float32)


def count_frames(n_samples: int) -> int:
    """Frames of a passage of *n_samples*, a multiple of :data:`TOGETHER`."""
    frames = -(-(n_samples + WINDOW - STEP) // STEP)
    return -(-frames // TOGETHER) * TOGETHER


def compute_frames(samples: np.ndarray) -> np.ndarray:
    """Spectra of sound (..., n), (..., frames, BINS), complex64; frame *k* ends before sample ``(k + 1) * STEP``."""
    first = STEP - WINDOW
    starts = range(first, first + count_frames(samples.shape[-1]) * STEP, STEP)
    return spectra(samples.astype(np.float32, copy=False), starts, taper())


def restore_sound(frames: np.ndarray, n_samples: int) -> np.ndarray:
    """Sound (..., *n_samples*), float32, of spectra (..., frames, BINS): overlapping frames are added."""
    pieces = scipy.fft.irfft(frames, WINDOW).astype(np.float32, copy=False) * taper()
    *rest, count, _ = pieces.shape
    parts = WINDOW // STEP
    out = np.zeros((*rest, count + parts - 1, STEP), np.float32)
    for part in range(parts):
        out[..., part : part + count, :] += pieces[..., part * STEP : (part + 1) * STEP]
    return out.reshape(*rest, -1)[..., WINDOW - STEP :][..., :n_samples]


def cut_out(samples: np.ndarray, first: int, last: int) -> np.ndarray:
    """Samples *first* … *last* (exclusive) of a recording, silence where there are none."""
    if first >= 0 and last <= len(samples):
        return samples[first:last]
    out = np.zeros((last - first, *samples.shape[1:]), np.float32)
    low, high = max(first, 0), min(last, len(samples))
    if high > low:
        out[low - first : high - first] = samples[low:high]
    return out
