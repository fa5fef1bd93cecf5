"""Which reading of a song's bars is right: every one is measured, a small network weighs the measures.

A *reading* is a sequence of beats with bars laid over it.  Its measures
(:data:`MEASURES`) ask what a listener asks: do the strokes fit what drummers
play in such bars, is the backbeat on 2 and 4, does a crash fall on 1 and a fill
before it, do chords change on 1, does a bar repeat the one before.  The network,
one hidden layer and a softmax over all readings of a song, was learnt by
:mod:`workbench.training.bar_chooser` from songs whose bars are known.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from importlib import resources
from typing import NamedTuple

import numpy as np
from scipy.ndimage import maximum_filter1d

from workbench.chart.events import Stroke
from workbench.chart.meter import Meter
from workbench.listening.activations import Activations
from workbench.listening.bars import (
    COMPOSED,
    LONGEST,
    METERS,
    ROLES,
    TEMPO_WEIGHT,
    BarEvidence,
    BarPath,
    MeterPrior,
    roles_of,
)
from workbench.listening.beats import FASTEST_BPM, SLOWEST_BPM
from workbench.listening.grids import Grid, distance_s
from workbench.listening.harmony import Harmony

#: Meters that a user may ask for, those of single bars (:data:`~workbench.listening.bars.METERS`) first.
KNOWN_METERS = (*METERS, *COMPOSED)

#: Meters of whole songs that are considered unasked.  The others are heard as 3/4, 6/8 or triplets in 4/4.
SONG_METERS = tuple(m for m in KNOWN_METERS if m not in (Meter(3, 8), Meter(9, 8), Meter(12, 8)))

#: Tempi of counted eighths that are considered, beats a minute.
COUNTED_EIGHTHS_BPM = (150.0, 400.0)

#: So many readings of one meter throughout are measured: of all, and at least of each meter; and on so many grids
#: bars may change their meter.
MEASURED, MEASURED_EACH, CHANGING = 90, 6, 6

#: Added to the log odds of every beat: how often a peak of the activations is a beat.
BEAT_ODDS = 0.5
#: How much the beat activations count against the strokes when readings are sifted.
PULSE_WEIGHT = 0.7


@dataclass(frozen=True)
class Heard:
    """What was heard of a song, as the readings are measured on it."""

    activations: Activations
    strokes: Sequence[Stroke]
    harmony: Harmony | None

    @cached_property
    def roles(self) -> np.ndarray:
        """Row of each stroke in the bar patterns, (strokes,)."""
        return roles_of(self.strokes)

    @cached_property
    def _wide(self) -> dict[str, np.ndarray]:
        width = 2 * int(round(0.05 * self.activations.frame_rate_hz)) + 1
        return {k: maximum_filter1d(getattr(self.activations, k), width) for k in ("beat", "downbeat")}

    def at(self, name: str, times_s: np.ndarray) -> np.ndarray:
        """Highest activation ("beat", "downbeat") within ±50 ms of moments."""
        wide = self._wide[name]
        return wide[np.clip(np.round(times_s * self.activations.frame_rate_hz).astype(int), 0, len(wide) - 1)]

    @cached_property
    def _peaks(self) -> tuple[np.ndarray, np.ndarray]:
        """Times of the peaks of the beat activations, and the log odds against each being no beat."""
        beat = self.activations.beat
        frames = np.flatnonzero((beat == maximum_filter1d(beat, 11)) & (beat > 0.1))
        wide = np.clip(maximum_filter1d(beat, 5), 0.02, 0.98)
        return frames / self.activations.frame_rate_hz, np.log1p(-wide[frames])

    def pulse_score(self, beats_s: np.ndarray) -> float:
        """Log likelihood of beats just here under the beat activations, natural log."""
        b = np.clip(self.at("beat", beats_s), 0.02, 0.98)
        times, missed = self._peaks
        far = distance_s(times, beats_s) > 0.06
        return float((np.log(b) - np.log1p(-b) + BEAT_ODDS).sum() + missed[far].sum())

    def evidence(self, beats_s: np.ndarray) -> BarEvidence:
        """What the song says for bars over given beats."""
        change = None if self.harmony is None else self.harmony.changes_at(beats_s)
        return BarEvidence(beats_s, self.strokes, self.at("downbeat", beats_s), change, self.roles)


@dataclass(frozen=True)
class Candidate:
    """A reading before it is chosen: grid and bars, and how today's sum of evidence rates it, natural log."""

    grid: Grid
    path: BarPath
    evidence: BarEvidence
    sifted: float

    @cached_property
    def meter(self) -> Meter:
        """Of most bars."""
        return max(set(self.path.meters), key=self.path.meters.count)


class _Sifted(NamedTuple):
    """Bars of one meter from a beat on, and the sum of their evidence, natural log."""

    score: float
    meter: Meter
    first: int
    grid: Grid
    evidence: BarEvidence


def _likelier(found: list[_Sifted]) -> list[_Sifted]:
    """Of these the likeliest, and the likeliest of each meter."""
    met: Counter[Meter] = Counter()
    out: list[_Sifted] = []
    for one in sorted(found, key=lambda c: -c.score):
        met[one.meter] += 1
        if len(out) < MEASURED or met[one.meter] <= MEASURED_EACH:
            out.append(one)
    return out


def candidates(
    heard: Heard, grids: Sequence[tuple[Grid, Sequence[int]]], meters: Sequence[Meter] = SONG_METERS
) -> list[Candidate]:
    """Readings of one meter and phase throughout, and of changing meters, the likelier ones.

    Parameters
    ----------
    grids : sequence of (Grid, beats that a user has made bar lines)
    meters : sequence of Meter
        Those allowed.
    """
    steady: list[_Sifted] = []
    changing: list[tuple[float, float, Grid, BarEvidence, Sequence[int]]] = []
    for grid, fixed in grids:
        evidence = heard.evidence(grid.beats_s)
        pulse = PULSE_WEIGHT * heard.pulse_score(grid.beats_s)
        here = []
        for meter in meters:
            if not _counted_at(meter, grid.tempo_bpm):
                continue
            prior = METERS.get(meter, RARE)
            gain, beats = evidence.score(meter, prior), meter.counted_beats
            enter = pulse + TEMPO_WEIGHT * prior.log_tempo(grid.tempo_bpm) + prior.log_likely
            for first in range(0, -beats, -1):
                if not any((k - first) % beats for k in fixed):
                    score = enter + float(gain[LONGEST + first :: beats].sum())
                    here.append(_Sifted(score, meter, first, grid, evidence))
        best = max((c.score for c in here), default=-np.inf)
        if any(m in METERS for m in meters) and SLOWEST_BPM <= grid.tempo_bpm <= FASTEST_BPM:
            changing = sorted([*changing, (best, pulse, grid, evidence, fixed)], key=lambda c: -c[0])[:CHANGING]
        # At once, so that the evidence of hours is not kept for every grid.
        steady = _likelier(steady + here)
    out = []
    for score, meter, first, grid, evidence in steady:
        starts = tuple(range(first, len(grid.beats_s), meter.counted_beats))
        out.append(Candidate(grid, BarPath(starts, (meter,) * len(starts), score), evidence, score))
    allowed = {m: prior for m, prior in METERS.items() if m in meters}
    for _, pulse, grid, evidence, fixed in changing:
        path = evidence.best_path(fixed, allowed)
        if len(set(path.meters)) > 1:
            out.append(Candidate(grid, path, evidence, path.score + pulse))
    return out


#: Prior of the meters that are not among :data:`~workbench.listening.bars.METERS`, for sifting.
RARE = MeterPrior(-12.0, 150.0, tempo_spread=0.7)


def _counted_at(meter: Meter, tempo_bpm: float) -> bool:
    eighths = meter.unit == 8 and not meter.is_compound
    slowest, fastest = COUNTED_EIGHTHS_BPM if eighths else (SLOWEST_BPM, FASTEST_BPM)
    return slowest <= tempo_bpm <= fastest


_ROLE = {name: ROLES.index(name) for name in ROLES}

#: What is measured of a reading, in the order of :func:`measure`.
MEASURES = (
    *("strokes", "strokes_behind", "pulse", "pulse_behind", "sifted_behind"),
    *("beat", "beat_over_half", "beat_over_quarters", "on_beat", "off_beat", "between"),
    *("downbeat", "downbeat_one", "downbeat_lead", "crash_one", "crash_lead", "harmony_one", "harmony_lead"),
    *("kick_one", "kick_lead", "backbeat_one", "backbeat_even", "backbeat_third", "tom_last", "ghost_one"),
    *("loud_one", "loud_lead", "thirds_fit", "thirds"),
    *("repeats", "repeats_lead", "repeats_twice", "repeats_four", "deviates_last", "deviates_first", "four_bars"),
    *("tempo", "tempo_square", "bar_s", "bar_s_square", "hits_a_beat", "hits_square", "kicks_a_beat"),
    *("opens", "spread", "bends", "steady", "changes"),
    *(f"meter_{m}" for m in SONG_METERS),
)


def measure(heard: Heard, found: Sequence[Candidate]) -> np.ndarray:
    """Measures of readings, (readings, measures), float."""
    per_grid: dict[int, _GridMeasures] = {}
    rows = []
    for candidate in found:
        key = id(candidate.evidence)
        if key not in per_grid:
            per_grid[key] = _GridMeasures(heard, candidate.grid, candidate.evidence)
        rows.append(per_grid[key].of(candidate))
    out = np.array(rows)
    for behind, of in (("strokes_behind", "strokes"), ("pulse_behind", "pulse"), ("sifted_behind", "sifted_behind")):
        column = out[:, MEASURES.index(of)]
        out[:, MEASURES.index(behind)] = column - column.max()
    return out


class _GridMeasures:
    """What the readings on one grid have in common."""

    def __init__(self, heard: Heard, grid: Grid, evidence: BarEvidence) -> None:
        beats, gaps = grid.beats_s, np.diff(grid.beats_s)
        self.evidence, self.span_s = evidence, float(beats[-1] - beats[0])
        odds = [_odds(heard.at("beat", beats[:-1] + part * gaps)) for part in (0.0, 0.5, 0.25, 0.75)]
        counts = evidence.counts
        loud = counts[:, :, [_ROLE["kick"], _ROLE["backbeat"]]].sum(axis=2).sum(axis=0)
        total = max(float(loud.sum()), 1e-6)
        on, off = loud[[0, 1, -1]].sum() / total, loud[5:8].sum() / total
        # Whether beats are divided in three or in four: strokes a third off them against a half and a quarter.
        within = counts.sum(axis=(0, 2)) / max(float(counts.sum()), 1e-6)
        self.thirds = float(within[[3, 4, 5, 7, 8, 9]] @ [-1, 1, -0.3, -0.3, 1, -1] - within[6])
        # Strokes a little before a beat belong to it.
        early = np.roll(counts.reshape(-1, len(ROLES)), 2, axis=0).reshape(counts.shape)
        self.on_beat = early[:, :5].max(axis=1)
        self.toms = counts[:, :, _ROLE["tom"]].sum(axis=1)
        self.picture = early[:, :, :].reshape(len(counts), 4, 3, len(ROLES)).max(axis=2).reshape(len(counts), -1)
        norm = np.linalg.norm(self.picture, axis=1)
        self.heard_beats = norm > 0
        self.picture = self.picture / np.maximum(norm, 1e-6)[:, None]
        self.alike: dict[int, np.ndarray] = {}
        hits = np.log(counts.sum() / len(counts) + 0.3)
        kicks = counts[:, :, [_ROLE["kick"], _ROLE["backbeat"]]].sum() / len(counts)
        tempo = float(np.log(grid.tempo_bpm / 110.0))
        self.pulse = heard.pulse_score(beats) / self.span_s
        self.head = [self.pulse, 0.0]
        self.beat = [odds[0].mean(), (odds[0] - odds[1]).mean(), (odds[0] - np.maximum(odds[2], odds[3])).mean()]
        self.beat += [on, off, 1.0 - on - off]
        self.tempo = tempo
        self.hits = [hits, hits**2, kicks]
        log_gaps = np.log(gaps)
        self.gaps = [
            min(float(np.std(log_gaps)), 0.3) * 10,
            min(float(np.abs(np.diff(log_gaps)).sum()) / max(len(log_gaps) - 1, 1), 0.3) * 10,
        ]
        self.steady = float(grid.steady)
        struck = np.flatnonzero(counts.sum(axis=(1, 2)) > 0.3)
        self.first = int(struck[0]) if len(struck) else 0

    def likeness(self, lag: int) -> np.ndarray:
        """Likeness of each beat to the one ``lag`` beats later; empty if the song is shorter."""
        if lag not in self.alike:
            both = (self.picture[:-lag] * self.picture[lag:]).sum(axis=1)
            self.alike[lag] = (
                both[self.heard_beats[:-lag] | self.heard_beats[lag:]] if lag < len(self.picture) else both
            )
        return self.alike[lag]

    def like(self, lag: int) -> float:
        found = self.likeness(lag)
        return float(found.mean()) if len(found) else 0.0

    def of(self, candidate: Candidate) -> list[float]:
        evidence, path, n = self.evidence, candidate.path, len(self.evidence)
        meter = candidate.meter
        beats = meter.counted_beats
        place = np.concatenate([np.arange(m.counted_beats) for m in path.meters])[-path.starts[0] :][:n]
        fit = (
            sum(float(evidence.fit(m)[LONGEST + k]) for m, k in zip(path.meters, path.starts) if k < n)
            if len(set(path.meters)) > 1
            else float(evidence.fit(meter)[LONGEST + path.starts[0] :: beats].sum())
        )
        inside = place < beats
        size = np.maximum(np.bincount(place[inside], minlength=beats), 1)

        def by_place(values: np.ndarray) -> np.ndarray:
            return np.bincount(place[inside], values[inside], minlength=beats) / size

        def one(values: np.ndarray) -> float:
            return float(values[0] - values.mean())

        def lead(values: np.ndarray) -> float:
            return float(values[0] - values[1:].max())

        downbeat, crash = by_place(evidence.downbeat_odds), by_place(evidence.crashes)
        harmony, toms = by_place(evidence.harmony), by_place(self.toms)
        kick, backbeat, ghost = (by_place(self.on_beat[:, _ROLE[r]]) for r in ("kick", "backbeat", "ghost"))
        loud, share = by_place(evidence.loudness), crash * size
        crash_share = float(share[0] / (share.sum() + 1.0)), float((share[0] - share[1:].max()) / (share.sum() + 1.0))
        lag = self.like(beats)
        others = [self.like(k) for k in range(max(2, beats - 2), beats + 3) if k != beats]
        deviates = self._deviations(place, beats)
        opens = np.flatnonzero(place == 0)
        event = evidence.crashes[opens] + np.minimum(self.toms[np.maximum(opens - 1, 0)], 2.0) + evidence.harmony[opens]
        four = max(float(event[h::4].mean()) for h in range(4)) - float(event.mean()) if len(event) >= 8 else 0.0
        bar_s = float(np.log(beats * 60.0 / 110.0) - self.tempo - np.log(2.1))
        return [
            *(fit / self.span_s, 0.0, *self.head, candidate.sifted / self.span_s),
            *self.beat,
            *(downbeat[0], one(downbeat), lead(downbeat), *crash_share, one(harmony), lead(harmony)),
            *(one(kick), lead(kick), one(backbeat), _even(backbeat), _third(backbeat)),
            *(float(toms[-1] - toms.mean()), one(ghost)),
            *(one(loud), lead(loud), self.thirds if meter.is_compound else -self.thirds, self.thirds),
            *(lag, lag - max(others), self.like(2 * beats), self.like(4 * beats), *deviates, four),
            *(self.tempo, self.tempo**2, bar_s, bar_s**2, *self.hits),
            *(float(place[min(self.first, n - 1)] == 0), *self.gaps, self.steady, self._changes(path)),
            *(float(meter == m) for m in SONG_METERS),
        ]

    def _deviations(self, place: np.ndarray, beats: int) -> tuple[float, float]:
        """How much the last and the first beat of bars differ from those a bar before, against all beats."""
        if beats >= len(self.picture):
            return 0.0, 0.0
        differs = 1.0 - (self.picture[beats:] * self.picture[:-beats]).sum(axis=1)
        at = place[beats:]
        mean = differs.mean()
        last, first = differs[at == beats - 1], differs[at == 0]
        return (float(last.mean() - mean) if len(last) else 0.0, float(first.mean() - mean) if len(first) else 0.0)

    @staticmethod
    def _changes(path: BarPath) -> float:
        """Bars in another meter than the one before, as a share of all, times ten."""
        changed = sum(a != b for a, b in zip(path.meters, path.meters[1:]))
        return 10.0 * changed / len(path.meters)


def _odds(likelihood: np.ndarray) -> np.ndarray:
    clipped = np.clip(likelihood, 0.02, 0.98)
    return np.log(clipped) - np.log1p(-clipped)


def _even(backbeat: np.ndarray) -> float:
    """Backbeats on every second beat against those on 1 and every second from there."""
    return float(backbeat[1::2].mean() - backbeat[::2].mean())


def _third(backbeat: np.ndarray) -> float:
    """Backbeats in the middle of the bar against the rest: half-time grooves."""
    middle = backbeat[len(backbeat) // 2]
    return float(middle - (backbeat.sum() - middle) / (len(backbeat) - 1))


@dataclass(frozen=True)
class ChooserNetwork:
    """A softmax over readings: linear in the scaled measures, plus one hidden layer.

    Attributes
    ----------
    mean, scale, linear : ndarray (measures,)
    hidden : ndarray (measures, units)
    bias, out : ndarray (units,)
    temperature : float
        Divides the scores: fitted on songs that were not learnt from.
    """

    mean: np.ndarray
    scale: np.ndarray
    linear: np.ndarray
    hidden: np.ndarray
    bias: np.ndarray
    out: np.ndarray
    temperature: float = 1.0

    def scores(self, measures: np.ndarray) -> np.ndarray:
        """How each reading is rated, (readings,), natural log but for a constant."""
        x = np.clip((measures - self.mean) / self.scale, -6.0, 6.0)
        return x @ self.linear + np.tanh(x @ self.hidden + self.bias) @ self.out

    def probabilities(self, measures: np.ndarray) -> np.ndarray:
        """How likely each reading is the right one, (readings,), sum 1."""
        score = self.scores(measures) / self.temperature
        likely = np.exp(score - score.max())
        return likely / likely.sum()


@cache
def network() -> ChooserNetwork:
    """The network that is shipped."""
    data = json.loads(resources.files("workbench.listening").joinpath("bar_chooser.json").read_text())
    assert tuple(data["measures"]) == MEASURES
    weights = data["network"]
    temperature = weights.pop("temperature")
    return ChooserNetwork(**{k: np.array(v) for k, v in weights.items()}, temperature=temperature)
