"""Loudness and peaks of finished sound, as broadcasters measure them.

Loudness is the integrated loudness of ITU-R BS.1770-4 (pyloudnorm); true peak
is its Annex 2: the peak of the signal oversampled four times.
"""

from __future__ import annotations

import warnings

import numpy as np
from scipy import signal
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

from workbench.errors import WorkbenchError

#: Loudness of everything in a practice pack, LUFS: close to what music players
#: level to, with room for drums (common practice, no source).
TARGET_LUFS = -16.0
#: Highest true peak, dBTP (recommended by EBU R 128 and kept by BS.1770 users).
CEILING_DBTP = -1.0
#: The limiter looks this far ahead and back, seconds.
LIMITER_S = 0.004
#: BS.1770 gates blocks of 0.4 s; shorter loops are measured over several rounds.
MEASURED_S = 3.0
#: The limiter may take off this much; louder peaks turn the whole down instead.
MOST_LIMITING_DB = 6.0


def loudness_lufs(samples: np.ndarray, sample_rate: int) -> float:
    """Integrated loudness, LUFS; −inf for silence.

    Sound shorter than :data:`MEASURED_S` is measured as if repeated.
    """
    import pyloudnorm

    if not len(samples):
        return -np.inf
    rounds = -(-int(MEASURED_S * sample_rate) // len(samples))
    heard = np.tile(samples, (rounds, 1)) if rounds > 1 else samples
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with np.errstate(divide="ignore"):
            return float(pyloudnorm.Meter(sample_rate).integrated_loudness(heard.astype(float)))


def oversampled_peaks(samples: np.ndarray, loop: bool = False) -> np.ndarray:
    """For every sample the highest absolute value near it, all channels, (n,)."""
    around = 64
    padded = np.pad(samples, ((around, around), (0, 0)), mode="wrap" if loop else "constant")
    fine = np.abs(signal.resample_poly(padded, 4, 1, axis=0)).max(axis=1)
    fine = fine.reshape(-1, 4).max(axis=1)
    # A peak between two samples counts for both.
    return np.maximum(maximum_filter1d(fine, 3), np.abs(padded).max(axis=1))[around:-around]


def true_peak_dbtp(samples: np.ndarray, loop: bool = False) -> float:
    """True peak in dBTP; −inf for silence."""
    peak = oversampled_peaks(samples, loop).max(initial=0.0)
    return float(20 * np.log10(peak)) if peak > 0 else -np.inf


def levelled(samples: np.ndarray, sample_rate: int, target_lufs: float = TARGET_LUFS,
             ceiling_dbtp: float = CEILING_DBTP, loop: bool = False) -> np.ndarray:
    """Brought to a loudness, its true peaks kept under a ceiling.

    Peaks over the ceiling are turned down by a limiter that looks ahead; where
    that would take more than :data:`MOST_LIMITING_DB`, the whole is turned down.

    Parameters
    ----------
    samples : ndarray (n, channels), float32
    loop : bool
        The end goes on at the beginning, for the limiter too.
    """
    if samples.ndim != 2:
        raise WorkbenchError("Sound needs samples of shape (frames, channels).")
    loudness = loudness_lufs(samples, sample_rate)
    if not np.isfinite(loudness):
        return samples.astype(np.float32)
    out = samples * np.float32(10 ** ((target_lufs - loudness) / 20))
    ceiling = 10 ** ((ceiling_dbtp - 0.1) / 20)
    peaks = oversampled_peaks(out, loop)
    over_db = 20 * np.log10(max(peaks.max(), 1e-12) / ceiling)
    if over_db > MOST_LIMITING_DB:
        turn = np.float32(10 ** ((MOST_LIMITING_DB - over_db) / 20))
        out, peaks = out * turn, peaks * turn
    if over_db > 0:
        half = int(LIMITER_S * sample_rate)
        mode = "wrap" if loop else "nearest"
        wanted = minimum_filter1d(np.minimum(1, ceiling / np.maximum(peaks, 1e-12)), 2 * half + 1, mode=mode)
        # Smoothing over no more than the span of the minimum never exceeds it.
        gain = uniform_filter1d(uniform_filter1d(wanted, half + 1, mode=mode), half + 1, mode=mode)
        out = out * gain[:, None]
    return out.astype(np.float32)
