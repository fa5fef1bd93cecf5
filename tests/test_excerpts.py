"""Some bars of a chart as a chart of their own."""

from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.charts import charts
from tests.parts import bar
from workbench.chart import Chart, Mark, Section, Text
from workbench.chart.excerpts import excerpt_chart, read_bar_numbers, read_bar_span
from workbench.chart.meter import TimeMap
from workbench.errors import ChartError

CHART = Chart(TimeMap.steady(6, 120), (bar(K="x...", S="..x."),) * 6)


@given(charts(), st.data())
def test_bars_keep_their_notes_and_their_times(chart, data):
    first = data.draw(st.integers(0, len(chart) - 1))
    last = data.draw(st.integers(first, len(chart) - 1))
    own = excerpt_chart(chart, first, last)
    assert own.bars == chart.bars[first : last + 1]
    heard_s = [chart.note_time_s(k, n) for k, n in chart.notes() if first <= k <= last]
    assert [own.note_time_s(k, n) for k, n in own.notes()] == pytest.approx(heard_s, abs=1e-6)


def test_what_stands_over_the_bars_goes_with_them():
    chart = replace(
        CHART,
        sections=(Section(0, "Verse", "A"), Section(3, "Chorus", "B")),
        texts=(Text(3, F(1, 4), "crash"), Text(5, F(0), "out")),
        marks=(Mark("fill", (2, F(0)), (3, F(0))), Mark("fill", (3, F(1, 2)), (4, F(0)))),
    )
    own = excerpt_chart(chart, 3, 4)
    assert own.sections == (Section(0, "Chorus", "B"),) and own.texts == (Text(0, F(1, 4), "crash"),)
    assert [(m.start, m.end) for m in own.marks] == [((0, F(1, 2)), (1, F(0)))]


def test_bars_are_named_as_on_the_score():
    assert read_bar_span(CHART, " 2-4 ") == (1, 3) and read_bar_span(CHART, "6") == (5, 5)


@pytest.mark.parametrize("text, said", [("4-2", "earlier bar first"), ("x", "5-8"), ("7", "bar 7"), ("-1", "5-8")])
def test_no_stretch_of_bars(text, said):
    with pytest.raises(ChartError, match=said):
        read_bar_span(CHART, text)


def test_numbers_of_bars():
    assert read_bar_numbers(CHART, "2, 5") == (2, 5) and read_bar_numbers(CHART, "") == ()
    for text, said in (("2-3", "9,17"), ("99", "bar 99")):
        with pytest.raises(ChartError, match=said):
            read_bar_numbers(CHART, text)
