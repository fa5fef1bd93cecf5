"""When the harmony changes: chords and bass notes change on bar lines.

The energy of each pitch class, in the bass and above, is compared between the
beat before a moment and the beat after it.  That chords change on downbeats is
used as in M. Goto, *An audio-based real-time beat tracking system for music
with or without drum-sounds*, Journal of New Music Research 30(2), 2001.
Medians over time keep out the drums, whose noise is short.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.ndimage import median_filter

from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.sound.spectrum import hann, spectra

#: Rate at which the harmony is listened to, hertz, and its frames in samples.
RATE_HZ = 11025
CHROMA_WINDOW = 4096
CHROMA_HOP = 1024

#: Ranges of the bass and of chords, hertz (rough ranges of the instruments, no source).
BASS_HZ, CHORDS_HZ = (40.0, 180.0), (180.0, 1600.0)

#: From which share of sustained sound harmony is heard at all, and fully (set by hand, no source).
SUSTAINED = (0.65, 0.85)
#: The same for how far the three strongest pitch classes of the chords stand out of the mean; the wash of
#: cymbals is sustained, too, but has no pitch (drums alone 1.3 to 1.5, songs 1.6 to 1.9).
TONAL = (1.45, 1.65)

#: Seconds heard at one time.
BLOCK_S = 60


@dataclass(frozen=True)
class Harmony:
    """Energy of pitch classes over time.

    Attributes
    ----------
    frame_rate_hz : float
    pitch_classes : ndarray (frames, 24), float32
        Twelve of the bass, twelve of the chords; log energy, scaled to the song.
    """

    frame_rate_hz: float
    pitch_classes: np.ndarray

    def changes_at(self, beats_s: np.ndarray) -> np.ndarray:
        """How much the harmony changes at each beat, (n,), in standard deviations
        from the song's mean; less where little sound is sustained or has a pitch (drums alone)."""
        if len(beats_s) < 3 or not len(self.pitch_classes):
            return np.zeros(len(beats_s))
        frames = np.round(beats_s * self.frame_rate_hz).astype(int)
        gap = max(int(np.median(np.diff(frames))), 2)
        typical, trust = self._typical(gap)
        last = len(typical) - 1
        before, after = (typical[np.clip(frames + d, 0, last)] for d in (-((gap + 1) // 2), gap // 2))
        change = 2.0 - (before * after).reshape(len(frames), 2, 12).sum(axis=(1, 2))
        spread = change.std()
        return trust * (change - change.mean()) / spread if spread >= 1e-6 else np.zeros(len(beats_s))

    def over(self, beats_s: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Pitch classes over each beat, (n, 24), and how much those of bass and chords change there, (n,) each."""
        n = len(beats_s)
        if n < 3 or not len(self.pitch_classes):
            return np.zeros((n, 24)), np.zeros(n), np.zeros(n)
        frames = np.round(beats_s * self.frame_rate_hz).astype(int)
        gap = max(int(np.median(np.diff(frames))), 2)
        typical, trust = self._typical(gap)
        last = len(typical) - 1
        before, after = (typical[np.clip(frames + d, 0, last)] for d in (-((gap + 1) // 2), gap // 2))
        change = 1.0 - (before * after).reshape(n, 2, 12).sum(axis=2)
        change = trust * (change - change.mean(axis=0)) / np.maximum(change.std(axis=0), 1e-6)
        return after * np.sqrt(trust / 2.0), *np.clip(change, -2.0, 2.0).T

    @cached_property
    def _by_length(self) -> dict[int, tuple[np.ndarray, float]]:
        return {}

    def _typical(self, frames: int) -> tuple[np.ndarray, float]:
        """Typical pitch classes around each frame, bass and chords of length 1 each, and how far to trust them."""
        if frames not in self._by_length:
            # One by one: scipy has a quicker way for rows than for tables.
            typical = np.stack([median_filter(one, frames, mode="nearest") for one in self.pitch_classes.T], axis=1)
            energy = np.expm1(typical)
            mean = float(np.expm1(self.pitch_classes).sum())
            # Near 1 for held notes, low for drums; and how far the three strongest pitch classes stand out.
            sustained = float(energy.sum()) / mean if mean > 0 else 0.0
            chords = np.sort(energy[:, 12:], axis=1)
            tonal = float(np.median(chords[:, -3:].mean(axis=1) / (chords.mean(axis=1) + 1e-9)))
            parts = typical.reshape(-1, 2, 12)
            parts = parts - parts.mean(axis=2, keepdims=True)
            parts /= np.linalg.norm(parts, axis=2, keepdims=True) + 1e-6
            trust = _between(sustained, SUSTAINED) * _between(tonal, TONAL)
            self._by_length[frames] = parts.reshape(-1, 24), trust
        return self._by_length[frames]


def _between(value: float, span: tuple[float, float]) -> float:
    """0 up to the first limit, 1 from the second on."""
    return float(np.clip((value - span[0]) / (span[1] - span[0]), 0.0, 1.0))


def hear_harmony(samples: np.ndarray) -> Harmony:
    """Pitch classes of a recording, in blocks.

    Parameters
    ----------
    samples : ndarray (n,), float
        Mono, :data:`~workbench.files.audio.SAMPLE_RATE_HZ`.
    """
    classes = _pitch_class_bins()
    block = BLOCK_S * SAMPLE_RATE_HZ
    out = []
    for start in range(0, len(samples), block):
        piece = _decimated(samples[start : start + block], SAMPLE_RATE_HZ // RATE_HZ)
        frames = int(np.ceil(min(block, len(samples) - start) / SAMPLE_RATE_HZ * RATE_HZ / CHROMA_HOP))
        starts = range(-CHROMA_WINDOW // 2, frames * CHROMA_HOP - CHROMA_WINDOW // 2, CHROMA_HOP)
        out.append((np.abs(spectra(piece, starts, hann(CHROMA_WINDOW))) @ classes).astype(np.float32))
    energy = np.concatenate(out) if out else np.zeros((0, 24), dtype=np.float32)
    level = float(np.quantile(energy, 0.9)) if energy.size else 1.0
    return Harmony(RATE_HZ / CHROMA_HOP, np.log1p(10.0 * energy / (level + 1e-9)))


def _decimated(samples: np.ndarray, step: int) -> np.ndarray:
    """Every *step*-th sample, behind the low-pass filter of :func:`scipy.signal.resample_poly` (importing that takes
    longer than all of this module's work)."""
    reach = 10 * step
    taps = np.sinc(np.arange(-reach, reach + 1) / step) * np.kaiser(2 * reach + 1, 5.0)
    taps /= taps.sum()
    # So many at once, as a product of matrices.
    many = 32
    weights = np.zeros((len(taps) + step * (many - 1), many), samples.dtype)
    for k in range(many):
        weights[step * k : step * k + len(taps), k] = taps
    padded = np.pad(samples, (reach, reach + step * many))
    stretches = np.lib.stride_tricks.sliding_window_view(padded, len(weights))[:: step * many]
    return (np.ascontiguousarray(stretches) @ weights).reshape(-1)[: -(-len(samples) // step)]


def _pitch_class_bins() -> np.ndarray:
    """Share of every frequency bin in the 24 classes, (bins, 24)."""
    freqs = np.fft.rfftfreq(CHROMA_WINDOW, 1.0 / RATE_HZ)
    out = np.zeros((len(freqs), 24), dtype=np.float32)
    for offset, (low, high) in ((0, BASS_HZ), (12, CHORDS_HZ)):
        for k in np.flatnonzero((freqs >= low) & (freqs < high)):
            pitch = 12.0 * np.log2(freqs[k] / 440.0) + 69.0
            for note in (np.floor(pitch), np.ceil(pitch)):
                out[k, offset + int(note) % 12] += max(0.0, 1.0 - abs(pitch - note))
    return out
