"""A second pass over a heard song: how sure each stroke is, and what may have been missed.

The detector hears each moment; a song repeats itself.  Every peak of the activations, also far below the threshold,
and every place where like bars have a stroke is a *candidate*.  What is measured of it (:data:`CANDIDATE_MEASURES`:
its height and loudness beside the song's own strokes of that drum, the same place of like bars, the beats beside it,
what else sounds there, whether it sounds like the song's own drums, how clear the song is) is weighed by a small
network, learnt by :mod:`workbench.training.second_pass_learning`, which says how likely it was played and is named
rightly; whether it is the very sound of that drum (:mod:`workbench.listening.same_sound`) is added to that.  What is
written gets its confidence from it, and faint peaks that it finds likely are written, too; the rest may have been
played (:mod:`workbench.listening.doubt_limit` says how much of it is worth a visit).
"""

from __future__ import annotations

import json
from bisect import bisect_right, insort
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import NamedTuple

import numpy as np
from scipy.ndimage import maximum_filter1d

from workbench.chart import PossibleHit
from workbench.chart.chart import SUREST_HEARD
from workbench.chart.drumkit import DETECTED, Limb, instrument, one_surface
from workbench.chart.events import Stroke
from workbench.chart.meter import TimeMap
from workbench.listening.activations import Activations
from workbench.listening.detect import Calibration, find_peaks, read_calibration, refine_times
from workbench.listening.same_sound import tell_same_sounds
from workbench.listening.timbre import SOUND_MEASURES, measure_sound

# Numbers whose origin is not named were chosen by hand, no source.
#: Peaks from this height are candidates.
LOWEST_CANDIDATE = 0.02
#: From this height on a stroke is said to be heard faintly.
FAINTLY_FROM = 0.06
#: Two events within this time are one moment, seconds.
ONE_MOMENT_S = 0.03
#: Cells into which bars are cut to compare them.
CELLS = 48
#: Bars this far apart at most are compared: a song of ten minutes has fewer.
COMPARED_BARS = 512
#: Bars count by their likeness (cosine of their activations) to this power.
LIKENESS_POWER = 6
#: A stroke that like bars have from the second of these heights on is promised, one that they have below the first is
#: a surprise.
SURPRISE, PROMISE = 0.3, 0.7
#: Where like bars have a stroke this surely, its absence is a candidate too.
MISSED_SUPPORT = 0.5
#: So many of the most similar bars are named in a reason.
NAMED_BARS = 6
#: Detected strokes less likely than this are not written.
WRITTEN_FROM = 0.3
#: Peaks below the detector's threshold are written, too, from this height and likelihood on (from any height those with
#: the very sound of their drum).
LOWEST_WRITTEN, FAINT_WRITTEN_FROM = 0.2, 0.6
#: What is less likely to have been played than this is not kept.
LEAST_POSSIBLE = 0.03

#: What is measured of a whole song: how clearly it is heard.
OF_SONG = (
    *("song sure", "song faint", "song height", "song low", "song between", "song density"),
    *("song kept", "song surprises", "song beat", "song sharpness"),
)
#: What is measured of a candidate, in order; of itself, its place, its drum, the song and its sound.
CANDIDATE_MEASURES = (
    *("calibrated", "height", "prominence", "sharpness", "wider", "velocity", "louder", "higher", "detected"),
    *("support", "like", "like bars", "all bars", "written there", "beside", "between", "beat"),
    *("kin", "kin support", "hand", "second hand", "others", "off sixteenths", "off triplets", "sixteenth", "eighth"),
    *("gap before", "gap after", "often", "share", "sure", "faint", "low", "kept", "surprises", "written beside"),
    *OF_SONG,
    *SOUND_MEASURES,
)

#: So much counts what the waveform says, in log odds (the model card says how that was chosen;
#: :mod:`workbench.training.same_sound_weight` fits it).  Of kicks it counts nothing, whose sound the bass often shares;
#: of detected strokes it only counts against them: that a sound comes again does not say that it is named rightly.
WAVEFORM_COUNTS = 0.4
#: From this on the waveform says that it is the very sound of a drum, natural log.
VERY_SOUND = 3.0
#: A detected stroke with less than the first is named wrongly where another drum's sound has the second: log odds
#: against it.  Of 544 such in drafts of modules, projects and Groove MIDI's validation a quarter were right, of the
#: other drum seven in ten.
NOT_ITS_OWN, ANOTHERS_FROM, ANOTHERS, ANOTHERS_WITHIN_S = 2.0, 5.0, 2.5, 0.02

_NAMES = len(DETECTED)
_KICK_COLUMN = DETECTED.index("kick")
_FAMILY = np.array([instrument(name).family for name in DETECTED])
_KIN = (_FAMILY[:, None] == _FAMILY) & ~np.eye(_NAMES, dtype=bool)
_BY_HAND = np.array([instrument(name).limb is Limb.HAND for name in DETECTED]) & (_FAMILY != "percussion")

#: Measures count at most so many spreads from their mean.
MOST_SPREADS = 5.0


def from_mean(measures: np.ndarray, mean: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Measures in spreads from their mean; what is not known counts as the mean.

    Examples
    --------
    >>> from_mean(np.array([2.0, 99.0, np.nan]), 1.0, 2.0)
    array([0.5, 5. , 0. ])
    """
    return np.asarray(np.nan_to_num(np.clip((measures - mean) / spread, -MOST_SPREADS, MOST_SPREADS)))


@dataclass(frozen=True)
class Candidates:
    """What may be strokes, in no order.

    Attributes
    ----------
    time_s : ndarray (n,), seconds, as in the activations
    column : ndarray (n,), int, index in :data:`~workbench.chart.drumkit.DETECTED`
    height, velocity : ndarray (n,), 0–1
        Activation, and loudness if it is a stroke.
    measures : ndarray (n, :data:`CANDIDATE_MEASURES`)
        NaN for what is not known.
    like_bars, like_with : ndarray (n,), int
        How many like bars there are (at most :data:`NAMED_BARS`), and in how many of them it is heard.
    """

    time_s: np.ndarray
    column: np.ndarray
    height: np.ndarray
    velocity: np.ndarray
    measures: np.ndarray
    like_bars: np.ndarray
    like_with: np.ndarray


@dataclass(frozen=True)
class HeardAgain:
    """What a second pass says of a song.

    Attributes
    ----------
    strokes : list of Stroke, in order of time
        To be written.
    possible_hits : list of PossibleHit, in order of time
        Others, from :data:`LEAST_POSSIBLE` on.
    """

    strokes: list[Stroke]
    possible_hits: list[PossibleHit]


@dataclass(frozen=True)
class SecondPassNetwork:
    """A network of one hidden layer; inputs are each measure, less its mean and divided by its spread, and the drum.

    What is not known of a candidate counts as its mean.

    Attributes
    ----------
    mean, spread : ndarray (measures,)
    hidden : ndarray (measures + drums, units)
    bias : ndarray (units,)
    out : ndarray (units + 1,), the constant last
    """

    mean: np.ndarray
    spread: np.ndarray
    hidden: np.ndarray
    bias: np.ndarray
    out: np.ndarray

    def probabilities(self, found: Candidates) -> np.ndarray:
        """How likely each candidate was played and is named rightly, 0–1."""
        near = from_mean(found.measures, self.mean, self.spread)
        units = np.maximum(
            near @ self.hidden[: len(CANDIDATE_MEASURES)]
            + self.hidden[len(CANDIDATE_MEASURES) + found.column]
            + self.bias,
            0,
        )
        return np.asarray(1 / (1 + np.exp(-(units @ self.out[:-1] + self.out[-1]))))


@cache
def read_network() -> SecondPassNetwork:
    """The network that belongs to the packaged weights of the detector."""
    data = json.loads(resources.files("workbench.listening").joinpath("second_pass.json").read_text())
    assert data["measures"] == list(CANDIDATE_MEASURES) and data["drums"] == list(DETECTED)
    return SecondPassNetwork(*(np.array(data[key]) for key in ("mean", "spread", "hidden", "bias", "out")))


def logit(p: np.ndarray) -> np.ndarray:
    """Log odds of probabilities, kept within ±5.8."""
    p = np.clip(p, 0.003, 0.997)
    return np.log(p / (1 - p))


def find_candidates(
    activations: Activations, strokes: Iterable[Stroke], time_map: TimeMap, calibration: Calibration
) -> Candidates:
    """Candidates of a song, with what is measured of each.

    Parameters
    ----------
    activations : Activations
    strokes : iterable of Stroke
        Detected in them.
    time_map : TimeMap
        The song's bars.
    calibration : Calibration
    """
    onset, rate_hz = activations.onset, activations.frame_rate_hz
    assert activations.instruments == DETECTED
    frames = len(onset)
    pooled = maximum_filter1d(onset, 2 * round(ONE_MOMENT_S * rate_hz) + 1, axis=0)

    def sample(time_s: np.ndarray) -> np.ndarray:
        at = np.round(time_s * rate_hz).astype(int)
        return pooled[np.clip(at, 0, frames - 1)] * ((at >= 0) & (at < frames))[..., None]

    # -- bars against each other
    lines_s = np.array([bar.beat_times_s[0] for bar in time_map.bars] + [time_map.end_s])
    beats = np.array([len(bar.beat_times_s) for bar in time_map.bars])
    length_s, bars = np.diff(lines_s), len(beats)
    cell_s = lines_s[:-1, None] + np.arange(CELLS) / CELLS * length_s[:, None]
    cells = sample(cell_s)
    stretches = list(_stretches(cells, beats))
    total = np.concatenate([s.weight.sum(axis=1) for s in stretches])

    # -- peaks, and places where like bars have one
    peaks = [find_peaks(onset[:, k], LOWEST_CANDIDATE) for k in range(_NAMES)]
    expected = np.concatenate([np.tensordot(s.weight, cells[s.beside], 1) for s in stretches])
    expected /= np.maximum(total, 1e-6)[:, None, None]
    missing = (expected == maximum_filter1d(expected, 5, axis=1)) & (expected >= MISSED_SUPPORT)
    missing &= (cells < LOWEST_CANDIDATE) & (total > 1)[:, None, None]
    bar, cell, name = np.nonzero(missing)
    time_s = np.concatenate([*(refine_times(onset[:, k], p) for k, p in enumerate(peaks)), cell_s[bar, cell]])
    column = np.concatenate([np.repeat(np.arange(_NAMES), [len(p) for p in peaks]), name])
    inside = (time_s >= 0) & (time_s < (frames - 1) / rate_hz)
    time_s, column = time_s[inside], column[inside]
    count, row, frame = len(time_s), np.arange(len(time_s)), np.round(time_s * rate_hz).astype(int)
    height, velocity = onset[frame, column], activations.velocity[frame, column]

    # -- the same place in other bars
    mine = np.clip(np.searchsorted(lines_s, time_s + ONE_MOMENT_S, side="right") - 1, 0, bars - 1)
    phase = (time_s - lines_s[mine]) / length_s[mine]
    support, like, everywhere = np.zeros((count, _NAMES)), np.zeros(count), np.zeros(count)
    like_bars, like_with = np.zeros(count, int), np.zeros(count, int)
    rows = [np.flatnonzero((mine >= s.bars.start) & (mine < s.bars.stop)) for s in stretches]
    for s, here in zip(stretches, rows):
        found = _in_other_bars(s, sample, lines_s, mine[here], phase[here], column[here])
        support[here], everywhere[here], like[here], like_bars[here], like_with[here] = found
    support /= np.maximum(total[mine], 1e-6)[:, None]

    compared = np.concatenate([np.full(len(s.weight), max(1, s.weight.shape[1] - 1)) for s in stretches])[mine]

    # -- its drum, and the song
    detected, gap_s = _beside_strokes(time_s, column, height, strokes, calibration)
    sure = np.empty(count)
    for k in range(_NAMES):
        sure[column == k] = np.interp(height[column == k], calibration.activation[k], calibration.confidence[k])
    faint = (height > 0.04) & (height < 0.3)
    strokes_of, faint_of, sure_of = (
        np.bincount(column, w, minlength=_NAMES) for w in (detected, faint, sure * detected)
    )
    usual_velocity, usual_height, low = np.full(_NAMES, 0.6), np.full(_NAMES, 0.5), np.full(_NAMES, 0.5)
    for k in range(_NAMES):
        if (those := detected & (column == k)).any():
            usual_velocity[k] = np.median(velocity[those])
            low[k], usual_height[k] = np.percentile(height[those], (20, 50))
    # How often the drum, and the song, keeps what its bars promise, and plays what they don't.
    like /= np.maximum(like_bars, 1)
    repeats = like_bars >= 2
    promised, surprising = repeats & (like >= PROMISE), repeats & detected & (like < SURPRISE)
    promised_of, kept_of, repeated_of, surprises_of = (
        np.bincount(column, w, minlength=_NAMES)
        for w in (promised, promised & detected, repeats & detected, surprising)
    )
    cell_of = np.round(phase * CELLS).astype(int)
    written = np.zeros((bars, _NAMES, CELLS + 3), bool)
    for shift in (0, 1, 2):
        written[mine[detected], column[detected], np.clip(cell_of[detected], 0, CELLS) + shift] = True
    written_there = -detected.astype(int)
    for s, here in zip(stretches, rows):
        often = written[s.beside].sum(axis=0)
        written_there[here] += often[column[here], np.clip(cell_of[here], 0, CELLS) + 1]

    # -- its moment
    local = sample(time_s)
    kin = [np.where(_KIN[column], x, 0).max(axis=1, initial=0) for x in (local, support)]
    others = np.where(np.arange(_NAMES) == column[:, None], 0, local)
    hands = np.sort(np.where(_BY_HAND, others, 0), axis=1)
    beat_s = (length_s / beats)[mine]
    before, early, late, after = (sample(time_s + d * beat_s)[row, column] for d in (-1, -0.5, 0.5, 1))
    window = np.pad(onset, ((6, 6), (0, 0)), mode="edge")[frame[:, None] + np.arange(13), column[:, None]]
    in_beat = (phase * beats[mine]) % 1
    off = [np.abs(in_beat * n - np.round(in_beat * n)) / n * beat_s * 20 for n in (4, 3)]
    sixteenth = np.round(in_beat * 4).astype(int) % 4
    high = logit(height)
    sharpness = high - logit((window[:, 4] + window[:, 8]) / 2)
    beat = maximum_filter1d(activations.beat, 7)
    beat_frames = np.round(np.concatenate([b.beat_times_s for b in time_map.bars]) * rate_hz).astype(int)
    heights = height[detected] if detected.any() else np.array([0.5])
    of_song = (
        logit(sure[detected].mean() if detected.any() else np.array(0.5)),
        np.log((faint.sum() + 1) / (detected.sum() + 1)),
        *logit(np.percentile(heights, (50, 20))),
        np.log((((height > 0.2) & (height < 0.7)).sum() + 1) / ((height > 0.8).sum() + 1)),
        np.log(detected.sum() / max(1.0, frames / rate_hz) + 0.1),
        logit((kept_of.sum() + 2) / (promised.sum() + 3)),
        logit((surprising.sum() + 1) / (repeated_of.sum() + 3)),
        logit(np.median(beat[np.clip(beat_frames, 0, frames - 1)])),
        sharpness[detected].mean() if detected.any() else 0.0,
    )
    struck_s = np.sort(time_s[detected])
    beside = (
        np.diff(np.searchsorted(struck_s, time_s[:, None] + np.array([-ONE_MOMENT_S, ONE_MOMENT_S])))[:, 0] - detected
    )
    hidden = logit(np.where(_KIN[column], 0, others).max(axis=1, initial=0))
    measures = np.column_stack(
        [
            *(logit(sure), high, high - logit(np.maximum(window[:, :6].min(axis=1), window[:, 7:].min(axis=1)))),
            *(sharpness, logit(maximum_filter1d(onset, 21, axis=0)[frame, column]) - high),
            *(
                velocity,
                np.log((velocity + 0.02) / (usual_velocity[column] + 0.02)),
                height - usual_height[column],
                detected,
            ),
            *(logit(support[row, column]), logit(like), like_bars / NAMED_BARS),
            *(logit(everywhere / compared), written_there / compared),
            *(logit((before + after) / 2), logit((early + late) / 2), logit(beat[frame])),
            *(logit(kin[0]), logit(kin[1]), logit(hands[:, -1]), logit(hands[:, -2])),
            *(hidden, *off, sixteenth % 2 == 1, sixteenth == 2),
            *(np.log(gap_s + 0.02), np.log((strokes_of[column] + 0.5) / bars)),
            *(strokes_of[column] / max(1.0, strokes_of.sum()), logit((sure_of + 1) / (strokes_of + 2))[column]),
            *(np.log((faint_of + 2) / (strokes_of + 2))[column], logit(low)[column]),
            logit((kept_of + 1) / (promised_of + 1.5))[column],
            logit((surprises_of + 0.5) / (repeated_of + 2))[column],
            np.minimum(beside, 3),
            np.tile(of_song, (count, 1)),
            measure_sound(activations.levels, frame, column, height, detected, hidden),
        ]
    )
    return Candidates(time_s, column, height, velocity, measures, like_bars, like_with)


class _BarStretch(NamedTuple):
    """Bars, those about them that they are compared with, and how much each of these counts for each of them."""

    bars: slice
    beside: slice
    weight: np.ndarray


def _stretches(cells: np.ndarray, beats: np.ndarray) -> Iterator[_BarStretch]:
    """The bars of a recording, cut so that work and memory grow with its length only: what lies further away than
    :data:`COMPARED_BARS` is another song."""
    flat = cells.reshape(len(beats), -1)
    unit = flat / np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-6)
    for first in range(0, len(beats), COMPARED_BARS):
        bars = slice(first, min(first + COMPARED_BARS, len(beats)))
        beside = slice(max(0, first - COMPARED_BARS), min(bars.stop + COMPARED_BARS, len(beats)))
        same_beats = beats[bars, None] == beats[beside]
        weight = (np.maximum(unit[bars] @ unit[beside].T, 0) * same_beats) ** LIKENESS_POWER
        weight[np.arange(len(weight)), np.arange(bars.start, bars.stop) - beside.start] = 0
        yield _BarStretch(bars, beside, weight)


def _in_other_bars(
    stretch: _BarStretch,
    sample: Callable[[np.ndarray], np.ndarray],
    lines_s: np.ndarray,
    bar: np.ndarray,
    phase: np.ndarray,
    column: np.ndarray,
) -> tuple[np.ndarray, ...]:
    """What the other bars have where the candidates of a stretch lie in theirs.

    Returns the sums over them of all drums, weighed (n, names), of the own drum (n,), and of that in the most similar
    bars; how many these are, and in how many of them it is heard.
    """
    row, own_bar = np.arange(len(bar)), bar - stretch.bars.start
    best = np.argsort(-stretch.weight, axis=1)[own_bar, :NAMED_BARS] + stretch.beside.start
    support, like, everywhere = np.zeros((len(bar), _NAMES)), np.zeros(len(bar)), np.zeros(len(bar))
    like_bars, like_with = np.zeros(len(bar), int), np.zeros(len(bar), int)
    for k in range(stretch.beside.start, stretch.beside.stop):
        there = sample(lines_s[k] + phase * (lines_s[k + 1] - lines_s[k]))
        weight, own = stretch.weight[own_bar, k - stretch.beside.start], there[row, column]
        near = (best == k).any(axis=1) & (weight > 0.1)
        support += weight[:, None] * there
        everywhere += (bar != k) * own
        like += near * own
        like_bars += near
        like_with += near & (own >= 0.5)
    return support, everywhere, like, like_bars, like_with


def _beside_strokes(
    time_s: np.ndarray, column: np.ndarray, height: np.ndarray, strokes: Iterable[Stroke], calibration: Calibration
) -> tuple[np.ndarray, np.ndarray]:
    """Which candidates are detected strokes, and how long the last and the next stroke of that drum are away (n, 2),
    at most a second."""
    times: dict[str, list[float]] = {}
    for stroke in sorted(strokes):
        times.setdefault(stroke.instrument, []).append(stroke.time_s)
    detected, gap_s = np.zeros(len(time_s), bool), np.ones((len(time_s), 2))
    for k, name in enumerate(DETECTED):
        if name not in times:
            continue
        rows = np.flatnonzero(column == k)
        theirs = np.concatenate([[-np.inf], np.array(times[name]) + calibration.onset_bias_s[k], [np.inf]])
        own = time_s[rows]
        at = np.searchsorted(theirs, own)
        nearest = np.minimum(own - theirs[at - 1], theirs[at] - own)
        detected[rows] = (nearest < ONE_MOMENT_S) & (height[rows] >= LOWEST_CANDIDATE)
        # A stroke is no neighbour of itself.
        before = np.searchsorted(theirs, own - ONE_MOMENT_S) - 1
        after = np.searchsorted(theirs, own + ONE_MOMENT_S, side="right")
        gap_s[rows] = np.minimum(np.column_stack([own - theirs[before], theirs[after] - own]), 1.0)
    return detected, gap_s


def second_pass(
    activations: Activations, strokes: Sequence[Stroke], time_map: TimeMap, white: np.ndarray | None = None
) -> HeardAgain:
    """Strokes with the confidence that the whole song gives them, less those it makes unlikely, and what else may have
    been played.

    Parameters
    ----------
    activations : Activations
    strokes : sequence of Stroke
        Detected in them.
    time_map : TimeMap
        The song's bars.
    white : ndarray, optional
        The recording, whitened (:func:`~workbench.listening.same_sound.whiten`), where it is at hand.
    """
    calibration = read_calibration()
    found = find_candidates(activations, strokes, time_map, calibration)
    sure = read_network().probabilities(found)
    heard_s = found.time_s - calibration.onset_bias_s[found.column]
    told = np.zeros(len(sure))
    if white is not None:
        told = tell_same_sounds(white, heard_s, found.column, found.height, sure)
        detected = found.measures[:, CANDIDATE_MEASURES.index("detected")] > 0
        told[found.column == _KICK_COLUMN] = 0.0
        counted = WAVEFORM_COUNTS * np.where(detected, np.minimum(told, 0), told)
        counted[_anothers(found, heard_s, told, detected)] -= ANOTHERS
        odds = np.exp(counted)
        sure = sure * odds / (sure * odds + 1 - sure)
    rows = [np.flatnonzero(found.column == k) for k in range(_NAMES)]
    rows = [those[np.argsort(heard_s[those])] for those in rows]
    used = np.zeros(len(sure), bool)
    judged = []
    for stroke in strokes:
        those = rows[DETECTED.index(stroke.instrument)] if stroke.instrument in DETECTED else rows[0][:0]
        first, last = np.searchsorted(heard_s[those], stroke.time_s + np.array([-ONE_MOMENT_S, ONE_MOMENT_S]))
        mine = those[first:last]
        confidence = float(sure[mine].max(initial=0.0)) if len(mine) else stroke.confidence
        if confidence >= WRITTEN_FROM:
            used[mine] = True
            judged.append(replace(stroke, confidence=_told(confidence)))
    written: dict[str, list[Stroke]] = defaultdict(list)
    for stroke in judged:
        written[stroke.instrument].append(stroke)
    possible: list[int] = []
    faint, outdone = [], set[Stroke]()
    taken: dict[str, list[float]] = defaultdict(list)
    for k in np.argsort(-sure):
        if sure[k] < LEAST_POSSIBLE:
            break
        name = DETECTED[found.column[k]]
        surface = one_surface(name)
        if used[k] or any(_is_near(taken[n], heard_s[k]) for n in surface):
            continue
        insort(taken[name], heard_s[k])
        clear = found.height[k] >= LOWEST_WRITTEN or told[k] >= VERY_SOUND
        if sure[k] >= FAINT_WRITTEN_FROM and clear:
            there = [s for n in surface for s in written[n] if abs(s.time_s - heard_s[k]) < ONE_MOMENT_S]
            if all(s.confidence < sure[k] for s in there):
                faint.append(_stroke(found, k, heard_s[k], sure[k]))
                outdone.update(there)
                continue
        possible.append(int(k))
    judged = [s for s in judged if s not in outdone] + faint
    hits = [_possible_hit(found, k, heard_s[k], sure[k], told[k] >= VERY_SOUND) for k in possible]
    return HeardAgain(sorted(judged), sorted(hits))


def _anothers(found: Candidates, heard_s: np.ndarray, told: np.ndarray, detected: np.ndarray) -> np.ndarray:
    """Detected strokes (rows) in which the waveform has the very sound of another drum, not detected there, and hardly
    their own."""
    asked = np.flatnonzero(detected & (told < NOT_ITS_OWN) & (found.column != _KICK_COLUMN))
    out = np.zeros(len(asked), bool)
    for drum in range(_NAMES):
        sounds_s = np.sort(heard_s[~detected & (told >= ANOTHERS_FROM) & (found.column == drum)])
        first, end = (
            np.searchsorted(sounds_s, heard_s[asked] + by_s) for by_s in (-ANOTHERS_WITHIN_S, ANOTHERS_WITHIN_S)
        )
        out |= (end > first) & (found.column[asked] != drum)
    return asked[out]


def _told(probability: float) -> float:
    return min(round(float(probability), 3), SUREST_HEARD)


def _is_near(times_s: list[float], time_s: float) -> bool:
    """Whether one of some times, in order, is the same moment as another."""
    after = bisect_right(times_s, time_s - ONE_MOMENT_S)
    return after < len(times_s) and times_s[after] < time_s + ONE_MOMENT_S


def _stroke(found: Candidates, k: int, time_s: float, probability: float) -> Stroke:
    velocity = int(np.clip(round(float(found.velocity[k]) * 127), 1, 127))
    name = DETECTED[found.column[k]]
    return Stroke(round(max(0.0, float(time_s)), 4), name, velocity, _told(probability))


def _possible_hit(found: Candidates, k: int, time_s: float, probability: float, very_sound: bool) -> PossibleHit:
    stroke = _stroke(found, k, time_s, probability)
    reason = _reason(found, k) + (" It has the very sound of this drum." if very_sound else "")
    return PossibleHit(stroke.time_s, stroke.instrument, stroke.velocity, stroke.confidence, reason)


def _reason(found: Candidates, k: int) -> str:
    """What speaks for a candidate, a sentence."""
    bars, having = int(found.like_bars[k]), int(found.like_with[k])
    heard = found.height[k] >= FAINTLY_FROM
    if bars >= 2 and having * 2 > bars:
        also = ", and it is heard faintly" if heard else ", but it is not heard here"
        return f"{having} of the {bars} bars most like this one have it here{also}."
    return "It is heard faintly." if heard else "It is heard very faintly."
