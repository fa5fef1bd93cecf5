"""Bars as vectors of strokes: what repeats, who keeps time, what is alike.

Every counted beat becomes :data:`TICKS` slots for each *voice* (instruments
that stand for one another in a groove share one).  Likeness of two stretches
is a weighted Jaccard index, 0–1: shared strokes over all strokes, a backbeat
counting more than a hi-hat, a ghost note less than a stroke.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.drumkit import TIMEKEEPERS
from workbench.chart.ghosts import ghost_limit, is_ghost
from workbench.chart.meter import Meter
from workbench.grouping import grouped

# Numbers whose origin is not named: chosen by trial, no source.
#: Slots a beat is divided in: sixteenths, triplets and sextuplets fall on slots.
TICKS = 12

#: Voices and their weight.  "snare" is every snare stroke, "backbeat" only full ones.
VOICES: tuple[tuple[str, float], ...] = (
    ("kick", 1.0),
    ("snare", 0.35),
    ("backbeat", 0.85),
    ("hi-hat", 0.35),
    ("open hi-hat", 0.3),
    ("pedal hi-hat", 0.3),
    ("ride", 0.45),
    ("crash", 0.6),
    ("high tom", 0.9),
    ("mid tom", 0.9),
    ("floor tom", 0.9),
    ("percussion", 0.4),
)
_COLUMN = {name: k for k, (name, _) in enumerate(VOICES)}
WEIGHTS = np.array([w for _, w in VOICES])

_VOICES_OF: dict[str, tuple[str, ...]] = {
    "closed hi-hat": ("hi-hat",),
    "open hi-hat": ("hi-hat", "open hi-hat"),
    "ride bell": ("ride",),
    "second crash": ("crash",),
    "splash": ("crash",),
    "china": ("crash",),
}


def voices_of(note: Note, limit: float = 0.0) -> tuple[str, ...]:
    """Voices a note fills; ``limit`` as from :func:`~workbench.chart.ghosts.ghost_limit`."""
    if note.instrument in ("snare", "side stick"):
        return ("snare",) if is_ghost(note, limit) else ("snare", "backbeat")
    own = note.instrument if note.instrument in _COLUMN else "percussion"
    return _VOICES_OF.get(note.instrument, (own,))


@dataclass(frozen=True)
class Patterns:
    """The strokes of a chart beat by beat.

    Attributes
    ----------
    chart : Chart
    beats : ndarray (beats, voices, TICKS), float32, 0 or 1
    first_beat : ndarray (bars + 1,), int
        Index of each bar's first beat; the last entry is the number of beats.
    """

    chart: Chart
    beats: np.ndarray
    first_beat: np.ndarray

    @classmethod
    def of(cls, chart: Chart) -> Patterns:
        """The patterns of a chart."""
        spans = [bar.beat_spans() for bar in chart.time_map.bars]
        first = np.concatenate([[0], np.cumsum([len(s) for s in spans])]).astype(int)
        limit = ghost_limit(chart)
        beats = np.zeros((first[-1], len(VOICES), TICKS), np.float32)
        for k, written in enumerate(chart.bars):
            bar = chart.time_map.bars[k]
            length = float(bar.meter.beat_length)
            # A beat cut short by a pick-up keeps its strokes at the beat's end.
            starts = [float(s + n) - length for s, n in spans[k]]
            begins = [float(s) for s, _ in spans[k]]
            for note in written.notes:
                at = float(note.position) + 1e-9
                b = bisect_right(begins, at) - 1
                tick = min(int((at - starts[b]) / length * TICKS + 0.5), TICKS - 1)
                for voice in voices_of(note, limit):
                    beats[first[k] + b, _COLUMN[voice], tick] = 1.0
        return cls(chart, beats, first)

    @cached_property
    def sounding(self) -> np.ndarray:
        """Which bars have notes: (bars,), bool."""
        return np.array([bool(b.notes) for b in self.chart.bars])

    @cached_property
    def sounding_by_meter(self) -> dict[Meter, np.ndarray]:
        """Indices of the whole bars that have notes, by their meter."""
        whole = ((bar.meter, k) for k, bar in enumerate(self.chart.time_map.bars) if not bar.is_pickup)
        kinds = grouped((meter, k) for meter, k in whole if self.sounding[k])
        return {meter: np.array(members) for meter, members in kinds.items()}

    @cached_property
    def vectors(self) -> np.ndarray:
        """Bars as vectors, (bars, features), 0 or 1; short bars end-aligned
        where they are pick-ups, begin-aligned otherwise."""
        counts = np.diff(self.first_beat)
        widest = int(counts.max())
        out = np.zeros((len(counts), widest, len(VOICES), TICKS), np.float32)
        for k, count in enumerate(counts):
            part = self.beats[self.first_beat[k] : self.first_beat[k + 1]]
            offset = 0
            if self.chart.time_map.bars[k].is_pickup:
                offset = max(self.chart.time_map.bars[k].meter.counted_beats - count, 0)
                offset = min(offset, widest - count)
            out[k, offset : offset + count] = part
        return out.reshape(len(counts), -1)

    @cached_property
    def weights(self) -> np.ndarray:
        """Weight of each feature of :attr:`vectors`."""
        repeat = self.vectors.shape[1] // (len(VOICES) * TICKS)
        return np.tile(np.repeat(WEIGHTS, TICKS), repeat).astype(np.float32)

    @cached_property
    def likeness(self) -> np.ndarray:
        """Likeness of every two bars, (bars, bars), 0–1; 1 for two empty bars."""
        return likeness(self.vectors, self.weights)

    @cached_property
    def pulse_likeness(self) -> np.ndarray:
        """Likeness of kick and full snare strokes alone, (bars, bars), 0–1."""
        pulse = [float(name in ("kick", "backbeat")) for name, _ in VOICES]
        repeat = self.vectors.shape[1] // (len(VOICES) * TICKS)
        return likeness(self.vectors, self.weights * np.tile(np.repeat(pulse, TICKS), repeat))

    @cached_property
    def timekeepers(self) -> tuple[str | None, ...]:
        """What the hands keep time on in each bar: 'hi-hat', 'ride', 'crash',
        'toms', 'percussion', 'snare', or None."""
        out: list[str | None] = []
        for written, timed in zip(self.chart.bars, self.chart.time_map.bars):
            counts = Counter(TIMEKEEPERS[n.instrument] for n in written.notes if n.instrument in TIMEKEEPERS)
            snares = sum(n.instrument in ("snare", "side stick") for n in written.notes)
            enough = max(len(timed.beat_spans()) - 1, 2)
            often = [name for name, n in counts.most_common(1) if n >= enough]
            out.append(often[0] if often else "snare" if snares >= 1.5 * enough + 1 else None)
        return tuple(out)

    def crash_opens(self, bar_index: int) -> bool:
        """Whether a crash opens a bar."""
        return crash_opens(self.chart.bars[bar_index])


def crash_opens(written: WrittenBar) -> bool:
    """Whether a crash falls on the bar line."""
    return bool(opening_crashes(written))


def opening_crashes(written: WrittenBar) -> list[Note]:
    """The crashes on a bar line."""
    return [n for n in written.notes if n.position == 0 and TIMEKEEPERS.get(n.instrument) == "crash"]


def written_times_s(chart: Chart) -> list[float]:
    """Written time of every note in seconds, in the order of ``chart.notes()``."""
    starts = [float(s) for s in chart.time_map.starts]
    places = [starts[k] + float(n.position) for k, n in chart.notes()]
    return chart.time_map.seconds_at(np.array(places, float)).tolist()


def busiest_per_s(times_s: Sequence[float]) -> float:
    """Strokes a second in the busiest moment: three strokes on end; 0 of fewer.

    Examples
    --------
    >>> busiest_per_s([0.0, 0.5, 0.6, 0.7])
    10.0
    """
    times = sorted(set(times_s))
    return max((round(2 / (third - first), 6) for first, third in zip(times, times[2:])), default=0.0)


def likeness(vectors: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Weighted Jaccard index of every two rows of 0/1 vectors, (n, n)."""
    shared = (vectors * weights) @ vectors.T
    size = np.diagonal(shared)
    union = size[:, None] + size[None, :] - shared
    return np.where(union > 1e-6, shared / np.maximum(union, 1e-6), 1.0)
