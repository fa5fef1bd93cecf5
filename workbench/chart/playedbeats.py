"""Beats where a player puts them: a tempo map that follows the strokes, as bars tracked in a recording do.

A player lies ahead of the click or behind it and drifts: that belongs to the beats, not to each note.  Some limbs
always lie behind the others, and the off-beats where a song swings: that is the player's pocket
(:mod:`workbench.chart.pocket`).  The distance of every beat from the given one is found from all strokes around it, as
the maximum a posteriori path of a random walk (Whittaker's smoother, *On a new method of graduation*, Proceedings of
the Edinburgh Mathematical Society 41, 1923), strokes far off counting less (P. J. Huber, *Robust estimation of a
location parameter*, Annals of Mathematical Statistics 35, 1964); beats and pocket in turn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from workbench.chart.chart import WrittenBar
from workbench.chart.meter import TimeMap
from workbench.chart.pocket import LONGEST_LAG_S, Lag, Pocket, swung_place, usual_lags_s

#: How stiff the beats are: variance of one stroke about its place over that of the drift from a beat to the next;
STIFFNESS = 0.7
#: and how many strokes of an instrument on a part of the beat weigh as much as the belief that they have no lag.
#: Of 0.3 to 2 and 2 to 8 these are among those that best foretold notes left out by eights, in 30 performances of
#: Groove MIDI's training split (within 30 ms: 0.9523; 0.3 and 4: 0.9517; 1 and 4: 0.9521; 0.7 and 2: 0.9526).
LAG_DOUBT = 4
#: A stroke further from its place than this counts less, seconds.
FAR_S = 0.020
#: No beat becomes shorter than this part of what it was: strokes so far from their beats tell no tempo.
SHORTEST_SHARE = 0.5
#: Ratios among which that of a swung song is looked for.
_RATIOS = np.arange(0.5, 0.76, 0.005)
_ROUNDS = 6
_TURNS = 4


@dataclass(frozen=True)
class _Strokes:
    """Written notes as they were played, an entry each.

    ``at_s`` and ``off_s``: when the beats have them, and how much later they came; ``swing_s``: how much later a ratio
    one higher has them; ``kinds``: their instrument and part of the beat, by number in ``names``.
    """

    at_s: np.ndarray
    off_s: np.ndarray
    swing_s: np.ndarray
    kinds: np.ndarray
    names: list[tuple[str, Fraction]]

    def pocket(self, off_s: np.ndarray, ratio: float) -> Pocket:
        """What is usual of strokes that lie so far off their beats in a song whose ratio is about this."""
        if self.swing_s.any():
            ratio = float(min(_RATIOS, key=lambda r: np.abs(off_s - (r - 0.5) * self.swing_s).sum()))
        lags_s = usual_lags_s(self.kinds, off_s - (ratio - 0.5) * self.swing_s, LAG_DOUBT)
        # The beats are where most strokes on the beat are: what all lag is no lag.
        on_beat = np.array([share == 0 for _, share in self.names])[self.kinds]
        lags_s -= np.median(lags_s[self.kinds][on_beat]) if on_beat.any() else 0.0
        lags_s = np.clip(lags_s, -LONGEST_LAG_S, LONGEST_LAG_S)
        return Pocket(ratio, tuple(Lag(*name, float(lag_s)) for name, lag_s in zip(self.names, lags_s)))

    def usual_s(self, pocket: Pocket) -> np.ndarray:
        """How much later than the beats each stroke usually comes."""
        lags_s = np.array([pocket.later_s(*name) for name in self.names])
        return (pocket.swing_ratio - 0.5) * self.swing_s + lags_s[self.kinds]


def _strokes_of(time_map: TimeMap, bars: Sequence[WrittenBar], feel: str) -> _Strokes:
    rows = []
    for k, (timed, bar) in enumerate(zip(time_map.bars, bars)):
        pair = float(timed.meter.swung_pair(feel))
        for n in bar.notes:
            share = timed.share_of_beat(n.position)
            swing = (swung_place(float(share), pair, 0.75) - float(share)) / 0.25
            rows.append((k, n, share, swing * 60.0 / time_map.tempo_bpm(k)))
    names = sorted({(n.instrument, share) for _, n, share, _ in rows})
    number = {name: k for k, name in enumerate(names)}
    return _Strokes(
        time_map.seconds_of([(k, n.position) for k, n, _, _ in rows]),
        np.array([n.deviation_s for _, n, _, _ in rows]),
        np.array([swing_s for _, _, _, swing_s in rows]),
        np.array([number[n.instrument, share] for _, n, share, _ in rows], int),
        names,
    )


def pocket_of(time_map: TimeMap, bars: Sequence[WrittenBar], feel: str = "straight", ratio: float = 0.5) -> Pocket:
    """The pocket of notes with their deviations from these beats."""
    strokes = _strokes_of(time_map, bars, feel)
    return strokes.pocket(strokes.off_s, ratio)


def beats_as_played(
    time_map: TimeMap, bars: Sequence[WrittenBar], feel: str = "straight", ratio: float = 0.5
) -> tuple[TimeMap, Pocket]:
    """The same bars with their beats where the player puts them, and the pocket; the first bar line stays.

    Parameters
    ----------
    time_map : TimeMap
    bars : sequence of WrittenBar
        Written on it, notes with their deviations.
    feel, ratio
        How the song swings (see :class:`workbench.chart.quantizer.Quantized`).

    Examples
    --------
    >>> from workbench.chart import Note
    >>> late = WrittenBar(tuple(Note(Fraction(k, 4), "kick", deviation_s=0.02) for k in range(4)))
    >>> laid, _ = beats_as_played(TimeMap.steady(4, 120), [late] * 4)
    >>> [round(t, 3) for t in laid.bars[2].beat_times_s]
    [4.02, 4.52, 5.02, 5.52]
    """
    strokes = _strokes_of(time_map, bars, feel)
    if not len(strokes.at_s):
        return time_map, Pocket(ratio)
    anchors_s = time_map.anchor_times_s
    pocket = Pocket(ratio)
    for _ in range(_TURNS):
        drift_s = _drift_s(anchors_s, strokes.at_s, strokes.off_s - strokes.usual_s(pocket))
        drift_s[0] = 0.0
        pocket = strokes.pocket(strokes.off_s - np.interp(strokes.at_s, anchors_s, drift_s), ratio)
    moved_s = anchors_s + drift_s
    if (np.diff(moved_s) < SHORTEST_SHARE * np.diff(anchors_s)).any():
        return time_map, pocket_of(time_map, bars, feel, ratio)
    times_s = iter(moved_s)
    laid = [replace(bar, beat_times_s=tuple(float(next(times_s)) for _ in bar.beat_times_s)) for bar in time_map.bars]
    return TimeMap(laid, float(next(times_s))), pocket


def _drift_s(anchors_s: np.ndarray, at_s: np.ndarray, off_s: np.ndarray) -> np.ndarray:
    """How far each beat lies from the given one, (beats + 1,), seconds, by strokes so far off their places."""
    from scipy.linalg import solveh_banded  # takes a fifth of a second, and most charts read were not played as MIDI

    beat = np.clip(np.searchsorted(anchors_s, at_s, side="right") - 1, 0, len(anchors_s) - 2)
    share = (at_s - anchors_s[beat]) / np.diff(anchors_s)[beat]
    count = len(anchors_s)
    drift = np.full(count, np.median(off_s))
    for _ in range(_ROUNDS):
        rest = np.abs(off_s - (1 - share) * drift[beat] - share * drift[beat + 1])
        weight = FAR_S / np.maximum(rest, FAR_S)
        bands = np.zeros((2, count))  # upper form: beside the diagonal, and the diagonal
        bands[0, 1:] = np.bincount(beat, weight * share * (1 - share), count)[:-1] - STIFFNESS
        bands[1] = _summed(beat, weight * (1 - share) ** 2, weight * share**2, count) + 2 * STIFFNESS
        bands[1, [0, -1]] -= STIFFNESS
        drift = solveh_banded(bands, _summed(beat, weight * (1 - share) * off_s, weight * share * off_s, count))
    return drift


def _summed(beat: np.ndarray, own: np.ndarray, after: np.ndarray, count: int) -> np.ndarray:
    """What strokes give to their beats and to those after them, added up for each beat."""
    return np.bincount(beat, own, count) + np.bincount(beat + 1, after, count)
