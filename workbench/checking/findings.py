"""Findings about notes, and how notes and strokes are paired to make them."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property

import numpy as np

from workbench.alignment.alignedbars import AlignedBar, Alignment, aligned_time_s, bar_span
from workbench.alignment.comparison import Comparison, compare_strokes
from workbench.chart import Chart, Note
from workbench.chart.drumkit import instrument
from workbench.chart.events import Stroke
from workbench.chart.ornaments import GRACE_REACH_S, roll_end
from workbench.checking.presence import SURE_STROKE, presence_of
from workbench.grouping import grouped
from workbench.listening.transcription import Transcription

# Thresholds were chosen with tests/benchmarks/bench_check.py; on which performances says the folder's README.md.

#: From this certainty on a finding says "wrong"; below it says "listen".  On right charts of human performances that
#: were rendered with bass, chords and a lead (24 of Groove MIDI, 9073 notes) 0.5 % of notes are then called wrong;
#: from 0.8 on 0.8 %, from 0.6 on 2.2 %.
WRONG_FROM = 0.85
#: A written note is looked for this far from its place, seconds.
SEARCH_S = 0.075
#: Strokes of different drums belong together within this time, seconds.
TOGETHER_S = 0.035
#: A stroke this long before a bar line still belongs to the bar it opens, seconds.
BEFORE_LINE_S = 0.04
#: Instruments that listening cannot tell apart: heard as.
HEARD_AS = {"second crash": "crash", "splash": "crash", "china": "crash"}
#: Instruments the detector has no ear for.
NOT_HEARD = frozenset({"cowbell", "hand clap"})
#: Names that stand for each other under an articulation.
EITHER_WAY = {"half open": {"open hi-hat", "closed hi-hat"}, "foot splash": {"pedal hi-hat", "open hi-hat"}}
#: Strokes of an ornament may lie so much before or after its time, seconds (three frames of the detector).
ORNAMENT_MARGIN_S = 0.03

#: A peak of this share of the instrument's usual height is a stroke half heard,
FAINT_FROM = 0.25
#: unless a stroke of the instrument lies this near, seconds;
FAINT_APART_S = 0.05
#: it explains a written note from so far, seconds.
FAINT_SEARCH_S = 0.05
#: A note without a sure stroke was heard, if not well, from this presence on.
PRESENT_FROM = 0.65
#: A peak of this share is a trace of a written note that is not heard in its place,
TRACE_FROM = 0.06
#: if it is so many times higher than what is there,
TRACE_OVER_PLACE = 2.0
#: so far off at least and at most, seconds,
TRACE_REACH_S = (0.02, 0.06)
#: and if the note is there so likely.
TRACE_PRESENCE = 0.02


@dataclass(frozen=True)
class Finding:
    """One thing in which chart and recording differ.

    Attributes
    ----------
    kind : str
        Of bars 'bar missing', 'bar extra', 'bar shifted' (written too early or too late), 'bar copied' (written like
        the bar beside it, heard otherwise), 'repeat' (played again, written once); of strokes 'wrong drum',
        'wrong place', 'extra' (written, not heard), 'missing' (heard, not written), 'early', 'late'.
    bar_index, bar_number : int
        The written bar (for missing bars: the one after which they are played).
    position : Fraction or None
        Whole notes from the bar line; None for whole bars.
    instrument, heard_instrument : str
        As written and as heard; empty where there is none.
    time_s : float
        Where in the recording.
    deviation_s : float
        Of strokes early, late, in the wrong place and of another drum, and of bars shifted.
    probability : float
        0–1, estimated probability that the chart is at fault, not the ear.
    severity : float
        How bad it is if so.
    start_s, end_s : float
        The stretch of the recording to listen to.
    text : str
        The finding as a sentence.
    aligned_index : int or None
        Number of the bar in the alignment, for findings about notes.
    heard_at : (bar_index, position) or None
        Of notes in the wrong place: where they are heard.
    """

    kind: str
    bar_index: int
    bar_number: int
    position: Fraction | None
    instrument: str
    heard_instrument: str
    time_s: float
    deviation_s: float
    probability: float
    severity: float
    start_s: float
    end_s: float
    text: str
    aligned_index: int | None = None
    heard_at: tuple[int, Fraction] | None = None

    @property
    def verdict(self) -> str:
        """'wrong' where the recording contradicts the chart, 'listen' where it may."""
        return verdict_of(self.probability)


def verdict_of(probability: float) -> str:
    """'wrong' from :data:`WRONG_FROM` on, below it 'listen'."""
    return "wrong" if probability >= WRONG_FROM else "listen"


@dataclass(frozen=True)
class Expected:
    """A written note where the recording should play it.

    Attributes
    ----------
    stroke : Stroke
        At the time in the recording that the chart's own timing gives.
    note : Note
    aligned : AlignedBar
    aligned_index : int
        Its number in the alignment.
    """

    stroke: Stroke
    note: Note
    aligned: AlignedBar
    aligned_index: int

    @property
    def chart_bar(self) -> int:
        """Index of the written bar."""
        assert self.aligned.chart_bar is not None
        return self.aligned.chart_bar


@dataclass(frozen=True)
class Matched:
    """Laid notes and heard strokes, paired.

    ``pairs`` holds indices into ``expected`` and ``strokes``, which are in
    order of time; strokes outside the aligned bars are left out.  ``names`` are
    what the notes would be heard as.  ``presence`` is how likely notes without a
    sure stroke were played (:mod:`workbench.checking.presence`), where it can be told;
    ``half_heard`` are those without any that were heard, if not well, ``dubious`` those
    whose stroke may be another drum's.  ``faint`` are
    strokes that the detector half heard, ``faint_pairs`` those that a half-heard
    note explains.  ``traces`` are the times, in seconds, at
    which notes without a stroke left the most beside their places.
    """

    expected: tuple[Expected, ...]
    strokes: tuple[Stroke, ...]
    pairs: Comparison
    names: tuple[str, ...] = ()
    presence: Mapping[int, float] = field(default_factory=dict)
    half_heard: frozenset[int] = frozenset()
    dubious: frozenset[int] = frozenset()
    faint: tuple[Stroke, ...] = ()
    faint_pairs: tuple[tuple[int, int], ...] = ()
    traces: Mapping[int, float] = field(default_factory=dict)

    @cached_property
    def sure_times_s(self) -> dict[int, float]:
        """When the notes were struck of which a stroke of their drum was surely heard."""
        return {i: self.strokes[j].time_s for i, j in self.pairs.same if self.strokes[j].confidence >= SURE_STROKE}

    @cached_property
    def heard(self) -> frozenset[int]:
        """The notes that were heard, well or not."""
        return frozenset(i for i, _ in self.pairs.same) - self.dubious | self.half_heard


def match_notes(chart: Chart, alignment: Alignment, heard: Transcription) -> Matched:
    """Look for every aligned note among the strokes."""
    expected = sorted(_expected(chart, alignment), key=lambda e: e.stroke.time_s)
    starts = [b.start_s for b in alignment.bars]

    def inside(found: Sequence[Stroke]) -> list[Stroke]:
        return [
            replace(s, instrument=HEARD_AS.get(s.instrument, s.instrument))
            for s in found
            if bar_index_at(alignment.bars, starts, s.time_s) is not None
        ]

    strokes = _without_ornaments(chart, inside(heard.strokes), expected)
    times = [s.time_s for s in strokes]
    names = [_name_as_heard(e, strokes, times) for e in expected]
    written = [replace(e.stroke, instrument=n) for e, n in zip(expected, names)]
    pairs = _paired(written, strokes)
    found = Matched(tuple(expected), tuple(strokes), pairs, tuple(names))
    presence = {} if heard.known else presence_of(heard, expected, names, found.sure_times_s)
    faint = inside(faint_strokes(heard))
    open_ = [i for i in (*pairs.only_first, *(i for i, _ in pairs.renamed)) if presence.get(i, 1.0) >= PRESENT_FROM]
    faint_pairs = compare_strokes([written[i] for i in open_], faint, FAINT_SEARCH_S, 0.0).same
    half_heard = {i for i in open_ if i in presence} | {open_[k] for k, _ in faint_pairs}
    # What leaves a trace beside its place may be there; what is surely not leaves none.
    without = set(pairs.only_first) - {open_[k] for k, _ in faint_pairs}
    silent = {i for i in without if presence.get(i, 1.0) >= TRACE_PRESENCE}
    return replace(
        found,
        presence=presence,
        half_heard=frozenset(half_heard),
        dubious=frozenset(i for i, _ in pairs.same if presence.get(i, 1.0) < PRESENT_FROM),
        faint=tuple(faint),
        faint_pairs=tuple((open_[k], j) for k, j in faint_pairs),
        traces=_traces(heard, {i: written[i] for i in silent}),
    )


def _paired(written: Sequence[Stroke], strokes: Sequence[Stroke]) -> Comparison:
    """Notes with strokes: of the same drum first, then of drums the likelier taken for it, the nearer in time.

    A drum taken for another lies where it is written; one of the same family, and an open hi-hat taken for a
    cymbal, may be early or late besides.
    """
    pairs = compare_strokes(written, strokes, SEARCH_S, -1.0)
    left, right, renamed = pairs.only_first, pairs.only_second, []
    for window_s, alike in (
        (TOGETHER_S, _family),
        (TOGETHER_S, _ringing),
        (TOGETHER_S, _metal),
        (TOGETHER_S, lambda name: "any"),
        (SEARCH_S, _family),
        (SEARCH_S, _ringing),
    ):
        found = compare_strokes([written[i] for i in left], [strokes[j] for j in right], window_s, -1.0, alike).same
        renamed += [(left[i], right[j]) for i, j in found]
        taken = ({i for i, _ in renamed}, {j for _, j in renamed})
        left, right = (tuple(k for k in side if k not in taken[n]) for n, side in enumerate((left, right)))
    return Comparison(pairs.same, tuple(sorted(renamed)), left, right)


def _family(name: str) -> str:
    return instrument(name).family


def _metal(name: str) -> str:
    """Hi-hats and cymbals struck with a stick; the foot sounds like none of them."""
    return "metal" if _family(name) in ("hi-hat", "cymbal") and name != "pedal hi-hat" else name


def _ringing(name: str) -> str:
    return "ringing" if name == "open hi-hat" or instrument(name).family == "cymbal" else name


def _traces(heard: Transcription, silent: Mapping[int, Stroke]) -> dict[int, float]:
    """Where notes that nobody heard in their places left the most nearby, too little to be a stroke by itself."""
    found = heard.activations
    if found is None:
        return {}
    out = {}
    near, far = (round(s * found.frame_rate_hz) for s in TRACE_REACH_S)
    heights = {
        name: usual_height(heard, name) for name in {s.instrument for s in silent.values()} if name in found.instruments
    }
    known = {name: np.array([s.time_s for s in heard.strokes if s.instrument == name] or [-1e9]) for name in heights}
    for i, note in silent.items():
        name, place = note.instrument, round(note.time_s * found.frame_rate_hz)
        if name not in heights or place - far < 1 or place + far + 2 > len(found.onset):
            continue
        column = found.onset[:, found.column(name)]
        here = float(column[place - 1 : place + 2].max())
        frames = [
            f
            for f in (*range(place - far, place - near + 1), *range(place + near, place + far + 1))
            if column[f] >= max(column[f - 1], column[f + 1])
            and np.abs(known[name] - f / found.frame_rate_hz).min() >= FAINT_APART_S
        ]
        best = max(frames, key=lambda f: column[f], default=None)
        if best is not None and column[best] >= max(TRACE_FROM * heights[name], TRACE_OVER_PLACE * here):
            out[i] = best / found.frame_rate_hz
    return out


def faint_strokes(heard: Transcription) -> list[Stroke]:
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
            if not any(abs(t - time_s) < FAINT_APART_S for t in known[max(0, k - 1) : k + 1]):
                velocity = int(np.clip(round(float(found.velocity[frame, column]) * 127), 1, 127))
                out.append(Stroke(time_s, name, velocity, float(min(1.0, onset[frame] / usual))))
    return sorted(out)


def usual_height(heard: Transcription, name: str) -> float:
    """Median height of the activation at this instrument's strokes, at least a tenth."""
    found = heard.activations
    assert found is not None
    column = found.onset[:, found.column(name)]
    frames = [round(s.time_s * found.frame_rate_hz) for s in heard.strokes if s.instrument == name]
    peaks = [float(column[max(0, f - 2) : f + 3].max(initial=0.0)) for f in frames]
    return max(float(np.median(peaks)) if len(peaks) >= 3 else 0.5, 0.1)


def _expected(chart: Chart, alignment: Alignment) -> list[Expected]:
    out = []
    for index, aligned in enumerate(alignment.bars):
        if aligned.chart_bar is None:
            continue
        k = aligned.chart_bar
        for note in chart.bars[k].notes:
            time_s = aligned_time_s(chart.note_time_s(k, note), bar_span(chart, k), aligned)
            out.append(Expected(Stroke(time_s, note.instrument, note.velocity), note, aligned, index))
    return out


def bar_index_at(bars: Sequence[AlignedBar], starts_s: Sequence[float], time_s: float) -> int | None:
    """Number of the aligned bar that a stroke belongs to; None outside and in stretches the chart lacks."""
    k = bisect_right(starts_s, time_s + BEFORE_LINE_S) - 1
    if k < 0 or time_s + BEFORE_LINE_S >= bars[k].end_s or bars[k].chart_bar is None:
        return None
    return k


def likeness(chart: Chart, bar_index: int, stretch: AlignedBar, heard: Transcription) -> float:
    """How much what is heard in a stretch is like this written bar (F of its strokes)."""
    span = bar_span(chart, bar_index)
    notes = [
        Stroke(aligned_time_s(chart.note_time_s(bar_index, n), span, stretch), HEARD_AS.get(n.instrument, n.instrument))
        for n in chart.bars[bar_index].notes
    ]
    played = [s for s in heard.strokes if stretch.start_s - BEFORE_LINE_S <= s.time_s < stretch.end_s - BEFORE_LINE_S]
    return compare_strokes(notes, played).f_measure


def times_near(times_s: Sequence[float], low_s: float, high_s: float) -> range:
    """Indices of sorted times between two times."""
    return range(bisect_left(times_s, low_s), bisect_right(times_s, high_s))


def _name_as_heard(expected: Expected, strokes: Sequence[Stroke], times_s: Sequence[float]) -> str:
    name = HEARD_AS.get(expected.note.instrument, expected.note.instrument)
    at = expected.stroke.time_s
    for articulation in expected.note.articulations & set(EITHER_WAY):
        if name in EITHER_WAY[articulation]:
            near = [
                strokes[k]
                for k in times_near(times_s, at - SEARCH_S, at + SEARCH_S)
                if strokes[k].instrument in EITHER_WAY[articulation]
            ]
            if near:
                return min(near, key=lambda s: abs(s.time_s - at)).instrument
    return name


def _without_ornaments(chart: Chart, strokes: list[Stroke], expected: Sequence[Expected]) -> list[Stroke]:
    """Strokes less those that a flam, drag or roll brings with its note."""
    graces: set[int] = set()
    times = [s.time_s for s in strokes]
    written = grouped((e.note.instrument, e.stroke.time_s) for e in expected)
    for e in expected:
        at = e.stroke.time_s
        for articulation in e.note.articulations & {*GRACE_REACH_S, "roll"}:
            first_s, last_s = at - GRACE_REACH_S.get(articulation, 0.0), at
            if articulation == "roll":
                k = e.chart_bar
                end_s = chart.time_map.seconds(k, roll_end(chart, k, e.note))
                last_s = aligned_time_s(end_s, bar_span(chart, k), e.aligned)
            near = [
                k
                for k in times_near(times, first_s - ORNAMENT_MARGIN_S, last_s + ORNAMENT_MARGIN_S)
                if strokes[k].instrument == e.note.instrument
                and not any(0 < abs(t - at) and abs(t - times[k]) < TOGETHER_S for t in written[e.note.instrument])
            ]
            if near:
                graces |= set(near) - {min(near, key=lambda k: abs(strokes[k].time_s - at))}
    return [s for k, s in enumerate(strokes) if k not in graces]


def are_easily_confused(first: str, second: str) -> bool:
    """Drums of one family; and an open hi-hat, which rings, with a cymbal."""
    return _family(first) == _family(second) or _ringing(first) == _ringing(second)


def said_of(kind: str, name: str, heard: str) -> str:
    """What a finding says, without its place."""
    return {
        "extra": f"{name} is written but not heard",
        "missing": f"{heard} is heard but not written",
        "wrong drum": f"{name} is written, {heard} is heard",
        "wrong place": f"{name} is written here, but heard elsewhere",
        "early": f"{name} is heard before its written place",
        "late": f"{name} is heard after its written place",
    }[kind]
