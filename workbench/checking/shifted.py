"""Bars whose notes are all written too early or too late: one mistake, told in one sentence.

Each bar is held against the strokes heard as it is written and with all of its notes moved by an eighth, a beat or
a sixteenth; where they agree much better so, the bar was written that much beside its place.  Nothing else is asked of
the ear, so that a single note in the wrong place stays one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from workbench.alignment.alignedbars import AlignedBar, Alignment, aligned_time_s, bar_span
from workbench.alignment.comparison import ONSET_WINDOW_S, compare_strokes
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.counting import bar_list, capital
from workbench.chart.events import Stroke
from workbench.checking.findings import BEFORE_LINE_S, HEARD_AS, NOT_HEARD
from workbench.listening.transcription import Transcription

# Numbers whose origin is not named: chosen by trial on the demo song and on Groove MIDI's training split, no source.
#: A bar of fewer notes tells nothing.
FEWEST_OF_BAR = 4
#: A bar agrees so well (F-measure) at least where it belongs; moved there, so many notes and strokes more go together,
#: and at most this share of those that did not is left.
AGREES, FEWEST_EXPLAINED, MOST_LEFT = 0.7, 5, 0.4
#: Bars in a row, left out and gone on without, that may be one shift; and how near their length must be to what the
#: recording plays meanwhile.
MOST_LAID, AS_LONG_AS = 6, 0.06

#: What a shift is called.
_AMOUNTS = {Fraction(1, 8): "an eighth", Fraction(1, 16): "a sixteenth"}


@dataclass(frozen=True)
class ShiftedBars:
    """Bars in a row written beside their place.

    Attributes
    ----------
    first, last : int
        Chart bars.
    by : Fraction
        Whole notes by which they are written later than heard; early is negative.
    start_s, end_s : float
        Where they are played.
    spilled : tuple of (int, Note)
        What fell out of them into the bar beside: its chart bar, and the note.
    """

    first: int
    last: int
    by: Fraction
    start_s: float
    end_s: float
    spilled: tuple[tuple[int, Note], ...] = ()

    def text(self, chart: Chart) -> str:
        """The shift as two sentences: what it is, and what to do first."""
        bars, one = bar_list(chart.time_map, range(self.first, self.last + 1)), self.first == self.last
        side, heard = ("late", "earlier") if self.by > 0 else ("early", "later")
        much = amount_words(chart, self.first, self.by)
        them, they = ("it", "it writes") if one else ("them", "they write")
        return (
            f"{capital(bars)} {'is' if one else 'are'} written {much} {side}: what {they} is heard "
            f"{much} {heard}. Move {them} first, then look at single notes."
        )


def amount_words(chart: Chart, bar_index: int, by: Fraction) -> str:
    """How far a bar is shifted: "an eighth", "a beat"."""
    return _AMOUNTS.get(abs(by)) or ("a beat" if abs(by) == chart.time_map.bars[bar_index].meter.beat_length else "")


def shifted_bars(chart: Chart, alignment: Alignment, heard: Transcription) -> tuple[ShiftedBars, ...]:
    """Bars that are written too early or too late, those in a row by the same amount together."""
    often = Counter(b.chart_bar for b in alignment.bars)
    found: list[ShiftedBars] = []
    for aligned in alignment.bars:
        k = aligned.chart_bar
        if k is None or often[k] > 1 or (by := _shift_of(chart, aligned, heard)) is None:
            continue
        last = found[-1] if found else None
        if last is not None and last.last + 1 == k and last.by == by:
            found[-1] = replace(last, last=k, end_s=aligned.end_s)
        else:
            found.append(ShiftedBars(k, k, by, aligned.start_s, aligned.end_s))
    laid = {b.chart_bar: b for b in alignment.bars if often[b.chart_bar] == 1}
    return tuple(replace(s, spilled=tuple(_spilled(chart, s, laid, heard))) for s in found)


def _spilled(
    chart: Chart, shift: ShiftedBars, laid: Mapping[int | None, AlignedBar], heard: Transcription
) -> Iterator[tuple[int, Note]]:
    """Notes of the bar beside that are heard not there but where the shift puts them."""
    k = shift.last + 1 if shift.by > 0 else shift.first - 1
    if k not in laid or not 0 <= k < len(chart):
        return
    length, aligned = chart.time_map.bars[k].length, laid[k]
    off_s = float(shift.by / length) * (aligned.end_s - aligned.start_s)
    for note in chart.bars[k].notes:
        if note.position < shift.by or note.position >= length + shift.by:
            name = HEARD_AS.get(note.instrument, note.instrument)
            at = aligned_time_s(chart.note_time_s(k, note), bar_span(chart, k), aligned)
            here, there = (
                any(s.instrument == name and abs(s.time_s - t) <= ONSET_WINDOW_S for s in heard.strokes)
                for t in (at, at - off_s)
            )
            if there and not here:
                yield k, note


def _shift_of(chart: Chart, aligned: AlignedBar, heard: Transcription) -> Fraction | None:
    """By how much a bar is written too late; None where it stands in its place, or nothing explains it better."""
    assert aligned.chart_bar is not None
    notes = [n for n in chart.bars[aligned.chart_bar].notes if n.instrument not in NOT_HEARD]
    if len(notes) < FEWEST_OF_BAR:
        return None
    own = bar_agreement(chart, aligned, notes, heard, Fraction(0))
    if own.apart < FEWEST_EXPLAINED:
        return None
    meter = chart.time_map.bars[aligned.chart_bar].meter
    steps = [s for s in (Fraction(1, 8), meter.beat_length, Fraction(1, 16)) if s < meter.bar_length]
    ways = [(sign * s) for s in dict.fromkeys(steps) for sign in (1, -1)]
    agreed = {by: bar_agreement(chart, aligned, notes, heard, by) for by in ways}
    best = max(ways, key=lambda by: agreed[by].f_measure)
    apart = agreed[best].apart
    # Kick and snare for each other look like a beat, too: where other drums explain as much, the times are right.
    times = bar_agreement(chart, aligned, notes, heard, Fraction(0), of_drums=False)
    explains = own.apart - apart >= FEWEST_EXPLAINED and apart <= MOST_LEFT * own.apart and apart < times.apart
    return best if explains and agreed[best].f_measure >= AGREES else None


@dataclass(frozen=True)
class BarAgreement:
    """How many notes of a bar go together with strokes, and how many of both do not."""

    together: int
    apart: int

    @property
    def f_measure(self) -> float:
        return 2 * self.together / max(1, 2 * self.together + self.apart)


def bar_agreement(
    chart: Chart, aligned: AlignedBar, notes: Sequence[Note], heard: Transcription, by: Fraction, of_drums: bool = True
) -> BarAgreement:
    """How far a bar's notes, all of them ``by`` earlier, agree with what is heard, or only their times.

    What they no longer reach of the bar is not held against them: it may have fallen off its end.
    """
    k = aligned.chart_bar
    assert k is not None
    span = bar_span(chart, k)
    off_s = float(by / chart.time_map.bars[k].length) * (aligned.end_s - aligned.start_s)
    written = [
        Stroke(aligned_time_s(chart.note_time_s(k, n), span, aligned) - off_s, HEARD_AS.get(n.instrument, n.instrument))
        for n in notes
    ]
    reach_s = ONSET_WINDOW_S
    low_s, high_s = aligned.start_s - max(off_s, 0.0), aligned.end_s - min(off_s, 0.0)
    strokes = [s for s in heard.strokes if low_s - reach_s <= s.time_s < high_s + reach_s]
    if not of_drums:
        written, strokes = ([replace(x, instrument="kick") for x in some] for some in (written, strokes))
    found = compare_strokes(written, strokes, reach_s, -1.0)
    first_s, last_s = aligned.start_s - min(off_s, 0.0), aligned.end_s - max(off_s, 0.0)
    beside = sum(first_s <= strokes[j].time_s + BEFORE_LINE_S < last_s for j in found.only_second)
    return BarAgreement(len(found.same), len(found.only_first) + beside)


def put_in_place(chart: Chart, shifts: Sequence[ShiftedBars]) -> Chart:
    """The chart, shifted bars written where they are heard; what falls out of them so is left out."""
    bars = list(chart.bars)
    for shift in shifts:
        starts = chart.time_map.starts
        span = range(shift.first, shift.last + 1)
        moved: dict[int, dict] = {k: {} for k in span}
        theirs = [(k, note) for k in span for note in chart.bars[k].notes]
        for k, note in (*theirs, *shift.spilled):
            at = starts[k] + note.position - shift.by
            for j in span:
                position = at - starts[j]
                if 0 <= position < chart.time_map.bars[j].length:
                    new = replace(note, position=position)
                    moved[j].setdefault(new.key, new)
        for k, note in shift.spilled:
            bars[k] = bars[k].without(*note.key)
        for k in span:
            bars[k] = WrittenBar(tuple(moved[k].values()))
    return replace(chart, bars=tuple(bars)) if shifts else chart


def straightened(chart: Chart, alignment: Alignment, heard: Transcription) -> Alignment:
    """The alignment, shifted bars laid where they belong.

    A few bars that are shifted together line up better beside their place: the way goes on without the chart for a
    beat, and leaves out a bar before they end.
    """
    bars = list(alignment.bars)
    k = 0
    while k < len(bars):
        if bars[k].chart_bar is None and k:
            for until, straight in _laid_straight(chart, bars, k):
                trial = Alignment(tuple(straight), alignment.agreement, alignment.first_bar)
                off = {j for s in shifted_bars(chart, trial, heard) for j in range(s.first, s.last + 1)}
                if off and all(b.chart_bar in off or _stands(chart, b, heard) for b in straight):
                    bars[k:until] = straight
                    break
        k += 1
    return replace(alignment, bars=tuple(bars))


def _laid_straight(chart: Chart, bars: Sequence[AlignedBar], gap: int) -> Iterator[tuple[int, list[AlignedBar]]]:
    """Ways to lay the bars from before a gap to some bar after it in one go: where they end, and the bars."""
    before = bars[gap - 1]
    if before.chart_bar is None:
        return
    pace = (before.end_s - before.start_s) / float(chart.time_map.bars[before.chart_bar].length)
    for until in range(gap + 1, min(len(bars), gap + MOST_LAID + 2)):
        after = bars[until].chart_bar
        if after is None or not 1 <= after - before.chart_bar - 1 <= MOST_LAID:
            continue
        indices = range(before.chart_bar + 1, after)
        lengths = [float(chart.time_map.bars[j].length) for j in indices]
        scale = (bars[until].start_s - before.end_s) / sum(lengths)
        if abs(scale / pace - 1) > AS_LONG_AS:
            continue
        edges = [before.end_s]
        for length in lengths:
            edges.append(edges[-1] + scale * length)
        yield until, [AlignedBar(j, a, b) for j, a, b in zip(indices, edges, edges[1:])]


def _stands(chart: Chart, aligned: AlignedBar, heard: Transcription) -> bool:
    assert aligned.chart_bar is not None
    return bar_agreement(chart, aligned, chart.bars[aligned.chart_bar].notes, heard, Fraction(0)).f_measure >= AGREES
