"""Bars as a user writes them on the command line."""

from __future__ import annotations

from workbench.chart import Chart
from workbench.errors import ChartError


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
