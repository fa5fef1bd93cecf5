"""What is learnt of invented notes: where they lie, and that the points tell them from right ones."""

import json
from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest

from tests.test_align import SONG, chart_of
from tests.test_check import HEARD
from tests.test_findings import activations_of
from workbench.chart import Note
from workbench.checking.presence import NOTE_MEASURES
from workbench.training.presence_learning import OWN_APART_S, as_score, invent, joined, learn, rows_of, write_points

PLAIN = tuple(s for k, s in enumerate(HEARD.strokes) if k % 6)
HEARING = replace(HEARD, activations=activations_of(PLAIN), strokes=PLAIN)


@pytest.mark.parametrize("again", [False, True])
def test_invented_notes_are_far_from_strokes_of_their_drum(again):
    chart = chart_of(SONG, 113.0)
    for seed in range(8):
        other, invented = invent(chart, np.random.default_rng(seed), again)
        assert {(k, *n.key) for k, n in other.notes()} == {(k, *n.key) for k, n in chart.notes()} | invented
        assert not again or len({key[1:] for key in invented}) <= 1
        for k, position, drum in invented:
            own = [chart.note_time_s(j, n) for j, n in chart.notes() if n.instrument == drum]
            at = chart.time_map.seconds(k, position)
            assert all(abs(t - at) >= OWN_APART_S for t in own)


def test_a_score_has_no_feel_and_two_loudnesses():
    loud, soft = Note(F(0), "snare", 101, frozenset({"accent"}), deviation_s=0.02), Note(F(1, 4), "snare", 33)
    chart = chart_of([SONG[0].with_note(loud).with_note(soft)])
    notes = {n.position: n for n in as_score(chart).bars[0].notes if n.instrument == "snare"}
    assert (notes[F(0)].velocity, notes[F(0)].articulations, notes[F(0)].deviation_s) == (90, frozenset(), 0)
    assert (notes[F(1, 4)].velocity, notes[F(1, 4)].articulations) == (30, frozenset({"ghost"}))


def test_every_note_without_a_sure_stroke_is_a_row_and_all_are_counted():
    chart = chart_of(SONG, 113.0)
    rows = list(rows_of([(chart, HEARING)]))
    assert rows and all((r.written[1].sum() == sum(len(b.notes) for b in SONG)) for r in rows)
    assert all(len(r.measures) == len(r.column) == len(r.right) for r in rows)
    assert all((~r.right).sum() <= r.written[0].sum() for r in rows)


def test_points_tell_right_notes_from_invented_ones(tmp_path):
    """Half heard are the right ones: a peak of 0.3 where nothing else rises."""
    rng = np.random.default_rng(3)
    rows = joined(list(rows_of([(chart_of(SONG, 113.0), HEARING)])))
    height = NOTE_MEASURES.index("height")
    measures = rng.normal(size=rows.measures.shape)
    measures[:, height] = np.where(rows.right, -0.8, -4.0) + rng.normal(0, 0.3, len(rows.right))
    points = learn(replace(rows, measures=measures))
    said = points.probabilities(measures)
    assert said[rows.right].mean() > said[~rows.right].mean() + 0.3
    assert (np.diff(points.points[height]) >= 0).all()
    write_points(points, tmp_path / "points.json")
    assert set(json.loads((tmp_path / "points.json").read_text())["measures"]) == set(NOTE_MEASURES)
