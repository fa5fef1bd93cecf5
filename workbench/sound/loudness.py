"""Loudness and peaks of finished sound, as broadcasters measure them.

Loudness is the integrated loudness of ITU-R BS.1770-4, weighted by pyloudnorm's filters; true peak
is its Annex 2: the peak of the signal oversampled four times.
"""

from __future__ import annotations

import functools

import numpy as np
from scipy import signal
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

from workbench.errors import WorkbenchError

#: Loudness of everything in a practice pack, LUFS: close to what music players
#: level to, with room for drums (common practice, no source).
TARGET_LUFS = -16.0
#: Highest true peak, dBTP (recommended by EBU R 128 and kept by BS.1770 users).
CEILING_DBTP = -1.0
#: So high that nothing is limited: for parts that are mixed and limited later.
NO_CEILING_DBTP = 60.0
#: The limiter looks this far ahead and back, seconds.
LIMITER_S = 0.004
#: BS.1770 gates blocks of 0.4 s; shorter loops are measured over several rounds.
MEASURED_S = 3.0
#: The limiter may take off this much; louder peaks turn the whole down instead.
MOST_LIMITING_DB = 8.0
#: Loudness that limiting cost is made up for by at most this.
MOST_MAKE_UP_DB = 4.0
#: Oversampling for true peaks (BS.1770-4, annex 2), and blocks worked on at once.
_OVER, _AT_ONCE = 4, 128
#: How far a peak may lie above the samples around it, dB.
BETWEEN_DB = 4.0


#: Blocks of BS.1770: as many of its steps, seconds each; those below the first gate, LUFS, and below the second, LU
#: under the mean of the others, do not count.
_STEPS_A_BLOCK, _GATING_STEP_S, _ABSOLUTE_GATE, _RELATIVE_GATE = 4, 0.1, -70.0, -10.0


def loudness_lufs(samples: np.ndarray, sample_rate: int) -> float:
    """Integrated loudness, LUFS; −inf for silence.

    Sound shorter than :data:`MEASURED_S` is measured as if repeated.
    """
    if not len(samples):
        return -np.inf
    rounds = -(-int(MEASURED_S * sample_rate) // len(samples))
    heard = np.tile(samples, (rounds, 1)) if rounds > 1 else samples
    step = round(_GATING_STEP_S * sample_rate)
    steps = len(heard) // step
    # All channels through both filters at once: pyloudnorm's own loops take three times as long.
    weighted = signal.sosfilt(_weighting(sample_rate), heard[: steps * step].T, axis=-1).reshape(-1, steps, step)
    power = np.einsum("cks,cks->k", weighted, weighted) / step
    blocks = np.convolve(power, np.full(_STEPS_A_BLOCK, 1 / _STEPS_A_BLOCK), "valid")
    with np.errstate(divide="ignore"):
        lufs = -0.691 + 10 * np.log10(blocks)
        loud = lufs > _ABSOLUTE_GATE
        if not loud.any():
            return -np.inf
        gate = -0.691 + 10 * np.log10(blocks[loud].mean()) + _RELATIVE_GATE
        return float(-0.691 + 10 * np.log10(blocks[loud & (lufs > gate)].mean()))


@functools.cache
def _weighting(sample_rate: int) -> np.ndarray:
    """The K-weighting as second-order sections."""
    import pyloudnorm

    return np.array([np.concatenate([f.b, f.a]) for f in pyloudnorm.Meter(sample_rate)._filters.values()])


def oversampled_peaks(samples: np.ndarray, loop: bool = False, over: float = 0.0) -> np.ndarray:
    """For every sample the highest absolute value near it, all channels, (n,).

    Oversampled only in blocks whose samples come near ``over``: no practical
    signal rises more than :data:`BETWEEN_DB` between its samples.
    """
    around, block = 64, 1024
    count = -(-len(samples) // block) * block
    padded = np.pad(samples, ((around, around), (0, 0)), mode="wrap" if loop and len(samples) else "constant")
    padded = np.pad(padded, ((0, count - len(samples)), (0, 0)))
    out = _loudest(padded)
    inside = out[around : around + count].reshape(-1, block)
    near = np.flatnonzero(inside.max(axis=1) >= over * 10 ** (-BETWEEN_DB / 20))
    for k in range(0, len(near), _AT_ONCE):
        pieces = np.lib.stride_tricks.sliding_window_view(padded, block + 2 * around, axis=0)[::block]
        some = near[k : k + _AT_ONCE]
        fine = np.abs(signal.resample_poly(pieces[some], _OVER, 1, axis=-1, window=_oversampler())).max(axis=1)
        # A peak between two samples counts for both.
        peaks = maximum_filter1d(fine.reshape(len(some), -1, _OVER).max(axis=-1), 3, axis=-1)[:, around:-around]
        inside[some] = np.maximum(inside[some], peaks)
    return out[around : around + len(samples)]


@functools.cache
def _oversampler() -> np.ndarray:
    """The filter that :func:`scipy.signal.resample_poly` makes anew at each call."""
    return signal.firwin(20 * _OVER + 1, 1 / _OVER, window=("kaiser", 5.0)).astype(np.float32)


def _loudest(x: np.ndarray) -> np.ndarray:
    """Highest absolute value of all channels; by columns, which numpy does faster."""
    return functools.reduce(np.maximum, np.abs(x).T)


def true_peak_dbtp(samples: np.ndarray, loop: bool = False) -> float:
    """True peak in dBTP; −inf for silence."""
    highest = np.abs(samples).max(initial=0.0)
    peak = oversampled_peaks(samples, loop, highest).max(initial=0.0)
    return float(20 * np.log10(peak)) if peak > 0 else -np.inf


def levelled(
    samples: np.ndarray,
    sample_rate: int,
    target_lufs: float = TARGET_LUFS,
    ceiling_dbtp: float = CEILING_DBTP,
    loop: bool = False,
) -> np.ndarray:
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
    gain_db = target_lufs - loudness
    ceiling = 10 ** ((ceiling_dbtp - 0.1) / 20)
    # No sample below this can come over the ceiling, whatever gain is chosen below.
    harmless = max(
        np.abs(samples).max() * 10 ** (-MOST_LIMITING_DB / 20), ceiling * 10 ** (-(gain_db + MOST_MAKE_UP_DB) / 20)
    )
    peaks = oversampled_peaks(samples, loop, harmless)
    highest_db = 20 * np.log10(peaks.max() / ceiling)
    most_db = MOST_LIMITING_DB - highest_db
    out = _limited(samples, peaks, min(gain_db, most_db), ceiling, sample_rate, loop)
    if gain_db + highest_db > 0:
        # Limiting has cost loudness; once more with what it cost.
        cost_db = min(target_lufs - loudness_lufs(out, sample_rate), MOST_MAKE_UP_DB)
        out = _limited(samples, peaks, min(gain_db + cost_db, most_db), ceiling, sample_rate, loop)
    return out


def _limited(
    samples: np.ndarray, peaks: np.ndarray, gain_db: float, ceiling: float, sample_rate: int, loop: bool
) -> np.ndarray:
    gain = np.float32(10 ** (gain_db / 20))
    if peaks.max() * gain <= ceiling:
        return (samples * gain).astype(np.float32)
    half = int(LIMITER_S * sample_rate)
    mode = "wrap" if loop else "nearest"
    allowed = np.minimum(1, ceiling / np.maximum(peaks * gain, 1e-12))
    allowed = minimum_filter1d(allowed, 2 * half + 1, mode=mode)
    # Smoothing over no more than the span of the minimum never exceeds it.
    for _ in range(2):
        allowed = uniform_filter1d(allowed, half + 1, mode=mode)
    return (samples * (gain * allowed)[:, None]).astype(np.float32)
