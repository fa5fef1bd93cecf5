"""The drums of a mixed recording pushed back or brought out.

Two kinds of evidence say what in the spectrum belongs to the drums.  Sound
that stands across frequencies rather than along time is percussive (median
filters over time and frequency: D. FitzGerald, *Harmonic/percussive separation
using median filtering*, DAFx 2010).  And where the strokes are known, what they
add to the spectrum of the moment before is theirs, for as long as such an
instrument rings.  The parts always add up to the recording again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from scipy import signal
from scipy.ndimage import median_filter

from workbench.audio import Audio
from workbench.drumkit import instrument
from workbench.events import Stroke
from workbench.progress import Progress, silent

WINDOW, HOP = 2048, 512
#: Frames of the median over time, bins of the median over frequency.
ALONG, ACROSS = 19, 25
#: Work is done in pieces of this many frames.
PIECE_FRAMES = 2600

#: Lowest and highest frequency at which instruments ring, and the time in which
#: they fall to 1/e, hertz and seconds (rough values of the trade, no source).
_REACH: dict[str, tuple[float, float, float]] = {
    "kick": (30, 6000, 0.11), "snare": (120, 14000, 0.11), "tom": (60, 5000, 0.22),
    "hi-hat": (2500, 22050, 0.07), "cymbal": (1200, 22050, 0.6), "percussion": (400, 16000, 0.08),
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
        of the spectrum tells.
    progress : Progress, optional

    Notes
    -----
    This is a change of balance for playing along or listening, no clean
    separation: with drums 12 dB down they can still be heard.
    """
    tell = progress or silent
    x, rate = audio.samples, audio.sample_rate
    strokes = sorted(strokes)
    frames = 1 + (len(x) + WINDOW) // HOP
    window = signal.windows.hann(WINDOW, sym=False)
    padded = np.pad(x, ((WINDOW, 2 * WINDOW + HOP), (0, 0)))
    drums = np.zeros(padded.shape, np.float32)
    weight = np.zeros(len(padded), np.float32)
    likely = _likelihood_of(strokes, rate)
    margin = 24
    for first in range(0, frames, PIECE_FRAMES):
        tell(first / frames, "Taking the drums apart from the band")
        low, high = max(0, first - margin), min(frames, first + PIECE_FRAMES + margin)
        at = np.arange(low, high)[:, None] * HOP + np.arange(WINDOW)
        # (channels, frames, bins)
        spectra = np.fft.rfft(padded[at].transpose(2, 0, 1) * window, axis=2).astype(np.complex64)
        level = np.sqrt((np.abs(spectra) ** 2).mean(axis=0))
        mask = _drum_mask(level, low, rate, likely, strokes)
        keep = slice(first - low, min(first + PIECE_FRAMES, frames) - low)
        pieces = np.fft.irfft(spectra[:, keep] * mask[keep], WINDOW, axis=2) * window
        for k, frame in enumerate(range(first, first + pieces.shape[1])):
            span = slice(frame * HOP, frame * HOP + WINDOW)
            drums[span] += pieces[:, k].T
            weight[span] += window ** 2
    drums = drums[WINDOW:WINDOW + len(x)] / np.maximum(weight[WINDOW:WINDOW + len(x), None], 1e-3)
    drums = drums.astype(np.float32)
    tell(1.0, "Taking the drums apart from the band")
    return Balance(Audio(drums, rate), Audio(x - drums, rate))


def _frame_of(time_s: float, rate: int) -> int:
    """The frame whose middle is nearest to a moment."""
    return round((time_s * rate + WINDOW / 2) / HOP)


def _likelihood_of(strokes: list[Stroke], rate: int) -> Callable[[int, int], np.ndarray] | None:
    """How much a known stroke may sound, as a function of frames → (frames, bins)."""
    if not strokes:
        return None
    bins_hz = np.fft.rfftfreq(WINDOW, 1 / rate)
    shapes = {}
    for name in {s.instrument for s in strokes}:
        low, high, decay_s = _REACH[instrument(name).family]
        decay_s = _LONGER.get(name, decay_s)
        band = 1 / (1 + (low / np.maximum(bins_hz, 1)) ** 4) / (1 + (bins_hz / high) ** 4)
        shapes[name] = (band, decay_s)

    def likely(first: int, last: int) -> np.ndarray:
        out = np.zeros((last - first, len(bins_hz)), np.float32)
        for s in strokes:
            band, decay_s = shapes[s.instrument]
            start = _frame_of(s.time_s, rate) - 2
            count = int(3 * decay_s * rate / HOP) + 4
            a, b = max(start, first), min(start + count, last)
            if a >= b:
                continue
            since_s = np.maximum(np.arange(a, b) - start - 2, 0) * HOP / rate
            ring = np.exp(-since_s / decay_s)[:, None] * band
            np.maximum(out[a - first:b - first], ring, out=out[a - first:b - first])
        return out
    return likely


def _drum_mask(level: np.ndarray, first: int, rate: int, likely, strokes: list[Stroke]) -> np.ndarray:
    along = median_filter(level, size=(ALONG, 1))
    across = median_filter(level, size=(1, ACROSS))
    mask = across ** 2 / (across ** 2 + along ** 2 + 1e-20)
    if likely is None:
        return mask
    near = likely(first, first + len(level))
    # What a stroke adds to the level just before it.
    before = np.zeros_like(level)
    marks = sorted({_frame_of(s.time_s, rate) - first for s in strokes})
    marks = [m for m in marks if 4 <= m < len(level)]
    for m, following in zip(marks, [*marks[1:], len(level)]):
        earlier = np.median(level[max(0, m - 6):m - 2], axis=0) if m >= 6 else level[m - 3]
        if m >= 6 and m - 2 >= 0 and before[m - 3].any():
            # In the ring of the stroke before, the band is what lay under that one.
            earlier = np.minimum(earlier, np.maximum(before[m - 3], along[m - 3]))
        before[m - 2:following] = earlier
    added = np.maximum(level ** 2 - before ** 2, 0) / (level ** 2 + 1e-20)
    added[~before.any(axis=1)] = 1.0
    return np.clip(np.maximum(mask, added * near) * np.minimum(1, 0.15 + 1.4 * near), 0, 1)
