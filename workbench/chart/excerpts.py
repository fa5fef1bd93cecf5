"""Excerpts: some bars of a chart as a chart of their own."""

from __future__ import annotations

from dataclasses import replace

from workbench.chart import Chart
from workbench.chart.meter import TimeMap
from workbench.errors import ChartError


def excerpt_chart(chart: Chart, first_bar: int, last_bar: int) -> Chart:
    """Bars ``first_bar … last_bar`` (both included) as a chart.

    Times stay those of the recording, so the excerpt still lies on it; bars
    are counted anew.

    Raises
    ------
    ChartError
        If the bars do not exist or come in the wrong order.
    """
    chart.time_map.check_bar(first_bar)
    chart.time_map.check_bar(last_bar)
    if first_bar > last_bar:
        raise ChartError("An excerpt ends where it begins or later.")
    inside = range(first_bar, last_bar + 1)
    time_map = TimeMap(chart.time_map.bars[first_bar : last_bar + 1], chart.time_map.bar_end_s(last_bar))
    end = last_bar + 1
    marks = tuple(
        replace(m, start=(m.start[0] - first_bar, m.start[1]), end=(m.end[0] - first_bar, m.end[1]))
        for m in chart.marks
        if m.start[0] >= first_bar and m.end <= (end, m.end[1] * 0)
    )
    return replace(
        chart,
        time_map=time_map,
        bars=chart.bars[first_bar:end],
        marks=marks,
        sections=tuple(replace(s, bar_index=s.bar_index - first_bar) for s in chart.sections if s.bar_index in inside),
        texts=tuple(replace(t, bar_index=t.bar_index - first_bar) for t in chart.texts if t.bar_index in inside),
        printed_numbers=chart.printed_numbers[first_bar:end],
        possible_hits=tuple(h for h in chart.possible_hits if time_map.start_s <= h.time_s < time_map.end_s),
    )


def read_bar_span(chart: Chart, text: str) -> tuple[int, int]:
    """First and last bar index of "5-8" or "5", by the numbers printed on the score.

    Raises
    ------
    ChartError
        If that is no stretch of bars, or the chart has none of these numbers.
    """
    first, _, last = text.strip().partition("-")
    if not (first.isdigit() and (last.isdigit() or not last)):
        raise ChartError(f"Write bars as 5-8 or 5, not {text!r}.")
    a, b = chart.time_map.bar_index(int(first)), chart.time_map.bar_index(int(last or first))
    if a > b:
        raise ChartError(f"Write the earlier bar first, not {text!r}.")
    return a, b


def read_bar_numbers(chart: Chart, text: str) -> tuple[int, ...]:
    """Numbers of bars that are there, written as "9,17".

    Raises
    ------
    ChartError
        If one is no number of a bar of the chart.
    """
    numbers = tuple(piece.strip() for piece in text.split(",") if piece.strip())
    if wrong := [n for n in numbers if not n.isdigit()]:
        raise ChartError(f"Write numbers of bars as 9,17, not {wrong[0]!r}.")
    for n in numbers:
        chart.time_map.bar_index(int(n))
    return tuple(map(int, numbers))
