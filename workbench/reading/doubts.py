"""What sentences about a draft rest on, and how likely they are true.

A draft's hits were heard, not written: some were not played, and some that were played are missing.  What is
said of them (a change in a bar, the way of a fill) is as sure as its strokes, and as sure as the silences that
it speaks of.  Both are estimated by logistic regression on drafts of human performances of the Groove MIDI data
set, rendered with and without other instruments (``python -m tests.benchmarks.bench_statements GROOVE --fit``).
What a user confirmed or a score brought is certain.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from itertools import combinations

from workbench.chart import DOUBT_BELOW, Chart, Note, is_doubtful
from workbench.chart.drumkit import drum_key_order, instrument
from workbench.chart.drums import drums_of
from workbench.chart.machinetime import is_by_machine
from workbench.grouping import grouped
from workbench.reading.grooves import Groove

# Numbers whose origin is not named: chosen by eye, no source.
#: Corrections counted for each that a draft expects: some of what it is sure of is wrong, and some of what was played
#: it does not hear at all.  Of eight sets of validation clips and rendered performances it is 1.2 to 1.8, least where
#: only strokes count that a listener hears; of drafts of programmed music, 80 of songs that nothing was learnt from,
#: 2.2 to 3.
COUNTED_FOR_EXPECTED, COUNTED_OF_MACHINES = 1.3, 2.6
#: What a draft is worth that needs fewer corrections a bar than this.
QUALITIES = ((0.5, "Nearly right"), (1.5, "Good"), (3.0, "Fair"), (5.0, "Poor"), (float("inf"), "Too poor to trust"))
#: Of fewer hits of an instrument none is said to be mostly doubtful.
FEWEST_HITS = 3
#: What is mostly doubtful is mostly less sure than this, in words.
MOSTLY_SURE = f"{DOUBT_BELOW:.0%}".replace("%", " %")

#: Sentences at least so likely to be true are told plainly, others marked "listen first"; those less likely than
#: the second are left out.  Set so that of plain ones 97 in 100 are true (``bench_statements``).
TOLD_FROM, SAID_FROM = 0.93, 0.5
#: A sentence about a draft of programmed music is at best so likely true: of 72 that would be told plainly 60 are (19
#: songs of ``workbench.training.project_songs``, alone and in the mix), where of those about drummers 97 in 100 are.
MACHINES_SURE = 0.85
#: Log-odds that a hit was played: of its confidence's, of the share of the groove's other bars that have it, and 0.
HIT_WEIGHTS = (1.20, 0.49, -0.40)
#: Log-odds that nothing was played where nothing was heard: of drums that others cover; of a possible hit's there,
#: which knows the other bars; of the mean confidence's of all hits of that instrument, whom the ear may hear badly in
#: this recording; of their number's logarithm; and 0.
SILENCE_WEIGHTS = (-0.53, -0.99, 0.18, -0.21, 0.80)
#: How often a stroke said to be a ghost note, a flam or the like, or no such thing, is just that.
ORNAMENT_SURE = 0.85
#: How often a bar truly lacks what its draft lacks, at best: that nothing was heard is no proof, so it is never plain.
ABSENCE_SURE = 0.9
#: Spread of strokes about their places, seconds: that of working drummers (``bench_take --spread``).
PLACE_SPREAD_S = 0.016
#: How often a fill has no other kick than those heard: bass and toms cover it.
NO_OTHER_KICK = 0.65
#: Confidences count no nearer to 0 and 1 than this.
CLOSEST = 0.02

#: How a doubtful sentence begins, and what that asks of a reader.
LISTEN_FIRST = "listen first"
LISTEN_FIRST_MEANS = (
    "Listen first: the draft is not sure of what stands after these words. Hear the bars on the record and compare "
    "them with what is written; in the grid, correct what is wrong and confirm what is right."
)
#: How a sentence begins that is likelier wrong than right, where it is told all the same.
PERHAPS = "perhaps"
PERHAPS_MEANS = "Perhaps: likelier wrong than right; told because everything was asked for."

#: A stroke in a bar: position and instrument.
Key = tuple[Fraction, str]


@dataclass(frozen=True)
class Grounds:
    """What a sentence rests on.

    Attributes
    ----------
    hits : int
        Hits that it speaks of.
    least_sure : float
        Confidence of the least sure of them, 0–1.
    bars : int
        Bars that agree.
    certainty : float
        How likely it is true, 0–1.
    """

    hits: int = 0
    least_sure: float = 1.0
    bars: int = 0
    certainty: float = 1.0

    @property
    def is_plain(self) -> bool:
        """Whether the sentence is told without a mark."""
        return self.certainty >= TOLD_FROM

    @property
    def is_left_out(self) -> bool:
        """Whether it is not told at all."""
        return self.certainty < SAID_FROM

    def marked(self, text: str) -> str:
        """A sentence with its mark, if it needs one."""
        return text if self.is_plain else f"{PERHAPS if self.is_left_out else LISTEN_FIRST}: {text}"


#: Of what was written or confirmed.
CERTAIN = Grounds()


def expected_corrections(chart: Chart) -> list[float]:
    """How many corrections each bar is likely to need: hits that are wrong, and possible hits that were played.

    A wrong hit and a possible hit at one place are one correction.
    """
    counted = COUNTED_OF_MACHINES if is_by_machine(chart.time_map) else COUNTED_FOR_EXPECTED
    wrong: dict[tuple[int, Fraction], float] = {}
    missed: dict[tuple[int, Fraction], float] = {}
    for k, note in chart.notes():
        if not note.confirmed:
            wrong[k, note.position] = wrong.get((k, note.position), 0.0) + 1 - note.confidence
    for k, note, hit in chart.possible_notes():
        missed[k, note.position] = missed.get((k, note.position), 0.0) + hit.probability
    out = [0.0] * len(chart)
    for place in wrong.keys() | missed.keys():
        out[place[0]] += counted * max(wrong.get(place, 0.0), missed.get(place, 0.0))
    return out


def quality(corrections_per_bar: float) -> str:
    """What so many corrections a bar say of a draft, as a sentence.

    Examples
    --------
    >>> quality(8.2)
    'Too poor to trust: expect 8 corrections a bar.'
    """
    word = next(word for most, word in QUALITIES if corrections_per_bar < most)
    number = f"{corrections_per_bar:.0f}" if corrections_per_bar >= 2 else f"{corrections_per_bar:.1f}"
    return f"{word}: expect {number} corrections a bar."


def doubtful_hits(chart: Chart) -> Counter[str]:
    """How many hits of each instrument are doubtful, by the chart's own limit."""
    return Counter(n.instrument for _, n in chart.notes() if is_doubtful(n, chart.doubt_below))


def mostly_doubtful(chart: Chart, but: Container[str] = ()) -> dict[str, str]:
    """Instruments of most of whose hits the draft is less than :data:`MOSTLY_SURE` sure, whatever the chart's limit,
    with how many they are: "13 of 13".  Those in ``but`` are told in other ways."""
    hits = Counter(n.instrument for _, n in chart.notes())
    doubtful = Counter(n.instrument for _, n in chart.notes() if is_doubtful(n))
    mostly = (n for n in doubtful if hits[n] >= FEWEST_HITS and doubtful[n] > hits[n] / 2 and n not in but)
    return {name: f"{doubtful[name]} of {hits[name]}" for name in sorted(mostly, key=drum_key_order)}


def doubted_as_a_whole(chart: Chart, but: Container[str] = ()) -> dict[str, str]:
    """Drums that should be listened to as a whole, with how many of their hits are in doubt: "102 of 112"."""
    return {d.name: f"{d.doubts} of {d.hits}" for d in drums_of(chart) if d.is_doubted and d.name not in but}


def counted(drums: Mapping[str, str]) -> str:
    """Drums with their counts in words: "high tom (13 of 13), mid tom (4 of 7)"."""
    return ", ".join(f"{name} ({count})" for name, count in drums.items())


def heard_confidence(note: Note) -> float:
    """How sure a note is: 1 where a user confirmed it."""
    return 1.0 if note.confirmed else note.confidence


def is_covered(name: str) -> bool:
    """Whether other sounds of a song often cover an instrument: kick, hi-hat and ride."""
    return instrument(name).family in ("kick", "hi-hat") or name in ("ride", "ride bell")


#: Places between two beats on the grids that are taken for each other: sixteenths and triplets.
_RIVAL_GRIDS = tuple(tuple(Fraction(k, parts) for k in range(1, parts)) for parts in (4, 3))


@cache
def _grids_with(position: Fraction, beat_length: Fraction) -> tuple[bool, ...]:
    """Which of the rival grids have a place."""
    within = position / beat_length % 1
    return tuple(within in places for places in _RIVAL_GRIDS)


class _HeardSong:
    """What of a whole chart is asked for each of its grooves: possible hits, each instrument's confidences, and how
    many strokes lie on each of the rival grids (and one)."""

    _last: _HeardSong | None = None

    def __init__(self, chart: Chart) -> None:
        self.chart = chart
        self.possible = {(k, n.key): hit.probability for k, n, hit in chart.possible_notes()}
        self.of_instrument: dict[str, list[float]] = defaultdict(list)
        lying: Counter[tuple[Fraction, Fraction]] = Counter()
        for k, n in chart.notes():
            self.of_instrument[n.instrument].append(heard_confidence(n))
            lying[n.position, chart.time_map.bars[k].meter.beat_length] += 1
        self.most_sure = MACHINES_SURE if is_by_machine(chart.time_map) else 1.0
        self.on_grid = [1 + sum(c for at, c in lying.items() if _grids_with(*at)[grid]) for grid in (0, 1)]

    @classmethod
    def of(cls, chart: Chart) -> _HeardSong:
        """Of a chart; that of the last one is kept."""
        last = cls._last
        if last is None or last.chart is not chart:
            last = cls._last = cls(chart)
        return last


class HeardBars:
    """How surely the strokes of some bars were heard where they are written, and that others were not played in them.

    Parameters
    ----------
    chart : Chart
    bars : iterable of int
        Bars of one groove: what recurs in them is the surer.
    """

    def __init__(self, chart: Chart, bars: Iterable[int]) -> None:
        self.chart, self.bars = chart, tuple(bars)
        # Bars in which nothing is played say nothing of what recurs.
        self._played_bars = sum(bool(chart.bars[k].notes) for k in self.bars)
        self._confidence: dict[Key, dict[int, float]] = defaultdict(dict)
        for k in self.bars:
            for n in chart.bars[k].notes:
                self._confidence[n.key][k] = heard_confidence(n)
        song = _HeardSong.of(chart)
        self._possible, self._of_instrument, self._on_grid = song.possible, song.of_instrument, song.on_grid
        self._most_sure = song.most_sure
        self._unsure = any(c < 1 for found in self._confidence.values() for c in found.values())

    def certainty(self, strokes: float) -> float:
        """How likely a sentence is true whose strokes are all so likely, 0–1: in music of machines, where drafts are
        surer than right, not so likely that it is told plainly, unless what it says was confirmed."""
        return strokes if strokes >= 1.0 else min(strokes, self._most_sure)

    def confidence(self, bar_index: int, key: Key) -> float:
        """Of a hit of the draft."""
        return self._confidence[key].get(bar_index, 0.0)

    def hit_features(self, bar_index: int, key: Key) -> tuple[float, ...]:
        """What :data:`HIT_WEIGHTS` weigh."""
        found = self._confidence[key]
        return _log_odds(found.get(bar_index, 0.0)), (len(found) - 1) / max(self._played_bars - 1, 1)

    def silence_features(self, bar_index: int, key: Key) -> tuple[float, ...]:
        """What :data:`SILENCE_WEIGHTS` weigh."""
        every = self._of_instrument[key[1]]
        return (
            is_covered(key[1]),
            _log_odds(self._possible.get((bar_index, key), 0.0)),
            _log_odds(sum(every) / len(every) if every else 0.5),
            math.log(max(len(every), 1)),
        )

    def played(self, bar_index: int, key: Key) -> float:
        """How likely a hit of the draft was played, 0–1."""
        if self.confidence(bar_index, key) >= 1.0:
            return 1.0
        return _weighed(HIT_WEIGHTS, self.hit_features(bar_index, key))

    def placed(self, bar_index: int, key: Key) -> float:
        """How likely a hit is written in its right place, and not on the other grid beside it, 0–1.

        Sixteenths and triplets lie near each other: strokes between them are likelier on the grid that more strokes
        of the song are on (Bayes' rule, strokes spreading by :data:`PLACE_SPREAD_S`).  The strokes of one beat lie on
        one grid together: three in a row are no triplet, however late the last.
        """
        note = self.chart.bars[bar_index].find(*key)
        if note is None or note.confirmed or note.confidence >= 1.0 or self.chart.feel_told != "straight":
            return 1.0
        beat = self.chart.time_map.bars[bar_index].meter.beat_length
        within = note.position / beat % 1
        own = next((grid for grid, places in enumerate(_RIVAL_GRIDS) if within in places), None)
        if own is None or within in _RIVAL_GRIDS[1 - own]:
            return 1.0
        start = note.position - within * beat
        strokes: dict[Fraction, list[float]] = defaultdict(list)
        for n in self.chart.bars[bar_index].notes:
            if (at := (n.position - start) / beat) in _RIVAL_GRIDS[own]:
                strokes[at].append(n.deviation_s)
        off_s = [sum(strokes[at]) / len(strokes[at]) for at in sorted(strokes)]
        seconds = self.chart.time_map.seconds

        def likelihood(places: Iterable[Fraction]) -> float:
            """Of strokes at some places of the beat, where they were heard."""
            apart_s = (
                seconds(bar_index, start + beat * new) - seconds(bar_index, start + beat * old)
                for old, new in zip(sorted(strokes), places)
            )
            return math.exp(-0.5 * sum(((s - a) / PLACE_SPREAD_S) ** 2 for s, a in zip(off_s, apart_s)))

        mine = likelihood(sorted(strokes)) * self._on_grid[own]
        rivals = map(likelihood, combinations(_RIVAL_GRIDS[1 - own], len(strokes)))
        other = max(rivals, default=0.0) * self._on_grid[1 - own]
        return mine / (mine + other) if mine + other else 1.0

    def all_placed(self, bar_index: int, keys: Iterable[Key]) -> float:
        """How likely some hits of a bar are all in their right places: each beat's grid is one question."""
        beat = self.chart.time_map.bars[bar_index].meter.beat_length
        return math.prod(
            min(self.placed(bar_index, key) for key in own) for own in grouped((k[0] // beat, k) for k in keys).values()
        )

    def silent(self, bar_index: int, key: Key) -> float:
        """How likely a stroke that the draft has not in a bar was not played there, 0–1."""
        notes = self.chart.bars[bar_index].notes
        if not self._unsure or notes and all(n.confirmed for n in notes):
            return 1.0
        # What the draft left out but thinks possible is no silence.
        possible = self._possible.get((bar_index, key), 0.0)
        return min(_weighed(SILENCE_WEIGHTS, self.silence_features(bar_index, key)), 1 - possible)


def base_grounds(heard: HeardBars, groove: Groove) -> Grounds:
    """What the base of a groove rests on: each of its strokes on the bar of the groove that has it surest."""
    hits, least, certainty = 0, 1.0, 1.0
    for base in groove.base_bars:
        for key in heard.chart.bars[base].pattern:
            best = max(groove.bar_indices, key=lambda k: heard.confidence(k, key))
            hits, least = hits + 1, min(least, heard.confidence(best, key))
            certainty *= heard.played(best, key)
    return Grounds(hits, least, len(groove.bar_indices), heard.certainty(certainty))


@cache
def _log_odds(probability: float) -> float:
    p = min(max(probability, CLOSEST), 1 - CLOSEST)
    return math.log(p / (1 - p))


def _weighed(weights: tuple[float, ...], features: tuple[float, ...]) -> float:
    *each, constant = weights
    return 1 / (1 + math.exp(-constant - sum(w * x for w, x in zip(each, features, strict=True))))
