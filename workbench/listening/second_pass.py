"""A second pass over a heard song: how sure each stroke is, and what may have been missed.

The detector hears each moment; a song repeats itself.  Every peak of the activations, also far below the threshold,
and every place where like bars have a stroke is a *candidate*.  Its probability starts from its height (calibrated
for each instrument) and is moved by what is heard at the same place of the bars that are most alike, on the beats
beside it, and of its kin (other toms, other cymbals …) at that moment; how far, is learnt
(:mod:`workbench.training.second_pass_learning`).  What is written gets its confidence from it; what is not, but is
likely enough, is kept beside the chart with a reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import maximum_filter1d

from workbench.chart import PossibleHit
from workbench.chart.drumkit import DETECTED, ONE_SURFACE, instrument
from workbench.chart.events import Stroke
from workbench.chart.meter import TimeMap
from workbench.listening.activations import Activations
from workbench.listening.detect import Calibration, find_peaks, read_calibration, refine_times

# Numbers whose origin is not named were chosen by hand, no source.
#: Peaks from this height are candidates.
LOWEST_CANDIDATE = 0.06
#: Two events within this time are one moment, seconds.
ONE_MOMENT_S = 0.03
#: Cells into which bars are cut to compare them.
CELLS = 48
#: Bars count by their likeness (cosine of their activations) to this power.
LIKENESS_POWER = 6
#: Where like bars have a stroke this surely, its absence is a candidate too.
MISSED_SUPPORT = 0.5
#: So many of the most similar bars are named in a reason.
NAMED_BARS = 6
#: Detected strokes less likely than this are not written: F of validation clips stays, that of tracker modules rises.
WRITTEN_FROM = 0.3
#: Strokes that were not written are suggested from this probability.
POSSIBLE_FROM = 0.2

_FAMILY = np.array([instrument(name).family for name in DETECTED])
_KIN = (_FAMILY[:, None] == _FAMILY) & ~np.eye(len(DETECTED), dtype=bool)


@dataclass(frozen=True)
class Candidates:
    """What may be strokes, in no order.

    Attributes
    ----------
    time_s : ndarray (n,), seconds, as in the activations
    column : ndarray (n,), int, index in :data:`~workbench.chart.drumkit.DETECTED`
    height, velocity : ndarray (n,), 0–1
        Activation, and loudness if it is a stroke.
    evidence : ndarray (n, 4)
        Logits of the activations of kin at that moment, at the same place of like bars, of kin there, and a beat away.
    like_bars, like_with : ndarray (n,), int
        How many like bars there are (at most :data:`NAMED_BARS`), and in how many of them it is heard.
    """

    time_s: np.ndarray
    column: np.ndarray
    height: np.ndarray
    velocity: np.ndarray
    evidence: np.ndarray
    like_bars: np.ndarray
    like_with: np.ndarray


def logit(p: np.ndarray) -> np.ndarray:
    """Log odds of probabilities, kept within ±4.6."""
    p = np.clip(p, 0.01, 0.99)
    return np.log(p / (1 - p))


def find_candidates(activations: Activations, time_map: TimeMap) -> Candidates:
    """Candidates of a song, with what its bars say of each."""
    onset, rate_hz = activations.onset, activations.frame_rate_hz
    columns = [DETECTED.index(name) for name in activations.instruments]
    assert columns == list(range(len(DETECTED)))
    frames, names = onset.shape
    pooled = maximum_filter1d(onset, 2 * round(ONE_MOMENT_S * rate_hz) + 1, axis=0)

    def sample(time_s: np.ndarray) -> np.ndarray:
        at = np.round(time_s * rate_hz).astype(int)
        return pooled[np.clip(at, 0, frames - 1)] * ((at >= 0) & (at < frames))[..., None]

    # -- bars against each other
    lines_s = np.array([bar.beat_times_s[0] for bar in time_map.bars] + [time_map.end_s])
    beats = np.array([len(bar.beat_times_s) for bar in time_map.bars])
    length_s = np.diff(lines_s)
    cell_s = lines_s[:-1, None] + np.arange(CELLS) / CELLS * length_s[:, None]
    cells = sample(cell_s)
    flat = cells.reshape(len(beats), -1)
    unit = flat / np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-6)
    weight = (np.maximum(unit @ unit.T, 0) * (beats[:, None] == beats)) ** LIKENESS_POWER
    np.fill_diagonal(weight, 0)
    total = weight.sum(axis=1)

    # -- peaks, and places where like bars have one
    peaks = [find_peaks(onset[:, k], LOWEST_CANDIDATE) for k in range(names)]
    expected = np.tensordot(weight, cells, 1) / np.maximum(total, 1e-6)[:, None, None]
    missing = (expected == maximum_filter1d(expected, 5, axis=1)) & (expected >= MISSED_SUPPORT)
    missing &= (cells < LOWEST_CANDIDATE) & (total > 1)[:, None, None]
    bar, cell, name = np.nonzero(missing)
    time_s = np.concatenate([*(refine_times(onset[:, k], p) for k, p in enumerate(peaks)), cell_s[bar, cell]])
    column = np.concatenate([np.repeat(np.arange(names), [len(p) for p in peaks]), name])
    inside = (time_s >= 0) & (time_s < (frames - 1) / rate_hz)
    time_s, column = time_s[inside], column[inside]

    # -- the same place in other bars
    count, row = len(time_s), np.arange(len(time_s))
    mine = np.clip(np.searchsorted(lines_s, time_s + ONE_MOMENT_S, side="right") - 1, 0, len(beats) - 1)
    phase = (time_s - lines_s[mine]) / length_s[mine]
    best = np.argsort(-weight, axis=1)[:, :NAMED_BARS]
    support, like_bars, like_with = np.zeros((count, names)), np.zeros(count, int), np.zeros(count, int)
    for k in range(len(beats)):
        there = sample(lines_s[k] + phase * length_s[k])
        support += weight[mine, k, None] * there
        near = (best[mine] == k).any(axis=1) & (weight[mine, k] > 0.1)
        like_bars += near
        like_with += near & (there[row, column] >= 0.5)
    support /= np.maximum(total[mine], 1e-6)[:, None]
    beat_s = (length_s / beats)[mine]
    beside = (sample(time_s + beat_s) + sample(time_s - beat_s))[row, column] / 2
    local, frame = sample(time_s), np.round(time_s * rate_hz).astype(int)
    kin = [np.where(_KIN[column], x, 0).max(axis=1, initial=0) for x in (local, support)]
    evidence = logit(np.column_stack([kin[0], support[row, column], kin[1], beside]))
    return Candidates(
        time_s, column, onset[frame, column], activations.velocity[frame, column], evidence, like_bars, like_with
    )


def height_odds(found: Candidates, calibration: Calibration) -> np.ndarray:
    """Log odds of each candidate by its height alone."""
    odds = np.empty(len(found.time_s))
    for k in range(len(DETECTED)):
        mine = found.column == k
        odds[mine] = logit(np.interp(found.height[mine], calibration.activation[k], calibration.confidence[k]))
    return odds


def judge(found: Candidates, calibration: Calibration) -> np.ndarray:
    """Probability of each candidate that it was played and is named rightly."""
    odds = height_odds(found, calibration) + found.evidence @ calibration.song[1:] + calibration.song[0]
    return 1 / (1 + np.exp(-odds))


def second_pass(
    activations: Activations, strokes: Sequence[Stroke], time_map: TimeMap
) -> tuple[list[Stroke], list[PossibleHit]]:
    """Strokes with the confidence that the whole song gives them, less those it makes unlikely, and what else may have
    been played.

    Parameters
    ----------
    activations : Activations
    strokes : sequence of Stroke
        Detected in them.
    time_map : TimeMap
        The song's bars.
    """
    calibration = read_calibration()
    found = find_candidates(activations, time_map)
    sure = judge(found, calibration)
    bias_s = calibration.onset_bias_s[found.column]
    rows: dict[str, list[int]] = {}
    for k in np.argsort(found.time_s):
        rows.setdefault(DETECTED[found.column[k]], []).append(int(k))
    heard_s = {name: found.time_s[mine] - bias_s[mine] for name, mine in rows.items()}
    used: set[int] = set()
    judged = []
    for stroke in strokes:
        near = np.flatnonzero(np.abs(heard_s.get(stroke.instrument, np.zeros(0)) - stroke.time_s) < ONE_MOMENT_S)
        mine = [rows[stroke.instrument][k] for k in near]
        confidence = max((float(sure[k]) for k in mine), default=stroke.confidence)
        if confidence >= WRITTEN_FROM:
            used |= set(mine)
            judged.append(replace(stroke, confidence=round(confidence, 3)))
    possible: list[PossibleHit] = []
    for k in np.argsort(-sure):
        if sure[k] < POSSIBLE_FROM:
            break
        name, time_s = DETECTED[found.column[k]], max(0.0, float(found.time_s[k] - bias_s[k]))
        surface = {n for group in ONE_SURFACE if name in group for n in group} | {name}
        if k in used or any(h.instrument in surface and abs(h.time_s - time_s) < ONE_MOMENT_S for h in possible):
            continue
        velocity = int(np.clip(round(float(found.velocity[k]) * 127), 1, 127))
        possible.append(PossibleHit(round(time_s, 4), name, velocity, round(float(sure[k]), 3), _reason(found, k)))
    return sorted(judged), sorted(possible)


def _reason(found: Candidates, k: int) -> str:
    """What speaks for a candidate, a sentence."""
    bars, having = int(found.like_bars[k]), int(found.like_with[k])
    heard = found.height[k] >= LOWEST_CANDIDATE
    if bars >= 2 and having * 2 > bars:
        also = ", and it is heard faintly" if heard else ", but it is not heard here"
        return f"{having} of the {bars} bars most like this one have it here{also}."
    return "It is heard faintly."
