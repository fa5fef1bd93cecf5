"""The way that a take goes through the part: what it leaves out between other bars, and what it plays again."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

import numpy as np

from workbench.alignment.alignedbars import AlignedBar, Alignment
from workbench.chart import Chart
from workbench.checking.findings import likeness
from workbench.listening.transcription import Transcription

# Numbers whose origin is not named: chosen by eye, no source.
#: A stretch that agrees so far (F-measure) with the bars before or after it plays them again,
PLAYED_AGAIN = 0.8
#: if its bars are as long as theirs, but for this share.
AS_LONG = 0.1


def with_bars_again(chart: Chart, alignment: Alignment, heard: Transcription) -> Alignment:
    """The alignment, stretches without the chart that play the bars beside them again laid as those bars.

    Where a bar or two come twice the cheapest way may be to go on without the chart for so long; a teacher hears
    that they come twice.
    """
    bars: list[AlignedBar] = []
    for k, aligned in enumerate(alignment.bars):
        before = bars[-1] if bars else None
        after = alignment.bars[k + 1] if k + 1 < len(alignment.bars) else None
        ways = _ways_again(chart, aligned, before, after) if aligned.chart_bar is None else ()
        again = next((w for w in ways if all(_sounds_like(chart, b, heard) for b in w)), [aligned])
        bars += again
    return Alignment(tuple(bars), alignment.agreement, alignment.first_bar)


def _ways_again(
    chart: Chart, gap: AlignedBar, before: AlignedBar | None, after: AlignedBar | None
) -> Iterator[list[AlignedBar]]:
    """The bars before a gap, and those after it, laid into it where they fill it at the tempo beside it."""
    for beside, step in ((before, -1), (after, 1)):
        if beside is None or beside.chart_bar is None:
            continue
        time_bars = chart.time_map.bars
        pace = (beside.end_s - beside.start_s) / float(time_bars[beside.chart_bar].length)
        indices, wanted = [], (gap.end_s - gap.start_s) / pace
        k, filled = beside.chart_bar, 0.0
        while 0 <= k < len(chart) and filled + float(time_bars[k].length) <= wanted * (1 + AS_LONG):
            indices.append(k)
            filled += float(time_bars[k].length)
            k += step
        if indices and abs(filled / wanted - 1) <= AS_LONG:
            indices.sort()
            lengths = [float(time_bars[j].length) for j in indices]
            edges = np.interp(np.cumsum([0.0, *lengths]), [0.0, filled], [gap.start_s, gap.end_s])
            yield [AlignedBar(j, float(a), float(b)) for j, a, b in zip(indices, edges, edges[1:])]


def _sounds_like(chart: Chart, bar: AlignedBar, heard: Transcription) -> bool:
    assert bar.chart_bar is not None
    return likeness(chart, bar.chart_bar, bar, heard) >= PLAYED_AGAIN


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
