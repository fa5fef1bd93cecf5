"""Beats where a player puts them: a tempo map that follows the strokes, as bars tracked in a recording do.

A player lies ahead of the click or behind it and drifts: that belongs to the beats, not to each note.  The
distance of every beat from the given one is found from all strokes around it, as the maximum a posteriori path of
a random walk (Whittaker's smoother, *On a new method of graduation*, Proceedings of the Edinburgh Mathematical
Society 41, 1923), strokes far off counting less (P. J. Huber, *Robust estimation of a location parameter*,
Annals of Mathematical Statistics 35, 1964).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.linalg import solveh_banded

from workbench.chart.chart import WrittenBar
from workbench.chart.meter import TimeMap

#: How stiff the beats are: variance of one stroke about its place over that of the drift from a beat to the next.
#: Of 0.1, 0.3, 1, 3 and 10 it best foretold notes that were left out, in 14 performances of Groove MIDI's training
#: split (within 30 ms: 0.904, 0.918, 0.923, 0.919, 0.907).
STIFFNESS = 1.0
#: A stroke further from its place than this counts less, seconds.
FAR_S = 0.020
#: No beat becomes shorter than this part of what it was: strokes so far from their beats tell no tempo.
SHORTEST_SHARE = 0.5
_ROUNDS = 6


def swung_place(place: float, feel: str, ratio: float) -> float:
    """Where a place of the beat (0 to 1, both in parts of the beat) is played when the song swings so.

    Triplets and what is finer than sixteenths stay.

    Examples
    --------
    >>> [round(swung_place(p, "swing 8ths", 0.66), 2) for p in (0, 0.25, 0.5, 1 / 3)]
    [0.0, 0.33, 0.66, 0.33]
    """
    if (4 * place) % 1:
        return place
    if feel == "swing 8ths":
        return float(np.interp(place, (0.0, 0.5, 1.0), (0.0, ratio, 1.0)))
    if feel == "swing 16ths":
        return float(np.interp(place, (0.0, 0.25, 0.5, 0.75, 1.0), (0.0, ratio / 2, 0.5, 0.5 + ratio / 2, 1.0)))
    return place


def beats_as_played(
    time_map: TimeMap, bars: Sequence[WrittenBar], feel: str = "straight", ratio: float = 0.5
) -> TimeMap:
    """The same bars with their beats where the player puts them; the first bar line stays.

    Parameters
    ----------
    time_map : TimeMap
    bars : sequence of WrittenBar
        Written on it, notes with their deviations.
    feel, ratio
        How the song swings (see :class:`workbench.chart.quantizer.Quantized`).

    Examples
    --------
    >>> from fractions import Fraction
    >>> from workbench.chart import Note
    >>> late = WrittenBar(tuple(Note(Fraction(k, 4), "kick", deviation_s=0.02) for k in range(4)))
    >>> laid = beats_as_played(TimeMap.steady(4, 120), [late] * 4)
    >>> [round(t, 3) for t in laid.bars[2].beat_times_s]
    [4.02, 4.52, 5.02, 5.52]
    """
    at_s, off_s = [], []
    for k, (timed, bar) in enumerate(zip(time_map.bars, bars)):
        beat = timed.meter.beat_length
        beat_s = 60.0 / time_map.tempo_bpm(k)
        for n in bar.notes:
            place = float((n.position + timed.missing) % beat / beat)
            swing = 0.0 if timed.meter.is_compound else swung_place(place, feel, ratio) - place
            at_s.append(time_map.seconds(k, n.position))
            off_s.append(n.deviation_s - swing * beat_s)
    if not at_s:
        return time_map
    anchors_s = time_map.anchor_times_s
    moved_s = anchors_s + _drift_s(anchors_s, np.array(at_s), np.array(off_s))
    moved_s[0] = anchors_s[0]
    if (np.diff(moved_s) < SHORTEST_SHARE * np.diff(anchors_s)).any():
        return time_map
    times_s = iter(moved_s)
    laid = [replace(bar, beat_times_s=tuple(float(next(times_s)) for _ in bar.beat_times_s)) for bar in time_map.bars]
    return TimeMap(laid, float(next(times_s)))


def _drift_s(anchors_s: np.ndarray, at_s: np.ndarray, off_s: np.ndarray) -> np.ndarray:
    """How far each beat lies from the given one, (beats + 1,), seconds, by strokes so far off their places."""
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
