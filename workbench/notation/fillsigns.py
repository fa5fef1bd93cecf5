"""Fills and other marks on paper: over which printed bars each bracket runs.

A player wants to see a fill coming: the word "fill" over its first stroke and a
bracket to its last (common practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from workbench.chart import Chart, Mark
from workbench.notation.abbreviations import BarKind, PrintedBar

#: In MusicXML ids of what marks fills begin so, confirmed ones and proposed ones.
FILL_ID, PROPOSED_FILL_ID = "fill-", "proposed-fill-"

_SAYS_FILL = re.compile(r"\bfill\b", re.IGNORECASE)


@dataclass(frozen=True)
class FillSign:
    """The bracket of a fill in one line of music.

    Attributes
    ----------
    first, last : int
        Places in the line of the printed bars in which it begins and ends.
    start, end : Fraction
        Positions in these bars, whole notes from the bar line; end exclusive.
    opens, closes : bool
        Whether the fill begins and ends here; else it comes from the line
        before or goes on in the next.
    worded : bool
        Whether it says "fill": not where a cue of that bar says so already.
    """

    first: int
    start: Fraction
    last: int
    end: Fraction
    opens: bool
    closes: bool
    worded: bool


def shown_fills(chart: Chart, which: str) -> tuple[Mark, ...]:
    """The fills that a score shows, in order; ``which`` from
    :data:`workbench.notation.scoresigns.FILLS_SHOWN`."""
    return tuple(m for m in chart.marks if m.kind == "fill" and which != "none" and (m.confirmed or which == "all"))


def says_fill(chart: Chart, bar_index: int) -> bool:
    """Whether a cue above a bar says "fill" already."""
    return any(t.bar_index == bar_index and _SAYS_FILL.search(t.text) for t in chart.texts)


def fill_signs(chart: Chart, row: Sequence[PrintedBar], which: str) -> tuple[FillSign, ...]:
    """The brackets of one line of printed bars."""
    return stretches(chart, row, shown_fills(chart, which))


def stretches(chart: Chart, row: Sequence[PrintedBar], marks: Sequence[Mark]) -> tuple[FillSign, ...]:
    """Over which stretches of one line of printed bars signs of marks run (fills, hairpins).

    A printed bar stands for every pass of its repeat: what is marked in any of
    them is shown, since the same is played in all.
    """
    out: list[FillSign] = []
    for place, printed in enumerate(row if marks else ()):
        for sign in _in_bar(chart, marks, printed, place):
            before = out[-1] if out else None
            if before and not before.closes and not sign.opens and before.last == place - 1:
                out[-1] = replace(before, last=place, end=sign.end, closes=sign.closes)
            else:
                out.append(sign)
    return tuple(out)


def _in_bar(chart: Chart, marks: Sequence[Mark], printed: PrintedBar, place: int) -> list[FillSign]:
    if printed.kind is BarKind.REST and printed.rest_bars > 1:
        return []
    length = chart.time_map.bars[printed.bar_index].length
    cued = any(says_fill(chart, k) for k in printed.heard)
    found = set()
    for k in printed.heard:
        for m in marks:
            opens, closes = m.start[0] == k, m.end[0] == k or m.end == (k + 1, 0)
            start = m.start[1] if opens else Fraction(0)
            end = m.end[1] if m.end[0] == k else length
            if m.start[0] <= k <= m.end[0] and start < end:
                found.add(FillSign(place, start, place, end, opens, closes, opens and not cued))
    apart: list[FillSign] = []
    for sign in sorted(found, key=lambda s: (s.start, -s.end)):
        if not apart or sign.start >= apart[-1].end:
            apart.append(sign)
    return apart
