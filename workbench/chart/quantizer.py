"""From played strokes to written positions: one quantizer, and one musical prior, for recordings and MIDI.

No stroke is rounded alone.  Every beat gets one subdivision, and the sequence
of subdivisions over the song is found by dynamic programming: strokes off the
grid, fine or odd subdivisions, and changes of subdivision all cost (in the
spirit of E. Cambouropoulos, *From MIDI to traditional musical notation*, AAAI
workshop 2000, and C. Raphael, *A hybrid graphical model for rhythmic parsing*,
Artificial Intelligence 137, 2002).  What a beat has in common with the same
beat of neighbouring bars is heard as played several times: deviations are
averaged before anything is decided.

A song that swings is written straight under the feel 'swing 8ths' (or
'16ths'), each note keeping its deviation, as charts do (common practice, no
source).  A file made from a score has its strokes on exact places; they come
back as they were, on the coarsest grids that hold them.

Costs are negative log likelihoods up to a constant.  The prior's numbers were set by
hand until the rhythms of ``tests/test_quantizer.py`` came back as meant (no source),
before MIDI was read by it; what they make of human MIDI says
``python -m tests.benchmarks.bench_midi_reading GROOVE_DIR``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cache
from typing import NamedTuple

import numpy as np

from workbench.chart.chart import Note, WrittenBar
from workbench.chart.drumkit import instrument
from workbench.chart.events import Stroke
from workbench.chart.meter import Meter, TimeMap
from workbench.chart.ornaments import GRACE_STROKES, MUCH_LOUDER, GraceGroup, join_grace_strokes
from workbench.chart.pocket import swung_place
from workbench.grouping import grouped

#: How far strokes scatter about their place: seconds, and parts of the beat.
SCATTER_S, SCATTER_BEATS = 0.014, 0.022
#: No stroke costs more than this, so that a false one cannot bend the grid.
WORST_MISFIT = 6.0
#: What it costs to divide a simple or a compound beat in so many parts.
SIMPLE_COSTS = {1: 0.0, 2: 0.4, 4: 1.0, 3: 1.8, 6: 5.0, 8: 8.5}
COMPOUND_COSTS = {1: 0.0, 3: 0.3, 6: 1.0, 2: 3.2, 4: 3.8, 12: 6.5}
#: Ways to divide a beat of either kind.
_PARTS = (1, 2, 3, 4, 6, 8, 12)
_MULTIPLE = math.lcm(*_PARTS)
#: What sixteenths and thirty-seconds cost more where eighths swing.
SWUNG_DUPLE = 2.0
#: What it costs to go from duple to triple division or back, and to change otherwise.
CHANGE_KIND, CHANGE = 1.2, 0.15
#: What it costs that two strokes of an instrument fall on one place.
COLLISION = 4.0
#: Bars on either side in which repetitions of a beat are looked for,
REPEATS_WITHIN_BARS = 16
#: and how far from a stroke, in parts of the beat.
REPEATS_WITHIN_BEATS = 1 / 12

#: A player lies ahead of a click or behind it: the median of the strokes nearer than this to a beat, seconds,
LAG_WITHIN_S = 0.06
#: over so many beats on either side;
LAG_BEATS = 8
#: so many strokes on the beat weigh as much as the belief that there is no lag.  Tried with 36 performances of
#: Groove MIDI's training split: bars finer than sixteenths fell from 40 to 32 %; 16 beats gave the same.
LAG_DOUBT = 4
#: The same for how far one instrument lies behind the others (no source).
LIMB_DOUBT = 16

#: Families of drums on which double strokes and rolls are played (common practice, no source);
DOUBLED = ("snare", "tom", "kick")
#: strokes nearer than this, in whole notes, are nearer to thirty-seconds than to sixteenths or their triplets,
DOUBLE_WITHIN = 0.6 / 16
#: and nearer than this a buzz.
BUZZ_WITHIN = 0.3 / 16
#: A stroke goes to the free place beside its own if that is so near, in steps of the grid (no source).
NEAR_STEPS = 0.75

SWINGS = ("swing 8ths", "swing 16ths")
#: Where the second eighth of a swung beat is looked for, in parts of the beat.
SWING_RATIOS = (0.58, 0.60, 0.62, 0.64, 0.66, 0.68, 0.70, 0.72, 0.74)
#: Beyond this ratio it is a dotted rhythm, or no swing at all.
MOST_SWUNG = {"straight": 0.5, "swing 8ths": 0.72, "swing 16ths": 0.68}
#: Beyond 300 and 140 quarters a minute eighths and sixteenths can't be told as swung (common practice, no source): a
#: pair of them takes so long at least, seconds.
SHORTEST_PAIR_S = {"swing 8ths": 60.0 / 300, "swing 16ths": 60.0 / 140 / 2}
#: Where the second of a pair that may swing lies, in parts of the pair.
SECOND_OF_PAIR = {"swing 8ths": (0.4, 0.8), "swing 16ths": (0.3, 0.9)}
#: Ways to divide a beat whose places swing, by the part of it that a swung pair fills.
_SWUNG_PARTS = {1.0: (2, 4), 1 / 2: (2, 4), 1 / 3: (6,)}
#: How much better a swung reading must fit, a beat with off-beats.
SWING_MARGIN = 0.25
#: Nothing swings with fewer off-beats: so many, and this share of all beats.
FEWEST_SWUNG, LEAST_SWUNG = 6, 0.15

#: Grids of written files, the plainest first, in parts of the beat.
_WRITTEN_PARTS = (1, 2, 4, 3, 6, 8, 5, 7, 12, 9, 10, 16, 24)
#: Of a written file this share of strokes lies on 64ths, their triplets, fifths or sevenths of the beat.
MOSTLY_EXACT = 0.98


@dataclass(frozen=True)
class Quantized:
    """Written bars of a song.

    Attributes
    ----------
    bars : tuple of WrittenBar
        One for each bar of the time map.
    feel : str
        From :data:`workbench.chart.FEELS`.
    swing_ratio : float
        Where the off-beat eighth (or sixteenth) is played, in parts of the
        beat (or eighth); 0.5 is straight.
    groups : dict of GraceGroup
        The strokes of each note, by (bar index, note's key).
    exact : bool
        Whether the strokes lay on exact places: they were written, not played.
    """

    bars: tuple[WrittenBar, ...]
    feel: str = "straight"
    swing_ratio: float = 0.5
    groups: dict[tuple[int, tuple[Fraction, str]], GraceGroup] = field(default_factory=dict)
    exact: bool = False


class _Beat(NamedTuple):
    """One counted beat of the song."""

    bar_index: int
    start: Fraction  # from the bar line
    length: Fraction  # shorter than the beat in a pick-up bar
    meter: Meter
    seconds: float

    @property
    def beat(self) -> Fraction:
        return self.meter.beat_length

    @property
    def compound(self) -> bool:
        return self.meter.is_compound

    @property
    def cut(self) -> float:
        """Part of the beat that a pick-up bar lacks."""
        return float(1 - self.length / self.beat)

    def position(self, share: Fraction) -> Fraction | None:
        """Exact position of a part of the beat, of the whole beat before it its start; None where it is cut off."""
        inside = share * self.beat - (self.beat - self.length) if share < 1 else Fraction(0)
        return self.start + inside if inside >= 0 else None


def quantize(
    strokes: Sequence[Stroke],
    time_map: TimeMap,
    feel: str | None = None,
    tick: float | None = None,
    finest: int | None = None,
) -> Quantized:
    """Written positions of played strokes.

    Parameters
    ----------
    strokes : sequence of Stroke
        Those further than half a beat outside the time map are left out.
    time_map : TimeMap
    feel : str, optional
        From :data:`workbench.chart.FEELS`; found from the strokes if left out.
    tick : float, optional
        Smallest step of the source's times, whole notes, if it is known: strokes that all lie on
        exact places but for half a step are written there.
    finest : int, optional
        The shortest notes that are written, 8, 16 or 32 (and their triplets); otherwise thirty-seconds and shorter
        ones where two strokes or more of a bar need them.

    Returns
    -------
    Quantized
        No bar holds two notes of an instrument at one position: flams and drags
        become one note (:mod:`workbench.chart.ornaments`), others go to neighbouring places.

    Examples
    --------
    >>> played = [Stroke(0.01, "kick"), Stroke(0.26, "kick"), Stroke(0.49, "snare")]
    >>> bars = quantize(played, TimeMap.steady(1, 120)).bars
    >>> [(str(n.position), n.instrument) for n in bars[0].notes]
    [('0', 'kick'), ('1/8', 'kick'), ('1/4', 'snare')]
    """
    song, divisions, name, ratio, exact = _read(strokes, time_map, feel, tick, finest)
    return song.write(divisions, name, ratio, time_map, tick or 0.0 if exact else 0.0)


def written_places(
    strokes: Sequence[Stroke], time_map: TimeMap, feel: str
) -> Iterator[tuple[GraceGroup, int, Fraction]]:
    """Strokes that become one note, with the bar index and position at which :func:`quantize` would write it."""
    song, divisions, name, ratio, _ = _read(strokes, time_map, feel)
    for k, bar_index, position, _ in song.places(divisions, name, ratio):
        yield song.groups[k], bar_index, position


def places_in_beat(shares: Sequence[float], beat_s: float, meter: Meter, feel: str = "straight") -> list[Fraction]:
    """Where strokes of a single beat would be written, all on one grid, as parts of the beat.

    Parameters
    ----------
    shares : sequence of float
        Where they were played, parts of the beat.
    beat_s : float
        Length of the beat, seconds.
    meter : Meter
    feel : str
        From :data:`workbench.chart.FEELS`; swung notes are looked for at two to one.

    Examples
    --------
    >>> [str(place) for place in places_in_beat([0.02, 0.22, 0.45, 0.70], 0.5, Meter(4, 4))]
    ['0', '1/4', '1/2', '3/4']
    """
    scatter, found = math.hypot(SCATTER_S / max(beat_s, 0.05), SCATTER_BEATS), []
    pair = float(meter.swung_pair(feel))
    for parts, cost in zip(_PARTS, _costs(meter.is_compound, pair)):
        targets = _targets(parts, pair, 2 / 3)
        nearest = [int(np.argmin(np.abs(targets - share))) for share in shares]
        misfit = [min(((targets[n] - share) / scatter) ** 2 / 2, WORST_MISFIT) for n, share in zip(nearest, shares)]
        found.append((cost + sum(misfit), parts, nearest))
    _, parts, nearest = min(found)
    return [Fraction(n, parts) for n in nearest]


def _read(
    strokes: Sequence[Stroke], time_map: TimeMap, feel: str | None, tick: float | None = None, finest: int | None = None
) -> tuple[_Song, Sequence[int], str, float, bool]:
    """The song, the parts of each beat, feel, swing ratio, and whether the strokes lie on exact places."""
    beats = _beats_of(time_map)
    if tick is not None:
        song = _Song([GraceGroup(s, "", (s,)) for s in sorted(strokes)], beats, time_map, lead=tick / 2, lag=False)
        if song.is_written(tick):
            return song, song.coarsest(tick), feel or "straight", 0.5, True
    song = _Song(join_grace_strokes(strokes, time_map), beats, time_map)
    if tick is not None:
        song.join_doubles()
    feels = [feel] if feel else ["straight", *(f for f in SWINGS if song.may_swing(f))]
    readings = []
    for name in feels:
        for ratio in SWING_RATIOS if name in SWINGS else (0.5,):
            cost, divisions = song.divide(name, ratio, finest)
            margin = SWING_MARGIN * song.offbeats(name) if name in SWINGS else 0.0
            readings.append((cost + margin, name, ratio, divisions))
    best = {name: min(r for r in readings if r[1] == name) for name in feels}
    fitting = [r for r in best.values() if feel or r[2] <= MOST_SWUNG[r[1]]]
    _, name, ratio, divisions = min(fitting)
    if name == "swing 8ths":
        divisions = song.divide(name, ratio, finest, swung=True)[1]
    if tick is not None:
        divisions = song.justified(divisions, name, ratio)
        song.join_crowded(divisions, name, ratio)
    return song, divisions, name, ratio, False


def _beats_of(time_map: TimeMap) -> list[_Beat]:
    out = []
    for k, bar in enumerate(time_map.bars):
        beat = bar.meter.beat_length
        ends = (*bar.beat_times_s[1:], time_map.bar_end_s(k))
        for (start, length), a, b in zip(bar.beat_spans(), bar.beat_times_s, ends):
            out.append(_Beat(k, start, length, bar.meter, (b - a) / float(length / beat)))
    return out


@cache
def _targets(parts: int, pair: float, ratio: float, even_triplets: bool = False) -> np.ndarray:
    """Where the grid places of a beat are played, in parts of the beat, end included; in pairs so long if it swings.

    Where eighths swing less than two to one, the third of a triplet is the swung eighth, and the second lies halfway to
    it.  (In the 20 swung performances of Groove MIDI, with strokes on both, the third lies at 0.64 where eighths swing
    at 0.62-0.64 and at 0.67 where they swing at 0.70, the second at 0.31 and 0.33.)  Otherwise one figure would be
    spelt in two ways, as triplet and as two sixteenths and an eighth.
    """
    grid = np.arange(parts + 1) / parts
    if parts == 3 and pair == 1 and not even_triplets:
        third = min(ratio, 2 / 3)
        return np.array([0.0, third / 2, third, 1.0])
    return np.array([swung_place(p, pair, ratio) for p in grid]) if parts in _SWUNG_PARTS.get(pair, ()) else grid


def _costs(compound: bool, pair: float) -> list[float]:
    """The price of each way to divide a beat."""
    prices = COMPOUND_COSTS if compound else SIMPLE_COSTS
    swung = SWUNG_DUPLE if pair == 1 else 0.0
    return [prices.get(parts, np.inf) + (swung if parts in (4, 8) else 0.0) for parts in _PARTS]


@cache
def _changes(before: bool, now: bool, swings: bool) -> np.ndarray:
    """What it costs to go from each division of a beat to each of the next (rows: before), of beats compound or not.

    Swung eighths are the outer two of a triplet, so both go with them.
    """
    triple = [np.array([parts % 3 == 0 for parts in _PARTS]) ^ compound for compound in (before, now)]
    either = [(np.array(_PARTS) == 2) & (swings and not compound) for compound in (before, now)]
    other = (triple[0][:, None] != triple[1]) & ~either[0][:, None] & ~either[1]
    out = np.where(other, CHANGE_KIND, CHANGE)
    one = np.array(_PARTS) == 1
    return np.where(np.eye(len(_PARTS), dtype=bool) | one | one[:, None], 0.0, out)


def _lags_s(place: np.ndarray, beat: np.ndarray, seconds: np.ndarray) -> np.ndarray:
    """How far the player lies behind the beat around each stroke, seconds (before it: negative)."""
    off_s = (place - np.round(place)) * seconds[beat]
    near = np.flatnonzero(np.abs(off_s) < np.minimum(LAG_WITHIN_S, seconds[beat] / 8))
    first = np.searchsorted(beat[near], beat - LAG_BEATS)
    last = np.searchsorted(beat[near], beat + LAG_BEATS, side="right")
    spans = {(a, b) for a, b in zip(first, last)}
    middle = {
        (a, b): float(np.median(off_s[near[a:b]])) * (b - a) / (b - a + LAG_DOUBT) if b > a else 0.0 for a, b in spans
    }
    return np.array([middle[a, b] for a, b in zip(first, last)])


def _limbs_lags_s(place: np.ndarray, parts: np.ndarray, seconds: np.ndarray, names: np.ndarray) -> np.ndarray:
    """How far each instrument's strokes lie behind the others' (its player's limb, or its trigger), seconds; by those
    near the eighths, of which a beat has so many parts."""
    out = np.zeros(len(place))
    off_s = (place - np.round(parts * place) / parts) * seconds
    near = np.abs(off_s) < np.minimum(LAG_WITHIN_S, seconds / 8)
    for name in np.unique(names):
        own = off_s[near & (names == name)]
        out[names == name] = np.median(own) * len(own) / (len(own) + LIMB_DOUBT) if len(own) else 0.0
    return out


class _Song:
    """Strokes in the beats they fall in, and what they cost on each grid.

    A stroke up to ``lead`` whole notes before a beat belongs to it; with ``lag`` the player's own is set aside first.
    """

    def __init__(
        self,
        groups: Sequence[GraceGroup],
        beats: Sequence[_Beat],
        time_map: TimeMap,
        lead: float = 0.0,
        lag: bool = True,
    ) -> None:
        starts = np.array([float(time_map.starts[b.bar_index] + b.start) for b in beats])
        at = time_map.whole_notes_at(np.array([g.stroke.time_s for g in groups])) if groups else np.zeros(0)
        length = np.array([float(b.beat) for b in beats])
        cut = np.array([b.cut for b in beats])
        index = np.clip(np.searchsorted(starts, at + lead, side="right") - 1, 0, len(beats) - 1)
        if lag:
            seconds = np.array([b.seconds for b in beats])
            place = (at - starts[index]) / length[index] + cut[index]
            lags_s = _lags_s(place, index, seconds)
            place -= lags_s / seconds[index]
            eighths = np.array([3 if b.compound else 2 for b in beats])[index]
            lags_s += _limbs_lags_s(place, eighths, seconds[index], np.array([g.stroke.instrument for g in groups]))
            at = at - lags_s / seconds[index] * length[index]
            index = np.clip(np.searchsorted(starts, at, side="right") - 1, 0, len(beats) - 1)
        place = (at - starts[index]) / length[index] + cut[index]
        inside = (place - cut[index] > -0.5) & (place < 1.5)
        self.beats = beats
        self.groups = [g for g, here in zip(groups, inside) if here]
        #: For each stroke: its beat, and where it lies in it (0 to 1, in parts of the beat).
        self.beat = index[inside]
        self.place = np.clip(place[inside], cut[self.beat], 1.0)
        self.compound = np.array([b.compound for b in beats])
        self._pairs: dict[str, np.ndarray] = {}
        names = [g.stroke.instrument for g in self.groups]
        self.name = np.unique(names, return_inverse=True)[1]
        self.trust = np.array([g.stroke.confidence for g in self.groups])
        self.smooth = self._average_repeats()

    def join_doubles(self) -> None:
        """Strokes of a drum so near that they would need thirty-seconds or less become one note: double strokes and
        rolls, whose first stroke has the place, or a wide flam, whose last one has it."""
        length = np.array([float(b.beat) for b in self.beats])
        starts = np.concatenate([[0.0], np.cumsum([float(b.length) for b in self.beats])])[self.beat]
        cut = np.array([b.cut for b in self.beats])[self.beat]
        at = starts + (self.place - cut) * length[self.beat]  # whole notes, lag set aside
        times_s = np.array([g.stroke.time_s for g in self.groups])
        whole_s = np.array([b.seconds / float(b.beat) for b in self.beats])[self.beat]
        off = np.array([np.abs(at * n - np.round(at * n)) / n for n in (16, 12)])
        joined: dict[int, tuple[str, list[int]]] = {}
        for name in np.unique(self.name):
            own = np.flatnonzero(self.name == name)
            if instrument(self.groups[own[0]].stroke.instrument).family not in DOUBLED:
                continue
            own = own[np.argsort(times_s[own], kind="stable")]
            apart = np.diff(times_s[own]) / whole_s[own][1:]
            for run in np.split(own, np.flatnonzero(apart > DOUBLE_WITHIN) + 1):
                joined |= self._paired(run, at, off)
        self._join(joined)

    def pairs(self, feel: str) -> np.ndarray:
        """Which part of each beat a pair of notes fills that a feel swings, 0 where it does not."""
        if feel not in self._pairs:
            self._pairs[feel] = np.array([float(b.meter.swung_pair(feel)) for b in self.beats])
        return self._pairs[feel]

    def _of_a_kind(self, parts: np.ndarray, feel: str) -> Iterator[tuple[int, float, np.ndarray]]:
        """Strokes whose beats are divided and swing alike, with in how many parts, and in which pairs."""
        pairs = self.pairs(feel)[self.beat]
        for n, pair in sorted(set(zip(parts.tolist(), pairs.tolist()))):
            yield n, pair, np.flatnonzero((parts == n) & (pairs == pair))

    def join_crowded(self, divisions: Sequence[int], feel: str, ratio: float) -> None:
        """Strokes of a drum that fall on one place, the free ones being too far, become one note: better a double
        stroke than a note where nothing was played."""
        parts = np.array(divisions)[self.beat]
        nearest, steps = np.zeros((len(parts), 2), int), np.zeros(len(parts))
        for n, pair, own in self._of_a_kind(parts, feel):
            off = np.abs(_targets(n, pair, ratio) - self.smooth[own, None])
            nearest[own] = np.argsort(off, axis=1, kind="stable")[:, :2]
            steps[own] = np.sort(off, axis=1)[:, 1] * n
        # Places as beat, and part of it in the least common multiple of the ways to divide one.
        at = self.beat[:, None] * _MULTIPLE + nearest * (_MULTIPLE // parts[:, None])
        places = [(name, first) for name, first in zip(self.name.tolist(), at[:, 0].tolist())]
        on_place = grouped((place, k) for k, place in enumerate(places))
        joined: dict[int, tuple[str, list[int]]] = {}
        for together in on_place.values():
            family = instrument(self.groups[together[0]].stroke.instrument).family
            if (
                len(together) < 2
                or family not in DOUBLED
                or any(self.groups[k].sign in GRACE_STROKES for k in together)
            ):
                continue
            together.sort(key=lambda k: self.groups[k].stroke.time_s)
            name = int(self.name[together[0]])
            if any(
                steps[k] < NEAR_STEPS and (name, int(at[k, 1])) not in on_place for k in (together[0], together[-1])
            ):
                continue
            strokes = sum(len(self.groups[k].strokes) for k in together)
            joined[together[0]] = ("roll" if strokes > 2 else "double", together)
        self._join(joined)

    def _join(self, joined: dict[int, tuple[str, list[int]]]) -> None:
        """Make one note of strokes: the one that has the place → sign and strokes."""
        if not joined:
            return
        gone = {k for first, (_, members) in joined.items() for k in members if k != first}
        for k, (sign, members) in joined.items():
            together = [self.groups[m] for m in members]
            loudest = max(g.stroke.velocity for g in together)
            stroke = replace(self.groups[k].stroke, velocity=loudest)
            self.groups[k] = GraceGroup(stroke, sign, tuple(s for g in together for s in g.strokes))
        kept = np.array([k not in gone for k in range(len(self.groups))], bool)
        self.groups = [g for g, stays in zip(self.groups, kept) if stays]
        for what in ("beat", "place", "name", "trust"):
            setattr(self, what, getattr(self, what)[kept])
        self.smooth = self._average_repeats()

    def _paired(self, run: np.ndarray, at: np.ndarray, off: np.ndarray) -> dict[int, tuple[str, list[int]]]:
        """How strokes hardly apart are written: stroke that has the place → sign and strokes."""
        if any(self.groups[k].sign for k in run) or len(run) < 2:
            return {}
        if len(run) > 2 and np.median(np.diff(at[run])) < BUZZ_WITHIN:
            starts = [0]
            for j in range(len(run)):
                if at[run[j]] - at[run[starts[-1]]] > 1 / 16 - DOUBLE_WITHIN / 4:
                    starts.append(j)
            parts = np.split(run, starts[1:])
            return {int(p[0]): ("roll" if len(p) > 2 else "double", list(map(int, p))) for p in parts if len(p) > 1}
        # Those written: each second one from the first on, or the first and each second one from the second on.
        written = (run[::2], run[1::2] if len(run) == 2 else np.r_[run[0], run[1::2]])
        late = int(np.argmin([min(own.mean() for own in off[:, w]) for w in written]))
        if len(run) == 2 and late:
            first, last = (self.groups[k].stroke.velocity for k in run)
            wide_flam = (
                first <= MUCH_LOUDER * last and instrument(self.groups[run[0]].stroke.instrument).family != "kick"
            )
            return {int(run[1]): ("flam", [int(run[0]), int(run[1])])} if wide_flam else {}
        pairs = run[late:][: 2 * ((len(run) - late) // 2)].reshape(-1, 2)
        return {int(a): ("double", [int(a), int(b)]) for a, b in pairs}

    def _average_repeats(self) -> np.ndarray:
        """Place of each stroke averaged with its repetitions in neighbouring bars.

        A repetition is a stroke of the same instrument on the same beat of another
        bar, less than :data:`REPEATS_WITHIN_BEATS` away.
        """
        near: dict[tuple, list[tuple[int, float, int]]] = {}
        for k, (beat, place) in enumerate(zip(self.beat, self.place)):
            b = self.beats[beat]
            near.setdefault((b.start, b.beat, self.name[k]), []).append((b.bar_index, place, k))
        out = self.place.copy()
        for rows in near.values():
            bars, places = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
            first = np.searchsorted(bars, bars - REPEATS_WITHIN_BARS)
            last = np.searchsorted(bars, bars + REPEATS_WITHIN_BARS, side="right")
            for (_, place, k), a, b in zip(rows, first, last):
                close = places[a:b][np.abs(places[a:b] - place) < REPEATS_WITHIN_BEATS]
                # The stroke itself weighs as much as all its repetitions.
                out[k] = 0.5 * place + 0.5 * close.mean()
        return out

    # -- written files -----------------------------------------------------------------

    def _off(self, parts: int) -> np.ndarray:
        """How far each stroke is from a grid, in whole notes."""
        length = np.array([float(b.beat) for b in self.beats])[self.beat]
        return np.abs(self.place - np.round(self.place * parts) / parts) * length

    def is_written(self, tick: float) -> bool:
        """Whether a file was written, not played: nearly all strokes on 64ths, their triplets, fifths or sevenths."""
        grids = (16, 24, 5, 7)
        exact = np.any([self._off(parts) <= 0.51 * tick for parts in grids], axis=0)
        # By chance alone, this share of strokes would seem exact.
        shortest = min(float(b.beat) for b in self.beats)
        chance = min(1.0, tick / shortest * (16 + 16 + 4 + 6))
        return exact.sum() >= (MOSTLY_EXACT if chance < 0.5 else 1.0) * len(self.groups)

    def coarsest(self, tick: float) -> list[int]:
        """For each beat the plainest grid that holds its strokes; where none does, the likeliest."""
        out = [0] * len(self.beats)
        for parts in reversed(_WRITTEN_PARTS):
            off = np.bincount(self.beat, self._off(parts) > 0.51 * tick, len(self.beats))
            out = [parts if not n else before for n, before in zip(off, out)]
        likeliest = self.divide("straight", 0.5)[1] if not all(out) else out
        return [parts or likely for parts, likely in zip(out, likeliest)]

    # -- played ones --------------------------------------------------------------------

    def offbeats(self, feel: str) -> int:
        """Number of beats with a stroke where this feel would move it."""
        pair = self.pairs(feel)[self.beat]
        inside = self.smooth / np.where(pair, pair, 1.0) % 1
        low, high = SECOND_OF_PAIR[feel]
        return len(np.unique(self.beat[(pair > 0) & (low < inside) & (inside < high)]))

    def may_swing(self, feel: str) -> bool:
        """Whether a song has the off-beats, and the tempo, to swing so."""
        pairs = self.pairs(feel)
        pairs_s = [b.seconds * pair for b, pair in zip(self.beats, pairs) if pair]
        if not pairs_s or float(np.median(pairs_s)) < SHORTEST_PAIR_S[feel]:
            return False
        return self.offbeats(feel) >= max(FEWEST_SWUNG, LEAST_SWUNG * len(self.beats))

    def _own_costs(self, feel: str, ratio: float, even_triplets: bool = False) -> np.ndarray:
        """What each way to divide each beat costs by itself, (beats, ways)."""
        count = len(self.beats)
        pairs = self.pairs(feel)
        prices = {kind: np.array(_costs(*kind)) for kind in set(zip(self.compound.tolist(), pairs.tolist()))}
        out = np.array([prices[kind] for kind in zip(self.compound.tolist(), pairs.tolist())])
        seconds = np.array([b.seconds for b in self.beats])
        scatter = np.hypot(SCATTER_S / np.maximum(seconds, 0.05), SCATTER_BEATS)[self.beat]
        for way, parts in enumerate(_PARTS):
            column, target = np.zeros(len(self.smooth), int), np.zeros(len(self.smooth))
            for _, pair, own in self._of_a_kind(np.full(len(self.smooth), parts), feel):
                targets = _targets(parts, pair, ratio, even_triplets)
                column[own] = np.searchsorted((targets[1:] + targets[:-1]) / 2, self.smooth[own])
                target[own] = targets[column[own]]
            misfit = np.minimum(((self.smooth - target) / scatter) ** 2 / 2, WORST_MISFIT)
            out[:, way] += np.bincount(self.beat, self.trust * misfit, count)
            in_a_beat = (self.name.max(initial=0) + 1) * (parts + 1)
            places = np.unique(self.beat * in_a_beat + self.name * (parts + 1) + column)
            taken = np.bincount(self.beat, minlength=count) - np.bincount(places // in_a_beat, minlength=count)
            out[:, way] += COLLISION * taken
        silent = np.bincount(self.beat, minlength=count) == 0
        out[silent] = np.where(np.array(_PARTS) == 1, 0.0, np.inf)
        return out

    def divide(
        self, feel: str, ratio: float, finest: int | None = None, swung: bool = False
    ) -> tuple[float, list[int]]:
        """Cheapest sequence of subdivisions: total cost and one subdivision a beat.

        Of a song that is known to swing (``swung``) a triplet beside swung eighths is no change, and goes with them;
        while feels are compared it is a change and even, else many triplets would speak for swing.
        """
        own = self._own_costs(feel, ratio, even_triplets=not swung)
        if finest:
            own = own + np.where(self._within(finest), 0.0, np.inf)
        total, sources = own[0], []
        for k in range(1, len(own)):
            before, now = bool(self.compound[k - 1]), bool(self.compound[k])
            ways = total[:, None] + _changes(before, now, swung)
            sources.append(ways.argmin(axis=0))
            total = ways.min(axis=0) + own[k]
        way = int(total.argmin())
        out = [_PARTS[way]]
        for source in reversed(sources):
            way = int(source[way])
            out.append(_PARTS[way])
        return float(total.min()), out[::-1]

    def _within(self, finest: int) -> np.ndarray:
        """Which ways to divide each beat need no notes shorter than these or their triplets, (beats, ways)."""
        step = np.array([float(b.beat) for b in self.beats])[:, None] / np.array(_PARTS)
        triplet = ~self.compound[:, None] & (np.array(_PARTS) % 3 == 0)
        return np.where(triplet, 1.5, 1.0) * step >= (1 - 1e-9) / finest

    def justified(self, divisions: Sequence[int], feel: str, ratio: float) -> list[int]:
        """The same, thirty-seconds given up in bars where a single stroke would need them."""
        own, within, pairs = self._own_costs(feel, ratio), self._within(16), self.pairs(feel)
        out = list(divisions)
        fine: dict[int, list[int]] = {}
        for k, (beat, place) in enumerate(zip(self.beat, self.smooth)):
            column = np.abs(_targets(out[beat], float(pairs[beat]), ratio) - place).argmin()
            b = self.beats[beat]
            position = b.start + Fraction(int(column), out[beat]) * b.beat - (b.beat - b.length)
            if (16 * position).denominator > 1 and (24 * position).denominator > 1:
                fine.setdefault(b.bar_index, []).append(k)
        for strokes in fine.values():
            if len(strokes) == 1:
                beat = self.beat[strokes[0]]
                out[beat] = _PARTS[int(np.where(within[beat], own[beat], np.inf).argmin())]
        return out

    def places(
        self, divisions: Sequence[int], feel: str, ratio: float, choices: int = 3
    ) -> Iterator[tuple[int, int, Fraction, int]]:
        """Strokes by their number, each with bar index and position of the grid place nearest to it (of so many) that
        no other of its instrument has, and the beat it lies in."""
        parts = np.array(divisions)[self.beat]
        nearest = np.zeros((len(parts), choices), int)
        off = np.zeros(len(parts))
        for n, pair, own in self._of_a_kind(parts, feel):
            distance = np.abs(_targets(n, pair, ratio) - self.smooth[own, None])
            columns = np.argsort(distance, axis=1, kind="stable")[:, :choices]
            # A beat of one part has two places.
            nearest[own] = np.pad(columns, ((0, 0), (0, choices - columns.shape[1])), mode="edge")
            off[own] = distance.min(axis=1)
        velocity = np.array([g.stroke.velocity for g in self.groups])
        taken = set()
        known: dict[tuple[int, int, int], Fraction | None] = {}
        shapes: dict[tuple[Fraction, ...], int] = {}
        shape = [shapes.setdefault((b.start, b.beat, b.length), len(shapes)) for b in self.beats]
        # Strokes nearest to their place choose first.
        for k in np.lexsort((-velocity, self.beat, off)).tolist():
            beat, n, name = int(self.beat[k]), int(parts[k]), int(self.name[k])
            for column in nearest[k].tolist():
                at = beat + (column == n)
                if at == len(self.beats):
                    continue
                place = (shape[at], column, n)
                if place not in known:
                    known[place] = self.beats[at].position(Fraction(column, n))
                position, bar_index = known[place], self.beats[at].bar_index
                if position is None or (key := (bar_index, *position.as_integer_ratio(), name)) in taken:
                    continue
                taken.add(key)
                yield k, bar_index, position, beat
                break

    def write(
        self, divisions: Sequence[int], feel: str, ratio: float, time_map: TimeMap, tick: float = 0.0
    ) -> Quantized:
        """Notes at the grid places nearest to their strokes, none on another."""
        notes: list[list[Note]] = [[] for _ in time_map.bars]
        groups = {}
        # A written stroke goes nowhere else.
        for k, bar_index, position, beat in self.places(divisions, feel, ratio, 1 if tick else 3):
            stroke, sign = self.groups[k].stroke, self.groups[k].sign
            groups[bar_index, (position, stroke.instrument)] = self.groups[k]
            deviation_s = stroke.time_s - time_map.seconds(bar_index, position)
            # Half a tick is lost in rounding a place that no tick meets.
            if tick and abs(deviation_s) <= 0.51 * tick * self.beats[beat].seconds / float(self.beats[beat].beat):
                deviation_s = 0.0
            notes[bar_index].append(
                Note(
                    position,
                    stroke.instrument,
                    stroke.velocity,
                    frozenset({sign} - {""}),
                    deviation_s=deviation_s,
                    confidence=stroke.confidence,
                )
            )
        shown: list[list[int]] = [[] for _ in time_map.bars]
        for timed, parts in zip(self.beats, divisions):
            usual = 6 if timed.compound else 4
            shown[timed.bar_index].append(parts if usual % parts else usual)
        bars = []
        for own, grids, bar in zip(notes, shown, time_map.bars):
            usual = 6 if bar.meter.is_compound else 4
            bars.append(WrittenBar(tuple(own), tuple(grids) if set(grids) != {usual} else ()))
        return Quantized(tuple(bars), feel, ratio, groups, tick > 0)
