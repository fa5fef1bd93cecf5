"""Charts and edits as plain data: nothing is lost, nothing wrong is taken."""

import json
from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import test_chart
from tests.charts import charts
from workbench.chart import PossibleHit
from workbench.chart.data import chart_from_data, edit_from_data, to_data
from workbench.chart.edits import NameSection, SetText, apply
from workbench.errors import ChartError

chart = test_chart.chart


def through_json(data):
    return json.loads(json.dumps(data))


POSSIBLE = st.lists(
    st.builds(PossibleHit, st.floats(-1, 9), st.sampled_from(["snare", "ride"]), st.integers(1, 127), st.floats(0, 1))
)


@given(charts(), POSSIBLE)
def test_charts_round_trip_through_json(chart, hits):
    chart = replace(chart, possible_hits=tuple(hits))
    assert all(0 <= k < len(chart) for k, _, _ in chart.possible_notes())
    assert chart_from_data(through_json(to_data(chart))) == chart


def _paths(data, path=()):
    if isinstance(data, dict):
        for key, value in data.items():
            yield (*path, key)
            yield from _paths(value, (*path, key))
    elif isinstance(data, list):
        for k, value in enumerate(data):
            yield from _paths(value, (*path, k))


def test_one_broken_field_at_a_time(chart):
    """Replacing or removing any field of a chart's data is refused with a ChartError."""
    chart = apply(chart, NameSection(0, "Verse", "A"))
    chart = apply(chart, SetText(1, F(0), "watch"))
    good = through_json(to_data(chart))
    for path in list(_paths(good)):
        for change in ("wrong", "missing"):
            data = through_json(good)
            inner = data
            for key in path[:-1]:
                inner = inner[key]
            if change == "wrong":
                inner[path[-1]] = {"no": "such thing"}
            elif isinstance(inner, dict) and path[-1] not in {
                "articulations",
                "deviation_s",
                "confidence",
                "confirmed",
                "label",
            }:
                del inner[path[-1]]
            else:
                continue
            with pytest.raises(ChartError):
                chart_from_data(data)


@pytest.mark.parametrize(
    "data",
    [
        None,
        [],
        "add note",
        {"edit": "burn"},
        {"edit": [[]]},
        {"edit": "add note"},
        {"edit": "remove note", "bar_index": 0},
        {"edit": "remove note", "bar_index": "0", "position": "0", "instrument": "kick"},
        {"edit": "remove note", "bar_index": 0, "position": "1/0", "instrument": "kick"},
        {"edit": "remove note", "bar_index": 0, "position": "9" * 5000, "instrument": "kick"},
        {"edit": "remove note", "bar_index": True, "position": "0", "instrument": "kick"},
        {"edit": "move bar line", "bar_index": 0, "time_s": float("nan")},
        {"edit": "remove section", "bar_index": 0, "surprise": 1},
    ],
)
def test_unreadable_edits(data):
    with pytest.raises(ChartError):
        edit_from_data(data)


def test_edits_nested_without_end():
    data = {"edit": "remove section", "bar_index": 0}
    for _ in range(50):
        data = {"edit": "together", "edits": [data]}
    with pytest.raises(ChartError, match="deeply"):
        edit_from_data(data)
