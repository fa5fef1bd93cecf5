"""What differs between a aligned chart and a recording, and how sure that is.

Where notes and strokes differ, either the chart is wrong or the ear is.  The
*probability* of a finding is the posterior probability that it is the chart
(Bayes' rule): the rate of mistakes in the chart times how much likelier the
evidence is under a mistake than under a slip of the ear.

* The evidence: the detector's confidence in a stroke; how silent it is where a
  note is written; how well this instrument is heard in this recording; whether
  the note is soft or covered; whether drums are easily taken for each other;
  how far a stroke lies from its note beside the usual spread.
* The rate of mistakes is estimated from the findings themselves, for each
  instrument and each bar, by expectation maximisation (A. P. Dempster,
  N. M. Laird, D. B. Rubin, J. Royal Statistical Society B, 1977): where much is
  wrong, the rest is suspected more.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
import pandas as pd

from workbench.alignment.alignedbars import Alignment, bar_span
from workbench.chart import Chart, Note
from workbench.chart.counting import bar_name, place_in_bar, the_place
from workbench.chart.drumkit import instrument
from workbench.chart.events import Stroke
from workbench.chart.ghosts import SOFT_VELOCITY, is_soft
from workbench.chart.quantizer import places_in_beat
from workbench.checking.findings import (
    HEARD_AS,
    NOT_HEARD,
    TOGETHER_S,
    WRONG_FROM,
    Expected,
    Finding,
    Matched,
    are_easily_confused,
    bar_index_at,
    match_notes,
    said_of,
    times_near,
    usual_height,
)
from workbench.grouping import grouped
from workbench.listening.transcription import Transcription

# Thresholds were chosen with tests/benchmarks/bench_check.py; on which performances says the folder's README.md.
#: Share of notes that a chart has wrong before anything is known, and how many
#: notes of an instrument, of a bar, it takes to outweigh that.
MISTAKE_RATE, NOTES_OF_INSTRUMENT, NOTES_OF_BAR = 0.03, 15.0, 6.0
#: Rounds of estimating the rates.
ROUNDS = 4
#: No single piece of evidence is more certain than this.
HIGHEST_PROBABILITY = 0.995
#: No note that is written is less likely there, whatever is heard; a hi-hat that is drowned much less so: one closed by
#: the foot, by any other stroke; one struck, by a crash that rings.  Of right hi-hats within so many seconds after a
#: crash 17 % have a presence below 0.05, of others 1.5 %, of invented notes 69 %.
LEAST_PRESENCE, LEAST_DROWNED_PRESENCE, CRASH_RINGS_S = 0.002, 0.2, 0.6
#: How much oftener or less often a drum is heard without its note at one sort of drum than elsewhere, at most and at
#: least; and how many such strokes are as many as expected before any is known.
MOST_COMPANY, LEAST_COMPANY, COMPANY_BEFORE = 3.0, 0.7, 1.0
#: A trace beside its place speaks so far for a note being written in the wrong place, at least.
TRACE_RATIO = 3.0
#: Sureness of what is for listening whatever the evidence.
DOUBTFUL = WRONG_FROM * 0.9
#: Smallest deviation that is called early or late, seconds.
EARLY_LATE_S = 0.025
#: A deviation below this share of the finest step that a bar writes, sixteenths at most, is feel and never wrong
#: (common practice, no source): nobody would write it elsewhere.
FEEL_SHARE, COARSEST_STEP = 0.5, Fraction(1, 16)
#: A recording that begins amid sound begins with an attack of everything, and may end in one: so near its ends the
#: ear is not believed, seconds (no source), and what it says there weighs little with its bar.
EDGE_S, EDGE_WEIGHT = 0.1, 0.2
#: Finest spread of strokes about their notes, seconds.
FINEST_SPREAD_S = 0.008
#: Share of strokes that the ear misplaces anywhere near.
MISPLACED = 0.006
#: How often the ear takes a drum for another: one that sounds alike, hi-hat and cymbal, others.
TAKEN_FOR_KIN, TAKEN_FOR_METAL, TAKEN_FOR_OTHER = 0.15, 0.03, 0.01
#: So many times likelier a soft stroke is missed, and another drum heard beside it.
SOFT_MISSED = 3.0
#: Drums that sound alike, heard for each other in so large a share of their notes, in so many bars, confuse the ear.
CONFUSED_SHARE, CONFUSED_BARS = 1 / 3, 4
#: Two drums that sound alike are both there if the detector is so sure of either.
BOTH_SURE_FROM = 0.9
#: A stroke is what was played in place of a note if it is at least so likely beside the note's not being there; chosen
#: by eye, no source.
LEAST_INSTEAD = 0.2
#: Share of its usual recall that an instrument keeps on soft and on covered notes.
SOFT_RECALL, COVERED_RECALL = 0.8, 0.85
#: A note not heard and a stroke not written of one drum, so near each other, are one mistake (whole notes); further
#: apart they are told as one, but neither speaks for the other: both may be slips of the ear.
ELSEWHERE, MOVED = Fraction(1, 8), Fraction(1, 4)
#: What the bars around a note write at its place too, and play there, is so much less often a mistake.
CUSTOM_TRUSTED = 0.7
#: So many bars before and after a bar show what is the custom at a place.
CUSTOM_BARS = 8

#: How grave a finding of each kind is.
GRAVITY = {
    "bar missing": 60.0,
    "bar extra": 60.0,
    "bar shifted": 30.0,
    "bar copied": 30.0,
    "repeat": 4.0,
    "wrong drum": 3.0,
    "wrong place": 2.5,
    "extra": 2.0,
    "missing": 2.0,
    "early": 1.0,
    "late": 1.0,
}
#: What is said of a stroke that is heard in place of a note; the two ways in which a hi-hat is struck.
_OF_A_STROKE = ("wrong drum", "early", "late")
_OPEN_OR_CLOSED = {"open hi-hat", "closed hi-hat"}
_INSTRUMENT_GRAVITY = {"kick": 1.3, "snare": 1.3, "cymbal": 1.1, "tom": 1.2, "hi-hat": 0.7, "percussion": 0.5}


@dataclass(frozen=True)
class Judged:
    """Findings about notes, how many of the aligned notes were heard, and those that were not."""

    findings: list[Finding]
    heard: int
    aligned: int
    unheard: tuple[Expected, ...] = ()


@dataclass(frozen=True)
class _Case:
    """A difference before it is judged.

    ``ratio`` is the likelihood of the evidence if the chart is wrong over that
    if the ear is; ``doubt`` scales the rate of mistakes, ``share`` the severity.
    ``unheard``: the note is not heard in its place, which tells of the ear,
    too.  ``doubtful``: for listening whatever the ratio.  ``half_heard``: the
    stroke does not count by itself; of a note written: somewhat is heard in its place, so it is told only if its
    drum is heard elsewhere.  ``beside``: the stroke is not the note's own, which may be heard, too.
    ``perhaps``: what an unwritten stroke is heard as, too.  ``place``: bar and position where a note is heard instead.
    """

    kind: str
    expected: Expected
    stroke: Stroke | None
    ratio: float
    deviation_s: float = 0.0
    doubt: float = 1.0
    share: float = 1.0
    unheard: bool = False
    doubtful: bool = False
    half_heard: bool = False
    beside: bool = False
    perhaps: str = ""
    place: tuple[int, Fraction] | None = None

    @property
    def name(self) -> str:
        return self.stroke.instrument if self.kind == "missing" and self.stroke else (self.expected.note.instrument)


def judge_notes(
    chart: Chart, alignment: Alignment, heard: Transcription, matched: Matched | None = None, places: bool = True
) -> Judged:
    """What differs between the aligned notes and the strokes heard.

    ``matched`` saves pairing them again where that is done already.  With
    ``places`` a note unheard and a stroke unwritten near by are one finding,
    "wrong place"; without, they stay two.
    """
    matched = matched or match_notes(chart, alignment, heard)
    evidence = _Evidence(chart, alignment, heard, matched)
    cases = [_at_the_edge(c, heard.duration_s) for c in evidence.cases() if c is not None]
    if places:
        cases = _with_wrong_places(evidence, cases)
    cases = [c for c in cases if not (c.kind == "extra" and c.half_heard)]
    judged = [e for e in matched.expected if e.note.instrument not in NOT_HEARD]
    unheard = tuple(
        e for i, e in enumerate(matched.expected) if i not in matched.heard and e.note.instrument not in NOT_HEARD
    )
    if heard.known:
        findings = [_finding(chart, replace(c, doubtful=False), 1.0) for c in cases]
        return Judged(findings, len(matched.heard), len(judged), unheard)
    weighed = list(zip(cases, _weigh(cases, matched).tolist()))
    weighed = _told_once(weighed) if places else weighed
    confused = _confused_drums(matched)
    findings = [doubted(_finding(chart, c, p), DOUBTFUL if c.doubtful else 1.0) for c, p in weighed]
    findings = [
        doubted(f, DOUBTFUL) if f.kind == "wrong drum" and (f.instrument, f.heard_instrument) in confused else f
        for f in findings
    ]
    return Judged(findings, len(matched.heard), len(judged), unheard)


def _at_the_edge(case: _Case, duration_s: float) -> _Case:
    """A case, doubtful where it lies at the beginning or end of the recording."""
    time_s = (case.stroke or case.expected.stroke).time_s
    if EDGE_S <= time_s <= duration_s - EDGE_S:
        return case
    return replace(case, doubt=case.doubt * EDGE_WEIGHT, doubtful=True)


def _with_wrong_places(evidence: _Evidence, cases: Sequence[_Case]) -> list[_Case]:
    """The cases, a note unheard and a stroke unwritten of the same drum near by taken together, the nearest first.

    One mistake explains both: very near, what speaks for either speaks for it.
    """

    def drum(case: _Case) -> tuple[int, str]:
        return case.expected.aligned_index, HEARD_AS.get(case.name, case.name)

    unheard = grouped((drum(c), k) for k, c in enumerate(cases) if c.kind == "extra")
    starts = evidence.chart.time_map.starts
    at = [starts[c.expected.chart_bar] + c.expected.note.position for c in cases]
    pairs = sorted(
        (abs(at[j] - at[k]), cases[j].half_heard, k, j)
        for k, c in enumerate(cases)
        if c.kind == "missing" and (not c.half_heard or c.ratio > 1)
        for index in range(c.expected.aligned_index - 1, c.expected.aligned_index + 2)
        for j in unheard.get((index, drum(c)[1]), ())
        if 0 < abs(at[j] - at[k]) <= (ELSEWHERE if c.half_heard or cases[j].half_heard else MOVED)
        if not (c.half_heard and cases[j].half_heard)
    )
    out, moved = dict(enumerate(cases)), set()
    for apart, _, k, j in pairs:
        if k not in out or out.get(j) is not cases[j]:
            continue
        missing, extra = out.pop(k), cases[j]
        stroke = missing.stroke
        assert stroke is not None
        moved.add(extra.expected)
        out[j] = replace(
            extra,
            kind="wrong place",
            stroke=stroke,
            ratio=extra.ratio * missing.ratio if apart <= ELSEWHERE else max(extra.ratio, missing.ratio),
            deviation_s=stroke.time_s - extra.expected.stroke.time_s,
            unheard=False,
            half_heard=False,
            place=(missing.expected.chart_bar, missing.expected.note.position),
        )
    told = [c for c in out.values() if c.kind == "wrong place" or c.expected not in moved]
    # Another drum that was heard in place of a note is written nowhere where that note is heard elsewhere.
    spare = [c.stroke for c in out.values() if c.kind == "wrong drum" and c.expected in moved and not c.half_heard]
    return told + [evidence.unwritten(stroke) for stroke in spare if stroke is not None]


def _told_once(weighed: Sequence[tuple[_Case, float]]) -> list[tuple[_Case, float]]:
    """The cases with their probabilities, what is one thing told once, as what is likelier.

    * Another drum is heard in place of a note, or it is early or late, or both.
    * A stroke unwritten that is heard twice, as an open hi-hat and as a closed one, is one, unless both are sure.
    * Where a stroke unwritten is heard with a note of a drum like it that is not, that is written and it is heard.
    """
    of_notes = grouped((c.expected, (c, p)) for c, p in weighed if c.kind in _OF_A_STROKE and not c.beside)
    told = [_likeliest(cases) for cases in of_notes.values()]
    told += [(c, p) for c, p in weighed if c.beside or c.kind not in (*_OF_A_STROKE, "missing")]
    unwritten: dict[int, list[tuple[_Case, float]]] = defaultdict(list)
    for case, p in sorted(((c, p) for c, p in weighed if c.kind == "missing"), key=lambda found: -found[1]):
        of_bar = unwritten[case.expected.aligned_index]
        k = next((k for k, (other, _) in enumerate(of_bar) if _is_one_stroke(case, other)), None)
        if k is None:
            of_bar.append((case, p))
        elif case.name != of_bar[k][0].name:
            of_bar[k] = replace(of_bar[k][0], perhaps=case.name), of_bar[k][1]
    for k, (case, p) in enumerate(told):
        of_bar = unwritten[case.expected.aligned_index]
        instead = next((u for u in of_bar if case.kind == "extra" and _is_instead(case, u[0])), None)
        if instead is not None and instead[1] >= LEAST_INSTEAD * p:
            of_bar.remove(instead)
            told[k] = replace(case, kind="wrong drum", stroke=instead[0].stroke), max(p, instead[1])
    return told + [found for of_bar in unwritten.values() for found in of_bar]


def _likeliest(of_note: Sequence[tuple[_Case, float]]) -> tuple[_Case, float]:
    """The likeliest of the cases of a note; another drum in its place with how early or late it is."""
    case, p = max(of_note, key=lambda found: found[1])
    if case.kind == "wrong drum":
        off_s = next((c.deviation_s for c, _ in of_note if c.stroke is case.stroke and c.deviation_s), 0.0)
        case = replace(case, deviation_s=off_s)
    return case, p


def _is_one_stroke(case: _Case, other: _Case) -> bool:
    """Whether two strokes of a bar that are not written may be one: of one drum at one place, or of a hi-hat that is
    heard both open and closed."""
    both_sure = all(c.stroke is not None and c.stroke.confidence >= BOTH_SURE_FROM for c in (case, other))
    alike = case.name == other.name or ({case.name, other.name} == _OPEN_OR_CLOSED and not both_sure)
    return alike and case.expected.note.position == other.expected.note.position


def _is_instead(extra: _Case, missing: _Case) -> bool:
    """Whether what is not written may be what is heard in place of a note."""
    stroke = missing.stroke
    together = stroke is not None and abs(stroke.time_s - extra.expected.stroke.time_s) <= TOGETHER_S
    return together and extra.name != missing.name and are_easily_confused(extra.name, missing.name)


def _confused_drums(matched: Matched) -> set[tuple[str, str]]:
    """Drums (written, heard) that sound alike and are taken for each other all over the recording.

    Then it may as well be the kit that misleads the ear (an open hi-hat held half shut), so only a person can tell.
    """
    written = Counter(e.note.instrument for e in matched.expected)
    pairs = ((matched.expected[i], matched.strokes[j]) for i, j in matched.pairs.renamed)
    bars = grouped(((e.note.instrument, s.instrument), e.aligned_index) for e, s in pairs)
    return {
        pair
        for pair, where in bars.items()
        if are_easily_confused(*pair)
        and len(set(where)) >= CONFUSED_BARS
        and len(where) >= CONFUSED_SHARE * written[pair[0]]
    }


def _weigh(cases: Sequence[_Case], matched: Matched) -> np.ndarray:
    """Posterior of each case, with rates of mistakes by instrument and by bar."""
    rows = [(c.expected.aligned_index, c.name, c.ratio, c.doubt, c.unheard) for c in cases]
    table = pd.DataFrame(rows, columns=["bar", "name", "ratio", "doubt", "unheard"])
    heard = ~table["unheard"].astype(bool)
    in_bar = table["bar"].map(Counter(e.aligned_index for e in matched.expected))
    of_name = table["name"].map(Counter(e.note.instrument for e in matched.expected))

    def rate_of(wrong: pd.Series, notes: pd.Series, weight: float) -> pd.Series:
        return (wrong + MISTAKE_RATE * weight) / (np.maximum(notes, wrong) + weight)

    rate = pd.Series(MISTAKE_RATE, table.index)
    for _ in range(ROUNDS):
        wrong = rate * table["doubt"]
        odds = wrong / (1 - wrong.clip(upper=0.9)) * table["ratio"]
        probability = odds / (1 + odds)
        by_bar = probability.groupby(table["bar"]).transform("sum")
        # A drum that is not heard all over tells of the ear: see the recall.
        by_name = probability.where(heard, 0.0).groupby(table["name"]).transform("sum")
        own = rate_of(by_name, of_name, NOTES_OF_INSTRUMENT).where(heard, 0.0)
        rate = np.maximum(rate_of(by_bar, in_bar, NOTES_OF_BAR), own)
    return probability.to_numpy(float)


class _Evidence:
    """What speaks for and against each difference between notes and strokes."""

    def __init__(self, chart: Chart, alignment: Alignment, heard: Transcription, matched: Matched) -> None:
        self.chart, self.alignment, self.heard, self.matched = chart, alignment, heard, matched
        self.times_s = [s.time_s for s in matched.strokes]
        self.written_s = [e.stroke.time_s for e in matched.expected]
        self.crashes_s = [s.time_s for s in matched.strokes if s.instrument == "crash"]
        self.bar_starts_s = [b.start_s for b in alignment.bars]
        self._heights: dict[str, float] = {}
        pairs, expected = matched.pairs, matched.expected
        heard_notes = sorted(matched.heard)
        found = Counter(expected[i].note.instrument for i in heard_notes)
        lost = Counter(expected[i].note.instrument for i in pairs.only_first if i not in matched.heard)
        # Each lost note is judged by the others of its instrument; before any of
        # them is known the ear finds nine of ten: Beta(18, 2).
        written = {e.note.instrument for e in expected}
        self.recall = {n: (found[n] + 18.0) / (found[n] + max(lost[n] - 1, 0) + 20.0) for n in written}
        self.falseness = self._falseness()
        self.companies = self._companies()
        self.chance = self._chance()
        self.aligned_at = Counter(e.note.key for e in expected)
        self.heard_at = Counter(expected[i].note.key for i in heard_notes)
        self.written_at = {key: set(bars) for key, bars in grouped((n.key, k) for k, n in chart.notes()).items()}
        self.usual, self.spread = self._deviations()
        self.heard_notes = sorted(
            [(matched.strokes[j].time_s, i, matched.strokes[j].confidence) for i, j in pairs.same]
            + [(matched.faint[j].time_s, i, 0.0) for i, j in matched.faint_pairs]
        )
        self.heard_times_s = [t for t, _, _ in self.heard_notes]

    def cases(self) -> Iterator[_Case | None]:
        """Every difference, in no order."""
        pairs = self.matched.pairs
        taken = {j for _, j in self.matched.faint_pairs}
        for i, j in (*pairs.same, *pairs.renamed):
            yield self.late(i, self.matched.strokes[j], MISPLACED)
        for i, j in self.matched.faint_pairs:
            yield self.late(i, self.matched.faint[j], 0.1)
        for i in sorted(self.matched.half_heard):
            if i in self.matched.traces:
                trace = replace(self.matched.expected[i].stroke, time_s=self.matched.traces[i], confidence=0.5)
                yield self.late(i, trace, 0.1)
            yield self.half_there(i)
        for i, j in pairs.renamed:
            yield self.renamed(i, j)
            if not are_easily_confused(self.matched.expected[i].note.instrument, self.matched.strokes[j].instrument):
                yield self.unheard(i, half_heard=True)
        for i in pairs.only_first:
            if i not in self.matched.half_heard:
                yield self.unheard(i)
        for i in sorted(self.matched.dubious):
            if (case := self.unheard(i)) is not None:
                yield replace(case, doubtful=True)
        for j in pairs.only_second:
            yield self.unwritten(self.matched.strokes[j])
        for j in range(len(self.matched.faint)):
            if j not in taken:
                yield self.half_unwritten(j)

    def _falseness(self) -> dict[str, float]:
        """How many strokes of an instrument no note explains, over how many false ones are expected.

        The detector's confidence holds for recordings of all sorts; where
        nearly every stroke has its note, the ear hears better than usual.
        """
        spare = Counter(self.matched.strokes[j].instrument for j in self.matched.pairs.only_second)
        expected: defaultdict[str, float] = defaultdict(float)
        for s in self.matched.strokes:
            expected[s.instrument] += 1 - s.confidence
        # The stroke in question does not count against itself.
        return {n: (max(0, spare[n] - 1) + 3.0) / (expected[n] + 3.0) for n in expected}

    def _companies(self) -> dict[tuple[str, str], tuple[float, Counter[Fraction]]]:
        """Of each drum in each company: how many false strokes are expected, and where in the bar no note explains
        one."""
        out: dict[tuple[str, str], tuple[float, Counter[Fraction]]] = {}
        spare = set(self.matched.pairs.only_second)
        for j, s in enumerate(self.matched.strokes):
            expected, places = out.get(self._company_of(s), (0.0, Counter()))
            if j in spare:
                places[self._as_note(s).note.position] += 1
            out[self._company_of(s)] = expected + 1 - s.confidence, places
        return out

    def _company_of(self, stroke: Stroke) -> tuple[str, str]:
        """A drum, and the sort of drum written with it at a stroke's moment, the one most often taken for others."""
        near = times_near(self.written_s, stroke.time_s - TOGETHER_S, stroke.time_s + TOGETHER_S)
        names = {n for k in near if (n := self.matched.names[k]) != stroke.instrument}
        families = {instrument(n).family for n in names}
        return stroke.instrument, next((f for f in ("tom", "snare", "kick") if f in families), "other" * bool(names))

    def _misled(self, stroke: Stroke) -> float:
        """How much oftener than elsewhere a drum is heard without its note in this company: a kick at a deep tom's
        strokes may be no more than that tom.

        Told by other places of the bar: a note left out at one and the same place is no fault of the ear.
        """
        company = self._company_of(stroke)
        if not company[1]:
            return 1.0
        expected, places = self.companies.get(company, (0.0, Counter()))
        elsewhere = places.total() - places[self._as_note(stroke).note.position]
        usual = self.falseness.get(stroke.instrument, 1.0) * expected
        return float(np.clip((elsewhere + COMPANY_BEFORE) / (usual + COMPANY_BEFORE), LEAST_COMPANY, MOST_COMPANY))

    def _chance(self) -> dict[str, float]:
        """How much oftener a drum is half heard where only others of its bars are written than where itself is.

        Both shares before anything is known: one in twenty.
        """
        places: defaultdict[int, set[Fraction]] = defaultdict(set)
        written, bars = Counter[str](), defaultdict[str, set[int | None]](set)
        for e in self.matched.expected:
            name = HEARD_AS.get(e.note.instrument, e.note.instrument)
            places[e.aligned_index].add(e.note.position)
            written[name] += 1
            bars[name].add(e.aligned_index)
        taken, half, spare = {j for _, j in self.matched.faint_pairs}, Counter[str](), Counter[str]()
        for j, stroke in enumerate(self.matched.faint):
            if j in taken:
                half[stroke.instrument] += 1
            elif bar_index_at(self.alignment.bars, self.bar_starts_s, stroke.time_s) in bars[stroke.instrument]:
                spare[stroke.instrument] += 1
        others = {n: sum(len(places[k]) for k in bars[n] if k is not None) - written[n] for n in written}
        return {
            n: (spare[n] + 1) / (max(others[n], spare[n]) + 20) * (written[n] + 20) / (half[n] + 1) for n in written
        }

    def _odds(self, stroke: Stroke) -> float:
        """Odds that a stroke heard was played, in this recording."""
        sure = min(stroke.confidence, HIGHEST_PROBABILITY)
        false = min(1.0, self.falseness.get(stroke.instrument, 1.0)) * self._misled(stroke)
        return min(sure / (1 - sure) / false, HIGHEST_PROBABILITY / (1 - HIGHEST_PROBABILITY))

    def _deviations(self) -> tuple[dict[str, float], dict[str, float]]:
        """Median and robust spread of each instrument's deviations, seconds."""
        pairs = ((self.matched.expected[i].stroke, self.matched.strokes[j]) for i, j in self.matched.pairs.same)
        by_name = grouped((s.instrument, s.time_s - written.time_s) for written, s in pairs)
        every = [d for ds in by_name.values() for d in ds]
        usual, spread = {}, {}
        for name, ds in by_name.items():
            ds = ds if len(ds) >= 6 else every
            usual[name] = float(np.median(ds))
            spread[name] = 1.4826 * float(np.median(np.abs(np.array(ds) - usual[name])))
        return usual, spread

    def custom(self, bar_index: int, key: tuple) -> float:
        """Share of the bars around that write a note at this place."""
        around = [
            k
            for k in range(bar_index - CUSTOM_BARS, bar_index + CUSTOM_BARS + 1)
            if k != bar_index and 0 <= k < len(self.chart)
        ]
        written = self.written_at.get(key, set())
        return sum(k in written for k in around) / max(1, len(around))

    def late(self, i: int, stroke: Stroke, misplaced: float) -> _Case | None:
        name = stroke.instrument
        spread = max(FINEST_SPREAD_S, self.spread.get(name, 0.0))
        deviation = stroke.time_s - self.matched.expected[i].stroke.time_s - self.usual.get(name, 0.0)
        if abs(deviation) < EARLY_LATE_S:
            return None
        # Strokes that were written right spread as usual, but for a few that the ear
        # misplaces; those written wrong lie anywhere within the search.
        right = np.exp(-0.5 * (deviation / spread) ** 2) / (spread * np.sqrt(2 * np.pi))
        anywhere = 1 / 0.15
        misplaced = misplaced + 0.1 / (1 + self._odds(stroke))
        ratio = anywhere / ((1 - misplaced) * right + misplaced * anywhere)
        e, share = self.matched.expected[i], min(2.0, abs(deviation) / 0.04)
        feel = abs(deviation) < FEEL_SHARE * self._step_s(e)
        return _Case(_side(deviation), e, stroke, ratio, deviation, share=share, doubtful=feel)

    def _step_s(self, e: Expected) -> float:
        """The finest step that a note's bar writes for its instrument, in seconds of the recording."""
        places = [n.position for n in self.chart.bars[e.chart_bar].notes if n.instrument == e.note.instrument]
        step = min([COARSEST_STEP, *(b - a for a, b in zip(places, places[1:]))])
        length = self.chart.time_map.bars[e.chart_bar].length
        return float(step / length) * (e.aligned.end_s - e.aligned.start_s)

    def renamed(self, i: int, j: int) -> _Case | None:
        e, stroke = self.matched.expected[i], self.matched.strokes[j]
        if e.note.instrument in NOT_HEARD:
            return None
        families = {instrument(n).family for n in (e.note.instrument, stroke.instrument)}
        taken_for = TAKEN_FOR_METAL if families == {"hi-hat", "cymbal"} else TAKEN_FOR_OTHER
        if are_easily_confused(e.note.instrument, stroke.instrument):
            taken_for = TAKEN_FOR_KIN
        if is_soft(e.note):
            taken_for *= SOFT_MISSED
        sure = self._odds(stroke) / (1 + self._odds(stroke))
        silent = 1 - self.matched.presence[i] if i in self.matched.presence else self._silence(e)
        ratio = sure * (0.1 + 0.9 * silent) / taken_for
        return _Case("wrong drum", e, stroke, ratio)

    def half_there(self, i: int) -> _Case | None:
        """A note half heard in its place, lest its drum is heard elsewhere: are such traces rather chance?"""
        e = self.matched.expected[i]
        name = HEARD_AS.get(e.note.instrument, e.note.instrument)
        return _Case("extra", e, None, max(1.0, self.chance[name]), half_heard=True)

    def unheard(self, i: int, half_heard: bool = False) -> _Case | None:
        e = self.matched.expected[i]
        if e.note.instrument in NOT_HEARD:
            return None
        soft = is_soft(e.note)
        if i in self.matched.presence:
            present = max(self.matched.presence[i], LEAST_DROWNED_PRESENCE if self._is_drowned(e) else LEAST_PRESENCE)
            ratio = (1 - present) / present
        else:
            recall = self.recall[e.note.instrument]
            recall *= (SOFT_RECALL if soft else 1.0) * (COVERED_RECALL if self._is_covered(e) else 1.0)
            ratio = 1 / max(1 - HIGHEST_PROBABILITY, (1 - recall) * (1 - 0.65 * self._silence(e)))
        # What the bars around write too, and play, is rarely a mistake.
        played = self.heard_at[e.note.key] / self.aligned_at[e.note.key]
        doubt = 1 - CUSTOM_TRUSTED * self.custom(e.chart_bar, e.note.key) * played
        share = 0.5 if soft else 1.0
        case = _Case("extra", e, None, ratio, doubt=doubt, share=share, unheard=True, half_heard=half_heard)
        if i not in self.matched.traces:
            return case
        # Somewhat of it is heard beside its place: rather there than not at all, but too little for a verdict.
        deviation = self.matched.traces[i] - e.stroke.time_s - self.usual.get(e.note.instrument, 0.0)
        trace = replace(e.stroke, time_s=self.matched.traces[i])
        told = replace(case, kind=_side(deviation), stroke=trace, deviation_s=deviation, doubtful=True)
        return replace(told, ratio=max(ratio, TRACE_RATIO))

    def unwritten(self, stroke: Stroke) -> _Case:
        e = self._as_note(stroke)
        doubt, share = 0.7 + 1.6 * self.custom(e.chart_bar, e.note.key), 0.5 if stroke.velocity < SOFT_VELOCITY else 1.0
        return self._or_beside(_Case("missing", e, stroke, self._odds(stroke), doubt=doubt, share=share))

    def half_unwritten(self, j: int) -> _Case | None:
        """A half-heard stroke that no note explains, in a place where a note is the custom."""
        stroke = self.matched.faint[j]
        e = self._as_note(stroke)
        if self.chart.bars[e.chart_bar].find(*e.note.key) is not None:
            return None
        ratio = 8 * stroke.confidence * self.custom(e.chart_bar, e.note.key)
        return self._or_beside(_Case("missing", e, stroke, ratio, share=0.5, half_heard=True))

    def _or_beside(self, case: _Case) -> _Case:
        """An unwritten stroke together with a note that sounds alike: unless both are sure, it may be that note."""
        stroke = case.stroke
        assert stroke is not None
        for k in times_near(self.heard_times_s, stroke.time_s - TOGETHER_S, stroke.time_s + TOGETHER_S):
            _, i, sure = self.heard_notes[k]
            note = self.matched.expected[i].note
            if (
                are_easily_confused(note.instrument, stroke.instrument)
                and note.instrument != stroke.instrument
                and min(sure, stroke.confidence) < BOTH_SURE_FROM
            ):
                return replace(case, kind="wrong drum", expected=self.matched.expected[i], doubtful=True, beside=True)
        return case

    def _silence(self, e: Expected) -> float:
        """How sure it is that the written note's instrument was not struck, 0–1."""
        found = self.heard.activations
        name = HEARD_AS.get(e.note.instrument, e.note.instrument)
        if found is None or name not in found.instruments:
            return 1.0
        column = found.onset[:, found.column(name)]
        if name not in self._heights:
            self._heights[name] = usual_height(self.heard, name)
        frame = round(e.stroke.time_s * found.frame_rate_hz)
        reach = round(0.04 * found.frame_rate_hz)
        here = float(column[max(0, frame - reach) : frame + reach + 1].max(initial=0.0))
        return float(np.clip(1.0 - here / (0.5 * self._heights[name]), 0.0, 1.0))

    def _is_covered(self, e: Expected) -> bool:
        """Whether a hi-hat or cymbal falls together with another one."""
        if instrument(e.note.instrument).family not in ("hi-hat", "cymbal"):
            return False
        at = e.stroke.time_s
        return any(
            instrument(self.matched.strokes[k].instrument).family in ("hi-hat", "cymbal")
            for k in times_near(self.times_s, at - TOGETHER_S, at + TOGETHER_S)
        )

    def _is_drowned(self, e: Expected) -> bool:
        """Whether a hi-hat is lost in what else sounds."""
        if e.note.instrument == "closed hi-hat":
            at = e.stroke.time_s
            return bool(times_near(self.crashes_s, at - CRASH_RINGS_S, at - TOGETHER_S))
        return e.note.instrument == "pedal hi-hat"

    def _as_note(self, stroke: Stroke) -> Expected:
        """A stroke as the note it would be in its aligned bar, on one grid with the others of its beat."""
        index = bar_index_at(self.alignment.bars, self.bar_starts_s, stroke.time_s)
        assert index is not None
        aligned = self.alignment.bars[index]
        assert aligned.chart_bar is not None
        k = aligned.chart_bar
        bar, (start_s, end_s) = self.chart.time_map.bars[k], bar_span(self.chart, k)
        pace = (aligned.end_s - aligned.start_s) / (end_s - start_s)
        edges_s = [aligned.start_s + pace * (t - start_s) for t in (*bar.beat_times_s, end_s)]
        beat = min(max(bisect_right(edges_s, stroke.time_s) - 1, 0), len(edges_s) - 2)
        begins_s, beat_s = edges_s[beat], edges_s[beat + 1] - edges_s[beat]
        together = [self.times_s[j] for j in times_near(self.times_s, begins_s, edges_s[beat + 1])]
        shares = [(t - begins_s) / beat_s for t in (stroke.time_s, *together)]
        place = places_in_beat(shares, beat_s, bar.meter, self.chart.feel)[0]
        start, length = bar.beat_spans()[beat]
        position = min(start + place * length, bar.length - Fraction(1, 48))
        return Expected(stroke, Note(position, stroke.instrument, stroke.velocity), aligned, index)


def _side(deviation_s: float) -> str:
    return "late" if deviation_s > 0 else "early"


def _finding(chart: Chart, case: _Case, probability: float) -> Finding:
    e, stroke = case.expected, case.stroke
    k = e.chart_bar
    number, bar = chart.time_map.bar_number(k), chart.time_map.bars[k]
    name = e.note.instrument
    what = said_of(case.kind, name, stroke.instrument if stroke else "")
    if case.perhaps:
        what += f"; it may be {'open' if 'open' in case.perhaps else 'closed'}"
    if case.place is not None:
        heard_bar, place = case.place
        there = the_place(bar, place) if heard_bar == k else place_in_bar(chart.time_map, heard_bar, place)
        what = f"{name} is written, but heard on {there}"
    elif case.deviation_s and case.kind == "wrong drum":
        what += f", {abs(case.deviation_s) * 1000:.0f} ms {_side(case.deviation_s)}"
    elif case.deviation_s:
        side = "before" if case.deviation_s < 0 else "after"
        off = f"{abs(case.deviation_s) * 1000:.0f} ms {side}"
        what = f"{name} is heard {off} its written place"
        if stroke is not None and stroke.instrument not in (name, HEARD_AS.get(name)):
            # Another drum is heard in place of the note: it, and not the note, is early or late.
            what = f"{stroke.instrument} is heard {off} the written place of the {name}"
    if case.doubtful and case.kind == "extra":
        what = f"{name} is written, but heard faintly if at all"
    elif case.doubtful and (case.kind == "wrong drum" or case.unheard):
        what += ", with it or in its place" if case.kind == "wrong drum" else ", very softly if at all"
    return Finding(
        case.kind,
        k,
        number,
        e.note.position,
        "" if case.kind == "missing" else name,
        stroke.instrument if stroke else "",
        (stroke or e.stroke).time_s,
        case.deviation_s,
        float(probability),
        GRAVITY[case.kind] * _INSTRUMENT_GRAVITY[instrument(name).family] * case.share,
        e.aligned.start_s,
        e.aligned.end_s,
        f"{bar_name(number)}, {the_place(bar, e.note.position)}: {what}.",
        e.aligned_index,
        case.place,
    )


def doubted(finding: Finding, most: float) -> Finding:
    """A finding with its probability capped."""
    return replace(finding, probability=min(finding.probability, most))
