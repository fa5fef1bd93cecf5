"""Bars that are fills and bars that are not, of equal length and in equal context.

Whole files of the Groove MIDI Dataset prove little about hearing fills: those
labelled *fill* are short, those labelled *beat* long.  So bars are compared with
bars: excerpts of one length, and songs made of a human groove with every eighth
bar replaced: by fills, or by *foreign* bars of other grooves.  What tells those
two apart cannot be the splice, nor that a bar does not repeat its neighbours.

Labels are those of the data set and noisy: files labelled beat have fills of
their own, and some labelled fill go on with a groove.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from workbench.chart import Chart, WrittenBar
from workbench.chart.meter import Meter, TimeMap
from workbench.training.groove_performances import GroovePerformance, performance_chart

#: Seven bars of a groove, then the bar put in; three times.
EXAMPLE_BARS, PUT_IN = 24, (7, 15, 23)

#: A fill of fewer strokes is not put into songs.
FEWEST_FILL_NOTES = 5

#: Where grooves are cut: not in their first bars, and every so many bars; shorter
#: ones are not cut.
FIRST_BAR, EVERY, SHORTEST_GROOVE = 2, 4, 6

Played = tuple[GroovePerformance, Chart]


@dataclass(frozen=True)
class Excerpt:
    """A few bars that stand alone."""

    chart: Chart
    is_fill: bool
    drummer: str


@dataclass(frozen=True)
class Song:
    """Bars of a groove; those at :data:`PUT_IN` are fills or foreign groove bars."""

    chart: Chart
    has_fills: bool
    drummer: str


def played(performances: Iterable[GroovePerformance]) -> list[Played]:
    """The performances in 4/4 with their charts."""
    return [(p, performance_chart(p)) for p in performances if p.meter == Meter()]


def excerpts(performances: Sequence[Played], bars: int) -> list[Excerpt]:
    """Fills that last ``bars`` bars, and stretches of grooves as long."""
    out = []
    for p, chart in performances:
        if p.is_fill:
            heard = [k for k, b in enumerate(chart.bars) if b.notes]
            starts = heard[:1] if len(heard) == bars == heard[-1] - heard[0] + 1 else []
        else:
            starts = [
                k
                for k in range(FIRST_BAR, len(chart) - bars - 1, EVERY)
                if len(chart) >= SHORTEST_GROOVE and all(b.notes for b in chart.bars[k : k + bars])
            ]
        out += [Excerpt(_chart(chart.bars[k : k + bars], p.tempo_bpm), p.is_fill, p.drummer) for k in starts]
    return out


def songs(performances: Sequence[Played], seed: int) -> list[Song]:
    """For every three one-bar fills a song with them and one with foreign groove
    bars, in the same stretch of a groove, all by one drummer where possible."""
    rng = random.Random(seed)
    fills = [(p, c) for p, c in performances if p.is_fill and len(c) == 1 and len(c.bars[0].notes) >= FEWEST_FILL_NOTES]
    grooves = [(p, c) for p, c in performances if not p.is_fill and len(c) >= EXAMPLE_BARS]
    rng.shuffle(fills)
    out = []
    for i in range(0, len(fills) - 2, 3):
        drummer = fills[i][0].drummer
        own = [g for g in grooves if g[0].drummer == drummer] or grooves
        performance, groove = rng.choice(own)
        others = [c for _, c in own if c is not groove] or [c for _, c in grooves if c is not groove]
        first = rng.randrange(FIRST_BAR, len(groove) - 21)
        for has_fills in (True, False):
            bars: list[WrittenBar] = []
            for j in range(3):
                other = rng.choice(others)
                new = fills[i + j][1].bars[0] if has_fills else other.bars[rng.randrange(FIRST_BAR, len(other) - 2)]
                bars += [*groove.bars[first + 7 * j : first + 7 * j + 7], new]
            out.append(Song(_chart(bars, performance.tempo_bpm), has_fills, drummer))
    return out


def _chart(bars: Sequence[WrittenBar], tempo_bpm: float) -> Chart:
    return Chart(TimeMap.steady(len(bars), tempo_bpm), tuple(bars))
