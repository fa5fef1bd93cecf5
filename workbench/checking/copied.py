"""Bars written as copies of the bar beside them, where the recording plays another: one mistake, told in one sentence.

Who writes fast copies a bar and forgets to change it; note by note that reads as a dozen mistakes.  A bar is told so
only where nothing else explains it: it is written note for note like a bar beside it, which is played as written, and
what is heard in its own place agrees with another bar of the chart, or with little of it.  Of 461 bars of right charts
(the demo, six recordings with expert annotation, drums alone and mixed, and ten performances of Groove MIDI's
validation split) none is told so.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from workbench.alignment.alignedbars import AlignedBar, Alignment
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.counting import bar_list, capital, place_list
from workbench.chart.drumkit import drum_key_order
from workbench.checking.findings import NOT_HEARD
from workbench.checking.judging import Judged
from workbench.checking.shifted import FEWEST_EXPLAINED, FEWEST_OF_BAR, MOST_LEFT, BarAgreement, bar_agreement
from workbench.grouping import grouped
from workbench.listening.transcription import Transcription

# Numbers whose origin is not named: chosen by trial on the recordings above, no source.
#: The bar beside it agrees so well (F-measure) where it is played, and by so much more than the copy of it does.
PLAYED_SO, PLAYED_BETTER = 0.8, 0.1
#: What is heard is another bar of the chart if it agrees so well with it.
HEARD_SO = 0.85
#: It is something else if the bar agrees with it no better than this, with so many notes and strokes apart, and if the
#: times alone, whatever the drums, do not either: else the ear may take drums for each other.
HARDLY_AGREES, FEWEST_APART, TIMES_AGREE = 0.6, 8, 0.8
#: A finding counts in what is said to be heard if it is at least so likely.
LIKELIER_THAN_NOT = 0.5


@dataclass(frozen=True)
class CopiedBar:
    """A bar that is written like one beside it, and heard otherwise.

    Attributes
    ----------
    bar, like : int
        Chart bars: it, and the one beside that it is a copy of.
    heard_like : int or None
        The chart bar that what is heard is like, if there is one.
    heard : WrittenBar
        What is heard in its place, as far as it can be told.
    start_s, end_s : float
        Where it is played.
    """

    bar: int
    like: int
    heard_like: int | None
    heard: WrittenBar
    start_s: float
    end_s: float

    def text(self, chart: Chart) -> str:
        """What is written, and what is heard."""
        time_map = chart.time_map
        written = f"{capital(bar_list(time_map, [self.bar]))} is written like {bar_list(time_map, [self.like])}"
        if self.heard_like is not None:
            heard = bar_list(time_map, [self.heard_like])
            return f"{written}; what is heard is like {heard}. Copy that first, then look at single notes."
        by_drum, timed = grouped((n.instrument, n.position) for n in self.heard.notes), time_map.bars[self.bar]
        places = (f"{name} on {place_list(timed, by_drum[name])}" for name in sorted(by_drum, key=drum_key_order))
        return f"{written}; what is heard is {'; '.join(places) or 'hardly a stroke'}."


def copied_bars(
    chart: Chart, alignment: Alignment, heard: Transcription, judged: Judged, but: Container[int] = ()
) -> tuple[CopiedBar, ...]:
    """Bars that are copies of one beside them and are heard otherwise; those in ``but`` are told in other ways."""
    often = Counter(b.chart_bar for b in alignment.bars)
    laid = {b.chart_bar: b for b in alignment.bars if b.chart_bar is not None and often[b.chart_bar] == 1}
    agreed = {k: _as_bar(chart, aligned, k, heard) for k, aligned in laid.items()}
    found = []
    for k, own in agreed.items():
        if k in but or len(chart.bars[k].notes) < FEWEST_OF_BAR or own.apart < FEWEST_EXPLAINED:
            continue
        enough = max(PLAYED_SO, own.f_measure + PLAYED_BETTER)
        like = next((j for j in _beside(chart, k) if j in agreed and agreed[j].f_measure >= enough), None)
        if like is None:
            continue
        times = _as_bar(chart, laid[k], k, heard, of_drums=False)
        other = _heard_like(chart, laid[k], own, times, heard)
        hardly = own.f_measure <= HARDLY_AGREES and own.apart >= FEWEST_APART and times.f_measure < TIMES_AGREE
        if other is not None or hardly:
            played = _heard_in(chart, k, judged) if other is None else chart.bars[other]
            found.append(CopiedBar(k, like, other, played, laid[k].start_s, laid[k].end_s))
    return tuple(found)


def _as_bar(chart: Chart, aligned: AlignedBar, k: int, heard: Transcription, of_drums: bool = True) -> BarAgreement:
    """How far what is heard in a stretch agrees with the notes of a bar."""
    notes = [n for n in chart.bars[k].notes if n.instrument not in NOT_HEARD]
    return bar_agreement(chart, replace(aligned, chart_bar=k), notes, heard, Fraction(0), of_drums)


def _beside(chart: Chart, k: int) -> Iterator[int]:
    """Bars in a row with a bar that are written note for note like it, the nearest first."""
    rows = []
    for step in (-1, 1):
        j = k + step
        while 0 <= j < len(chart) and chart.bars[j].pattern == chart.bars[k].pattern:
            rows.append(j)
            j += step
    yield from sorted(rows, key=lambda j: abs(j - k))


def _heard_like(
    chart: Chart, aligned: AlignedBar, own: BarAgreement, times: BarAgreement, heard: Transcription
) -> int | None:
    """The bar that explains what is heard where another is written, the nearest of those that are alike."""
    k = aligned.chart_bar
    assert k is not None
    first: dict[frozenset, int] = {}
    for j in sorted(range(len(chart)), key=lambda j: abs(j - k)):
        if chart.time_map.bars[j].length == chart.time_map.bars[k].length and len(chart.bars[j].notes) >= FEWEST_OF_BAR:
            first.setdefault(chart.bars[j].pattern, j)
    first.pop(chart.bars[k].pattern, None)
    agreed = {j: _as_bar(chart, aligned, j, heard) for j in first.values()}
    best = max(agreed, key=lambda j: agreed[j].f_measure, default=None)
    if best is None or agreed[best].f_measure < HEARD_SO:
        return None
    # Drums taken for each other look like another bar, too: where they explain as much, the times are right.
    apart = agreed[best].apart
    explains = own.apart - apart >= FEWEST_EXPLAINED and apart <= MOST_LEFT * own.apart and apart < times.apart
    return best if explains else None


def _heard_in(chart: Chart, k: int, judged: Judged) -> WrittenBar:
    """What is heard in a bar, by what was found in it note by note."""
    bar = chart.bars[k]
    for e in judged.unheard:
        if e.chart_bar == k:
            bar = bar.without(*e.note.key)
    likely = [f for f in judged.findings if f.bar_index == k and f.probability >= LIKELIER_THAN_NOT]
    for f in likely:
        if f.position is not None and f.instrument and f.kind in ("extra", "wrong drum", "wrong place"):
            bar = bar.without(f.position, f.instrument)
    for f in likely:
        bar_index, position = f.heard_at or (k, f.position)
        if position is not None and bar_index == k and f.kind in ("missing", "wrong drum", "wrong place"):
            bar = bar.with_note(Note(position, f.heard_instrument))
    return bar
