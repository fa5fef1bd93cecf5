"""What the detector looks at: two mel spectrograms of a recording, 100 frames a second.

Product and training share this module, so that the network always sees the
same numbers; *xp* is numpy on a CPU, or cupy on a GPU (training only).

Conventions
-----------
* Samples are mono at :data:`SAMPLE_RATE_HZ`; frame *k* is centred on ``k / FRAME_RATE_HZ`` seconds.
* A short window tells strokes apart in time, a long one pitches apart.
* The mel scale is Slaney's (Auditory Toolbox, 1998), triangles of height 1,
  as in ``librosa.filters.mel(..., htk=False, norm=None)``.
"""

from __future__ import annotations

from functools import cache
from types import ModuleType
from typing import Any

import numpy as np

from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.sound.spectrum import hann, spectra

# The network was trained on these numbers: to change one means to train again.  Chosen by hand, as is common for
# onsets of drums, no source.
#: Frames a second, and samples from one to the next.
FRAME_RATE_HZ = 100.0
HOP = 441
#: Samples in a frame: for time, for pitch.
WINDOWS = (1024, 4096)
#: Mel bands and their range.
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
    bin_hz = np.fft.rfftfreq(window, 1 / SAMPLE_RATE_HZ)
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
        Mono, :data:`SAMPLE_RATE_HZ`, scaled by :func:`loudness_gain`.
    first_frame, n_frames : int
        Part of the recording to compute; by default all of it.
    xp : module
        numpy or cupy.

    Returns
    -------
    ndarray (..., frames, 2, BANDS), float32
    """
    if n_frames is None:
        n_frames = count_frames(samples.shape[-1]) - first_frame
    if n_frames <= 0:
        return xp.zeros((*samples.shape[:-1], 0, len(WINDOWS), BANDS), np.float32)
    samples = xp.asarray(samples, np.float32)
    out = xp.empty((*samples.shape[:-1], n_frames, len(WINDOWS), BANDS), np.float32)
    for k, window in enumerate(WINDOWS):
        filters = xp.asarray(mel_filters(window).T * np.float32(100 / window))
        begin = first_frame * HOP - window // 2
        starts = range(begin, begin + n_frames * HOP, HOP)
        level = xp.abs(spectra(samples, starts, hann(window), xp=xp))
        out[..., k, :] = xp.log(np.float32(FLOOR) + level @ filters)
    return out
