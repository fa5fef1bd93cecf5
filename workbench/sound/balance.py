"""The drums of a mixed recording pushed back or brought out.

Where the strokes are known, the spectrogram is explained as a sum of drum
sounds, which may sound only where their instrument is struck, and of other
sounds, which may change only slowly (nonnegative matrix factorization: D. Lee,
S. Seung, *Algorithms for non-negative matrix factorization*, NIPS 2000, with
the score as constraint: S. Ewert, M. Müller, *Using score-informed constraints
for NMF-based source separation*, ICASSP 2012).  Where they are not, what stands
across frequencies rather than along time is taken as drums (D. FitzGerald,
*Harmonic/percussive separation using median filtering*, DAFx 2010).  The parts
always add up to the recording again.  Sizes and rounds were chosen with the figures of
the folder's README.md in view.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter, uniform_filter1d

from workbench.chart.drumkit import instrument
from workbench.chart.events import Stroke
from workbench.files.audio import Audio
from workbench.progress import Progress, silent
from workbench.sound.spectrum import hann, spectra

FRAME, STEP = 2048, 512
#: Work is done in pieces of this many frames, with so many more on both sides.
PIECE_FRAMES, MARGIN_FRAMES = 3000, 40
#: Sounds of the band that each piece is explained with, rounds of learning, and
#: frames over which they are kept from changing quickly.
BAND_SOUNDS, MASK_ROUNDS, SLOWNESS = 40, 30, 21
#: Frames of the median over time and bins of the median over frequency.
ALONG, ACROSS = 19, 25

#: Lowest and highest frequency at which instruments ring, and the time in which
#: they fall to 1/e, hertz and seconds (rough values of the trade, no source).
_REACH: dict[str, tuple[float, float, float]] = {
    "kick": (30, 6000, 0.11),
    "snare": (120, 14000, 0.11),
    "tom": (60, 5000, 0.22),
    "hi-hat": (2500, 22050, 0.07),
    "cymbal": (1200, 22050, 0.6),
    "percussion": (400, 16000, 0.08),
}
_LONGER = {"open hi-hat": 0.3, "ride": 0.35, "side stick": 0.05}


@dataclass(frozen=True)
class Balance:
    """A recording taken apart; ``drums + rest`` is the recording, sample by sample."""

    drums: Audio
    rest: Audio

    def mixed(self, drums_db: float) -> Audio:
        """The recording with its drums turned up or down."""
        gain = np.float32(10 ** (drums_db / 20))
        return Audio(self.rest.samples + gain * self.drums.samples, self.rest.sample_rate)


def split_drums(audio: Audio, strokes: Iterable[Stroke] = (), progress: Progress | None = None) -> Balance:
    """Take a recording apart into drums and the rest.

    Parameters
    ----------
    audio : Audio
    strokes : Stroke
        What the drums play (of a draft or chart).  Without any, only the shape
        of the spectrum tells, and less is told apart.
    progress : Progress, optional

    Notes
    -----
    This is a change of balance for playing along or listening, no clean
    separation: with drums 12 dB down they can still be heard.
    """
    tell = progress or silent
    x, rate = audio.samples, audio.sample_rate
    strokes = sorted(strokes)
    frames = 1 + (len(x) + FRAME) // STEP
    window = hann(FRAME)
    # Frame 0 ends where the recording begins.
    drums = np.zeros((len(x) + 3 * FRAME + STEP, x.shape[1]), np.float32)
    weight = np.zeros(len(drums), np.float32)
    for first in range(0, frames, PIECE_FRAMES):
        tell(first / frames, "Taking the drums apart from the band")
        low, high = max(0, first - MARGIN_FRAMES), min(frames, first + PIECE_FRAMES + MARGIN_FRAMES)
        # (channels, frames, bins)
        mixed = spectra(x.T, range(low * STEP - FRAME, high * STEP - FRAME, STEP), window).astype(np.complex64)
        level = np.sqrt((np.abs(mixed) ** 2).mean(axis=0))
        here = [(_frame_of(s.time_s, rate) - low, s) for s in strokes]
        here = [(k, s) for k, s in here if -MARGIN_FRAMES <= k < high - low]
        mask = _known_mask(level, here, rate) if strokes else _shape_mask(level)
        keep = slice(first - low, min(first + PIECE_FRAMES, frames) - low)
        pieces = np.fft.irfft(mixed[:, keep] * mask[keep], FRAME, axis=2) * window
        for k, frame in enumerate(range(first, first + pieces.shape[1])):
            span = slice(frame * STEP, frame * STEP + FRAME)
            drums[span] += pieces[:, k].T
            weight[span] += window**2
    drums = drums[FRAME : FRAME + len(x)]
    drums /= np.maximum(weight[FRAME : FRAME + len(x), None], 1e-3)
    tell(1.0, "Taking the drums apart from the band")
    return Balance(Audio(drums, rate), Audio(x - drums, rate))


def _frame_of(time_s: float, rate: int) -> int:
    """The frame whose middle is nearest to a moment."""
    return round((time_s * rate + FRAME / 2) / STEP)


def _shape_mask(level: np.ndarray) -> np.ndarray:
    """Share of each cell that stands across frequencies, (frames, bins)."""
    along = median_filter(level, size=(ALONG, 1)) ** 2
    across = median_filter(level, size=(1, ACROSS)) ** 2
    return across / (across + along + 1e-20)


def _known_mask(level: np.ndarray, strokes: Sequence[tuple[int, Stroke]], rate: int) -> np.ndarray:
    """Share of each cell that the known strokes explain, (frames, bins)."""
    if not strokes or not level.any():
        return np.zeros_like(level)
    target = level.astype(np.float32) + np.float32(1e-6 * level.max())
    sounds, when = _drum_sounds(target, strokes, rate)
    drums = len(sounds)
    rng = np.random.default_rng(0)
    band = rng.random((BAND_SOUNDS, target.shape[1])).astype(np.float32) * target.mean(axis=0)
    moving = (rng.random((len(target), BAND_SOUNDS)) + 0.5).astype(np.float32)
    moving = uniform_filter1d(moving, 2 * SLOWNESS + 1, axis=0) * target.sum(axis=1).mean() / BAND_SOUNDS
    sounds = np.vstack([sounds, band / band.sum(axis=1, keepdims=True)])
    when = np.hstack([when, moving])
    tiny = np.float32(1e-9)
    for _ in range(MASK_ROUNDS):
        ratio = target / (when @ sounds + tiny)
        when *= (ratio @ sounds.T) / (sounds.sum(axis=1) + tiny)
        when[:, drums:] = uniform_filter1d(when[:, drums:], SLOWNESS, axis=0)
        ratio = target / (when @ sounds + tiny)
        sounds *= (when.T @ ratio) / (when.sum(axis=0)[:, None] + tiny)
        size = sounds.sum(axis=1, keepdims=True) + tiny
        sounds /= size
        when *= size.T
    # Wiener-like shares; the exponent lies between amplitudes (1) and powers (2).
    ours = (when[:, :drums] @ sounds[:drums]) ** 1.5
    others = (when[:, drums:] @ sounds[drums:]) ** 1.5
    return ours / (ours + others + 1e-20)


def _drum_sounds(target: np.ndarray, strokes: Sequence[tuple[int, Stroke]], rate: int) -> tuple[np.ndarray, np.ndarray]:
    """Two spectra for each instrument (attack, ring) and when they may sound."""
    frames, bins = target.shape
    bins_hz = np.fft.rfftfreq(FRAME, 1 / rate)
    loudness = target.sum(axis=1).mean()
    sounds, when = [], []
    for name in sorted({s.instrument for _, s in strokes}):
        low, high, decay_s = _REACH[instrument(name).family]
        decay_s = _LONGER.get(name, decay_s)
        ring, attack = np.zeros(frames, np.float32), np.zeros(frames, np.float32)
        added = []
        count = int(3 * decay_s * rate / STEP) + 4
        since_s = np.maximum(np.arange(count) - 2, 0) * STEP / rate
        for k, stroke in strokes:
            if stroke.instrument != name:
                continue
            first, last = max(0, k - 2), min(frames, k - 2 + count)
            if first < last:
                shape = np.exp(-since_s / decay_s) * stroke.velocity / 100
                ring[first:last] = np.maximum(ring[first:last], shape[first - k + 2 : last - k + 2])
            attack[max(0, k - 2) : max(0, k + 3)] = 1
            if 6 <= k < frames - 1:
                added.append(np.maximum(target[k : k + 2].mean(axis=0) - target[k - 5 : k - 2].mean(axis=0), 0))
        spectrum = np.median(added, axis=0) if added else np.ones(bins)
        inside = 1 / (1 + (low / np.maximum(bins_hz, 1)) ** 4) / (1 + (bins_hz / high) ** 4)
        spectrum = (spectrum + 1e-4 * spectrum.max() + 1e-9) * inside + 1e-9
        spectrum = (spectrum / spectrum.sum()).astype(np.float32)
        sounds += [spectrum, spectrum.copy()]
        when += [attack * loudness, ring * loudness]
    return np.array(sounds, np.float32), np.array(when, np.float32).T.copy()
