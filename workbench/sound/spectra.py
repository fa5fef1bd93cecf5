"""Short-time spectra of recordings and back, as the separation of drums and rest uses them.

Frames of :data:`WINDOW` samples, :data:`HOP` apart, under the square root of a
Hann window both ways, so that spectra left alone give the sound back exactly
(D. Griffin, J. Lim, *Signal estimation from modified short-time Fourier
transform*, IEEE ASSP 1984).
"""

from __future__ import annotations

import numpy as np
import scipy.fft

SAMPLE_RATE = 44100
WINDOW, HOP = 2048, 512
BINS = WINDOW // 2 + 1

#: Frames that the network takes together.
TOGETHER = 2


def taper() -> np.ndarray:
    """The window, (WINDOW,), float32; squares of windows HOP apart add up to 1."""
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(WINDOW) / WINDOW)
    return np.sqrt(hann * (2 * HOP / WINDOW)).astype(np.float32)


def count_frames(n_samples: int) -> int:
    """Frames of a passage of *n_samples*, a multiple of :data:`TOGETHER`."""
    frames = -(-(n_samples + WINDOW - HOP) // HOP)
    return -(-frames // TOGETHER) * TOGETHER


def compute_spectra(samples: np.ndarray) -> np.ndarray:
    """Spectra of sound.

    Parameters
    ----------
    samples : ndarray (..., n)

    Returns
    -------
    ndarray (..., frames, BINS), complex64
        Frame *k* begins ``WINDOW - HOP`` samples before sample ``k * HOP``.
    """
    n = samples.shape[-1]
    frames = count_frames(n)
    before = WINDOW - HOP
    after = (frames - 1) * HOP + WINDOW - before - n
    padded = np.pad(samples, [(0, 0)] * (samples.ndim - 1) + [(before, after)])
    view = np.lib.stride_tricks.sliding_window_view(padded, WINDOW, axis=-1)[..., ::HOP, :]
    return scipy.fft.rfft((view * taper()).astype(np.float32, copy=False))


def restore_sound(spectra: np.ndarray, n_samples: int) -> np.ndarray:
    """Sound (..., *n_samples*), float32, of spectra (..., frames, BINS) by overlapping addition."""
    frames = scipy.fft.irfft(spectra, WINDOW).astype(np.float32, copy=False) * taper()
    *rest, count, _ = frames.shape
    parts = WINDOW // HOP
    out = np.zeros((*rest, count + parts - 1, HOP), np.float32)
    for part in range(parts):
        out[..., part : part + count, :] += frames[..., part * HOP : (part + 1) * HOP]
    return out.reshape(*rest, -1)[..., WINDOW - HOP :][..., :n_samples]
