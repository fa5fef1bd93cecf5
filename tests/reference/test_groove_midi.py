"""The reading against all labels of the Groove MIDI Dataset's validation split.

Source: Gillick et al., ICML 2019; CC BY 4.0, Google LLC.  Runs where
WORKBENCH_GROOVE_MIDI names the folder of the MIDI release.
"""

import os
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.groove import find_performances, read_performance
from tests.reference.groove_labels import assert_readings_hold
from workbench.chart.meter import TimeMap
from workbench.chart.quantizer import quantize
from workbench.reading.feel import measure_feel
from workbench.reading.fill_model import fill_logits
from workbench.reading.read import read_part
from workbench.training.fill_examples import played
from workbench.training.fill_measures import called_fills, excerpt_area, song_areas
from workbench.training.groove_performances import performance_chart, read_performances

#: Styles of the data set whose name says how they are played (common practice).
STYLES = ("rock/halftime", "dance/disco", "rock/shuffle", "blues/shuffle", "rock", "funk")


@pytest.fixture(scope="module")
def performances():
    return list(read_performances(Path(os.environ["WORKBENCH_GROOVE_MIDI"]), ("validation",)))


@pytest.fixture(scope="module")
def charts(performances):
    return played(performances)


def test_fills_are_told_from_stretches_of_grooves_as_long(charts):
    for bars in (1, 2):
        assert excerpt_area(charts, bars, fill_logits) >= 0.9


def test_fills_in_songs_are_told_from_bars_of_any_groove(charts):
    """Not the splice and not the missing repeat: foreign groove bars have both."""
    areas = song_areas(charts, 10, fill_logits)
    assert areas["fills put into grooves against foreign groove bars put in likewise"] >= 0.9
    assert areas["fills put into grooves against the groove's own bars"] >= 0.97


def test_readings_hold(performances):
    assert_readings_hold(performances)


def test_fills_put_into_grooves_are_found(charts):
    """One-bar fills, every eighth bar of a human groove by the same drummer.

    The grooves have fills of their own, so the share of their bars called fills
    has no right value; it must stay that of an ordinary song.
    """
    called = called_fills(charts, 3)
    assert called["fills put in"] >= 0.85
    assert called["the groove's own bars"] <= 0.106
    assert called["foreign groove bars put in"] <= 0.4


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


def test_sixteenths_of_six_eight_that_swing_are_written_as_sixteenths():
    """All five performances in 6/8 have most strokes between two 8ths at 0.57 to 0.66 of them."""
    folder = Path(os.environ["WORKBENCH_GROOVE_MIDI"])
    rows = [r for s in ("train", "validation") for r in find_performances(folder, s, shortest_s=10, meter="6-8")]
    assert len(rows) == 5
    for row in rows:
        p = read_performance(folder, row)
        between = [x for s in p.strokes if 0.35 < (x := s.time_s * p.tempo_bpm / 30 % 1) < 0.8]
        assert 0.57 < np.median(between) < 0.66
        time_map = TimeMap.steady(int(p.strokes[-1].time_s * p.tempo_bpm / 180) + 2, p.tempo_bpm / 1.5, p.meter)
        written = quantize(p.strokes, time_map)
        notes = [n for b in written.bars for n in b.notes]
        assert written.feel == "swing 16ths" and written.swing_ratio == pytest.approx(np.median(between), abs=0.1)
        assert sum((16 * n.position).denominator > 1 for n in notes) < 0.1 * len(notes)


def test_shuffles_swing_and_straight_styles_do_not(by_style):
    shuffles = swing_of_8ths(by_style["rock/shuffle"] + by_style["blues/shuffle"])
    straight = swing_of_8ths(by_style["rock"] + by_style["funk"])
    assert len(shuffles) >= 3 and min(shuffles) > 1.5
    assert len(straight) >= 30 and sum(r < 1.15 for r in straight) >= 0.9 * len(straight)
