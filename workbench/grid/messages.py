"""What Python tells the page of a chart: all of it, or what has changed.

Everything is written as :mod:`workbench.chart.data` writes it, so that the page
reads the same data as the chart file holds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from workbench.chart import Chart, WrittenBar
from workbench.chart import data as chartdata
from workbench.chart.drumkit import INSTRUMENTS, articulations_of, drum_key_order

#: Bars that the page gets at first, as many as a screen shows with ease, and in each message after that.
FIRST_BARS, MORE_BARS = 64, 128


def kit_rows(chart: Chart) -> dict[str, dict[str, Any]]:
    """What the page needs to know of the drum key to draw a chart, in the order of the rows: those of the drum set
    and whatever else the chart names."""
    names = {i.name for i in INSTRUMENTS}.union(
        chart.kit, chart.instruments_used(), (line.instrument for line in chart.kit_map)
    )
    rows = (chart.instrument(name) for name in sorted(names, key=drum_key_order))
    return {
        i.name: {"notehead": i.notehead.value, "short_name": i.short_name, "articulations": sorted(articulations_of(i))}
        for i in rows
    }


def snapshot(chart: Chart, revision: int, info: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """The messages that tell the page of a whole chart: at once what it shows first, then the other bars."""
    heading = chartdata.to_data(_without_bars(chart))
    for first in (0, *range(FIRST_BARS, len(chart), MORE_BARS)):
        last = min(first + MORE_BARS if first else FIRST_BARS, len(chart))
        message = {"revision": revision, "whole": last == len(chart)}
        bars = [chartdata.to_data(b) for b in chart.bars[first:last]]
        if first:
            yield {"type": "bars", **message, "first": first, "bars": bars}
        else:
            heading["bars"][:last] = bars
            used = list(chart.instruments_used())
            yield {"type": "snapshot", **message, "info": {**info, "used": used}, "chart": heading}


def changed_bars(old: Chart, new: Chart) -> list[int]:
    """Indices of the written bars that differ; charts of equal length only."""
    return [k for k, (a, b) in enumerate(zip(old.bars, new.bars)) if a is not b and a != b]


def changed_parts(old: Chart, new: Chart) -> dict[str, Any]:
    """The parts of a chart that an edit has changed, as data for the page.

    Where the number of bars stays, only the changed bars are told (``bars`` is
    then an object with bar indices as keys, ``time_bars`` likewise), so that
    one edit of a long chart costs no more than one of a short chart.
    """
    parts: dict[str, Any] = {}
    same_length = len(old) == len(new)
    if same_length:
        bars = {str(k): chartdata.to_data(new.bars[k]) for k in changed_bars(old, new)}
        if bars:
            parts["bars"] = bars
    else:
        parts["bars"] = [chartdata.to_data(b) for b in new.bars]
    if old.time_map is not new.time_map and old.time_map != new.time_map:
        if same_length:
            pairs = enumerate(zip(old.time_map.bars, new.time_map.bars))
            parts["time_bars"] = {str(k): chartdata.to_data(b) for k, (a, b) in pairs if a != b}
            parts["end_s"] = new.time_map.end_s
        else:
            parts["time_map"] = chartdata.to_data(new.time_map)
    heading = ("title", "artist", "feel", "kit", "kit_map", "sections", "texts", "marks", "recording", "possible_hits")
    if any(getattr(old, f) != getattr(new, f) for f in heading):
        data = {"kit_map": [], "possible_hits": [], **chartdata.to_data(_without_bars(new))}
        parts |= {f: data[f] for f in heading if getattr(old, f) != getattr(new, f)}
    return parts


def _without_bars(chart: Chart) -> Chart:
    """A copy whose bars are cheap to write: only the heading is wanted."""
    return replace(chart, bars=tuple(WrittenBar() for _ in chart.bars))
