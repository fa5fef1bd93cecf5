"""Checking a draft against the audio: does the recording play what is written?

The chart, made by anyone, is lined up with the recording
(:mod:`workbench.alignment.align`), then every written note is looked for among the
strokes heard and every stroke heard among the notes.  What differs becomes a
:class:`Finding`; the bars with the gravest ones come first.

The recording is heard by the same detector that drafts charts, and it errs.
Each finding therefore says how sure it is: the detector's own confidence, how
well it hears this instrument in this very recording (the share of written
notes it found, of heard strokes that were written), and whether the stroke is
soft or covered.  What stays doubtful is marked *listen*, not *wrong*.
"""

from __future__ import annotations

import html
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from workbench.alignment.align import align_chart
from workbench.alignment.alignedbars import AlignedBar, Alignment
from workbench.chart import Chart, Note
from workbench.chart.counting import bar_list, capital, percent_said, place_list, the_bar
from workbench.chart.meter import TimeMap
from workbench.checking.copied import CopiedBar, copied_bars
from workbench.checking.differing import alike_bars
from workbench.checking.findings import NOT_HEARD, Finding, likeness, said_of, verdict_of
from workbench.checking.judging import DOUBTFUL, GRAVITY, doubted, judge_notes
from workbench.checking.shifted import ShiftedBars, put_in_place, shifted_bars, straightened
from workbench.checking.wholesale import other_tempo, wrong_as_a_whole
from workbench.facts import facts
from workbench.files.imports import Imported
from workbench.grouping import grouped
from workbench.listening.transcription import Transcription, transcribe
from workbench.progress import Progress, part
from workbench.reading.doubts import doubtful_hits
from workbench.scorefiles import read_any_chart

# Numbers whose origin is not named: chosen by eye, no source.
#: Findings less certain than this are not shown; below the second they are minor doubts, told last.
SHOWN_FROM, FAINT_BELOW = 0.06, 0.2
#: Below this agreement the recording is hardly the one that was charted.
LEAST_AGREEMENT = 0.4
#: Below this it may be another: right charts of human performances agree by 0.74 or more
#: (tests/benchmarks/bench_check.py).
USUAL_AGREEMENT = 0.65
#: If less of a chart's bars is found in the recording, the reader is told to make sure that it is the right one.
FEWEST_LAID = 0.5
#: From so many bars on, a return to earlier bars is a repeat, not a missing bar.
REPEAT_FROM_BARS = 4

#: What is heard agrees so far (F-measure) with a bar that it may be that bar: the ear errs, so less is asked of it.
SOUNDS_LIKE = 0.85
#: so does one that is there less like itself by no more than this, if at all like it.
CLEARLY_LESS, LEAST_LIKE = 0.1, 0.5
#: A finding in so many bars or more is a pattern; in so many places of the bar at most they are named.
PATTERN_BARS, FEW_PLACES = 3, 3


@dataclass(frozen=True)
class BarCheck:
    """One bar as lined up with the recording, and what was found in it."""

    bar_index: int
    bar_number: int
    start_s: float
    end_s: float
    findings: tuple[Finding, ...]

    @property
    def severity(self) -> float:
        return sum(f.severity * f.probability for f in self.findings)


@dataclass(frozen=True)
class Pattern:
    """The same finding in several bars: one correction mends them all.

    ``position`` is None where it is the same in several places of the bar.
    """

    kind: str
    position: Fraction | None
    instrument: str
    heard_instrument: str
    bar_numbers: tuple[int, ...]
    probability: float
    text: str
    findings: tuple[Finding, ...] = ()

    @property
    def verdict(self) -> str:
        return verdict_of(self.probability)


@dataclass(frozen=True)
class Check:
    """A chart checked against a recording.

    Attributes
    ----------
    chart : Chart
    alignment : Alignment
    bars : tuple of BarCheck
        Every aligned bar, in order of the recording.
    findings : tuple of Finding
        Worst first.
    patterns : tuple of Pattern
        Findings that recur in three bars or more, what is wrong first, then the most frequent.
    notes_heard, notes_aligned : int
        Written notes that were heard, out of those lined up with the recording.
    unheard : tuple of (int, Note)
        Bar index and note of those not heard of which no finding speaks: most likely the ear missed them.
    first : tuple of str
        What is wrong with the chart as a whole, or that it may be another song's: to be read before all else.
    remarks : tuple of str
        What else the reader should know.
    shifts : tuple of ShiftedBars
        Bars written too early or too late as a whole; each is a finding, too.
    copies : tuple of CopiedBar
        Bars written like the one beside them and heard otherwise; each is a finding, too.
    recording, draft : str
        File names, where there are files.
    """

    chart: Chart
    alignment: Alignment
    bars: tuple[BarCheck, ...]
    findings: tuple[Finding, ...]
    patterns: tuple[Pattern, ...]
    notes_heard: int
    notes_aligned: int
    unheard: tuple[tuple[int, Note], ...] = ()
    first: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    shifts: tuple[ShiftedBars, ...] = ()
    copies: tuple[CopiedBar, ...] = ()
    recording: str = ""
    draft: str = ""

    @property
    def worst_bars(self) -> tuple[BarCheck, ...]:
        """Bars with findings, the worst first (:func:`worst_first`)."""
        return worst_first(self.bars)

    def _repr_html_(self) -> str:
        """What a notebook shows: the check in a sentence, its bars, and what was found, as in a terminal."""
        from workbench.checking.check_report import overview_svg, short_lines, summary_of

        said = [*self.first, summary_of(self), *self.remarks, *short_lines(self)]
        return (overview_svg(self) if self.bars else "") + "".join(f"<p>{html.escape(text)}</p>" for text in said)

    def to_data(self) -> dict:
        """The check as what JSON can hold."""
        findings = [
            facts(
                f,
                "kind verdict probability position instrument heard_instrument time_s deviation_s text",
                bar=f.bar_number,
                play_from_s=f.start_s,
                play_to_s=f.end_s,
            )
            for f in self.findings
        ]
        told = "kind position instrument heard_instrument verdict probability text"
        patterns = [facts(p, told, bars=p.bar_numbers) for p in self.patterns]
        bars = [facts(b, "start_s end_s severity", bar=b.bar_number, findings=len(b.findings)) for b in self.bars]
        return facts(
            self,
            "recording notes_heard notes_aligned first remarks",
            title=self.chart.title,
            agreement=self.alignment.agreement,
            findings=findings,
            patterns=patterns,
            unheard=[facts(n, "position instrument", bar=self.chart.time_map.bar_number(k)) for k, n in self.unheard],
            bars=bars,
        )


def worst_first(bars: Sequence[BarCheck]) -> tuple[BarCheck, ...]:
    """Bars with findings, worst first: before all others those with bars left out or added, then wrong notes."""

    def place(bar: BarCheck) -> tuple[bool, bool, float]:
        wrong = [f for f in bar.findings if f.verdict == "wrong"]
        return (
            all(f.position is not None for f in bar.findings),
            not wrong,
            -sum(f.severity * f.probability for f in wrong or bar.findings),
        )

    return tuple(sorted((b for b in bars if b.findings), key=place))


def check_draft(
    draft: Chart | str | os.PathLike, recording: str | os.PathLike, progress: Progress | None = None
) -> Check:
    """Check a draft, a chart or a file of one, against its recording; see :func:`workbench.check`."""
    given = Imported(draft) if isinstance(draft, Chart) else read_any_chart(draft)
    heard = transcribe(recording, progress=part(progress, 0.0, 0.95))
    part(progress, 0.95, 1.0)(0.0, "Lining the chart up with the recording")
    check = check_chart(given.chart, heard, str(recording), given.problems)
    check = check if isinstance(draft, Chart) else replace(check, draft=os.path.basename(draft))
    part(progress, 0.0, 1.0)(1.0, "Checked")
    return check


def check_chart(chart: Chart, heard: Transcription, recording: str = "", remarks: Sequence[str] = ()) -> Check:
    """Check a chart against what was heard."""
    alignment = align_chart(chart, heard.strokes, heard.beat_times_s, heard.duration_s)
    alignment = straightened(chart, alignment, heard)
    # Bars written beside their place are one mistake each: the rest is judged as if they stood in it.
    shifts = shifted_bars(chart, alignment, heard)
    shifted = {k for s in shifts for k in range(s.first, s.last + 1)}
    judged = judge_notes(put_in_place(chart, shifts), alignment, heard)
    copies = copied_bars(chart, alignment, heard, judged, shifted)
    told_whole = shifted | {c.bar for c in copies}
    notes = [f for f in judged.findings if f.bar_index not in told_whole]
    notes += [_shift_finding(chart, s) for s in shifts]
    notes += [_whole_bars("bar copied", chart.time_map, c.bar, c.start_s, c.end_s, c.text(chart)) for c in copies]
    # Of a recording in which nothing is found, no bar is missing: it is another.
    findings = notes + (_bar_findings(chart, alignment, heard) if alignment.played else [])
    first: tuple[str, ...] = ()
    if alignment.agreement < LEAST_AGREEMENT:
        first = (
            f"Chart and recording hardly agree ({percent_said(alignment.agreement)}); make sure that this "
            "is the recording that was charted. All findings are for listening only.",
        )
        findings = [doubted(f, DOUBTFUL) for f in findings]
    else:
        if alignment.agreement < USUAL_AGREEMENT:
            first = (
                f"Chart and recording agree by {percent_said(alignment.agreement)} only: this may be another song, or "
                "a draft with much to mend. Listen to a few bars before you correct the list below.",
            )
        first += wrong_as_a_whole(chart, alignment, heard.readings)
    remarks = [*_same_ear(chart), *remarks, *other_tempo(chart, alignment), *_unaligned_words(chart, alignment)]
    unheard = sorted({n.instrument for _, n in chart.notes() if n.instrument in NOT_HEARD})
    if unheard:
        remarks.append(f"Not checked, because the detector has no ear for it: {', '.join(unheard)}.")
    findings = sorted(
        (f for f in findings if f.probability >= SHOWN_FROM),
        key=lambda f: (f.verdict != "wrong", -f.severity * f.probability),
    )
    bars = _bars_with_findings(chart, alignment, findings)
    told = {(f.aligned_index, f.position, f.instrument) for f in findings}
    return Check(
        chart,
        alignment,
        tuple(bars),
        tuple(findings),
        _patterns(chart, findings),
        judged.heard,
        judged.aligned,
        tuple(
            (e.chart_bar, e.note)
            for e in judged.unheard
            if (e.aligned_index, *e.note.key) not in told and e.chart_bar not in told_whole
        ),
        first,
        tuple(remarks),
        shifts,
        copies,
        recording,
    )


def _bars_with_findings(chart: Chart, alignment: Alignment, findings: Sequence[Finding]) -> list[BarCheck]:
    """The played bars, each finding in one of them.

    Bars left out or added lie in no written bar that is played: they go to the nearest, so that no report drops them.
    """
    played = [aligned for aligned in alignment.bars if aligned.chart_bar is not None]
    own: list[list[Finding]] = [[] for _ in played]
    for f in findings if played else ():

        def distance(k: int, f: Finding = f) -> tuple[bool, float]:
            apart = max(played[k].start_s - f.start_s, f.start_s - (played[k].end_s - 1e-6), 0.0)
            return played[k].chart_bar != f.bar_index, apart

        own[min(range(len(played)), key=distance)].append(f)
    return [
        BarCheck(
            aligned.chart_bar, chart.time_map.bar_number(aligned.chart_bar), aligned.start_s, aligned.end_s, tuple(fs)
        )
        for aligned, fs in zip(played, own, strict=True)
        if aligned.chart_bar is not None
    ]


def _bar_findings(chart: Chart, alignment: Alignment, heard: Transcription) -> list[Finding]:
    """Bars that the chart lacks, has too many, or writes once for a repeat."""
    found, last, time_map = [], -1, chart.time_map
    laid = {b.chart_bar: b for b in alignment.bars if b.chart_bar is not None}
    for k, aligned in enumerate(alignment.bars):
        start_s, end_s = aligned.start_s, aligned.end_s
        now = aligned.chart_bar
        if now is None:
            beside = [*alignment.bars[max(k - 1, 0) : k], *alignment.bars[k + 1 : k + 2]]
            lengths = [b.end_s - b.start_s for b in beside if b.chart_bar is not None]
            bars = (end_s - start_s) * len(lengths) / sum(lengths) if lengths else 1.0
            much = _amount(bars, time_map.bars[max(last, 0)].meter.counted_beats)
            where = f"After {the_bar(time_map.bar_number(last))}" if last >= 0 else "Before the first bar"
            text = f"{where} the recording has {much} that {_is(much)} not written."
            text += _gap_words(chart, aligned, last, heard, laid)
            found.append(_whole_bars("bar missing", time_map, max(last, 0), start_s, end_s, text))
            continue
        if now > last + 1 and last >= 0:
            span = capital(bar_list(time_map, range(last + 1, now)))
            are = "is" if now == last + 2 else "are"
            text = f"{span} {are} written, but the recording does not play so many bars here."
            text += _alike_words(chart, last + 1)
            found.append(_whole_bars("bar extra", time_map, last + 1, *_around(alignment, k), text))
        elif now <= last:
            span, count = bar_list(time_map, range(now, last + 1)), last - now + 1
            end = next((b for b in alignment.bars[k:] if b.chart_bar == last), aligned)
            kind = "repeat" if count >= REPEAT_FROM_BARS else "bar missing"
            text = (
                f"After {the_bar(time_map.bar_number(last))} the recording plays {span} again; "
                f"the chart writes {'it' if count == 1 else 'them'} once."
            )
            found.append(_whole_bars(kind, time_map, last, start_s, end.end_s, text))
        last = now
    return found


def _same_ear(chart: Chart) -> list[str]:
    """That draft and check are of one ear, so that their agreeing proves little; none of a chart that people wrote."""
    bars = len(chart.unchecked_bars)
    if not bars:
        return []
    doubts, hits = doubtful_hits(chart).total(), sum(1 for _ in chart.notes())
    return [
        f"In {bars} of {len(chart)} bars hits stand as the workbench drafted them. This check listens with the same "
        "ear: what was misheard in the draft it will mostly mishear again. "
        f"{doubts or 'None'} of the {hits} hits {'is' if doubts < 2 else 'are'} still in doubt"
        + ("; in the grid, n steps to the next." if doubts else ".")
    ]


def _unaligned_words(chart: Chart, alignment: Alignment) -> list[str]:
    """What of the chart's beginning and end was not found in the recording, and is therefore not checked."""
    aligned = [b.chart_bar for b in alignment.bars if b.chart_bar is not None]
    if not aligned:
        return []
    time_map, end = chart.time_map, len(chart) - 1
    spans = [
        bar_list(time_map, range(a, b + 1))
        for a, b in ((0, min(aligned) - 1), (max(aligned) + 1, end))
        if a <= b and any(bar.notes for bar in chart.bars[a : b + 1])
    ]
    if not spans:
        return []
    words = " and ".join(spans)
    remark = f"Not found in the recording, so not checked: {words} of the chart."
    if len(set(aligned)) < FEWEST_LAID * len(chart):
        remark += " That is most of it: make sure that this is the recording that was charted."
    return [remark]


def _alike_words(chart: Chart, bar_index: int) -> str:
    """Which bars around this sound so much alike that the place is uncertain among them."""
    alike = alike_bars(chart, bar_index)
    return _anywhere(chart, alike[0], alike[-1])


def _gap_words(chart: Chart, gap: AlignedBar, before: int, heard: Transcription, laid: Mapping[int, AlignedBar]) -> str:
    """Among which bars a gap of the chart is uncertain, because they sound like what is played in it, or as much like
    it as like the place where they were ``laid``.

    ``before`` is the written bar that is played before the gap; -1 if there is none.
    """

    def may_be_there(bar_index: int) -> bool:
        there = likeness(chart, bar_index, gap, heard)
        own = likeness(chart, bar_index, laid[bar_index], heard) if bar_index in laid else 1.0
        return there >= min(SOUNDS_LIKE, max(own - CLEARLY_LESS, LEAST_LIKE))

    first, last = before + 1, before
    if before >= 0 and may_be_there(before):
        first = alike_bars(chart, before)[0]
    if before + 1 < len(chart) and may_be_there(before + 1):
        last = alike_bars(chart, before + 1)[-1]
    if first == last:
        alike = capital(bar_list(chart.time_map, [first]))
        return f" {alike} beside it is alike, so it may be on its other side."
    return _anywhere(chart, first, last)


def _anywhere(chart: Chart, first: int, last: int) -> str:
    if last <= first:
        return ""
    return f" It may be anywhere in {bar_list(chart.time_map, range(first, last + 1))}, which are alike."


def _whole_bars(kind: str, time_map: TimeMap, bar_index: int, start_s: float, end_s: float, text: str) -> Finding:
    number, severity = time_map.bar_number(bar_index), GRAVITY[kind]
    return Finding(kind, bar_index, number, None, "", "", start_s, 0.0, 0.9, severity, start_s, end_s, text)


def _shift_finding(chart: Chart, shift: ShiftedBars) -> Finding:
    text = shift.text(chart)
    found = _whole_bars("bar shifted", chart.time_map, shift.first, shift.start_s, shift.end_s, text)
    bar_s = (shift.end_s - shift.start_s) / (shift.last - shift.first + 1)
    return replace(found, deviation_s=-float(shift.by / chart.time_map.bars[shift.first].length) * bar_s)


def _around(alignment: Alignment, k: int) -> tuple[float, float]:
    """The bar before a cut and the one after it."""
    return alignment.bars[max(k - 1, 0)].start_s, alignment.bars[k].end_s


def _amount(bars: float, beats_a_bar: int) -> str:
    if abs(bars - round(bars)) < 0.15 and round(bars) >= 1:
        return f"{round(bars)} bar{'s' * (round(bars) > 1)}"
    beats = max(1, round(bars * beats_a_bar))
    return f"{beats} beat{'s' * (beats > 1)}"


def _is(amount: str) -> str:
    return "are" if amount.endswith("s") else "is"


def _patterns(chart: Chart, findings: Sequence[Finding]) -> tuple[Pattern, ...]:
    """Findings alike in at least three bars, gathered; those that are the same in several places are one."""

    def same(f: Finding) -> tuple:
        moved = (f.position, f.text.split(": ", 1)[1]) if f.heard_at is not None else ()
        return f.kind, f.instrument, f.heard_instrument, *moved

    out: list[Pattern | None] = []
    for alike in grouped((same(f), f) for f in findings if f.position is not None).values():
        pattern = _pattern(chart, alike)
        if pattern is not None and pattern.verdict != "wrong":
            # What is wrong is told as such, never under a milder verdict.
            wrong, listen = ([f for f in alike if (f.verdict == "wrong") is so] for so in (True, False))
            out += [_pattern(chart, wrong), _pattern(chart, listen)]
        else:
            out.append(pattern)
    return tuple(
        sorted(
            (p for p in out if p is not None), key=lambda p: (p.verdict != "wrong", -len(p.findings) * p.probability)
        )
    )


def _pattern(chart: Chart, alike: Sequence[Finding]) -> Pattern | None:
    """What findings alike have in common, where they come in so many bars that it is one."""
    places = grouped((f.position, f) for f in alike if f.position is not None)
    often = {p: found for p, found in places.items() if len({f.bar_index for f in found}) >= PATTERN_BARS}
    found = [f for p in often for f in often[p]]
    if not found or sum(f.probability for f in found) < FAINT_BELOW * len(found):
        return None
    kind, name, heard = found[0].kind, found[0].instrument, found[0].heard_instrument
    bars = sorted({f.bar_index for f in found})
    numbers = [chart.time_map.bar_number(k) for k in bars]
    bars_said = bar_list(chart.time_map, bars)
    timed = chart.time_map.bars[bars[0]]
    where = f"In {bars_said}, in {len(found)} places"
    if len(often) <= FEW_PLACES:
        where = f"On {place_list(timed, often)} in {bars_said}"
    moved = found[0].heard_at is not None
    said = found[0].text.split(": ", 1)[1] if moved else f"{said_of(kind, name, heard)}."
    text, position = f"{where}: {said}", next(iter(often)) if len(often) == 1 else None
    probability = sum(f.probability for f in found) / len(found)
    return Pattern(kind, position, name, heard, tuple(numbers), probability, text, tuple(found))
