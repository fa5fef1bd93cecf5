"""The reading of the demo song against what its makers wrote into it.

Invented data: this shows that the reading works on a whole song with a pick-up,
a bar of silence and an ending; it is no figure of accuracy.
"""

from dataclasses import replace
from pathlib import Path

import mir_eval
import numpy as np
import pytest

from workbench.files.chartfile import read_chart
from workbench.reading.read import read_part

TRUTH = read_chart(Path(__file__).parent.parent / "data/demo/copper-weather.truth.chart.json")


@pytest.fixture(scope="module")
def reading():
    """Read from the bare chart, its sections and marks taken away."""
    return read_part(replace(TRUTH, sections=(), marks=()))


def test_all_fills_are_found_where_they_are_marked(reading):
    marked = [(m.start, m.end) for m in TRUTH.marks if m.kind == "fill"]
    assert [(f.span.start, f.span.end) for f in reading.fills] == marked


def test_the_six_four_six_is_read_as_one(reading):
    fill = reading.fills[-1]
    assert fill.grouping == (6, 4, 6) and fill.values == "16ths" and fill.linear


def intervals(starts, labels):
    edges = np.array([TRUTH.time_map.bar_start_s(k) for k in starts] + [TRUTH.time_map.end_s])
    return np.column_stack([edges[:-1], edges[1:]]) - edges[0], labels


def test_the_form_agrees_with_the_written_sections(reading):
    # mir_eval.segment: boundaries within 0.5 s, and pairwise labels (Levy & Sandler, IEEE TASLP 16(2), 2008).
    sections = TRUTH.sections
    truth, truth_labels = intervals([s.bar_index for s in sections], [s.name for s in sections])
    form = reading.form
    found, labels = intervals([s.bars.start for s in form], [s.label or "silence" for s in form])
    _, _, boundaries = mir_eval.segment.detection(truth, found, window=0.5, trim=True)
    _, _, pairs = mir_eval.segment.pairwise(truth, truth_labels, found, labels)
    assert boundaries >= 0.6 and pairs >= 0.8


def test_verse_and_chorus_are_told_by_what_they_are(reading):
    said = {g.label: g.text for g in reading.grooves}
    assert "8ths on the hi-hat" in said["A"]
    assert "side stick" in said["B"] and "8ths on the ride" in said["B"]
    assert "quarters on the crash" in said["C"]
