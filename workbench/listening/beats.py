"""From activations to bars: the pulse, its level, the meter, the bar lines.

1. *Pulse*: the best sequence of beats under the detector's beat activations,
   a bar pointer that moves on frame by frame and may change its tempo only at
   a beat (N. Whiteley, A. T. Cemgil, S. Godsill, *Bayesian modelling of
   temporal structure in musical audio*, ISMIR 2006; state space of F. Krebs,
   S. Böck, G. Widmer, *An efficient state-space model for joint tempo and
   meter tracking*, ISMIR 2015).
2. *Readings*: the pulse and steady grids, their halves, doubles, thirds and off-beats
   (:mod:`workbench.listening.grids`) are laid in bars of every meter and phase
   (:mod:`workbench.listening.bars`); a small network tells how likely each is
   (:mod:`workbench.listening.chooser`).  The next best are kept for the user.
3. *Bar lines*: beats are moved onto the strokes that mark them.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike

from workbench.chart.events import Beat, Stroke
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.chart.rebarring import DRAWN_BEATS
from workbench.listening.bars import METERS, BarPath

#: Tempo range of counted beats that are considered, beats a minute.
SLOWEST_BPM, FASTEST_BPM = 38.0, 240.0

#: A change of the beat's length by the ratio r costs ``TEMPO_CHANGE_COST * |log r|``
#: (the exponential law of Krebs et al. 2015).
TEMPO_CHANGE_COST = 80.0

#: A beat shows in this part of the beat's length (Krebs et al. 2015 use 1/16).
BEAT_WIDTH = 16

#: Beats move onto strokes at most this far, seconds.
REFINE_WITHIN_S = 0.05


def track_pulse(
    likelihood: np.ndarray, frame_rate_hz: float, slowest_bpm: float = SLOWEST_BPM, fastest_bpm: float = FASTEST_BPM
) -> np.ndarray:
    """The best sequence of beats under a beat likelihood per frame.

    Parameters
    ----------
    likelihood : ndarray (frames,), 0–1
    frame_rate_hz : float

    Returns
    -------
    ndarray (n,)
        Beat times in seconds, increasing; empty if there is no room for two.
    """
    shortest = max(2, int(np.floor(60.0 * frame_rate_hz / fastest_bpm)))
    longest = int(np.ceil(60.0 * frame_rate_hz / slowest_bpm))
    lengths = np.unique(np.round(np.geomspace(shortest, longest, 90)).astype(int))
    n = len(likelihood)
    if n < 2 * longest:
        likelihood = np.pad(likelihood, (0, 2 * longest - n))
    b = np.clip(likelihood.astype(float), 0.01, 0.99)
    on, off = np.log(b), np.log1p(-b) - np.log(BEAT_WIDTH - 1)
    frames = len(b)
    total_off = np.concatenate([[0.0], np.cumsum(off)])
    log_lengths = np.log(lengths)
    change = -TEMPO_CHANGE_COST * np.abs(log_lengths[:, None] - log_lengths[None, :])

    column = np.arange(len(lengths))
    start_prior = np.array([METERS[Meter(4, 4)].log_tempo(60.0 * frame_rate_hz / k) for k in lengths])
    # enter[t % ring, k]: best path with a beat of lengths[k] that begins at frame t.
    ring = longest + shortest
    enter = np.full((ring, len(lengths)), -np.inf)
    came = np.full((frames, len(lengths)), -1, dtype=np.int8)
    # So many frames at once: no beat is shorter, so none of them depends on another.
    for first in range(0, frames, shortest):
        t = np.arange(first, min(first + shortest, frames))[:, None]
        begin = t - lengths
        # The beat's own frame counts as beat, all frames up to the next as none.
        arrive = enter[begin % ring, column] + on[begin] + total_off[t] - total_off[np.maximum(begin, -1) + 1]
        arrive[begin < 0] = -np.inf
        through = arrive[:, None, :] + change
        source = through.argmax(axis=2)
        value = np.take_along_axis(through, source[..., None], axis=2)[..., 0]
        fresh = start_prior + total_off[t]
        new = (t < longest) & (fresh > value)
        enter[t[:, 0] % ring] = np.where(new, fresh, value)
        came[t[:, 0]] = np.where(new, -1, source)
    # The last beat is the one after which the song ends within its length.
    late = np.arange(frames - longest, frames)
    ends = np.where(late[:, None] + lengths >= frames, enter[late % ring], -np.inf)
    last = int((ends.max(axis=1) + on[late] + total_off[frames] - total_off[late + 1]).argmax())
    at, k = int(late[last]), int(ends[last].argmax())
    beats = [at]
    while came[at, k] >= 0:
        k = int(came[at, k])
        at -= int(lengths[k])
        beats.append(at)
    times = np.array(beats[::-1])
    return times[times < n] / frame_rate_hz


def cover(beats_s: np.ndarray, begin_s: float, end_s: float) -> np.ndarray:
    """Beats that reach just over a span: too many are cut off, missing ones added
    at the tempo of the nearest."""
    first_gap, last_gap = beats_s[1] - beats_s[0], beats_s[-1] - beats_s[-2]
    before = max(0, int(np.ceil((beats_s[0] - begin_s) / first_gap - 0.15)))
    after = max(0, int(np.ceil((end_s - beats_s[-1]) / last_gap - 0.15)))
    whole = np.concatenate(
        [beats_s[0] - first_gap * np.arange(before, 0, -1), beats_s, beats_s[-1] + last_gap * np.arange(1, after + 1)]
    )
    first = max(0, int(np.searchsorted(whole, begin_s + 0.15 * first_gap, side="right")) - 1)
    last = int(np.searchsorted(whole, end_s - 0.15 * last_gap)) + 1
    kept = whole[first : max(last, first + 2)]
    return kept if len(kept) >= 2 else whole


def draw_to_lines(beats_s: np.ndarray, lines_s: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """Beats bent so that one lies on each line, and the indices of those.

    The bend is linear between lines and fades out beyond the outer ones.
    Returns None where two lines would need the same beat.
    """
    if not len(lines_s):
        return beats_s, np.array([], dtype=int)
    beats_s = cover(beats_s, min(beats_s[0], lines_s[0]), max(beats_s[-1], lines_s[-1]))
    at = np.abs(beats_s[None, :] - lines_s[:, None]).argmin(axis=1)
    if len(set(at.tolist())) < len(at):
        return None
    knots = np.concatenate([[at[0] - DRAWN_BEATS], at, [at[-1] + DRAWN_BEATS]])
    shifts = np.concatenate([[0.0], lines_s - beats_s[at], [0.0]])
    moved = beats_s + np.interp(np.arange(len(beats_s)), knots, shifts)
    return (moved, at) if (np.diff(moved) > 60.0 / FASTEST_BPM / 2).all() else None


def refine_beats(
    beats_s: np.ndarray, strokes: Sequence[Stroke], within_s: float = REFINE_WITHIN_S, keep: ArrayLike = ()
) -> np.ndarray:
    """Move beats onto the strokes that mark them.

    Strokes near a beat draw it to their mean, kick and snare counting double;
    where there are none, it follows its neighbours.  Beats in ``keep`` stay.
    """
    if not len(strokes):
        return beats_s
    times = np.array([s.time_s for s in strokes])
    weight = np.array([max(s.confidence, 1e-3) * (2.0 if s.instrument in ("kick", "snare") else 1.0) for s in strokes])
    order = np.argsort(times)
    times, weight = times[order], weight[order]
    # Never so far that fast beats could pass each other.
    within_s = min(within_s, 0.2 * float(np.diff(beats_s).min()))
    first = np.searchsorted(times, beats_s - within_s)
    last = np.searchsorted(times, beats_s + within_s)
    total = np.concatenate([[0.0], np.cumsum(weight)])
    moment = np.concatenate([[0.0], np.cumsum(weight * times)])
    near = total[last] - total[first]
    known = near > 0
    shift = np.zeros(len(beats_s))
    shift[known] = (moment[last] - moment[first])[known] / near[known] - beats_s[known]
    stay = np.asarray(keep, dtype=int)
    shift[stay], known[stay] = 0.0, True
    if not known.any():
        return beats_s
    return beats_s + np.interp(np.arange(len(beats_s)), np.flatnonzero(known), shift[known])


def lay_time_map(
    beats: np.ndarray, path: BarPath, fixed: set[int], first_sound_s: float, last_sound_s: float
) -> TimeMap:
    """Bars over beats; beats outside the sequence go on at the nearest tempo.

    Bars that would begin after the last sound are left out.
    """
    first_gap, last_gap = beats[1] - beats[0], beats[-1] - beats[-2]

    def time(index: int) -> float:
        if index < 0:
            return float(beats[0] + index * first_gap)
        if index >= len(beats):
            return float(beats[-1] + (index - len(beats) + 1) * last_gap)
        return float(beats[index])

    bars: list[Bar] = []
    end_s = 0.0
    for start, meter in zip(path.starts, path.meters):
        times = [time(k) for k in range(start, start + meter.counted_beats)]
        if bars and times[0] > last_sound_s - 0.1 * last_gap and start not in fixed:
            break
        end_s = time(start + meter.counted_beats)
        length = meter.bar_length
        if not bars:
            # The song may begin inside its first bar, and inside a beat of it.
            times = times[max(-start, 0) :]
            times, length = _cut_first_beat(times, meter, first_sound_s, end_s)
            if not times:
                continue
        bars.append(Bar(meter, tuple(times), length=length, fixed=start in fixed))
    return TimeMap(bars, end_s)


def _cut_first_beat(
    times: Sequence[float], meter: Meter, first_sound_s: float, end_s: float
) -> tuple[list[float], Fraction]:
    """Beats of the first bar, and its length, if its first beat would lie before the recording.

    The bar then begins at the last quarter (third, in compound meters) of
    that beat that comes before all sound, or with the next beat, if nothing sounds before it.
    """
    first, *others = times
    following = others[0] if others else end_s
    beat_s, length = following - first, len(times) * meter.beat_length
    if first >= -0.1 * beat_s:
        return [max(first, 0.0), *others], length
    parts = 3 if meter.is_compound else 4
    needed = int(np.ceil((following - max(first_sound_s, 0.0)) / beat_s * parts - 0.4))
    if needed <= 0:
        return others, length - meter.beat_length
    needed = min(needed, parts)
    begin_s = max(following - needed * beat_s / parts, 0.0)
    return [begin_s, *others], length - meter.beat_length * Fraction(parts - needed, parts)


def beats_of(time_map: TimeMap) -> list[Beat]:
    """All counted beats of a time map with their number in the bar."""
    out = []
    for bar in time_map.bars:
        for position, time_s in zip(bar.beat_positions(), bar.beat_times_s):
            number, past = bar.count(position)
            if past == 0:
                out.append(Beat(time_s, number))
    return out
