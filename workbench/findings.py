"""Notes against strokes: what differs between a laid chart and a recording.

Every finding carries a *sureness*, the estimated probability that the chart is
at fault and not the ear.  It multiplies

* the detector's own confidence in the stroke, or how silent it is where a
  note is written;
* how well this instrument is heard in this recording: the share of its written
  notes that were found, of its heard strokes that were written;
* a share for soft notes, for notes covered by a louder cymbal, and for drums
  that are easily taken for each other.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from workbench.activations import Activations
from workbench.alignment import LaidBar, Laying, laid_time_s
from workbench.chart import Chart, Note
from workbench.compare import Comparison, compare_strokes
from workbench.counting import the_place
from workbench.drumkit import instrument
from workbench.events import Stroke

#: Kinds of findings, in words for the reader.
KINDS: dict[str, str] = {
    "bar missing": "the recording has bars that are not written",
    "bar extra": "bars are written that the recording does not play",
    "repeat": "the recording repeats bars that are written once",
    "wrong drum": "another drum is heard than is written",
    "extra": "written but not heard",
    "missing": "heard but not written",
    "early": "played earlier than written",
    "late": "played later than written",
}

#: From this certainty on a finding says "wrong"; below it says "listen".
WRONG_FROM = 0.6
#: A written note is looked for this far from its place, seconds.
SEARCH_S = 0.075
#: Strokes of different drums belong together within this time, seconds.
TOGETHER_S = 0.035
#: Smallest deviation that is called early or late, seconds.
EARLY_LATE_S = 0.025
#: … and it must exceed the instrument's own spread this many times.
EARLY_LATE_SPREADS = 3.0
#: A stroke this long before a bar line still belongs to the bar it opens, seconds.
BEFORE_LINE_S = 0.04
#: Instruments that listening cannot tell apart: heard as.
HEARD_AS = {"second crash": "crash", "splash": "crash", "china": "crash"}
#: Instruments the detector has no ear for.
NOT_HEARD = frozenset({"cowbell", "hand clap"})
#: Names that stand for each other under an articulation.
EITHER_WAY = {"half open": {"open hi-hat", "closed hi-hat"}, "foot splash": {"pedal hi-hat", "open hi-hat"}}
#: Further strokes that belong to a note: articulation → seconds before, after it.
GRACE_S = {"flam": (0.06, 0.03), "drag": (0.14, 0.03), "roll": (0.03, 4.0)}

#: How grave a finding of each kind is.
GRAVITY = {"bar missing": 60.0, "bar extra": 60.0, "repeat": 4.0, "wrong drum": 3.0, "extra": 2.0,
            "missing": 2.0, "early": 1.0, "late": 1.0}
_INSTRUMENT_GRAVITY = {"kick": 1.3, "snare": 1.3, "cymbal": 1.1, "tom": 1.2, "hi-hat": 0.7, "percussion": 0.5}

#: A peak of this share of the instrument's usual height is a stroke half heard,
FAINT_FROM = 0.25
#: unless a stroke of the instrument lies this near, seconds;
FAINT_APART_S = 0.05
#: it explains a written note from so far, seconds.
FAINT_SEARCH_S = 0.05
#: So many bars before and after a bar show what is the custom at a place …
CUSTOM_BARS = 8
#: … and take this share of the sureness that a note is not played.
CUSTOM_SHARE = 0.5
#: Notes softer than this are easily missed by any ear …
SOFT_VELOCITY = 45
#: … so this share of the sureness is left when one is not heard,
SOFT_SHARE = 0.6
#: and this when another cymbal covers it.
COVERED_SHARE = 0.6
#: Drums easily taken for each other.
_CONFUSABLE = {frozenset(pair) for pair in (
    ("open hi-hat", "closed hi-hat"), ("closed hi-hat", "pedal hi-hat"), ("open hi-hat", "pedal hi-hat"),
    ("ride", "ride bell"), ("ride", "crash"), ("high tom", "mid tom"), ("mid tom", "floor tom"),
    ("snare", "side stick"))}


@dataclass(frozen=True)
class Heard:
    """What a recording was heard to hold.

    Attributes
    ----------
    strokes : tuple of Stroke, in order of time
    beat_times_s : tuple of float, seconds
    duration_s : float
    activations : Activations or None
        Where at hand, how likely strokes are between those detected.
    """

    strokes: tuple[Stroke, ...]
    beat_times_s: tuple[float, ...]
    duration_s: float
    activations: Activations | None = None


@dataclass(frozen=True)
class Finding:
    """One thing in which chart and recording differ.

    Attributes
    ----------
    kind : str
        From :data:`KINDS`.
    bar_index, bar_number : int
        The written bar (for missing bars: the one after which they are played).
    position : Fraction or None
        Whole notes from the bar line; None for whole bars.
    instrument, heard_instrument : str
        As written and as heard; empty where there is none.
    time_s : float
        Where in the recording.
    deviation_s : float
        Of early and late strokes.
    sureness : float
        0–1, estimated probability that the chart is at fault, not the ear.
    gravity : float
        How bad it is if so.
    start_s, end_s : float
        The stretch of the recording to listen to.
    text : str
        The finding as a sentence.
    """

    kind: str
    bar_index: int
    bar_number: int
    position: Fraction | None
    instrument: str
    heard_instrument: str
    time_s: float
    deviation_s: float
    sureness: float
    gravity: float
    start_s: float
    end_s: float
    text: str

    @property
    def verdict(self) -> str:
        """'wrong' where the recording contradicts the chart, 'listen' where it may."""
        return "wrong" if self.sureness >= WRONG_FROM else "listen"


@dataclass(frozen=True)
class Judged:
    """Findings about notes, and how many of the laid notes were heard."""

    findings: list[Finding]
    heard: int
    laid: int


@dataclass(frozen=True)
class Expected:
    """A written note where the recording should play it.

    Attributes
    ----------
    stroke : Stroke
        At the time in the recording that the chart's own timing gives.
    note : Note
    laid : LaidBar
    """

    stroke: Stroke
    note: Note
    laid: LaidBar


@dataclass(frozen=True)
class Matched:
    """Laid notes and heard strokes, paired.

    ``pairs`` holds indices into ``expected`` and ``strokes``, which are in
    order of time; strokes outside the laid bars are left out.  ``faint`` are
    strokes that the detector half heard, ``faint_pairs`` those that a written
    note without a stroke explains.
    """

    expected: tuple[Expected, ...]
    strokes: tuple[Stroke, ...]
    pairs: Comparison
    faint: tuple[Stroke, ...] = ()
    faint_pairs: tuple[tuple[int, int], ...] = ()


def match_notes(chart: Chart, laying: Laying, heard: Heard) -> Matched:
    """Look for every laid note among the strokes."""
    expected = sorted(_expected(chart, laying), key=lambda e: e.stroke.time_s)
    starts = [b.start_s for b in laying.bars]

    def inside(found: Sequence[Stroke]) -> list[Stroke]:
        return [replace(s, instrument=HEARD_AS.get(s.instrument, s.instrument)) for s in found
                if bar_at(laying.bars, starts, s.time_s) is not None]

    strokes = _without_graces(inside(heard.strokes), expected)
    times = [s.time_s for s in strokes]
    names = [_name_as_heard(e, strokes, times) for e in expected]
    written = [replace(e.stroke, instrument=n) for e, n in zip(expected, names)]
    pairs = _with_kindred(compare_strokes(written, strokes, SEARCH_S, TOGETHER_S), written, strokes)
    faint = inside(faint_strokes(heard))
    open_ = [*pairs.only_first, *(i for i, _ in pairs.renamed)]
    half_heard = compare_strokes([written[i] for i in open_], faint, FAINT_SEARCH_S, 0.0).same
    return Matched(tuple(expected), tuple(strokes), pairs, tuple(faint),
                   tuple((open_[i], j) for i, j in half_heard))


def _with_kindred(pairs: Comparison, written: Sequence[Stroke], strokes: Sequence[Stroke]) -> Comparison:
    """Pairs of one family, too, where a drum is taken for its kin and is early or late at once."""
    left, right = pairs.only_first, pairs.only_second
    kin = compare_strokes([written[i] for i in left], [strokes[j] for j in right], SEARCH_S, 0.0,
                          alike=lambda name: instrument(name).family).same
    renamed = sorted((*pairs.renamed, *((left[i], right[j]) for i, j in kin)))
    taken = ({i for i, _ in renamed}, {j for _, j in renamed})
    return Comparison(pairs.same, tuple(renamed), tuple(i for i in left if i not in taken[0]),
                      tuple(j for j in right if j not in taken[1]))


def faint_strokes(heard: Heard) -> list[Stroke]:
    """Strokes that the detector half heard: peaks too low to count by themselves.

    Their confidence is their height over the usual height of the instrument's
    strokes in this recording; from :data:`FAINT_FROM` on.
    """
    found = heard.activations
    if found is None:
        return []
    out = []
    for column, name in enumerate(found.instruments):
        onset = found.onset[:, column]
        known = np.array([s.time_s for s in heard.strokes if s.instrument == name])
        usual = usual_height(heard, name)
        inner = (onset[1:-1] >= onset[:-2]) & (onset[1:-1] > onset[2:]) & (onset[1:-1] >= FAINT_FROM * usual)
        for frame in np.flatnonzero(inner) + 1:
            time_s = frame / found.frame_rate_hz
            k = int(np.searchsorted(known, time_s))
            if not any(abs(t - time_s) < FAINT_APART_S for t in known[max(0, k - 1):k + 1]):
                velocity = int(np.clip(round(float(found.velocity[frame, column]) * 127), 1, 127))
                out.append(Stroke(time_s, name, velocity, float(min(1.0, onset[frame] / usual))))
    return sorted(out)


def usual_height(heard: Heard, name: str) -> float:
    """Median height of the activation at this instrument's strokes, at least a tenth."""
    found = heard.activations
    assert found is not None
    column = found.onset[:, found.column(name)]
    frames = [round(s.time_s * found.frame_rate_hz) for s in heard.strokes if s.instrument == name]
    peaks = [float(column[max(0, f - 2):f + 3].max(initial=0.0)) for f in frames]
    return max(float(np.median(peaks)) if len(peaks) >= 3 else 0.5, 0.1)


def judge_notes(chart: Chart, laying: Laying, heard: Heard) -> Judged:
    """What differs between the laid notes and the strokes heard."""
    return judge_matched(chart, laying, heard, match_notes(chart, laying, heard))


def judge_matched(chart: Chart, laying: Laying, heard: Heard, matched: Matched) -> Judged:
    """Like :func:`judge_notes`, of notes and strokes that are paired already."""
    pairs = matched.pairs
    judge = _Judge(chart, laying, heard, matched)
    findings = [f for f in (*(judge.late(i, j) for i, j in (*pairs.same, *pairs.renamed)),
                            *(judge.renamed(i, j) for i, j in pairs.renamed),
                            *(judge.unheard(i) for i in pairs.only_first),
                            *(judge.unwritten(j) for j in pairs.only_second),
                            *(judge.half_unwritten(j) for j in judge.spare_faint())) if f is not None]
    judged = [e for e in matched.expected if e.note.instrument not in NOT_HEARD]
    half = {i for i, _ in matched.faint_pairs}
    return Judged(findings, len(pairs.same) + len(half), len(judged))


def _expected(chart: Chart, laying: Laying) -> list[Expected]:
    out = []
    for laid in laying.bars:
        if laid.chart_bar is None:
            continue
        k = laid.chart_bar
        span = (chart.time_map.bar_start_s(k), chart.time_map.bar_end_s(k))
        for note in chart.bars[k].notes:
            time_s = laid_time_s(chart.note_time_s(k, note), span, laid)
            out.append(Expected(Stroke(time_s, note.instrument, note.velocity), note, laid))
    return out


def bar_at(bars: Sequence[LaidBar], starts_s: Sequence[float], time_s: float) -> LaidBar | None:
    """The laid bar that a stroke belongs to; None outside and in stretches the chart lacks."""
    k = bisect_right(starts_s, time_s + BEFORE_LINE_S) - 1
    if k < 0 or time_s + BEFORE_LINE_S >= bars[k].end_s or bars[k].chart_bar is None:
        return None
    return bars[k]


def _near(times_s: Sequence[float], low_s: float, high_s: float) -> range:
    """Indices of sorted times between two times."""
    return range(bisect_left(times_s, low_s), bisect_right(times_s, high_s))


def _name_as_heard(expected: Expected, strokes: Sequence[Stroke], times_s: Sequence[float]) -> str:
    name = HEARD_AS.get(expected.note.instrument, expected.note.instrument)
    at = expected.stroke.time_s
    for articulation in expected.note.articulations & set(EITHER_WAY):
        if name in EITHER_WAY[articulation]:
            near = [strokes[k] for k in _near(times_s, at - SEARCH_S, at + SEARCH_S)
                    if strokes[k].instrument in EITHER_WAY[articulation]]
            if near:
                return min(near, key=lambda s: abs(s.time_s - at)).instrument
    return name


def _without_graces(strokes: list[Stroke], expected: Sequence[Expected]) -> list[Stroke]:
    """Strokes less those that a flam, drag or roll brings with its note."""
    graces: set[int] = set()
    times = [s.time_s for s in strokes]
    written: dict[str, list[float]] = {}
    for e in expected:
        written.setdefault(e.note.instrument, []).append(e.stroke.time_s)
    for e in expected:
        at = e.stroke.time_s
        for articulation in e.note.articulations & set(GRACE_S):
            before, after = GRACE_S[articulation]
            near = [k for k in _near(times, at - before, min(at + after, e.laid.end_s))
                    if strokes[k].instrument == e.note.instrument
                    and not any(0 < abs(t - at) and abs(t - times[k]) < TOGETHER_S
                                for t in written[e.note.instrument])]
            if near:
                graces |= set(near) - {min(near, key=lambda k: abs(strokes[k].time_s - at))}
    return [s for k, s in enumerate(strokes) if k not in graces]


class _Judge:
    """Makes findings of unmatched and badly matched notes and strokes."""

    def __init__(self, chart: Chart, laying: Laying, heard: Heard, matched: Matched) -> None:
        self.chart, self.laying, self.heard = chart, laying, heard
        self.expected, self.strokes, pairs = matched.expected, matched.strokes, matched.pairs
        self._heights: dict[str, float] = {}
        self.times_s = [s.time_s for s in self.strokes]
        self.bar_starts_s = [b.start_s for b in laying.bars]
        expected, strokes = self.expected, self.strokes
        self.half_heard = {i: matched.faint[j] for i, j in matched.faint_pairs}
        self.faint = matched.faint
        self.faint_taken = {j for _, j in matched.faint_pairs}
        self.written_at, self.heard_at = self._places(pairs)
        found = Counter(expected[i].note.instrument for i, _ in pairs.same)
        lost = Counter(expected[i].note.instrument for i in pairs.only_first)
        right = Counter(strokes[j].instrument for _, j in pairs.same)
        spare = Counter(strokes[j].instrument for j in pairs.only_second)
        # Two written strokes heard of two, before any evidence: Beta(4, ½).
        self.recall = {n: (found[n] + 4.0) / (found[n] + lost[n] + 4.5) for n in {*found, *lost}}
        self.precision = {n: (right[n] + 4.0) / (right[n] + spare[n] + 4.5) for n in {*right, *spare}}
        self.usual, self.spread = self._deviations(pairs)

    def _deviations(self, pairs) -> tuple[dict[str, float], dict[str, float]]:
        """Median and robust spread of each instrument's deviations, seconds."""
        by_name: dict[str, list[float]] = {}
        for i, j in pairs.same:
            name = self.strokes[j].instrument
            by_name.setdefault(name, []).append(self.strokes[j].time_s - self.expected[i].stroke.time_s)
        every = [d for ds in by_name.values() for d in ds]
        usual, spread = {}, {}
        for name, ds in by_name.items():
            ds = ds if len(ds) >= 6 else every
            usual[name] = float(np.median(ds))
            spread[name] = 1.4826 * float(np.median(np.abs(np.array(ds) - usual[name])))
        return usual, spread

    def _places(self, pairs) -> tuple[dict, dict]:
        """Per place and instrument: chart bars that write it, and in how many it is heard."""
        written: dict[tuple, set[int]] = {}
        heard: Counter = Counter()
        for k, bar in enumerate(self.chart.bars):
            for n in bar.notes:
                written.setdefault(n.key, set()).add(k)
        for i in (*(i for i, _ in pairs.same), *self.half_heard):
            heard[self.expected[i].note.key] += 1
        return written, heard

    def custom(self, bar_index: int, key: tuple) -> float:
        """Share of the bars around that write a note at this place."""
        around = [k for k in range(bar_index - CUSTOM_BARS, bar_index + CUSTOM_BARS + 1)
                  if k != bar_index and 0 <= k < len(self.chart)]
        written = self.written_at.get(key, set())
        return sum(k in written for k in around) / max(1, len(around))

    def late(self, i: int, j: int) -> Finding | None:
        stroke = self.strokes[j]
        name = stroke.instrument
        deviation = stroke.time_s - self.expected[i].stroke.time_s - self.usual.get(name, 0.0)
        least = max(EARLY_LATE_S, EARLY_LATE_SPREADS * self.spread.get(name, 0.0))
        if abs(deviation) < least:
            return None
        sureness = stroke.confidence * float(np.clip(abs(deviation) / least - 0.4, 0, 1))
        return self._finding("late" if deviation > 0 else "early", self.expected[i], stroke, deviation,
                             sureness, min(2.0, abs(deviation) / 0.04))

    def renamed(self, i: int, j: int) -> Finding | None:
        e, stroke = self.expected[i], self.strokes[j]
        if e.note.instrument in NOT_HEARD:
            return None
        sureness = stroke.confidence * self._silence(e)
        if frozenset((e.note.instrument, stroke.instrument)) in _CONFUSABLE:
            sureness *= 0.7
        return self._finding("wrong drum", e, stroke, 0.0, sureness, 1.0)

    def unheard(self, i: int) -> Finding | None:
        e = self.expected[i]
        if e.note.instrument in NOT_HEARD:
            return None
        sureness = self._silence(e) * self.recall.get(e.note.instrument, 1.0) ** 2
        # What is written alike in the bars around and heard there is rather missed by the ear.
        laid = sum(x.note.key == e.note.key for x in self.expected)
        sureness *= 1.0 - CUSTOM_SHARE * self.custom(e.laid.chart_bar, e.note.key) * (
            self.heard_at[e.note.key] / max(1, laid))
        if e.note.velocity < SOFT_VELOCITY or "ghost" in e.note.articulations:
            sureness *= SOFT_SHARE
        if self._is_covered(e):
            sureness *= COVERED_SHARE
        return self._finding("extra", e, None, 0.0, sureness, 0.5 if e.note.velocity < SOFT_VELOCITY else 1.0)

    def unwritten(self, j: int) -> Finding | None:
        stroke = self.strokes[j]
        bar = bar_at(self.laying.bars, self.bar_starts_s, stroke.time_s)
        assert bar is not None and bar.chart_bar is not None
        precision = self.precision.get(stroke.instrument, 1.0)
        # What the detector is certain of counts even for drums that it often adds.
        sureness = stroke.confidence * (precision + (1 - precision) * stroke.confidence ** 4)
        place = self._nearest_place(bar, stroke.time_s)
        expected = Expected(replace(stroke), Note(place, stroke.instrument, stroke.velocity), bar)
        return self._finding("missing", expected, stroke, 0.0, sureness,
                             0.5 if stroke.velocity < SOFT_VELOCITY else 1.0)

    def spare_faint(self) -> list[int]:
        """Half-heard strokes that no note explains, in places where a note is the custom."""
        return [j for j in range(len(self.faint)) if j not in self.faint_taken]

    def half_unwritten(self, j: int) -> Finding | None:
        stroke = self.faint[j]
        bar = bar_at(self.laying.bars, self.bar_starts_s, stroke.time_s)
        assert bar is not None and bar.chart_bar is not None
        place = self._nearest_place(bar, stroke.time_s)
        if self.chart.bars[bar.chart_bar].find(place, stroke.instrument) is not None:
            return None
        sureness = stroke.confidence * self.custom(bar.chart_bar, (place, stroke.instrument))
        expected = Expected(stroke, Note(place, stroke.instrument, stroke.velocity), bar)
        return self._finding("missing", expected, stroke, 0.0, sureness, 0.5)

    def _silence(self, e: Expected) -> float:
        """How sure it is that the written note's instrument was not struck, 0–1."""
        found = self.heard.activations
        name = HEARD_AS.get(e.note.instrument, e.note.instrument)
        if found is None or name not in found.instruments:
            return 1.0
        column = found.onset[:, found.column(name)]
        usual = self._usual(name)
        frame = round(e.stroke.time_s * found.frame_rate_hz)
        reach = round(0.04 * found.frame_rate_hz)
        here = float(column[max(0, frame - reach):frame + reach + 1].max(initial=0.0))
        return float(np.clip(1.0 - here / (0.5 * usual), 0.0, 1.0))

    def _usual(self, name: str) -> float:
        if name not in self._heights:
            self._heights[name] = usual_height(self.heard, name)
        return self._heights[name]

    def _is_covered(self, e: Expected) -> bool:
        """Whether a quiet cymbal or hi-hat falls together with another one."""
        if instrument(e.note.instrument).family not in ("hi-hat", "cymbal"):
            return False
        at = e.stroke.time_s
        return any(instrument(self.strokes[k].instrument).family in ("hi-hat", "cymbal")
                   for k in _near(self.times_s, at - TOGETHER_S, at + TOGETHER_S))

    def _nearest_place(self, laid: LaidBar, time_s: float) -> Fraction:
        """Nearest sixteenth or triplet of a stroke in its bar."""
        k = laid.chart_bar
        start, end = self.chart.time_map.bar_start_s(k), self.chart.time_map.bar_end_s(k)
        chart_s = start + (time_s - laid.start_s) * (end - start) / (laid.end_s - laid.start_s)
        exact = float(self.chart.time_map.whole_notes_at(chart_s)) - float(self.chart.time_map.starts[k])
        length = self.chart.time_map.bars[k].length
        places = [Fraction(round(exact * parts), parts) for parts in (16, 24)]
        place = min(places, key=lambda p: abs(float(p) - exact))
        return min(max(place, Fraction(0)), length - Fraction(1, 48))

    def _finding(self, kind: str, e: Expected, stroke: Stroke | None, deviation_s: float, sureness: float,
                 share: float) -> Finding:
        k = e.laid.chart_bar
        number, bar = self.chart.time_map.bar_number(k), self.chart.time_map.bars[k]
        name = instrument(e.note.instrument)
        gravity = GRAVITY[kind] * _INSTRUMENT_GRAVITY[name.family] * share
        what = said_of(kind, name.name, stroke.instrument if stroke else "")
        if kind in ("early", "late"):
            what += f" by {abs(deviation_s) * 1000:.0f} ms"
        return Finding(
            kind, k, number, e.note.position, "" if kind == "missing" else name.name,
            stroke.instrument if stroke else "", (stroke or e.stroke).time_s, deviation_s,
            float(np.clip(sureness, 0.0, 1.0)), gravity, e.laid.start_s, e.laid.end_s,
            f"Bar {number}, {the_place(bar, e.note.position)}: {what}.")


def are_kin(first: str, second: str) -> bool:
    """Whether two drums are of one family, so that the ear may take one for the other."""
    return instrument(first).family == instrument(second).family


def said_of(kind: str, name: str, heard: str) -> str:
    """What a finding says, without its place."""
    return {"extra": f"{name} is written but not heard", "missing": f"{heard} is heard but not written",
            "wrong drum": f"{name} is written, {heard} is heard", "early": f"{name} is played early",
            "late": f"{name} is played late"}[kind]


def doubted(finding: Finding, most: float) -> Finding:
    """A finding with its sureness capped."""
    return replace(finding, sureness=min(finding.sureness, most))
