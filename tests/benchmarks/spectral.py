"""The first detector: strokes from sudden gains of energy in frequency bands.

No training: each drum is looked for where common practice in acoustics puts it
(the kick below 110 Hz, the snare's wires above 1.5 kHz over its body near
200 Hz, hi-hats above 7 kHz, a cymbal by its long tail).  It is the
named baseline of the trained detector and fills the same
:class:`~workbench.listening.activations.Activations`.

Its numbers were set by hand, no source.

Method: spectral flux in bands (S. Dixon, *Onset detection revisited*, DAFx
2006), each band scaled by the song's own loud strokes.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from workbench.chart.drumkit import DETECTED
from workbench.chart.events import Stroke
from workbench.errors import AudioError
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening import transcription
from workbench.listening.activations import Activations
from workbench.listening.features import FRAME_RATE_HZ, HOP
from workbench.progress import Progress, part
from workbench.sound.spectrum import hann, spectra

#: Samples of one spectrum.
WINDOW = 2048

#: Frames whose spectra are held at one time, so that hours need little memory.
BLOCK_FRAMES = 6000

#: Band edges in Hz.
SPECTRAL_BANDS_HZ = {
    "low": (30.0, 110.0),
    "thud": (110.0, 180.0),
    "body": (160.0, 320.0),
    "wires": (1500.0, 6000.0),
    "bright": (7000.0, 16000.0),
    "shimmer": (4000.0, 12000.0),
}

SPECTRAL_INSTRUMENTS = ("kick", "snare", "closed hi-hat", "crash", "floor tom")


def compute_activations(samples: np.ndarray, progress: Progress | None = None) -> Activations:
    """Likelihoods of strokes and beats of a recording, without training.

    Parameters
    ----------
    samples : ndarray (n,), float32
        Mono, :data:`~workbench.files.audio.SAMPLE_RATE_HZ`.
    progress : callable, optional

    Returns
    -------
    Activations
        For kick, snare, closed hi-hat, crash and floor tom; ``beat`` is the
        strength of any onset and ``downbeat`` that of the kick and crash.

    Raises
    ------
    AudioError
        If there are fewer samples than one analysis window.
    """
    if len(samples) < WINDOW:
        raise AudioError("The recording is too short to find strokes in; it needs at least 0.1 s.")
    levels = _band_levels(samples, part(progress, 0.0, 0.9))
    flux = {band: _flux(level) for band, level in levels.items()}

    low, wires, bright = flux["low"], flux["wires"], flux["bright"]
    kick = low
    snare = np.maximum(np.sqrt(wires * np.maximum(flux["body"], flux["thud"])) - 0.3 * low, 0.0)
    hat = np.maximum(bright - 0.15 * wires, 0.0)
    tail = _tail(levels["shimmer"])
    crash = np.sqrt(flux["shimmer"] * tail)
    tom = np.maximum(flux["thud"] - wires - 0.5 * low, 0.0)

    onset = np.stack(
        [
            _likelihood(kick, 0.50),
            _likelihood(snare, 0.42),
            _likelihood(hat, 0.25),
            _likelihood(crash, 0.60),
            _likelihood(tom, 1.0),
        ],
        axis=1,
    )
    loudness = np.stack([kick, snare, hat, crash, tom], axis=1)
    velocity = np.clip(0.25 + 0.55 * loudness, 0.02, 1.0).astype(np.float32)
    beat = _likelihood(low + snare + 0.5 * bright, 0.8)
    downbeat = _likelihood(low + crash, 1.2)
    part(progress, 0.9, 1.0)(1.0, "Listening for strokes")
    columns = [DETECTED.index(name) for name in SPECTRAL_INSTRUMENTS]
    every, how_loud = (np.zeros((len(onset), len(DETECTED)), np.float32) for _ in range(2))
    every[:, columns], how_loud[:, columns] = onset, velocity
    return Activations(FRAME_RATE_HZ, DETECTED, every, how_loud, beat, downbeat)


def _band_levels(mono: np.ndarray, progress: Progress) -> dict[str, np.ndarray]:
    """Log level of each band in each frame, in blocks."""
    frames = 1 + len(mono) // HOP
    out = {band: np.empty(frames, dtype=np.float32) for band in SPECTRAL_BANDS_HZ}
    freqs = np.fft.rfftfreq(WINDOW, 1.0 / SAMPLE_RATE_HZ)
    scale = 1.0 / (np.sqrt(np.mean(np.square(mono), dtype=np.float64)) + 1e-9)
    masks = {band: (freqs >= a) & (freqs < b) for band, (a, b) in SPECTRAL_BANDS_HZ.items()}
    for first in range(0, frames, BLOCK_FRAMES):
        last = min(first + BLOCK_FRAMES, frames)
        starts = range(first * HOP - WINDOW // 2, last * HOP - WINDOW // 2, HOP)
        magnitude = np.abs(spectra(mono, starts, hann(WINDOW))) * scale
        for band, mask in masks.items():
            power = np.square(magnitude[:, mask]).mean(axis=1)
            out[band][first:last] = np.log(1e-2 + power / WINDOW)
        progress(last / frames, "Listening for strokes")
    return out


def _flux(level: np.ndarray) -> np.ndarray:
    """Sudden gain of a band, scaled so that the song's strong strokes are 1."""
    gain = np.zeros_like(level)
    gain[2:-1] = np.maximum(level[3:] - level[:-3], 0.0)
    gain -= uniform_filter1d(gain, 51) * 1.2
    gain = np.maximum(gain, 0.0)
    peaks = gain[gain == maximum_filter1d(gain, 9)]
    strong = np.quantile(peaks[peaks > 0], 0.9) if (peaks > 0).any() else 0.0
    return np.clip(gain / max(strong, 0.35), 0.0, 1.5).astype(np.float32)


def _tail(level: np.ndarray) -> np.ndarray:
    """How much louder a band stays 0.3 s after a moment than it was before, 0–1."""
    after = np.roll(uniform_filter1d(level, 15), -32)
    before = np.roll(uniform_filter1d(level, 7), 6)
    return np.clip((after - before) / 2.5, 0.0, 1.0).astype(np.float32)


def _likelihood(strength: np.ndarray, even: float) -> np.ndarray:
    """Strength to likelihood; ``even`` is the strength that is as likely as not."""
    return (1.0 / (1.0 + np.exp(-(strength - even) * 8.0))).astype(np.float32)


def detect_strokes(activations: Activations) -> list[Stroke]:
    """Strokes at the peaks of the activations that are as likely as not.

    Two peaks of an instrument closer than 40 ms count as one stroke.
    """
    strokes = []
    for column, name in enumerate(activations.instruments):
        onset = activations.onset[:, column]
        peaks = np.flatnonzero((onset >= 0.5) & (onset == maximum_filter1d(onset, 9)))
        last = -np.inf
        for frame in peaks.tolist():
            if frame - last < 0.04 * activations.frame_rate_hz:
                continue
            last = frame
            strokes.append(
                Stroke(
                    frame / activations.frame_rate_hz,
                    name,
                    int(np.clip(round(127 * activations.velocity[frame, column]), 1, 127)),
                    float(np.clip(onset[frame], 0.0, 1.0)),
                )
            )
    return sorted(strokes)


#: Detectors that benchmarks compare; the first is the workbench's own.
DETECTORS = ("network", "spectral")


def listen_with(detector: str) -> None:
    """Let all that listens in this process do so with one of :data:`DETECTORS`."""
    if detector == "spectral":
        transcription.compute_activations, transcription.detect_strokes = compute_activations, detect_strokes
