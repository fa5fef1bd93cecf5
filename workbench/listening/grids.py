"""Beats a song may have: the pulse as it is heard, and steady grids, each at several levels and off the beat.

A player with a click, or a machine, keeps one tempo and one phase for a whole
song; a pulse followed frame by frame may slip.  So grids of one tempo are laid
over the whole song, the best of them bent by what drift there is, and compete
with the pulse as a whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, uniform_filter1d

from workbench.chart.events import Stroke

#: Tempi of steady grids, beats a minute, and the step between them: over four minutes
#: the nearest is off by 40 ms at either end.
STEADY_BPM, TEMPO_STEP = (60.0, 190.0), 0.0006

#: So many steady grids are followed up.
STEADY_GRIDS = 6

#: Grids nearer in tempo than this ratio, or an octave of it, are the same.
SAME_GRID_TEMPO = 0.015

#: A steady beat follows the activations so far, seconds, smoothed over so many beats.
BEND_WITHIN_S, BEND_BEATS = 0.07, 16

#: A beat that is followed is drawn to a peak within so many seconds, and so much of a beat, by so much of the
#: distance, and the length of the next by so much.
FOLLOW_WITHIN_S, FOLLOW_WITHIN, FOLLOW_PLACE, FOLLOW_TEMPO = 0.08, 0.22, 0.5, 0.06

#: So many steady grids of the strokes themselves are followed.
STRUCK_GRIDS = 3

#: Two grids are one where this share of beats lies nearer than this, seconds.
SAME_GRID_SHARE, SAME_GRID_S = 0.9, 0.025
#: A pulse has slipped where more than this share of its beats lie farther than this from a steady grid's, of a beat.
SLIPPED_SHARE, SLIPPED_BEATS = 0.03, 0.1

#: Readings of a pulse: each of its beats is divided in ``parts`` and every
#: ``step``-th part, from any first one, is a beat of the reading.
LEVELS = ((1, 1), (2, 1), (2, 2), (1, 2), (3, 1), (3, 3), (1, 3), (3, 2), (2, 3), (3, 4), (4, 3), (4, 1))

#: A steady grid is read a quarter of a beat off, too: every fourth part from the second or the fourth.
QUARTERS = ((4, 4),)


@dataclass(frozen=True)
class Grid:
    """Beats of a whole song, seconds, and whether they were laid at one tempo."""

    beats_s: np.ndarray
    steady: bool = False

    @cached_property
    def tempo_bpm(self) -> float:
        """Median tempo, beats a minute."""
        return 60.0 / float(np.median(np.diff(self.beats_s)))

    @cached_property
    def log_tempo(self) -> float:
        """Natural logarithm of the tempo."""
        return float(np.log(self.tempo_bpm))


def distance_s(times_s: np.ndarray, sorted_s: np.ndarray) -> np.ndarray:
    """Distance of moments to the nearest of others in order, seconds; no table of all pairs: recordings last hours."""
    wide = np.concatenate([[-np.inf], sorted_s, [np.inf]])
    after = np.searchsorted(sorted_s, times_s) + 1
    return np.minimum(times_s - wide[after - 1], wide[after] - times_s)


def at_levels(beats_s: np.ndarray, levels: Sequence[tuple[int, int]] = LEVELS) -> list[np.ndarray]:
    """Readings of beats at other metrical levels, off-beats included."""
    index = np.arange(len(beats_s))
    out = []
    for parts, step in levels:
        finer = np.interp(np.arange((len(beats_s) - 1) * parts + 1) / parts, index, beats_s)
        out += [finer[first::step] for first in range(step) if parts != step or first or parts == 1]
    return [b for b in out if len(b) >= 3]


def steady_grids(likelihood: np.ndarray, frame_rate_hz: float, count: int = STEADY_GRIDS) -> list[np.ndarray]:
    """The grids of one tempo on which the beat activations are highest, in the mean of their logarithm."""
    log = np.log(np.clip(maximum_filter1d(likelihood, 3), 0.01, 1.0)).astype(np.float32)
    frames = len(log)
    periods = 60.0 * frame_rate_hz / np.exp(np.arange(np.log(STEADY_BPM[0]), np.log(STEADY_BPM[1]), TEMPO_STEP))
    periods = periods[periods < frames / 4]
    best = np.full(len(periods), -np.inf)
    phase = np.zeros(len(periods), dtype=int)
    widest = int(60.0 * frame_rate_hz / STEADY_BPM[0])
    stretches = np.lib.stride_tricks.sliding_window_view(np.pad(log, (0, widest)), widest)
    for k, period in enumerate(periods):
        width = int(period)
        starts = np.round(np.arange((frames - width) // period + 1) * period).astype(int)
        # Every phase at once: row by row, one beat's length of activations after the other.
        mean = stretches[starts, :width].mean(axis=0)
        phase[k] = int(mean.argmax())
        best[k] = mean[phase[k]]
    out: list[np.ndarray] = []
    octave = np.log2(periods)
    while len(out) < count and np.isfinite(best).any():
        k = int(best.argmax())
        out.append(np.arange(phase[k], frames, periods[k]) / frame_rate_hz)
        apart = octave - octave[k]
        best[np.abs(apart - np.round(apart)) < np.log2(1 + SAME_GRID_TEMPO)] = -np.inf
    return out


def follow(beats_s: np.ndarray, likelihood: np.ndarray, frame_rate_hz: float) -> np.ndarray:
    """Beats led by a steady grid's tempo from where it fits best, in both directions: each is drawn to the peak near
    where it is expected, and so is the tempo, so that a player may drift far."""
    period, frames = float(np.median(np.diff(beats_s))), len(likelihood)
    reach = max(int(min(FOLLOW_WITHIN_S, FOLLOW_WITHIN * period) * frame_rate_hz), 1)
    taper = np.exp(-0.5 * np.square(np.arange(-reach, reach + 1) / (0.7 * reach)))
    padded = np.pad(likelihood.astype(float), reach + 1)

    def drawn(time_s: float) -> tuple[float, float]:
        """How far off the peak near a moment is, and how high."""
        centre = int(round(time_s * frame_rate_hz))
        near = padded[centre + 1 : centre + 2 * reach + 2] * taper
        k = int(near.argmax())
        return (centre + k - reach) / frame_rate_hz - time_s, float(near[k])

    def led(time_s: float, way: int) -> list[float]:
        gap, out = period, []
        while 0 <= time_s + way * gap < frames / frame_rate_hz:
            time_s += way * gap
            off, height = drawn(time_s)
            time_s += FOLLOW_PLACE * height * off
            gap = float(np.clip(gap + way * FOLLOW_TEMPO * height * off, 0.85 * period, 1.18 * period))
            out.append(time_s)
        return out

    log = np.log(np.clip(maximum_filter1d(likelihood, 7), 0.01, 1.0))
    fits = uniform_filter1d(
        log[np.clip(np.round(beats_s * frame_rate_hz).astype(int), 0, frames - 1)], 12, mode="nearest"
    )
    first = float(beats_s[int(fits.argmax())])
    first = min(max(first + drawn(first)[0], 0.0), (frames - 1) / frame_rate_hz)
    beats = np.array([*led(first, -1)[::-1], first, *led(first, 1)])
    if len(beats) < 3:
        return beats_s
    even = np.concatenate([[0.0], np.cumsum(gaussian_filter1d(np.diff(beats), 1.5, mode="nearest"))])
    return even + np.mean(beats - even)


def of_strokes(strokes: Sequence[Stroke], frames: int, frame_rate_hz: float) -> np.ndarray:
    """How surely something is struck, frame by frame, (frames,), 0 to 1."""
    struck = np.zeros(frames)
    at = np.array([round(s.time_s * frame_rate_hz) for s in strokes], dtype=int)
    inside = (at >= 0) & (at < frames)
    np.maximum.at(struck, at[inside], np.array([s.confidence for s in strokes])[inside])
    return np.clip(2.5 * gaussian_filter1d(struck, 1.0), 0.0, 1.0)


def bend(beats_s: np.ndarray, likelihood: np.ndarray, frame_rate_hz: float) -> np.ndarray:
    """Steady beats, moved by the smooth drift of the activations about them."""
    reach = int(BEND_WITHIN_S * frame_rate_hz)
    centre = np.round(beats_s * frame_rate_hz).astype(int)
    around = np.clip(centre[:, None] + np.arange(-reach, reach + 1), 0, len(likelihood) - 1)
    near = likelihood[around]
    shift, weight = (near.argmax(axis=1) - reach) / frame_rate_hz, near.max(axis=1)
    smooth = gaussian_filter1d(weight * shift, BEND_BEATS / 4) / (gaussian_filter1d(weight, BEND_BEATS / 4) + 1e-9)
    return beats_s + smooth


def candidate_grids(
    pulse_s: np.ndarray,
    likelihood: np.ndarray,
    struck: np.ndarray,
    frame_rate_hz: float,
    slowest_bpm: float,
    fastest_bpm: float,
) -> list[Grid]:
    """All grids of a song between two tempi, the pulse's own first, each once.

    Parameters
    ----------
    pulse_s : ndarray (n,)
        The beats as they are followed from one to the next.
    likelihood, struck : ndarray (frames,)
        Of beats, and of strokes (:func:`of_strokes`).
    """
    grids = [Grid(b) for b in at_levels(pulse_s)]
    steady = steady_grids(likelihood, frame_rate_hz)
    laid = [bend(b, likelihood, frame_rate_hz) for b in steady]
    laid += [follow(b, likelihood, frame_rate_hz) for b in steady]
    laid += [follow(b, struck, frame_rate_hz) for b in steady_grids(struck, frame_rate_hz, STRUCK_GRIDS)]
    for beats in laid:
        grids += [Grid(b, steady=True) for b in at_levels(beats, LEVELS + QUARTERS)]
    out: list[Grid] = []
    for grid in grids:
        if not slowest_bpm <= grid.tempo_bpm <= fastest_bpm:
            continue
        known = next((k for k, other in enumerate(out) if _same(grid, other)), None)
        if known is None:
            out.append(grid)
        elif grid.steady and not out[known].steady and _slips(out[known], grid):
            out[known] = grid  # nobody plays so
    return out or grids[:1]


def _same(one: Grid, other: Grid) -> bool:
    if abs(one.log_tempo - other.log_tempo) > SAME_GRID_TEMPO:
        return False
    distance = _apart_s(one, other)
    # Counting, which is quicker, rules most of them out.
    if np.count_nonzero(distance < SAME_GRID_S) <= SAME_GRID_SHARE * (len(distance) - 1):
        return False
    return float(np.quantile(distance, SAME_GRID_SHARE)) < SAME_GRID_S


def _slips(pulse: Grid, steady: Grid) -> bool:
    """Whether a pulse leaves a steady grid that it is otherwise one with."""
    distance = _apart_s(pulse, steady)
    return bool(np.count_nonzero(distance > SLIPPED_BEATS * 60.0 / steady.tempo_bpm) > SLIPPED_SHARE * len(distance))


def _apart_s(one: Grid, other: Grid) -> np.ndarray:
    """How far each beat is from the other grid's nearest, seconds."""
    nearest = np.interp(one.beats_s, other.beats_s, np.arange(len(other.beats_s)))
    return np.abs(nearest - np.round(nearest)) * 60.0 / one.tempo_bpm
