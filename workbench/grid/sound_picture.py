"""Waveform and spectrogram of a recording, small enough for the page.

The page lays them to the bars itself, so that moving a bar line needs no new
picture.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from workbench.sound.spectrum import hann, spectra

# Chosen for the eye and the page's speed, no source.
#: Steps of the waveform: loudest and lowest sample in each, per second.
PEAK_RATE_HZ = 500
#: Steps of the spectrogram, per second.
PICTURE_RATE_HZ = 100
#: Bands of the spectrogram, equally wide in pitch, and where they begin and end.
PICTURE_BANDS = 40
PICTURE_LOWEST_HZ, PICTURE_HIGHEST_HZ = 40.0, 14000.0
#: Levels this far below the loudest are drawn empty, in decibels.
RANGE_DB = 60.0
#: Frames of the spectrogram that are made at a time.
FRAMES_AT_ONCE = 64
#: The page gets the picture in pieces of this length, seconds.
PICTURE_PIECE_S = 30.0


@dataclass(frozen=True)
class Piece:
    """A stretch of the picture.

    Attributes
    ----------
    peak_start, frame_start : int
        First step of the waveform and of the spectrogram.
    peaks : ndarray (steps, 2), int8
        Lowest and highest sample of each step, full scale ±127.
    levels : ndarray (frames, PICTURE_BANDS), uint8
        Level of each band, low bands first; 255 is the loudest of the recording.
    """

    peak_start: int
    frame_start: int
    peaks: np.ndarray
    levels: np.ndarray


def counts(length: int, sample_rate: int) -> tuple[int, int]:
    """Steps of the waveform and of the spectrogram for so many samples."""
    duration_s = length / sample_rate
    return int(np.ceil(duration_s * PEAK_RATE_HZ)), int(np.ceil(duration_s * PICTURE_RATE_HZ))


def picture_pieces(samples: np.ndarray, sample_rate: int) -> Iterator[Piece]:
    """The picture of a mono recording, piece by piece from its beginning.

    Parameters
    ----------
    samples : ndarray (n,), float, full scale ±1
    """
    loudest = float(np.abs(samples).max(initial=0.0)) or 1.0
    peak_count, frame_count = counts(len(samples), sample_rate)
    steps = int(PICTURE_PIECE_S * PEAK_RATE_HZ)
    frames = int(PICTURE_PIECE_S * PICTURE_RATE_HZ)
    reference = 0.0
    bands = _band_matrix(sample_rate)
    for k in range(-(-peak_count // steps)):
        power = _band_power(samples, sample_rate, k * frames, min((k + 1) * frames, frame_count), bands)
        # The loudest so far stands for all, so that the picture can come piece by piece.
        reference = max(reference, float(power.max(initial=0.0)))
        with np.errstate(divide="ignore"):
            level = 10 * np.log10(power / (reference or 1.0))
        yield Piece(
            k * steps,
            k * frames,
            _peaks(samples, loudest, sample_rate, k * steps, min((k + 1) * steps, peak_count)),
            np.clip(255 * (1 + level / RANGE_DB), 0, 255).astype(np.uint8),
        )


def _peaks(samples: np.ndarray, loudest: float, sample_rate: int, start: int, end: int) -> np.ndarray:
    edges = np.round(np.arange(start, end + 1) * sample_rate / PEAK_RATE_HZ).astype(int)
    part = samples[edges[0] : min(edges[-1], len(samples))]
    starts = np.minimum(edges[:-1] - edges[0], max(len(part) - 1, 0))
    low = np.minimum.reduceat(part, starts)
    high = np.maximum.reduceat(part, starts)
    return np.round(127 / loudest * np.stack([low, high], 1)).astype(np.int8)


def _window_length(sample_rate: int) -> int:
    return 1 << int(np.ceil(np.log2(sample_rate * 0.035)))


def _band_power(samples: np.ndarray, sample_rate: int, start: int, end: int, bands: np.ndarray) -> np.ndarray:
    """Power of each band in frames ``start … end``, (frames, PICTURE_BANDS)."""
    n = _window_length(sample_rate)
    window = hann(n)
    out = np.zeros((end - start, bands.shape[1]), np.float32)
    # Small batches: edits of the page are answered in between.
    for first in range(start, end, FRAMES_AT_ONCE):
        centres = np.round((np.arange(first, min(first + FRAMES_AT_ONCE, end)) + 0.5) * sample_rate / PICTURE_RATE_HZ)
        spectrum = spectra(samples, centres.astype(int) - n // 2, window)
        out[first - start : first - start + len(centres)] = (spectrum.real**2 + spectrum.imag**2) @ bands
    return out


def _band_matrix(sample_rate: int) -> np.ndarray:
    """Weights (bins, bands): each band takes the bins between its edges, or its nearest bin."""
    bins = np.fft.rfftfreq(_window_length(sample_rate), 1 / sample_rate)
    edges = np.geomspace(PICTURE_LOWEST_HZ, min(PICTURE_HIGHEST_HZ, sample_rate / 2), PICTURE_BANDS + 1)
    matrix = np.zeros((len(bins), PICTURE_BANDS), np.float32)
    for k in range(PICTURE_BANDS):
        inside = (bins >= edges[k]) & (bins < edges[k + 1])
        if not inside.any():
            inside[np.argmin(np.abs(bins - np.sqrt(edges[k] * edges[k + 1])))] = True
        matrix[inside, k] = 1 / inside.sum()
    return matrix
