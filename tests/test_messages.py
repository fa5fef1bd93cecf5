"""What the grid tells its page of a change: all of it, and only that."""

import json
from fractions import Fraction as F

import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from tests.charts import charts, edits
from tests.effort import examples
from tests.grids import GROOVE
from workbench.chart import Chart, Section
from workbench.chart.data import to_data
from workbench.chart.edits import ChangeNote, apply
from workbench.chart.meter import TimeMap
from workbench.errors import ChartError
from workbench.grid.messages import FIRST_BARS, changed_parts, snapshot


@pytest.mark.slow
@examples(40, suppress_health_check=list(HealthCheck))
@given(st.data())
def test_changed_parts_say_all_and_only_what_changed(data):
    chart = data.draw(charts())
    edit = data.draw(edits(chart))
    try:
        after = apply(chart, edit)
    except ChartError:
        return
    parts = changed_parts(chart, after)
    assert (parts == {}) == (chart == after)
    if "bars" in parts and isinstance(parts["bars"], dict):
        assert all(chart.bars[int(k)] != after.bars[int(k)] for k in parts["bars"])


def test_one_edit_of_a_long_chart_is_a_short_message():
    chart = Chart(TimeMap.steady(200, 120), (GROOVE,) * 200)
    parts = changed_parts(chart, apply(chart, ChangeNote(100, F(0), "kick", velocity=99)))
    assert len(json.dumps(parts)) < 2000


@pytest.mark.parametrize("count", [1, FIRST_BARS, FIRST_BARS + 1, 500])
def test_a_long_chart_comes_in_pieces_that_make_the_whole(count):
    chart = Chart(TimeMap.steady(count, 120), (GROOVE,) * count, title="Long", sections=(Section(0, "Verse"),))
    first, *more = snapshot(chart, 7, {"unsaved": 0})
    assert first["info"] == {"unsaved": 0, "used": list(chart.instruments_used())}
    bars = first["chart"]["bars"]
    assert len(bars) == count
    assert bars[: min(count, FIRST_BARS)] == to_data(chart)["bars"][:FIRST_BARS]
    for message in more:
        bars[message["first"] : message["first"] + len(message["bars"])] = message["bars"]
    assert first["chart"] == to_data(chart)
    assert [m["whole"] for m in (first, *more)] == [False] * len(more) + [True]
    assert all(m["revision"] == 7 for m in (first, *more))
