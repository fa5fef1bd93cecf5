"""When the harmony changes: chords and bass notes change on bar lines.

The energy of each pitch class, in the bass and above, is compared between the
beat before a moment and the beat after it.  That chords change on downbeats is
used as in M. Goto, *An audio-based real-time beat tracking system for music
with or without drum-sounds*, Journal of New Music Research 30(2), 2001.
Medians over time keep out the drums, whose noise is short.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import resample_poly

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
        gap = int(np.median(np.diff(frames)))
        edges = np.concatenate([[frames[0] - gap], frames, [frames[-1] + gap]])
        within = np.stack([self._typical(a, b) for a, b in zip(edges, edges[1:])])
        change = np.zeros(len(beats_s))
        for part in (slice(0, 12), slice(12, 24)):
            before, after = within[:-1, part], within[1:, part]
            norm = np.linalg.norm(before, axis=1) * np.linalg.norm(after, axis=1) + 1e-6
            change += 1.0 - (before * after).sum(axis=1) / norm
        spread = change.std()
        if spread < 1e-6:
            return np.zeros(len(beats_s))
        trust = _between(self._sustained(edges), SUSTAINED) * _between(self._tonal(edges), TONAL)
        return trust * (change - change.mean()) / spread

    def _sustained(self, edges: np.ndarray) -> float:
        """Typical energy of a moment against the mean: near 1 for held notes, low for drums."""
        inside = [
            np.expm1(self.pitch_classes[max(a, 0) : b]).sum(axis=1)
            for a, b in zip(edges, edges[1:])
            if b > max(a, 0) and a < len(self.pitch_classes)
        ]
        mean = sum(float(e.mean()) for e in inside)
        return sum(float(np.median(e)) for e in inside) / mean if mean > 0 else 0.0

    def _tonal(self, edges: np.ndarray) -> float:
        """How far the three strongest pitch classes of the chords typically stand out of the mean of all."""
        inside = [
            np.median(np.expm1(self.pitch_classes[max(a, 0) : b, 12:]), axis=0)
            for a, b in zip(edges, edges[1:])
            if b > max(a, 0) and a < len(self.pitch_classes)
        ]
        return float(np.median([np.sort(e)[-3:].mean() / (e.mean() + 1e-9) for e in inside])) if inside else 0.0

    def _typical(self, first: int, last: int) -> np.ndarray:
        """Typical pitch classes of the frames of one beat."""
        first, last = max(first, 0), min(last, len(self.pitch_classes))
        if last <= first:
            return np.zeros(24, dtype=np.float32)
        typical = np.median(self.pitch_classes[first:last], axis=0)
        halves = (typical[:12] - typical[:12].mean(), typical[12:] - typical[12:].mean())
        return np.concatenate(halves)


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
        piece = resample_poly(samples[start : start + block], 1, SAMPLE_RATE_HZ // RATE_HZ)
        frames = int(np.ceil(min(block, len(samples) - start) / SAMPLE_RATE_HZ * RATE_HZ / CHROMA_HOP))
        starts = range(-CHROMA_WINDOW // 2, frames * CHROMA_HOP - CHROMA_WINDOW // 2, CHROMA_HOP)
        out.append((np.abs(spectra(piece, starts, hann(CHROMA_WINDOW))) @ classes).astype(np.float32))
    energy = np.concatenate(out) if out else np.zeros((0, 24), dtype=np.float32)
    level = float(np.quantile(energy, 0.9)) if energy.size else 1.0
    return Harmony(RATE_HZ / CHROMA_HOP, np.log1p(10.0 * energy / (level + 1e-9)))


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
