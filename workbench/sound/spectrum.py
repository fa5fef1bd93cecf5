"""Short-time spectra: the one loop over windows that listening, separation and the grid's picture share."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import scipy.fft


def hann(length: int) -> np.ndarray:
    """A periodic Hann window, (length,), float32."""
    return np.hanning(length + 1)[:-1].astype(np.float32)


def spectra(
    samples: Any, starts: range | np.ndarray, window: np.ndarray, length: int | None = None, xp: ModuleType = np
) -> Any:
    """Spectra of windowed stretches of a recording.

    Parameters
    ----------
    samples : ndarray (..., n), float
        Silent outside.
    starts : range or ndarray (frames,), int
        First sample of each stretch, increasing; may lie outside the recording.
    window : ndarray (w,), float32
    length : int, optional
        Samples transformed, if more than the window's (zeros follow).
    xp : module
        numpy, or cupy if the samples lie on a GPU.

    Returns
    -------
    ndarray (..., frames, length // 2 + 1), complex

    Examples
    --------
    >>> spectra(np.ones(8, np.float32), range(-2, 8, 2), np.ones(4, np.float32))[:, 0].real
    array([2., 4., 4., 4., 2.], dtype=float32)
    """
    low, high = int(starts[0]), int(starts[-1]) + len(window)
    inside = samples[..., max(low, 0) : max(high, 0)]
    before = min(max(-low, 0), high - low)
    missing = [(0, 0)] * (samples.ndim - 1) + [(before, high - low - before - inside.shape[-1])]
    padded = xp.ascontiguousarray(xp.pad(inside, missing))
    step = padded.strides[-1]
    shape = (*padded.shape[:-1], high - low - len(window) + 1, len(window))
    every = xp.lib.stride_tricks.as_strided(padded, shape, (*padded.strides[:-1], step, step))
    frames = every[..., :: starts.step, :] if isinstance(starts, range) else every[..., starts - low, :]
    rfft = scipy.fft.rfft if xp is np else xp.fft.rfft
    return rfft(frames * xp.asarray(window), length)
