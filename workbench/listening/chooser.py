"""Which reading of a song's bars is right: every one is measured, small networks weigh the measures.

A *reading* is a sequence of beats with bars laid over it.  Its measures
(:data:`MEASURES`) ask what a listener asks: do the strokes fit what drummers
play in such bars, is the backbeat on 2 and 4, does a crash fall on 1 and a fill
before it, do chords change on 1, does a bar repeat the one before.  Two networks,
of one hidden layer each with a softmax over all readings of a song, were learnt by
:mod:`workbench.training.bar_chooser` from songs whose bars are known.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property
from importlib import resources
from operator import ne
from typing import NamedTuple

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import gaussian_filter1d, maximum_filter1d
from scipy.special import logsumexp, softmax

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
from workbench.listening.grids import Grid, of_strokes
from workbench.listening.harmony import Harmony
from workbench.listening.pulse import Pulse

#: Meters that a user may ask for, those of single bars (:data:`~workbench.listening.bars.METERS`) first.
KNOWN_METERS = (*METERS, *COMPOSED)

#: Meters of whole songs that are considered unasked.
SONG_METERS = KNOWN_METERS

#: Tempi of counted eighths that are considered, beats a minute.
COUNTED_EIGHTHS_BPM = (150.0, 400.0)

#: So many readings of one meter throughout are measured: of all, and for each meter at least so many phases at each of
#: so many levels; and on so many grids bars may change their meter.
MEASURED, LEVELS_EACH, PHASES, CHANGING = 90, 5, 5, 6

#: Readings are sifted when there are so many.
SIFT_AT = 2000

#: So many grids of one level are laid in bars: those that fit the activations, and those that fit the strokes.
GRIDS_EACH, STRUCK_EACH = 4, 2

#: Tempi of this ratio, natural log, are of one level.
LEVEL_WIDTH = 0.1

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
    def pulse(self) -> Pulse:
        """Beats and downbeats as the detector hears them."""
        return Pulse(self.activations.frame_rate_hz, self.activations.beat, self.activations.downbeat)

    @cached_property
    def _struck(self) -> np.ndarray:
        return of_strokes(self.strokes, len(self.activations.beat), self.activations.frame_rate_hz)

    def struck_share(self, times_s: np.ndarray) -> float:
        """How surely strokes fall just here, on average, 0 to 1."""
        at = np.round(times_s * self.activations.frame_rate_hz).astype(int)
        return float(self._struck[np.clip(at, 0, len(self._struck) - 1)].mean())

    def evidence(self, beats_s: np.ndarray) -> BarEvidence:
        """What the song says for bars over given beats."""
        change = None if self.harmony is None else self.harmony.changes_at(beats_s)
        return BarEvidence(beats_s, self.strokes, self.pulse.at("downbeat", beats_s), change, self.roles)


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
        meters = self.path.meters
        return meters[0] if self.throughout else max(set(meters), key=meters.count)

    @cached_property
    def throughout(self) -> bool:
        """Whether all bars are in one meter."""
        return self.path.meters.count(self.path.meters[0]) == len(self.path.meters)


class _Sifted(NamedTuple):
    """Bars of one meter from a beat on, the sum of their evidence, natural log, and what sets them apart.

    ``phase``: half beats since the last bar line in the middle of the song, the same for grids that differ a little.
    """

    score: float
    meter: Meter
    first: int
    grid: Grid
    evidence: BarEvidence
    level: int
    phase: int


def _likelier(found: list[_Sifted]) -> list[_Sifted]:
    """Of these the likeliest, and for each meter the likeliest phases at its likeliest levels."""
    phases: dict[Meter, dict[int, set[int]]] = {}
    out: list[_Sifted] = []
    for one in sorted(found, key=lambda c: -c.score):
        levels = phases.setdefault(one.meter, {})
        if one.level not in levels and len(levels) == LEVELS_EACH:
            continue
        met = levels.setdefault(one.level, set())
        if len(out) < MEASURED or (len(met) < PHASES and one.phase not in met):
            out.append(one)
        met.add(one.phase)
    return out


def _fitting(heard: Heard, grids: list[tuple[float, Grid, Sequence[int]]]) -> list[tuple[float, Grid, Sequence[int]]]:
    """Of the grids of one level those that fit the beat activations best, and of the others those that fit strokes."""
    ranked = sorted(grids, key=lambda g: -g[0])
    rest = sorted(ranked[GRIDS_EACH:], key=lambda g: -heard.struck_share(g[1].beats_s))
    return ranked[:GRIDS_EACH] + rest[:STRUCK_EACH]


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
    changing: dict[int, tuple[float, float, Grid, BarEvidence, Sequence[int]]] = {}
    levels: dict[int, list[tuple[float, Grid, Sequence[int]]]] = {}
    for grid, fixed in grids:
        level = round(np.log(grid.tempo_bpm) / LEVEL_WIDTH)
        levels.setdefault(level, []).append((PULSE_WEIGHT * heard.pulse.score(grid.beats_s), grid, fixed))
    kept = [(k, *g) for k, here in levels.items() for g in _fitting(heard, here)]
    for level, pulse, grid, fixed in kept:
        evidence = heard.evidence(grid.beats_s)
        middle_s = (grid.beats_s[0] + grid.beats_s[-1]) / 2
        middle = float(np.interp(middle_s, grid.beats_s, np.arange(len(grid.beats_s))))
        here: list[_Sifted] = []
        for meter in meters:
            if not _counted_at(meter, grid.tempo_bpm):
                continue
            prior = METERS.get(meter, RARE)
            gain, beats = evidence.score(meter, prior), meter.counted_beats
            enter = pulse + TEMPO_WEIGHT * prior.log_tempo(grid.tempo_bpm) + prior.log_likely
            for first in range(0, -beats, -1):
                if not any((k - first) % beats for k in fixed):
                    score = enter + float(gain[LONGEST + first :: beats].sum())
                    phase = round(2 * (middle - first)) % (2 * beats)
                    here.append(_Sifted(score, meter, first, grid, evidence, level, phase))
        steady += here
        # Between fixed lines bars of one meter may not fit at all.
        best = max((c.score for c in here), default=pulse - 1e9)
        known = level in changing and changing[level][0] >= best
        if len(meters) > 1 and SLOWEST_BPM <= grid.tempo_bpm <= FASTEST_BPM and not known:
            changing[level] = best, pulse, grid, evidence, fixed
            changing = dict(sorted(changing.items(), key=lambda c: -c[1][0])[:CHANGING])
        # Now and then, so that the evidence of hours is not kept for every grid.
        if len(steady) > SIFT_AT:
            steady = _likelier(steady)
    out = []
    for score, meter, first, grid, evidence, *_ in _likelier(steady):
        starts = tuple(range(first, len(grid.beats_s), meter.counted_beats))
        out.append(Candidate(grid, BarPath(starts, (meter,) * len(starts), score), evidence, score))
    usual = {m: prior for m, prior in METERS.items() if m in meters}
    # Two bars of usual meters are likelier than one that is as long as both.
    counted = {m: METERS.get(m, replace(RARE, log_bar=-2.0)) for m in meters if m.unit == 4}
    for _, pulse, grid, evidence, fixed in changing.values():
        for allowed in (usual, counted):
            path = evidence.best_path(fixed, allowed) if len(allowed) > 1 else None
            if path is not None and len(set(path.meters)) > 1 and path not in (c.path for c in out[-2:]):
                out.append(Candidate(grid, path, evidence, path.score + pulse))
    return out


#: Prior of the meters that are not among :data:`~workbench.listening.bars.METERS`, for sifting.
RARE = MeterPrior(-12.0, 150.0, tempo_spread=0.7)


def _counted_at(meter: Meter, tempo_bpm: float) -> bool:
    eighths = meter.unit == 8 and not meter.is_compound
    slowest, fastest = COUNTED_EIGHTHS_BPM if eighths else (SLOWEST_BPM, FASTEST_BPM)
    return slowest <= tempo_bpm <= fastest


_ROLE = {name: ROLES.index(name) for name in ROLES}

#: Usual tempi of each meter, counted beats a minute, and their spread, natural log (common practice, no source).
USUAL_BPM = {
    **{Meter(4, 4): (105, 0.45), Meter(3, 4): (120, 0.4), Meter(2, 4): (105, 0.45), Meter(5, 4): (125, 0.35)},
    **{Meter(6, 4): (125, 0.35), Meter(7, 4): (130, 0.35), Meter(6, 8): (65, 0.35), Meter(9, 8): (70, 0.35)},
    **{Meter(12, 8): (65, 0.35), Meter(3, 8): (220, 0.3), Meter(5, 8): (250, 0.3), Meter(7, 8): (260, 0.3)},
}

#: Measures that mean something else where beats are divided in three, or where eighths are counted: there once more.
_BY_KIND = (
    *("beat", "beat_over_half", "on_beat", "off_beat", "pulse", "hits_a_beat"),
    *("time_quarters", "time_off", "snare_one", "snare_two", "tempo", "strokes_behind"),
)

#: What is measured of a reading, in the order of :func:`measure`.
MEASURES = (
    *("strokes", "strokes_behind", "pulse", "pulse_behind", "sifted_behind"),
    *("beat", "beat_over_half", "beat_over_quarters", "on_beat", "off_beat", "between"),
    *("downbeat", "downbeat_one", "downbeat_lead", "crash_one", "crash_lead", "harmony_one", "harmony_lead"),
    *("kick_one", "kick_lead", "backbeat_one", "backbeat_even", "backbeat_third", "tom_last", "ghost_one"),
    *("loud_one", "loud_lead", "thirds_fit", "thirds"),
    *("repeats", "repeats_lead", "repeats_twice", "repeats_four", "deviates_last", "deviates_first", "four_bars"),
    *("drums_again", "drums_again_behind", "drums_twice", "drums_half", "drums_third", "drums_shorter", "drums_longer"),
    *("drums_four", "time_again", "time_half", "time_shorter", "time_longer"),
    *("snare_half", "snare_one", "snare_two", "snare_four", "time_a_beat", "time_off", "time_quarters"),
    *(
        "new_one",
        "new_lead",
        "downbeat_wins",
        "lines",
        "lines_behind",
        "kick_before",
        "kick_before_middle",
        "busy_last",
        "backbeat_last",
    ),
    *("edges_one", "edges_lead", "cycle_lead", "chords_again", "chords_lead", "chords_four", "bass_one", "bass_lead"),
    *("chord_share", "chord_share_lead", "downbeat_middle", "crash_middle", "harmony_middle", "kick_middle"),
    *("loud_middle", "new_middle", "bass_middle"),
    *("tempo", "tempo_square", "bar_s", "bar_s_square", "hits_a_beat", "hits_square", "kicks_a_beat"),
    *("opens", "spread", "bends", "steady", "changes"),
    *(f"meter_{m}" for m in SONG_METERS),
    *("tempo_usual", "half_of_six"),
    *(f"{name}_{of}" for of in ("compound", "eighths") for name in _BY_KIND),
)


#: Measures told as what they lack to the best reading's.
_BEHIND = {
    "strokes_behind": "strokes",
    "pulse_behind": "pulse",
    "sifted_behind": "sifted_behind",
    "drums_again_behind": "drums_again",
    "lines_behind": "lines",
}


def measure(heard: Heard, found: Sequence[Candidate]) -> np.ndarray:
    """Measures of readings, (readings, measures), float."""
    on_grid: dict[int, list[int]] = {}
    for k, candidate in enumerate(found):
        on_grid.setdefault(id(candidate.evidence), []).append(k)
    out = np.zeros((len(found), MEASURES.index("tempo_usual")))
    for here in on_grid.values():
        grid = _GridMeasures(heard, found[here[0]].grid, found[here[0]].evidence)
        out[here] = [grid.of(found[k]) for k in here]
    for behind, of in _BEHIND.items():
        column = out[:, MEASURES.index(of)]
        out[:, MEASURES.index(behind)] = column - column.max()
    return _by_kind(out, [c.meter for c in found])


def _by_kind(measures: np.ndarray, meters: Sequence[Meter]) -> np.ndarray:
    """Measures, and those that depend on the kind of meter beside them."""
    centre, spread = np.array([USUAL_BPM[m] for m in meters]).T
    tempo = measures[:, MEASURES.index("tempo")] + np.log(110.0 / centre)
    usual = np.maximum(-0.5 * np.square(tempo / spread), -8.0)
    of_kind = measures[:, [MEASURES.index(name) for name in _BY_KIND]]
    kinds = np.array([(m.is_compound, m.unit == 8 and not m.is_compound) for m in meters], dtype=float)
    # Six beats whose halves are alike are two bars of three.
    six = measures[:, MEASURES.index("drums_half")] * [m == Meter(6, 4) for m in meters]
    return np.column_stack([measures, usual, six, of_kind * kinds[:, :1], of_kind * kinds[:, 1:]])


#: What is told of each beat of a grid, columns of ``_GridMeasures.beatwise`` and of its means by place.
(
    _OF_DOWNBEAT,
    _OF_CRASH,
    _OF_HARMONY,
    _OF_LOUD,
    _OF_TOMS,
    _OF_KICK,
    _OF_BACKBEAT,
    _OF_GHOST,
    _OF_KICK_AFTER,
    _OF_BUSY,
    _OF_BASS,
    _OF_CHORDS,
    _OF_NEW,
) = range(13)


class _GridMeasures:
    """What the readings on one grid have in common."""

    def __init__(self, heard: Heard, grid: Grid, evidence: BarEvidence) -> None:
        beats, gaps = grid.beats_s, np.diff(grid.beats_s)
        self.heard, self.evidence, self.beats_s = heard, evidence, beats
        self.span_s = float(beats[-1] - beats[0])
        odds = [_odds(heard.pulse.at("beat", beats[:-1] + part * gaps)) for part in (0.0, 0.5, 0.25, 0.75)]
        counts = evidence.counts
        loud = counts[:, :, [_ROLE["kick"], _ROLE["backbeat"]]].sum(axis=2).sum(axis=0)
        total = max(float(loud.sum()), 1e-6)
        on, off = loud[[0, 1, -1]].sum() / total, loud[5:8].sum() / total
        # Whether beats are divided in three or in four: strokes a third off them against a half and a quarter.
        within = counts.sum(axis=(0, 2)) / max(float(counts.sum()), 1e-6)
        self.thirds = float(within[[3, 4, 5, 7, 8, 9]] @ [-1, 1, -0.3, -0.3, 1, -1] - within[6])
        # Strokes a little before a beat belong to it.
        early = np.roll(counts.reshape(-1, len(ROLES)), 2, axis=0).reshape(counts.shape)
        on_beat = early[:, :5].max(axis=1)
        self.toms = counts[:, :, _ROLE["tom"]].sum(axis=1)
        self.picture = early.reshape(len(counts), 4, 3, len(ROLES)).max(axis=2).reshape(len(counts), -1)
        norm = np.linalg.norm(self.picture, axis=1)
        self.heard_beats = norm > 0
        self.picture = self.picture / np.maximum(norm, 1e-6)[:, None]
        hits = np.log(counts.sum() / len(counts) + 0.3)
        kicks = counts[:, :, [_ROLE["kick"], _ROLE["backbeat"]]].sum() / len(counts)
        tempo = float(np.log(grid.tempo_bpm / 110.0))
        self.pulse = heard.pulse.score(beats) / self.span_s
        self.head = [self.pulse, 0.0]
        self.beat = [odds[0].mean(), (odds[0] - odds[1]).mean(), (odds[0] - np.maximum(odds[2], odds[3])).mean()]
        self.beat += [on, off, 1.0 - on - off]
        self.again = {k: _again(counts[:, :, [_ROLE[r] for r in roles]]) for k, roles in _PATTERNS.items()}
        snare, time = self.again["snare"], counts[:, :, _ROLE["time"]]
        self.level = [float(snare[k]) for k in (1, 2, 4, 8)]
        self.level += [float(np.log(time.sum(axis=1).mean() + 0.3)), float(time[:, 5:8].max(axis=1).mean())]
        self.level.append(float(np.maximum(time[:, 2:5], time[:, 8:11]).max(axis=1).mean()))
        kick_after = counts[:, 5:11, _ROLE["kick"]].max(axis=1)
        busy = counts[:, :, [_ROLE[r] for r in ("backbeat", "ghost", "tom")]].sum(axis=(1, 2))
        each = [evidence.downbeat_odds, evidence.crashes, evidence.harmony, evidence.loudness, self.toms]
        each += [on_beat[:, _ROLE[r]] for r in ("kick", "backbeat", "ghost")]
        self.chords, bass, chords = np.zeros((len(beats), 24)), np.zeros(len(beats)), np.zeros(len(beats))
        if heard.harmony is not None:
            self.chords, bass, chords = heard.harmony.over(beats)
        self.beatwise = np.column_stack([*each, kick_after, busy, bass, chords])
        self.chords_so_far = np.concatenate([np.zeros((1, 24)), np.cumsum(self.chords, axis=0)])
        self.so_far = np.concatenate([np.zeros((1, self.picture.shape[1])), np.cumsum(self.picture, axis=0)])
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

    @cached_property
    def by_length(self) -> dict[int, tuple[list[float], list[float], np.ndarray, np.ndarray, np.ndarray, list[float]]]:
        """For bars of so many beats: how they repeat, beat by beat and lag by lag; how each beat differs from the one
        a bar before; how new each beat is, and as where sections meet; and how chords repeat."""
        lags = {k: self.like(k) for k in range(2, 4 * LONGEST + 1)}
        out = {}
        for beats in {m.counted_beats for m in SONG_METERS}:
            others = [lags[k] for k in range(max(2, beats - 2), beats + 3) if k != beats]
            alike = [lags[beats], lags[beats] - max(others), lags[2 * beats], lags[4 * beats]]
            differs = 1.0 - (self.picture[beats:] * self.picture[:-beats]).sum(axis=1)
            new = self.novelty(self.so_far, beats)
            edges = new + self.novelty(self.chords_so_far, beats)
            wide = maximum_filter1d(edges, 2 * beats + 1)
            # Where sections meet: what is most new within a bar on either side.
            edges = np.where(edges >= wide, np.square(edges), 0.0)
            chords = [self.like_chords(k * beats) for k in (1, 3, 4, 5)]
            near = [self.like_chords(k) for k in range(max(2, beats - 2), beats + 3) if k != beats]
            harmonic = [chords[0], chords[0] - max(near), chords[2] - (chords[1] + chords[3]) / 2]
            out[beats] = alike, self.repetition(beats), differs, new, edges, harmonic
        return out

    def like(self, lag: int) -> float:
        """Mean likeness of each beat to the one ``lag`` beats later; 0 if the song is shorter."""
        both = (self.picture[:-lag] * self.picture[lag:]).sum(axis=1)
        found = both[self.heard_beats[:-lag] | self.heard_beats[lag:]]
        return float(found.mean()) if len(found) else 0.0

    def repetition(self, beats: int) -> list[float]:
        """How well the drums repeat after a bar of so many beats, against shorter and longer ones."""
        drums, time = self.again["drums"], self.again["time"]
        bar = 2 * beats
        # A half and thirds of a bar repeat in many a groove: they are told apart from other shorter bars.
        shorter = [k for k in range(2, bar) if k != beats and 3 * k % bar]
        longer = [k for k in range(bar + 1, 2 * bar) if k != 3 * beats]
        out = [drums[bar], 0.0, drums[2 * bar], drums[beats] - drums[bar], drums[round(bar / 3)] - drums[bar]]
        out += [drums[bar] - drums[shorter].max(initial=-1.0), drums[bar] - drums[longer].max()]
        out += [drums[4 * bar] - (drums[3 * bar] + drums[5 * bar]) / 2]
        out += [time[bar], time[beats] - time[bar], time[bar] - time[shorter].max(initial=-1.0)]
        return [float(v) for v in (*out, time[bar] - time[longer].max())]

    def like_chords(self, lag: int) -> float:
        """Mean likeness of the harmony of each beat to that ``lag`` beats later; 0 if the song is shorter."""
        both = max(len(self.chords) - lag, 0)
        return float(np.einsum("ij,ij->", self.chords[:-lag], self.chords[lag:])) / both if both else 0.0

    @staticmethod
    def novelty(so_far: np.ndarray, beats: int) -> np.ndarray:
        """How much the two bars after each beat differ from the two before it, (n,)."""
        n, reach = len(so_far) - 1, 2 * beats
        out = np.zeros(n)
        if n > 2 * reach and so_far[-1].any():
            window = so_far[reach:] - so_far[:-reach]
            window /= np.maximum(np.linalg.norm(window, axis=1), 1e-6)[:, None]
            out[reach : n - reach + 1] = 1.0 - (window[:-reach] * window[reach:]).sum(axis=1)
        return out

    def of(self, candidate: Candidate) -> list[float]:
        evidence, path, n = self.evidence, candidate.path, len(self.evidence)
        meter = candidate.meter
        beats = meter.counted_beats
        starts = np.array(path.starts)
        place = np.arange(n) - starts[np.searchsorted(starts, np.arange(n), side="right") - 1]
        fit = (
            float(evidence.fit(meter)[LONGEST + path.starts[0] :: beats].sum())
            if candidate.throughout
            else sum(float(evidence.fit(m)[LONGEST + k]) for m, k in zip(path.meters, path.starts) if k < n)
        )
        alike, repetition, differs, new, edges, harmonic = self.by_length[beats]
        at = place[:, None] == np.arange(beats)
        size = np.maximum(at.sum(axis=0), 1)
        # Means of each place in the bar, places by what is told of beats.
        by_place = at.T @ np.column_stack([self.beatwise, new]) / size[:, None]
        downbeat, crash, backbeat, kick_after = by_place[:, [_OF_DOWNBEAT, _OF_CRASH, _OF_BACKBEAT, _OF_KICK_AFTER]].T
        ones, leads = by_place[0] - by_place.mean(axis=0), by_place[0] - by_place[1:].max(axis=0)
        lasts = by_place[-1] - by_place.mean(axis=0)
        middles = by_place[0] - by_place[[beats // 2, (beats + 1) // 2]].max(axis=0)
        edge, chord = at.T @ edges, at.T @ np.maximum(self.beatwise[:, _OF_CHORDS] - 1.0, 0.0)
        edge, chord = edge / (edge.sum() + 0.1), chord / (chord.sum() + 1.0)
        cycle = edges + 0.1 * (evidence.crashes + np.maximum(evidence.harmony, 0.0))
        around = np.zeros((8, beats))
        inside = place < beats
        np.add.at(around, ((np.cumsum(place == 0) - 1)[inside] % 8, place[inside]), cycle[inside])
        four_of = around[:4] + around[4:]
        cycle_lead = float(four_of[:, 0].max() - four_of[:, 1:].max()) / (float(cycle.sum()) + 0.1)
        share = crash * size / (crash @ size + 1.0)
        opens = np.flatnonzero(place == 0)
        event = evidence.crashes[opens] + np.minimum(self.toms[np.maximum(opens - 1, 0)], 2.0) + evidence.harmony[opens]
        four = max(float(event[h::4].mean()) for h in range(4)) - float(event.mean()) if len(event) >= 8 else 0.0
        whole = evidence.downbeat_odds[opens[0] :][: (n - opens[0]) // beats * beats] if len(opens) else np.zeros(0)
        wins = float((whole.reshape(-1, beats).argmax(axis=1) == 0).mean()) if len(whole) else 0.0
        lines = self.heard.pulse.score(self.beats_s[opens], "downbeat")
        bar_s = float(np.log(beats * 60.0 / 110.0) - self.tempo - np.log(2.1))
        return [
            *(fit / self.span_s, 0.0, *self.head, candidate.sifted / self.span_s),
            *self.beat,
            *(downbeat[0], ones[_OF_DOWNBEAT], leads[_OF_DOWNBEAT], share[0], share[0] - share[1:].max()),
            *(ones[_OF_HARMONY], leads[_OF_HARMONY], ones[_OF_KICK], leads[_OF_KICK]),
            *(
                ones[_OF_BACKBEAT],
                _even(backbeat),
                _third(backbeat),
                lasts[_OF_TOMS],
                ones[_OF_GHOST],
                ones[_OF_LOUD],
                leads[_OF_LOUD],
            ),
            *(self.thirds if meter.is_compound else -self.thirds, self.thirds),
            *(*alike, *self._deviations(differs, place, beats), four, *repetition, *self.level),
            *(ones[_OF_NEW], leads[_OF_NEW], wins - 1.0 / beats, lines / self.span_s, 0.0),
            *(
                lasts[_OF_KICK_AFTER],
                kick_after[(beats - 1) // 2] - kick_after.mean(),
                lasts[_OF_BUSY],
                lasts[_OF_BACKBEAT],
            ),
            *(edge[0] - 1.0 / beats * edge.sum(), edge[0] - edge[1:].max(), cycle_lead, *harmonic),
            *(ones[_OF_BASS], leads[_OF_BASS], chord[0] - chord.sum() / beats, chord[0] - chord[1:].max()),
            *(middles[_OF_DOWNBEAT], share[0] - share[[beats // 2, (beats + 1) // 2]].max(), middles[_OF_HARMONY]),
            *(middles[_OF_KICK], middles[_OF_LOUD], middles[_OF_NEW], middles[_OF_BASS]),
            *(self.tempo, self.tempo**2, bar_s, bar_s**2, *self.hits),
            *(float(place[min(self.first, n - 1)] == 0), *self.gaps, self.steady, self._changes(candidate)),
            *(float(meter == m) for m in SONG_METERS),
        ]

    @staticmethod
    def _deviations(differs: np.ndarray, place: np.ndarray, beats: int) -> tuple[float, float]:
        """How much the last and the first beat of bars differ from those a bar before, against all beats."""
        if not len(differs):
            return 0.0, 0.0
        at = place[beats:]
        mean = differs.mean()
        last, first = differs[at == beats - 1], differs[at == 0]
        return (float(last.mean() - mean) if len(last) else 0.0, float(first.mean() - mean) if len(first) else 0.0)

    @staticmethod
    def _changes(candidate: Candidate) -> float:
        """Bars in another meter than the one before, as a share of all, times ten."""
        meters = candidate.path.meters
        return 0.0 if candidate.throughout else 10.0 * sum(map(ne, meters, meters[1:])) / len(meters)


#: Roles whose strokes are set against themselves some time later.
_PATTERNS = {"drums": ("kick", "backbeat", "tom"), "time": ("time", "crash", "ghost"), "snare": ("backbeat",)}


def _again(counts: np.ndarray) -> np.ndarray:
    """Correlation of strokes with themselves, half a beat later and so on, for five of the longest bars."""
    n, parts, roles = counts.shape
    x = gaussian_filter1d(counts.reshape(n * parts, roles), 1.0, axis=0)
    x = x - x.mean(axis=0)
    step, lags = parts // 2, 10 * LONGEST + 1
    size = next_fast_len(len(x) + step * lags, real=True)
    spectrum = rfft(x, size, axis=0)
    common = irfft(np.square(np.abs(spectrum)).sum(axis=1), size)
    energy = np.concatenate([[0.0], np.cumsum(np.square(x).sum(axis=1))])
    at = step * np.arange(lags)
    near = np.maximum(common[at], np.maximum(common[np.abs(at - 1)], common[at + 1]))
    left = np.maximum(len(x) - at, 0)
    both = np.sqrt(energy[left] * (energy[-1] - energy[np.minimum(at, len(x))]))
    return np.where(left > 2 * parts, near / np.maximum(both, 1e-6), 0.0)


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
    """A rating of readings: linear in the scaled measures, plus one hidden layer.

    Attributes
    ----------
    measures : tuple of str
        Those of :data:`MEASURES` that it knows.
    mean, scale, linear : ndarray (measures,)
    hidden : ndarray (measures, units)
    bias, out : ndarray (units,)
    """

    measures: tuple[str, ...]
    mean: np.ndarray
    scale: np.ndarray
    linear: np.ndarray
    hidden: np.ndarray
    bias: np.ndarray
    out: np.ndarray

    @cached_property
    def _columns(self) -> list[int]:
        return [MEASURES.index(name) for name in self.measures]

    def scaled(self, measures: np.ndarray) -> np.ndarray:
        """Its measures of readings as it weighs them, (readings, measures), within ±6."""
        return np.clip((measures[:, self._columns] - self.mean) / self.scale, -6.0, 6.0)

    def scores(self, measures: np.ndarray) -> np.ndarray:
        """How each reading is rated, (readings,), natural log but for a constant."""
        x = self.scaled(measures)
        return x @ self.linear + np.tanh(x @ self.hidden + self.bias) @ self.out


#: Added to the score of 4/4, natural log: of the songs that are learnt from three in four count as 4/4, of those that
#: are charted nine in ten are; not so of those whose beats divide in three, from this measure on (common practice, no
#: source).
MORE_FOUR, IN_THIRDS = float(np.log(9 / 3)), 0.1

#: Meters that drummers were recorded in: one opinion may say how likely such a group is, another which reading in it.
OF_PLAYERS = (Meter(4, 4),), (Meter(3, 4), Meter(6, 8))


def decided_by(alone: np.ndarray, scores: np.ndarray, measures: np.ndarray) -> np.ndarray:
    """Scores of readings, natural log, where *alone* says which reading in each group of :data:`OF_PLAYERS` it is."""
    out = scores.copy()
    for meters in OF_PLAYERS:
        here = measures[:, [MEASURES.index(f"meter_{m}") for m in meters]].any(axis=1)
        if here.any():
            out[here] = alone[here] - logsumexp(alone[here]) + logsumexp(scores[here])
    return out


@dataclass(frozen=True)
class Chooser:
    """How likely the readings of a song are, by two networks.

    The mean of two opinions (a linear pool: M. Stone, *The opinion pool*, Annals of Mathematical Statistics 32(4),
    1961): of both networks together, and of the same where the first alone says which reading of :data:`OF_PLAYERS`
    it is.

    Attributes
    ----------
    first, added : ChooserNetwork
        Learnt from recorded players and modules; and what composed songs in all meters add to it.
    first_weight : float
        How much the first counts beside what is added.
    temperature, first_temperature : float
        Divide the scores of both, and of the first where it decides alone: fitted on songs that were not learnt from.
    """

    first: ChooserNetwork
    added: ChooserNetwork
    first_weight: float
    temperature: float
    first_temperature: float

    def scores(self, measures: np.ndarray) -> np.ndarray:
        """How both networks rate each reading, (readings,), natural log but for a constant."""
        return self.first_weight * self.first.scores(measures) + self.added.scores(measures)

    def probabilities(self, measures: np.ndarray) -> np.ndarray:
        """How likely each reading is the right one, (readings,), sum 1."""
        by_both = self.scores(measures) / self.temperature
        four, thirds = measures[:, MEASURES.index("meter_4/4")], measures[:, MEASURES.index("thirds")]
        by_both += MORE_FOUR * ((four > 0) & (thirds < IN_THIRDS))
        by_first = decided_by(self.first.scores(measures) / self.first_temperature, by_both, measures)
        return (softmax(by_both) + softmax(by_first)) / 2


def read_chooser(data: dict) -> Chooser:
    """A chooser from plain numbers, as :mod:`workbench.training.bar_chooser` writes them."""
    first, added = (
        ChooserNetwork(tuple(data[k]["measures"]), *(np.array(data[k][part]) for part in NETWORK_PARTS))
        for k in ("first", "added")
    )
    return Chooser(first, added, data["first_weight"], data["temperature"], data["first_temperature"])


NETWORK_PARTS = ("mean", "scale", "linear", "hidden", "bias", "out")


@cache
def chooser() -> Chooser:
    """The chooser that is shipped."""
    return read_chooser(json.loads(resources.files("workbench.listening").joinpath("bar_chooser.json").read_text()))
