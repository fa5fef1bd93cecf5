"""The way that a take goes through the part: what it leaves out between other bars, and what it plays again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

import numpy as np

from workbench.alignment.alignedbars import AlignedBar, Alignment
from workbench.chart import Chart
from workbench.checking.findings import likeness
from workbench.listening.transcription import Transcription

# Numbers whose origin is not named: chosen by eye, no source.
#: A stretch that agrees so far (F-measure) with the bars before or after it plays them again; so does one that agrees
#: as well as they do themselves, but for so much, if it agrees at all,
PLAYED_AGAIN, LESS_THAN_ITSELF, LEAST_AGAIN = 0.8, 0.1, 0.6
#: if its bars are as long as theirs, but for this share.
AS_LONG = 0.1


def with_bars_again(chart: Chart, alignment: Alignment, heard: Transcription) -> Alignment:
    """The alignment, stretches without the chart that play the bars beside them again laid as those bars.

    Where a bar or two come twice the cheapest way may be to go on without the chart for so long; a teacher hears
    that they come twice.
    """
    laid = {b.chart_bar: b for b in alignment.bars}
    bars: list[AlignedBar] = []
    for k, aligned in enumerate(alignment.bars):
        before = bars[-1] if bars else None
        after = alignment.bars[k + 1] if k + 1 < len(alignment.bars) else None
        ways = _ways_again(chart, aligned, before, after) if aligned.chart_bar is None else ()
        there = [(_likeness(chart, way, heard), way) for way in ways]
        best, again = max(there, key=lambda found: found[0], default=(0.0, []))
        themselves = [laid[b.chart_bar] for b in again if b.chart_bar in laid]
        own = _likeness(chart, themselves, heard) if len(themselves) == len(again) > 0 else 1.0
        bars += again if best >= min(PLAYED_AGAIN, max(own - LESS_THAN_ITSELF, LEAST_AGAIN)) else [aligned]
    return Alignment(tuple(bars), alignment.agreement, alignment.first_bar)


def _ways_again(
    chart: Chart, gap: AlignedBar, before: AlignedBar | None, after: AlignedBar | None
) -> Iterator[list[AlignedBar]]:
    """Bars laid into a gap that fill it at the tempo beside it: those after it, then those before it again.

    A passage that comes twice may be cut anywhere: of bars 5–8, cut after the 7th, the gap holds 8, 5, 6 and 7.
    """
    beside = next((b for b in (before, after) if b is not None and b.chart_bar is not None), None)
    if beside is None or beside.chart_bar is None:
        return
    last = beside.chart_bar if beside is before else beside.chart_bar - 1
    lengths = [float(b.length) for b in chart.time_map.bars]
    wanted = (gap.end_s - gap.start_s) / (beside.end_s - beside.start_s) * lengths[beside.chart_bar]
    for until in range(last + 1, len(chart) + 1):
        indices = list(range(last + 1, until))
        first = last + 1
        while first > 0 and beside is before and sum(lengths[j] for j in indices) < wanted * (1 - AS_LONG):
            first -= 1
            indices = [*range(last + 1, until), *range(first, last + 1)]
        filled = sum(lengths[j] for j in indices)
        if filled > wanted * (1 + AS_LONG):
            if first > last:
                return
            continue
        if filled >= wanted * (1 - AS_LONG) and any(chart.bars[j].notes for j in indices):
            shares = np.cumsum([0.0, *(lengths[j] for j in indices)]) / filled
            edges = gap.start_s + shares * (gap.end_s - gap.start_s)
            yield [AlignedBar(j, float(a), float(b)) for j, a, b in zip(indices, edges, edges[1:])]


def _likeness(chart: Chart, bars: Sequence[AlignedBar], heard: Transcription) -> float:
    """How much bars sound where they are laid like what is written, the least of them."""
    return min(likeness(chart, b.chart_bar, b, heard) for b in bars if b.chart_bar is not None)


def bars_again(alignment: Alignment) -> list[tuple[int, int, int]]:
    """Passages played several times in a row: first and last bar index, and how many times."""
    found, last = [], None
    for k in (b.chart_bar for b in alignment.bars if b.chart_bar is not None):
        if last is not None and k <= last:
            found.append((k, last))
        last = k
    return [(first, end, 1 + len(list(times))) for (first, end), times in groupby(found)]


def stretches_left_out(chart: Chart, alignment: Alignment) -> list[tuple[int, int]]:
    """First and last bar index of what is left out between bars that are played; rests beside it belong to it."""
    played = sorted(alignment.played)
    noted = {k for k, b in enumerate(chart.bars) if b.notes}
    return [(a + 1, b - 1) for a, b in zip(played, played[1:]) if noted.intersection(range(a + 1, b))]
