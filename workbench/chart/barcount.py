"""One bar more or one less in the middle of a chart.

A part that nobody has recorded has room: what follows moves.  A recording goes on without a gap, so there a bar too
few is a missed line (one bar lasts as long as two), a bar too many a line too many (two last as long as one), and
nothing that was heard changes its time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

import numpy as np

from workbench.chart.chart import Chart, WrittenBar
from workbench.chart.counting import bar_list, bar_name, the_bar
from workbench.chart.meter import Bar, TimeMap
from workbench.chart.rebarring import NEIGHBOURS, Rebarring, change_level, join_bars, split_bar
from workbench.errors import ChartError

#: Bars added in one act at most: a slip of the keyboard makes no song of thousands.
MOST_ADDED = 64
#: A bar lasts as long as two, or two as long as one, within this factor (own choice: players push and drag less).
ABOUT = 1.25

_Where = tuple[int, Fraction]


def has_room(chart: Chart, bar_index: int) -> bool:
    """Whether bars can come in before a bar without a line in the recording for them."""
    if chart.recording is None or bar_index == len(chart):
        return True
    time_map = chart.time_map
    before = bar_index == 0 and not time_map.bars[0].is_pickup
    return before and not (len(chart) > 1 and lasts_as_two(time_map, 0))


def may_go(chart: Chart, first: int, last: int) -> bool:
    """Whether bars can go with all that is in them: of a part, or empty ones at the ends of a recording."""
    outer = first == 0 or last == len(chart) - 1
    return chart.recording is None or (outer and not any(bar.notes for bar in chart.bars[first : last + 1]))


def with_bars_inserted(chart: Chart, bar_index: int, count: int) -> Chart:
    """Empty bars before a bar, in its meter and tempo; what follows moves on.

    Of a recording only before the first bar and after the last, where nothing has to move.
    """
    time_map = chart.time_map
    if not 1 <= count <= MOST_ADDED:
        raise ChartError(f"From 1 to {MOST_ADDED} bars can be inserted at a time, not {count}.")
    at = max(bar_index, 1) if time_map.bars[0].is_pickup else bar_index  # nothing comes before a pick-up
    model = min(at, len(chart) - 1)
    meter, beat_s = time_map.bars[model].meter, 60.0 / time_map.tempo_bpm(model)
    bar_s = meter.counted_beats * beat_s
    begin_s = time_map.end_s if at == len(chart) else time_map.bar_start_s(at)
    shift_s = count * bar_s if chart.recording is None or at == len(chart) else 0.0
    begin_s -= count * bar_s - shift_s
    new = [
        Bar(meter, tuple(begin_s + k * bar_s + b * beat_s for b in range(meter.counted_beats))) for k in range(count)
    ]
    bars = [*time_map.bars[:at], *new, *(_later(b, shift_s) for b in time_map.bars[at:])]
    written = (*chart.bars[:at], *([WrittenBar()] * count), *chart.bars[at:])

    def moved(place: _Where, end: bool = False) -> _Where:
        k, position = place
        return (k + count, position) if k >= at and not (end and place == (at, 0)) else place

    return _rebuilt(chart, TimeMap(bars, time_map.end_s + shift_s), written, moved)


def without_bars(chart: Chart, first: int, last: int) -> Chart:
    """A part less some bars and what is written in them; what follows moves up.

    A section that began there begins with the bar after them, unless another does.
    """
    time_map, after = chart.time_map, last + 1
    if last - first + 1 == len(chart):
        raise ChartError("A chart keeps at least one bar; clear the notes instead.")
    gone_s = time_map.bar_end_s(last) - time_map.bar_start_s(first)
    # What comes before the first bar has no time of its own: the rest stays where it is.
    shift_s = 0.0 if first == 0 or chart.recording is not None else -gone_s
    bars = [*time_map.bars[:first], *(_later(b, shift_s) for b in time_map.bars[after:])]
    end_s = time_map.bar_start_s(first) if after == len(chart) else time_map.end_s + shift_s

    def moved(place: _Where, end: bool = False) -> _Where:
        k, position = place
        return place if k < first else (k - (after - first), position) if k >= after else (first, Fraction(0))

    inside = [t for t in chart.texts if not first <= t.bar_index <= last]
    sections = {s.bar_index: s for s in chart.sections}
    kept = [s for k, s in sections.items() if not first <= k <= last]
    begun = [sections[k] for k in range(first, after) if k in sections]
    if begun and after < len(chart) and after not in sections:
        kept.append(replace(begun[-1], bar_index=after))
    marks = tuple(m for m in chart.marks if not (first, 0) <= m.start < m.end <= (after, 0))
    less = replace(chart, texts=tuple(inside), sections=tuple(kept), marks=marks)
    return _rebuilt(less, TimeMap(bars, end_s), (*chart.bars[:first], *chart.bars[after:]), moved)


def missed_line(time_map: TimeMap, bar_index: int) -> Rebarring:
    """Two bars instead of one that lasts as long as two of those around it: of more beats it is split where one of
    them would end, else it is counted twice as fast.

    Raises
    ------
    ChartError
        If it does not: there is no time for another bar.
    """
    if not lasts_as_two(time_map, bar_index):
        raise ChartError(
            f"The recording has no time for another bar at {the_bar(time_map.bar_number(bar_index))}: split a bar "
            "where a line is missing, or shift the 1 from here on."
        )
    usual = usual_length(time_map, bar_index, bar_index)
    if time_map.bars[bar_index].length > usual:
        return split_bar(time_map, bar_index, usual)
    return change_level(time_map, 2, bar_index, bar_index)


def lasts_as_two(time_map: TimeMap, bar_index: int) -> bool:
    """Whether a bar lasts as long as two of those around it."""
    return _about(_lasts_s(time_map, bar_index, bar_index), 2 * _usual_s(time_map, bar_index, bar_index))


def last_as_one(time_map: TimeMap, bar_index: int) -> bool:
    """Whether a bar and the next last, together, as long as one of those around them."""
    return _about(_lasts_s(time_map, bar_index, bar_index + 1), _usual_s(time_map, bar_index, bar_index + 1))


def line_too_many(time_map: TimeMap, bar_index: int) -> Rebarring:
    """One bar instead of a bar and a neighbour that last, together, as long as one of those around them.

    Raises
    ------
    ChartError
        If they do not: what is heard in a bar cannot go.
    """
    for first in (bar_index - 1, bar_index):
        if 0 <= first and first + 1 < len(time_map):
            a, b = time_map.bars[first : first + 2]
            if last_as_one(time_map, first):
                full = a.length == b.length == usual_length(time_map, first, first + 1)
                return change_level(time_map, Fraction(1, 2), first, first + 1) if full else join_bars(time_map, first)
    first = max(0, min(bar_index, len(time_map) - 2))
    both = f"join {bar_list(time_map, [first, first + 1])} where a line is too many, or " if len(time_map) > 1 else ""
    raise ChartError(
        f"{bar_name(time_map.bar_number(bar_index))} is heard in the recording and cannot go: {both}take its hits out "
        "in the grid."
    )


def _around(time_map: TimeMap, first: int, last: int) -> list[int]:
    near = [*range(first - NEIGHBOURS, first), *range(last + 1, last + 1 + NEIGHBOURS)]
    found = [k for k in near if 0 <= k < len(time_map) and not time_map.bars[k].is_pickup]
    if not found:
        raise ChartError("There are too few bars to tell how long a bar lasts: tap the 1, or split and join bars.")
    return found


def _usual_s(time_map: TimeMap, first: int, last: int) -> float:
    return float(np.median([_lasts_s(time_map, k, k) for k in _around(time_map, first, last)]))


def usual_length(time_map: TimeMap, first: int, last: int) -> Fraction:
    """Of the bars around a stretch, whole notes."""
    lengths = sorted(time_map.bars[k].length for k in _around(time_map, first, last))
    return lengths[len(lengths) // 2]


def _lasts_s(time_map: TimeMap, first: int, last: int) -> float:
    return time_map.bar_end_s(last) - time_map.bar_start_s(first)


def _about(one_s: float, other_s: float) -> bool:
    return 1 / ABOUT < one_s / other_s < ABOUT


def _later(bar: Bar, seconds: float) -> Bar:
    return replace(bar, beat_times_s=tuple(t + seconds for t in bar.beat_times_s)) if seconds else bar


def _rebuilt(chart: Chart, time_map: TimeMap, bars: tuple[WrittenBar, ...], moved: Callable[..., _Where]) -> Chart:
    sections = tuple(replace(s, bar_index=moved((s.bar_index, Fraction(0)))[0]) for s in chart.sections)
    places = ((t, moved((t.bar_index, t.position))) for t in chart.texts)
    return replace(
        chart,
        time_map=time_map,
        bars=bars,
        sections=sections,
        texts=tuple(replace(t, bar_index=k, position=p) for t, (k, p) in places),
        marks=tuple(replace(m, start=moved(m.start), end=moved(m.end, end=True)) for m in chart.marks),
    )
