"""The reading against all labels of the Groove MIDI Dataset's validation split.

Source: Gillick et al., ICML 2019; CC BY 4.0, Google LLC.  Runs where
WORKBENCH_GROOVE_MIDI names the folder of the MIDI release.
"""

import os
import random
from collections import defaultdict
from pathlib import Path

import pytest

from tests.reference.groove_labels import assert_readings_hold, fill_auc, tempo_errors
from workbench.chart import Chart
from workbench.feel import measure_feel
from workbench.meter import Meter, TimeMap
from workbench.reading import read_part
from workbench.training.groove_performances import performance_chart, read_performances

#: Styles of the data set whose name says how they are played (common practice).
STYLES = ("rock/halftime", "dance/disco", "rock/shuffle", "blues/shuffle", "rock", "funk")


@pytest.fixture(scope="module")
def performances():
    return list(read_performances(Path(os.environ["WORKBENCH_GROOVE_MIDI"]), ("validation",)))


def test_fills_are_told_from_beats(performances):
    assert fill_auc(performances) >= 0.9
    assert fill_auc(performances, shortest_beats=8) >= 0.9


def test_tempo_within_one_percent(performances):
    assert tempo_errors(performances).max() < 0.01


def test_readings_hold(performances):
    assert_readings_hold(performances)


def test_fills_put_into_grooves_are_found(performances):
    """One-bar fills played by the same drummer, every eighth bar of a human groove.

    The grooves have fills of their own, so the share of other bars called
    fills has no right value; it must stay that of an ordinary song.
    """
    rng = random.Random(1)
    charts = [(p, performance_chart(p)) for p in performances if p.meter == Meter()]
    fills = [(p, c) for p, c in charts if p.is_fill and len(c) == 1 and len(c.bars[0].notes) >= 5]
    grooves = [(p, c) for p, c in charts if not p.is_fill and len(c) >= 24]
    found = other = put = bars_in_all = 0
    for i in range(0, len(fills) - 2, 3):
        own = [g for g in grooves if g[0].drummer == fills[i][0].drummer] or grooves
        performance, groove = rng.choice(own)
        first = rng.randrange(2, len(groove) - 21)
        bars = []
        for j in range(3):
            bars += [*groove.bars[first + 7 * j:first + 7 * j + 7], fills[i + j][1].bars[0]]
        song = Chart(TimeMap.steady(24, performance.tempo_bpm), tuple(bars))
        called = {k for f in read_part(song).fills for k in f.span.bars() if k < 24}
        found += len(called & {7, 15, 23})
        other += len(called - {7, 15, 23})
        put, bars_in_all = put + 3, bars_in_all + 21
    assert found / put >= 0.9
    assert other / bars_in_all <= 0.15


@pytest.fixture(scope="module")
def by_style():
    """Charts of whole beats in both splits: naming and measuring are tuned to neither."""
    found = defaultdict(list)
    for p in read_performances(Path(os.environ["WORKBENCH_GROOVE_MIDI"])):
        if not p.is_fill and p.style in STYLES:
            chart = performance_chart(p)
            if len(chart) >= 24:
                found[p.style].append(chart)
    return found


def main_groove(chart):
    return max(read_part(chart).grooves, key=lambda g: len(g.groove.bar_indices)).text


def test_styles_get_the_names_they_are_known_by(by_style):
    assert all("half-time" in main_groove(c) for c in by_style["rock/halftime"])
    disco = [main_groove(c) for c in by_style["dance/disco"]]
    assert sum("four on the floor" in text for text in disco) > len(disco) / 2


def swing_of_8ths(charts):
    return [s.ratio for c in charts for s in measure_feel(c).swings if s.value == "8ths"]


def test_shuffles_swing_and_straight_styles_do_not(by_style):
    shuffles = swing_of_8ths(by_style["rock/shuffle"] + by_style["blues/shuffle"])
    straight = swing_of_8ths(by_style["rock"] + by_style["funk"])
    assert len(shuffles) >= 3 and min(shuffles) > 1.5
    assert len(straight) >= 30 and sum(r < 1.15 for r in straight) >= 0.9 * len(straight)
