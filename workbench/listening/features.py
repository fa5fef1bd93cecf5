"""What the detector looks at: two mel spectrograms of a recording, 100 frames a second.

Product and training share this module, so that the network always sees the
same numbers; *xp* is numpy on a CPU, or cupy on a GPU (training only).

Conventions
-----------
* Samples are mono at :data:`SAMPLE_RATE`; frame *k* is centred on ``k / FRAME_RATE_HZ`` seconds.
* A short window tells strokes apart in time, a long one pitches apart.
* The mel scale is Slaney's (Auditory Toolbox, 1998), triangles of height 1,
  as in ``librosa.filters.mel(..., htk=False, norm=None)``.
"""

from __future__ import annotations

from functools import cache
from types import ModuleType
from typing import Any

import numpy as np
import scipy.fft

SAMPLE_RATE = 44100
FRAME_RATE_HZ = 100.0
HOP = 441
WINDOWS = (1024, 4096)
BANDS = 80
LOWEST_HZ, HIGHEST_HZ = 30.0, 18000.0

#: Added before the logarithm: everything some 60 dB below the music is silence.
FLOOR = 1e-3

#: A recording quieter than this (root mean square of full scale 1) is not made louder.
SILENCE_RMS = 1e-4


def _hz_to_mel(hz: np.ndarray) -> np.ndarray:
    hz = np.asarray(hz, float)
    return np.where(hz < 1000, hz * 3 / 200, 15 + np.log(np.maximum(hz, 1e-9) / 1000) * 27 / np.log(6.4))


def _mel_to_hz(mel: np.ndarray) -> np.ndarray:
    return np.where(mel < 15, mel * 200 / 3, 1000 * np.exp((mel - 15) * np.log(6.4) / 27))


@cache
def mel_filters(window: int) -> np.ndarray:
    """Triangular mel bands.

    Parameters
    ----------
    window : int
        Samples in a frame.

    Returns
    -------
    ndarray (BANDS, window // 2 + 1), float32, 0–1

    Examples
    --------
    >>> mel_filters(1024).shape
    (80, 513)
    """
    bin_hz = np.fft.rfftfreq(window, 1 / SAMPLE_RATE)
    low, high = _hz_to_mel(np.array([LOWEST_HZ, HIGHEST_HZ]))
    corner_hz = _mel_to_hz(np.linspace(low, high, BANDS + 2))
    rise = (bin_hz - corner_hz[:-2, None]) / np.diff(corner_hz)[:-1, None]
    fall = (corner_hz[2:, None] - bin_hz) / np.diff(corner_hz)[1:, None]
    return np.maximum(0, np.minimum(rise, fall)).astype(np.float32)


def loudness_gain(samples: np.ndarray) -> float:
    """Factor that brings a whole recording to a root mean square of 1 (not more than silence allows)."""
    total = sum(
        float(np.sum(np.square(samples[k : k + 2**20], dtype=np.float64))) for k in range(0, len(samples), 2**20)
    )
    return 1.0 / max(SILENCE_RMS, (total / max(1, len(samples))) ** 0.5)


def count_frames(n_samples: int) -> int:
    """Frames of a recording of *n_samples*."""
    return 1 + n_samples // HOP if n_samples else 0


def compute_features(samples: Any, first_frame: int = 0, n_frames: int | None = None, xp: ModuleType = np) -> Any:
    """Log mel spectrograms through a short and a long window.

    Parameters
    ----------
    samples : ndarray (..., n), float32
        Mono, :data:`SAMPLE_RATE`, scaled by :func:`loudness_gain`.
    first_frame, n_frames : int
        Part of the recording to compute; by default all of it.
    xp : module
        numpy or cupy.

    Returns
    -------
    ndarray (..., frames, 2, BANDS), float32
    """
    n = samples.shape[-1]
    if n_frames is None:
        n_frames = count_frames(n) - first_frame
    if n_frames <= 0:
        return xp.zeros((*samples.shape[:-1], 0, len(WINDOWS), BANDS), np.float32)
    rfft = scipy.fft.rfft if xp is np else xp.fft.rfft
    reach = max(WINDOWS) // 2
    begin, end = first_frame * HOP - reach, (first_frame + n_frames - 1) * HOP + reach
    inside = samples[..., max(0, begin) : min(n, end)]
    pad = [(0, 0)] * (samples.ndim - 1) + [(max(0, -begin), max(0, end - max(n, begin)))]
    padded = xp.ascontiguousarray(xp.pad(inside.astype(np.float32), pad))
    out = xp.empty((*samples.shape[:-1], n_frames, len(WINDOWS), BANDS), np.float32)
    for k, window in enumerate(WINDOWS):
        taper = xp.asarray(np.hanning(window + 1)[:-1].astype(np.float32))
        filters = xp.asarray(mel_filters(window).T * np.float32(100 / window))
        view = padded[..., reach - window // 2 :]
        step = view.strides[-1]
        frames = xp.lib.stride_tricks.as_strided(
            view, (*view.shape[:-1], n_frames, window), (*view.strides[:-1], HOP * step, step)
        )
        out[..., k, :] = xp.log(np.float32(FLOOR) + xp.abs(rfft(frames * taper)) @ filters)
    return out
