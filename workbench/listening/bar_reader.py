"""Which reading of a song's bars is right, read from its mean bar.

The measures of :mod:`workbench.listening.chooser` were thought out; the reader looks at the music itself: what is
struck at each twelfth of each beat of a reading's mean bar, what comes again a bar later, where beats and downbeats
are heard, where harmony changes.  One layer reads beat by beat, one each beat with its neighbours, round the bar; the
whole bar, its first, second, middle and last beat, and the chooser's measures say how the reading is rated.  Learnt
by :mod:`workbench.training.bar_reading`; what it says is pooled with what the chooser says.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import NamedTuple

import numpy as np
from scipy.ndimage import maximum_filter1d
from scipy.special import softmax

from workbench.listening.bar_correction import correction
from workbench.listening.bars import PARTS_PER_BEAT, ROLES
from workbench.listening.chooser import Candidate, Heard, chooser, decided_by, measure
from workbench.listening.song_pulse import song_pulse

#: Values told of each beat of a mean bar: strokes by part and role; likelihoods of beat and downbeat by part, changes
#: of harmony on the beat and half a beat later, of bass and of chords, lone crashes; and strokes that come again.
BEAT_VALUES = 2 * PARTS_PER_BEAT * len(ROLES) + 2 * PARTS_PER_BEAT + 5


class MeanBars(NamedTuple):
    """Mean bars of readings: values of all their beats, (beats, :data:`BEAT_VALUES`), and so many beats of each."""

    values: np.ndarray
    counts: np.ndarray


def mean_bars(heard: Heard, found: Sequence[Candidate]) -> MeanBars:
    """What the reader looks at; bars that change their meter count as those of most bars, one after the other."""
    near = [maximum_filter1d(getattr(heard.activations, name), 3) for name in ("beat", "downbeat")]
    grids: dict[int, _GridBars] = {}
    bars = []
    for candidate in found:
        key = id(candidate.evidence)
        if key not in grids:
            grids[key] = _GridBars(heard, near, candidate)
        bars.append(grids[key].mean(candidate.meter.counted_beats, candidate.path.starts[0]))
    return MeanBars(np.concatenate(bars).astype(np.float32), np.array([len(b) for b in bars]))


class _GridBars:
    """What is told of each beat of a grid."""

    def __init__(self, heard: Heard, near: Sequence[np.ndarray], candidate: Candidate) -> None:
        beats, evidence = candidate.grid.beats_s, candidate.evidence
        n, gaps = len(beats), np.append(np.diff(beats), beats[-1] - beats[-2])
        at = beats[:, None] + gaps[:, None] * np.arange(PARTS_PER_BEAT) / PARTS_PER_BEAT
        at = np.clip(np.round(at * heard.activations.frame_rate_hz).astype(int), 0, len(near[0]) - 1)
        later, bass, chords = np.zeros((3, n))
        if heard.harmony is not None:
            later = np.clip(heard.harmony.changes_at(beats + gaps / 2), -2.0, 2.0)
            _, bass, chords = heard.harmony.over(beats)
        self.struck = evidence.counts.reshape(n, -1)
        of_beat = evidence.harmony, later, bass, chords, evidence.crashes
        self.told = np.column_stack([self.struck, *(one[at] for one in near), *of_beat])
        self._again: dict[int, np.ndarray] = {}

    def again(self, beats: int) -> np.ndarray:
        """Strokes that come again after so many beats, by where they do."""
        if beats not in self._again:
            self._again[beats] = np.zeros_like(self.struck)
            self._again[beats][beats:] = self.struck[beats:] * self.struck[:-beats]
        return self._again[beats]

    def mean(self, beats: int, first: int) -> np.ndarray:
        """The mean of bars of so many beats, one of which opens at beat *first*, (beats, values)."""
        at = ((np.arange(len(self.told)) - first) % beats == np.arange(beats)[:, None]).astype(np.float32)
        of_all, of_later = (np.maximum(a.sum(axis=1, keepdims=True), 1.0) for a in (at, at[:, beats:]))
        return np.concatenate([at @ self.told / of_all, at @ self.again(beats) / of_later], axis=1)


class Places(NamedTuple):
    """Rows of :class:`MeanBars`: of each beat, the reading it belongs to and the beats before and after it in the bar;
    of each reading, its first, second and last beat and those in the middle (one twice if there is one)."""

    reading: np.ndarray
    before: np.ndarray
    after: np.ndarray
    first: np.ndarray
    second: np.ndarray
    middles: tuple[np.ndarray, np.ndarray]
    last: np.ndarray


def places(counts: np.ndarray) -> Places:
    """Where bars of so many beats begin, and what lies beside what."""
    first = np.cumsum(counts) - counts
    reading = np.repeat(np.arange(len(counts)), counts)
    begin, beats = first[reading], counts[reading]
    at = np.arange(len(reading)) - begin
    middles = first + counts // 2, first + (counts + 1) // 2 % counts
    return Places(
        reading,
        begin + (at - 1) % beats,
        begin + (at + 1) % beats,
        first,
        first + 1 % counts,
        middles,
        first + counts - 1,
    )


@dataclass(frozen=True)
class ReaderNetwork:
    """A rating of readings by their mean bars and measures.

    Attributes
    ----------
    bar_mean, bar_scale : ndarray (values,)
    mean, scale, linear : ndarray (measures,)
    beat, beat_bias, around, around_bias, whole, whole_bias, out : ndarray
        Weights (inputs, units) and bias of the layers of a beat, of it with its neighbours, and of all.
    """

    bar_mean: np.ndarray
    bar_scale: np.ndarray
    mean: np.ndarray
    scale: np.ndarray
    linear: np.ndarray
    beat: np.ndarray
    beat_bias: np.ndarray
    around: np.ndarray
    around_bias: np.ndarray
    whole: np.ndarray
    whole_bias: np.ndarray
    out: np.ndarray

    def scores(self, bars: MeanBars, measures: np.ndarray) -> np.ndarray:
        """How each reading is rated, (readings,), natural log but for a constant."""
        at = places(bars.counts)
        values = np.clip((bars.values - self.bar_mean) / self.bar_scale, -FARTHEST_BAR, FARTHEST_BAR)
        beat = np.maximum(values @ self.beat + self.beat_bias, 0.0)
        around = np.hstack([beat[at.before], beat, beat[at.after]]) @ self.around + self.around_bias
        both = np.hstack([beat, np.maximum(around, 0.0)])
        mean = np.add.reduceat(both, at.first) / bars.counts[:, None]
        middle = np.maximum(*(both[m] for m in at.middles))
        seen = [both[at.first], both[at.second], middle, both[at.last]]
        scaled = np.clip((measures - self.mean) / self.scale, -FARTHEST, FARTHEST)
        whole = np.hstack([mean, *(s - mean for s in seen), scaled]) @ self.whole + self.whole_bias
        return np.maximum(whole, 0.0) @ self.out + scaled @ self.linear


#: Scaled values of a beat, and scaled measures, are no farther from 0 than this.
FARTHEST_BAR, FARTHEST = 5.0, 4.0


def read_networks(data: Sequence[dict]) -> tuple[ReaderNetwork, ...]:
    """Networks from plain numbers, as :mod:`workbench.training.bar_reading` writes them."""
    return tuple(ReaderNetwork(**{k: np.array(v, dtype=np.float32) for k, v in one.items()}) for one in data)


@cache
def reader() -> tuple[ReaderNetwork, ...]:
    """The networks that are shipped; the mean of their scores counts."""
    return read_networks(json.loads(resources.files("workbench.listening").joinpath("bar_reader.json").read_text()))


def pooled(heard: Heard, found: Sequence[Candidate], measures: np.ndarray) -> np.ndarray:
    """The mean of the chooser's opinion and the reader's, (readings,), sum 1.

    Which reading in 4/4, or in 3/4 and 6/8, it is, the chooser alone says: one of its networks knows players best.
    """
    by_chooser = chooser().probabilities(measures)
    bars = mean_bars(heard, found)
    read = np.mean([network.scores(bars, measures) for network in reader()], axis=0)
    return np.asarray((by_chooser + softmax(decided_by(np.log(by_chooser + 1e-12), read, measures))) / 2)


def likelihood(heard: Heard, found: Sequence[Candidate]) -> np.ndarray:
    """How likely each reading is the right one, (readings,), sum 1: what chooser and reader say together, corrected by
    what finished music teaches, weighed by how it agrees with the pulse of the whole song."""
    measures = measure(heard, found)
    return song_pulse().weigh(correction().corrected(pooled(heard, found, measures), measures), heard, found)
