"""Which beat is *one*: meter and bar phase from what the drums play.

A bar is scored by how well its strokes fit what drummers play in bars of its
meter: an inhomogeneous Poisson process whose rates come from a mixture of
bar-long patterns (F. Krebs, S. Böck, G. Widmer, *Rhythmic pattern modeling for
beat and downbeat tracking in musical audio*, ISMIR 2013).  Because it is a
density over time, readings of the same seconds at half or double tempo compare
fairly: a backbeat on 2 and 4 tells the tempo as well as the phase.  The best
sequence of bars over the whole song is found by dynamic programming, so the
evidence is summed over the song and no single bar decides.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import cache, cached_property
from importlib import resources

import numpy as np
from scipy.sparse import csr_array

from workbench.chart.drumkit import TIMEKEEPING, instrument
from workbench.chart.events import Stroke
from workbench.chart.ghosts import soft_limit
from workbench.chart.meter import Meter

#: Parts into which a counted beat is divided when strokes are counted.
PARTS_PER_BEAT = 12

#: What a stroke does in a bar.  "time" is the hand that keeps time (hi-hat or
#: ride: a detector often mistakes one for the other, the bar does not care).
ROLES = ("kick", "backbeat", "ghost", "time", "crash", "tom")


@dataclass(frozen=True)
class MeterPrior:
    """What is likely before anything is heard.

    Attributes
    ----------
    log_likely : float
        Natural log of how likely a song is in this meter, against 4/4.
    tempo_centre_bpm, tempo_spread : float
        Log-normal law of the tempo in counted beats a minute (spread in
        natural log).
    log_bar : float
        Added for every bar: shorter bars fit anything more easily.
    """

    log_likely: float
    tempo_centre_bpm: float
    tempo_spread: float = 0.45
    log_bar: float = 0.0

    def log_tempo(self, tempo_bpm: float) -> float:
        """Natural log of the tempo's density against that of the centre."""
        return -0.5 * (np.log(tempo_bpm / self.tempo_centre_bpm) / self.tempo_spread) ** 2


#: Meters the tracker knows.  Broad on purpose; the order of size of tempi in
#: popular music after D. Moelants, *Preferred tempo reconsidered*, ICMPC 2002
#: (from memory), the rest common practice, no source.
METERS: dict[Meter, MeterPrior] = {
    Meter(4, 4): MeterPrior(0.0, 105.0),
    Meter(3, 4): MeterPrior(-6.0, 115.0),
    Meter(6, 8): MeterPrior(-8.0, 62.0, log_bar=-1.0),
    Meter(2, 4): MeterPrior(-20.0, 105.0, log_bar=-1.0),
}

#: Counted beats of the longest bar that is considered.
LONGEST = 7

#: How much the tempo prior weighs against all strokes of the song.
TEMPO_WEIGHT = 25.0


def roles_of(strokes: Sequence[Stroke]) -> np.ndarray:
    """Role (index into :data:`ROLES`) of each stroke, (n,) int.

    Ghosts are snare strokes below :func:`workbench.chart.ghosts.soft_limit` of the song.
    """
    snare = [s.velocity for s in strokes if instrument(s.instrument).family == "snare"]
    limit = soft_limit(snare)

    def role(stroke: Stroke) -> str:
        family = instrument(stroke.instrument).family
        if stroke.instrument in TIMEKEEPING or family == "hi-hat":
            return "time"
        if family == "snare" and stroke.velocity < limit:
            return "ghost"
        return {"snare": "backbeat", "percussion": "backbeat", "cymbal": "crash"}.get(family, family)

    return np.array([ROLES.index(role(s)) for s in strokes], dtype=int)


@dataclass(frozen=True)
class MeterPatterns:
    """Bar-long patterns of one meter.

    Attributes
    ----------
    log_rates : ndarray (patterns, parts of a bar, roles)
        Natural log of the expected strokes.
    expected : ndarray (patterns, parts of a bar)
        Expected strokes of all roles.
    shares : ndarray (patterns,)
    tempo_mean, tempo_spread : ndarray (patterns,)
        Of the natural log of counted beats a minute.
    """

    log_rates: np.ndarray
    expected: np.ndarray
    shares: np.ndarray
    tempo_mean: np.ndarray
    tempo_spread: np.ndarray

    @cached_property
    def by_part(self) -> np.ndarray:
        """Log rates of a beat's parts and roles as each beat of each pattern, (parts · roles, beats · patterns)."""
        count, parts, _ = self.log_rates.shape
        return (
            self.log_rates.reshape(count, parts // PARTS_PER_BEAT, -1)
            .transpose(2, 1, 0)
            .reshape(-1, count * parts // PARTS_PER_BEAT)
        )

    def likeliest(self, count: int) -> MeterPatterns:
        """The patterns that are most common."""
        k = np.sort(np.argsort(-self.shares)[:count])
        return MeterPatterns(*(getattr(self, f.name)[k] for f in fields(self)))

    def log_shares_at(self, tempo_bpm: float) -> np.ndarray:
        """How common each pattern is among bars of a tempo, natural log.

        Sixteenths on the hi-hat belong to slow songs, quarters to fast ones;
        how common the tempo itself is does not enter.
        """
        distance = (np.log(tempo_bpm) - self.tempo_mean) / self.tempo_spread
        # Tempi far from all seen tell nothing: a floor under every pattern.
        density = np.exp(-0.5 * np.square(distance)) / self.tempo_spread + 0.02
        here = (self.shares + 1e-4) * density
        return np.log(here / here.sum())


#: Meters without drummers to learn from, each made of pieces of bars of another: of which meter, into how many
#: parts its bar is cut, and the parts in their order, one digit each (common practice, no source).
COMPOSED: dict[Meter, tuple[Meter, int, tuple[str, ...]]] = {
    Meter(5, 4): (Meter(4, 4), 4, ("01233", "01232", "01201", "01023", "01123", "01301", "00123", "02301")),
    Meter(6, 4): (Meter(4, 4), 4, ("012323", "012301", "012012", "013013", "010123", "012313")),
    Meter(7, 4): (Meter(4, 4), 4, ("0123012", "0123013", "0120123", "0130123", "0123123", "0101013", "0101123")),
    Meter(3, 8): (Meter(4, 4), 8, ("012", "013")),
    Meter(5, 8): (Meter(4, 4), 8, ("01234", "01245", "01223", "01445", "01201", "01233")),
    # 2+2+3, 2+3+2 and 3+2+2.
    Meter(7, 8): (
        Meter(4, 4),
        8,
        ("0123456", "0124567", "0145677", "0123455", "0123567", "0101233", "0123423", "0120123", "0124523"),
    ),
    Meter(9, 8): (Meter(6, 8), 2, ("011", "010", "001")),
    Meter(12, 8): (Meter(6, 8), 2, ("0101",)),
}


#: So many patterns, the most common, are cut into pieces.
PATTERNS_CUT = 12


@cache
def patterns(meter: Meter) -> MeterPatterns:
    """The patterns of a meter, learnt from drummers (:mod:`workbench.training.bar_patterns`)."""
    if meter in COMPOSED:
        return _composed(meter)
    data = json.loads(resources.files("workbench.listening").joinpath("bar_patterns.json").read_text())
    bank = {k: np.array(v) for k, v in data["meters"][str(meter)].items()}
    return MeterPatterns(
        np.log(bank["rates"]).astype(np.float32),
        bank["rates"].sum(axis=2).astype(np.float32),
        bank["shares"],
        bank["tempo_mean"],
        bank["tempo_spread"],
    )


def _composed(meter: Meter) -> MeterPatterns:
    """Patterns whose parts are those of another meter's in another order."""
    source, pieces, orders = COMPOSED[meter]
    bank = patterns(source).likeliest(PATTERNS_CUT)
    cut = np.split(np.exp(bank.log_rates), pieces, axis=1)
    # An eighth that is counted has as many parts as a quarter that is.
    finer = meter.counted_beats * PARTS_PER_BEAT // (len(orders[0]) * cut[0].shape[1])
    cut = [np.repeat(piece, finer, axis=1) / finer for piece in cut]
    rates = np.concatenate([np.concatenate([cut[int(k)] for k in order], axis=1) for order in orders])
    return MeterPatterns(
        np.log(rates),
        rates.sum(axis=2),
        np.tile(bank.shares / len(orders), len(orders)),
        np.tile(bank.tempo_mean + np.log(finer), len(orders)),
        np.tile(bank.tempo_spread, len(orders)),
    )


def count_parts(beat_times_s: np.ndarray, times_s: np.ndarray) -> np.ndarray:
    """Part of the beat sequence each moment falls on, (n,) int, counted from the
    first beat in :data:`PARTS_PER_BEAT` a beat."""
    index = np.interp(times_s, beat_times_s, np.arange(len(beat_times_s)), left=np.nan, right=np.nan)
    before = times_s < beat_times_s[0]
    after = times_s > beat_times_s[-1]
    first = beat_times_s[1] - beat_times_s[0]
    last = beat_times_s[-1] - beat_times_s[-2]
    index[before] = (times_s[before] - beat_times_s[0]) / first
    index[after] = len(beat_times_s) - 1 + (times_s[after] - beat_times_s[-1]) / last
    return np.round(index * PARTS_PER_BEAT).astype(int)


@dataclass(frozen=True)
class BarPath:
    """Bars laid over beats.

    Attributes
    ----------
    starts : tuple of int
        Index of the beat that opens each bar; the first may be negative, where
        the song begins inside a bar.
    meters : tuple of Meter
        One for each bar.
    score : float
        Log density of strokes and downbeats under the best path, natural log.
    """

    starts: tuple[int, ...]
    meters: tuple[Meter, ...]
    score: float


#: Natural log of how likely the meter changes from one bar to the next.
METER_CHANGE = -6.0
#: Natural log of how much likelier a song begins on a bar line than on any other beat
#: (common practice, no source).
PICKUP_COST = 2.0
#: How much a stroke's evidence counts: strokes of a bar are not independent.
STROKE_WEIGHT = 0.45
#: The same for the detector's downbeats.
DOWNBEAT_WEIGHT = 0.5
#: The same for a crash that stands alone: of 2,026 such crashes in the training split of
#: Groove MIDI's 4/4 performances, 64 % fall on one, 8 % on three, 5-7 % on two and on four.
CRASH_WEIGHT = 1.5
#: The same for a change of harmony, for each standard deviation.
HARMONY_WEIGHT = 0.7


class BarEvidence:
    """What speaks for a bar to open at each beat of a sequence.

    Parameters
    ----------
    beat_times_s : ndarray (n,), n ≥ 2
    strokes : sequence of Stroke
    downbeat : ndarray (n,), 0–1
        Likelihood of the detector that a bar begins at each beat.
    harmony_change : ndarray (n,), optional
        How much the harmony changes at each beat, in standard deviations.

    Attributes
    ----------
    counts : ndarray (n, parts a beat, roles), float32
        Strokes of each beat by their confidence, at most 1.
    downbeat_odds, crashes, harmony, loudness : ndarray (n,)
        Log odds of the detector's downbeats; confidence of lone crashes; changes of harmony;
        velocities (0–1) of all strokes on the beat.
    opens : ndarray (n,)
        The three together, natural log.
    """

    def __init__(
        self,
        beat_times_s: np.ndarray,
        strokes: Sequence[Stroke],
        downbeat: np.ndarray,
        harmony_change: np.ndarray | None = None,
        roles: np.ndarray | None = None,
    ) -> None:
        n = len(beat_times_s)
        gaps = np.diff(beat_times_s)
        self.beat_s = np.append(gaps, gaps[-1])
        self.tempo_bpm = 60.0 / float(np.median(self.beat_s))
        roles = roles_of(strokes) if roles is None else roles
        parts = count_parts(beat_times_s, np.array([s.time_s for s in strokes]))
        trust = np.array([s.confidence for s in strokes])
        # Strokes of each beat, with room for bars that reach over both ends.
        padded = np.zeros(((n + 2 * LONGEST) * PARTS_PER_BEAT, len(ROLES)), dtype=np.float32)
        where = parts + LONGEST * PARTS_PER_BEAT
        inside = (where >= 0) & (where < len(padded))
        np.add.at(padded, (where[inside], roles[inside]), trust[inside])
        self._padded = np.minimum(padded, 1.0)
        near = np.abs(parts - PARTS_PER_BEAT * np.round(parts / PARTS_PER_BEAT)) <= 2
        beat = np.round(parts / PARTS_PER_BEAT).astype(int)
        near &= (beat >= 0) & (beat < n)
        self.loudness = np.zeros(n)
        np.add.at(self.loudness, beat[near], np.array([s.velocity for s in strokes])[near] / 127.0)
        self._sparse = csr_array(self._padded.reshape(n + 2 * LONGEST, -1))
        self.counts = self._padded.reshape(-1, PARTS_PER_BEAT, len(ROLES))[LONGEST:-LONGEST]
        self._strokes = self._padded.reshape(n + 2 * LONGEST, -1).sum(axis=1)
        self._within = np.zeros(len(padded), dtype=np.float32)
        self._within[LONGEST * PARTS_PER_BEAT : (LONGEST + n) * PARTS_PER_BEAT] = 1.0
        self.downbeat_odds = np.log(np.clip(downbeat, 0.02, 0.98)) - np.log1p(-np.clip(downbeat, 0.02, 0.98))
        crash = roles == ROLES.index("crash")
        self.crashes = _lone_crashes(parts[crash], trust[crash], n)
        self.harmony = np.zeros(n) if harmony_change is None else np.clip(harmony_change, -2.0, 2.0)
        self.opens = (
            DOWNBEAT_WEIGHT * (self.downbeat_odds - self.downbeat_odds.mean())
            + CRASH_WEIGHT * self.crashes
            + HARMONY_WEIGHT * self.harmony
        )
        self._fits: dict[Meter, np.ndarray] = {}

    def __len__(self) -> int:
        return len(self.beat_s)

    def fit(self, meter: Meter) -> np.ndarray:
        """Log density of the strokes of bars of a meter; row k opens at beat ``k - LONGEST``."""
        if meter not in self._fits:
            self._fits[meter] = self._fit(meter)
        return self._fits[meter]

    def _fit(self, meter: Meter) -> np.ndarray:
        beats, rows = meter.counted_beats, len(self) + LONGEST
        bank = patterns(meter)
        count = len(bank.expected)
        # Beat by beat: what each would count as every beat of the bar. Strokes are few: sparse, this is faster, and
        # no threads of a linear algebra library wait for each other.
        by_beat = (self._sparse @ bank.by_part).reshape(-1, beats, count)
        fit = sum(by_beat[k : k + rows, k] for k in range(beats))
        # Bars that reach over an end of the song miss no strokes there.
        inside = slice(LONGEST, LONGEST + len(self) - beats + 1)
        over = np.ones(rows, dtype=bool)
        over[inside] = False
        covered = np.lib.stride_tricks.sliding_window_view(self._within, beats * PARTS_PER_BEAT)[::PARTS_PER_BEAT]
        fit[inside] -= bank.expected.sum(axis=1)
        fit[over] -= covered[:rows][over] @ bank.expected.T
        fit += bank.log_shares_at(self.tempo_bpm)
        top = fit.max(axis=1, keepdims=True)
        fit = (top + np.log(np.exp(fit - top).sum(axis=1, keepdims=True)))[:, 0]
        # A density over seconds: parts are shorter at faster beats.
        beat_s = np.pad(self.beat_s, LONGEST, mode="edge")
        seconds = np.convolve(beat_s, np.full(beats, 1.0 / beats), "valid")[:rows]
        strokes = np.convolve(self._strokes, np.ones(beats), "valid")[:rows]
        return fit - strokes * np.log(seconds / PARTS_PER_BEAT)

    def score(self, meter: Meter, prior: MeterPrior) -> np.ndarray:
        """How well bars of a meter open, rows as in :meth:`fit`, natural log."""
        opens = np.pad(self.opens, LONGEST)[: len(self) + LONGEST]
        return STROKE_WEIGHT * self.fit(meter) + opens + prior.log_bar

    def best_path(self, fixed: Sequence[int] = (), meters: dict[Meter, MeterPrior] | None = None) -> BarPath:
        """The best sequence of bars.

        Parameters
        ----------
        fixed : sequence of int
            Beats that a user has made bar lines: a bar begins at each.
        meters : dict, optional
            Meters allowed, with their priors; :data:`METERS` by default.
        """
        meters = METERS if meters is None else meters
        scores = {m: self.score(m, prior) for m, prior in meters.items()}
        enter = {m: p.log_likely + TEMPO_WEIGHT * p.log_tempo(self.tempo_bpm) for m, p in meters.items()}
        return _best_path(scores, len(self), LONGEST, set(fixed), enter)


def _lone_crashes(parts: np.ndarray, trust: np.ndarray, n: int) -> np.ndarray:
    """Confidence of crashes on each beat that no other crash is near to, (n,)."""
    out = np.zeros(n)
    order = np.argsort(parts, kind="stable")
    parts, trust = parts[order], trust[order]
    # Strokes at nearly the same moment are one crash on two cymbals.
    gaps = np.diff(parts)
    near = np.pad((gaps > 2) & (gaps < 1.9 * PARTS_PER_BEAT), 1)
    beat = np.round(parts / PARTS_PER_BEAT).astype(int)
    on_beat = (np.abs(parts - beat * PARTS_PER_BEAT) <= 2) & (beat >= 0) & (beat < n)
    lone = on_beat & ~near[:-1] & ~near[1:]
    np.maximum.at(out, beat[lone], trust[lone])
    return out


def _best_path(
    scores: dict[Meter, np.ndarray], n: int, longest: int, fixed: set[int], priors: dict[Meter, float]
) -> BarPath:
    """Viterbi over bars; row k of every score opens at beat ``k - longest``."""
    meters = list(priors)
    lengths = [m.counted_beats for m in meters]
    gains = [scores[m].tolist() for m in meters]
    end = n + longest
    # best[k][i]: best path whose last bar, of meter i, ends before row k.
    best = [[-np.inf] * len(meters) for _ in range(end + longest + 1)]
    back: list[list[tuple[int, int]]] = [[(0, -1)] * len(meters) for _ in best]
    for k in range(end):
        beat = k - longest
        so_far = best[k]
        top = max(so_far)
        source = so_far.index(top)
        for i, beats in enumerate(lengths):
            # The song's first bar holds the first beat.
            enter, came = -np.inf, -1
            if beat <= 0 < beat + beats:
                enter = priors[meters[i]] - (0.0 if beat == 0 else PICKUP_COST)
            if so_far[i] > enter:
                enter, came = so_far[i], i
            if top + METER_CHANGE > enter:
                enter, came = top + METER_CHANGE, source
            if enter == -np.inf or (fixed and not fixed.isdisjoint(range(beat + 1, beat + beats))):
                continue
            value = enter + gains[i][k]
            if value > best[k + beats][i]:
                best[k + beats][i] = value
                back[k + beats][i] = (k, came)
    # The last bar holds the last beat.
    score, k, i = max(
        (best[k][i], k, i) for k in range(end, end + longest + 1) for i in range(len(meters)) if k - lengths[i] < end
    )
    starts, used = [], []
    while i >= 0:
        used.append(meters[i])
        k, i = back[k][i]
        starts.append(k - longest)
    return BarPath(tuple(reversed(starts)), tuple(reversed(used)), float(score))
