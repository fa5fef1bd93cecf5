"""The reading against labels of human performances.

Source: Groove MIDI Dataset, validation split (Gillick et al., ICML 2019), CC BY
4.0, Google LLC; groove_sample.json names what was taken and changed.
"""

import json
from pathlib import Path

import pytest

from tests.reference.groove_labels import assert_readings_hold
from workbench.chart.meter import Meter
from workbench.reading.fill_model import fill_logits
from workbench.training.fill_examples import played
from workbench.training.fill_measures import excerpt_area
from workbench.training.groove_performances import GroovePerformance, performance_chart


def performances():
    data = json.loads(Path(__file__).with_name("groove_sample.json").read_text("utf-8"))
    for p in data["performances"]:
        strokes = tuple((tick / data["ticks_per_quarter"], p["instruments"][i], v) for tick, i, v in p["strokes"])
        yield GroovePerformance(
            p["id"],
            p["id"].split("/")[0],
            p["style"],
            p["tempo_bpm"],
            Meter.parse(p["meter"]),
            p["is_fill"],
            "validation",
            strokes,
        )


PERFORMANCES = list(performances())


def test_fills_are_told_from_stretches_of_grooves_as_long():
    for bars in (1, 2):
        assert excerpt_area(played(PERFORMANCES), bars, fill_logits) >= 0.9


def test_meter_of_the_charts():
    assert {str(performance_chart(p).time_map.bars[0].meter) for p in PERFORMANCES} <= {"4/4", "3/4", "6/8"}


@pytest.mark.slow
def test_readings_hold():
    assert_readings_hold(PERFORMANCES)
