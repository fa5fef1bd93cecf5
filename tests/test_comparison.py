"""Two lists of strokes, or two charts, held side by side.

The number of pairs is checked against mir_eval (C. Raffel et al., ISMIR 2014).
"""

import mir_eval
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.alignment.comparison import compare_strokes, match_times
from workbench.chart.events import Stroke

TIMES = st.lists(st.integers(0, 2000).map(lambda x: x / 1000), max_size=25)


@given(TIMES, TIMES, st.sampled_from([0.0102, 0.0503, 0.0701]))
def test_as_many_pairs_as_mir_eval_finds(first, second, window_s):
    pairs = match_times(np.array(first), np.array(second), window_s)
    expected = mir_eval.util.match_events(np.sort(first), np.sort(second), window_s)
    assert len(pairs) == len(expected)
    assert len({i for i, _ in pairs}) == len({j for _, j in pairs}) == len(pairs)
    assert all(abs(first[i] - second[j]) <= window_s + 1e-9 for i, j in pairs)


def test_more_pairs_win_over_nearer_ones():
    assert len(match_times(np.array([0.0, 0.001, 0.051]), np.array([0.001, 0.051, 0.101]), 0.0503)) == 3


def test_the_nearest_pairs_win():
    assert match_times(np.array([1.0, 1.06]), np.array([1.055]), 0.08) == [(1, 0)]
    assert match_times(np.array([1.0, 1.06]), np.array([1.055, 1.01]), 0.08) == [(0, 1), (1, 0)]


def test_same_renamed_and_left_over():
    first = [Stroke(1.0, "kick"), Stroke(1.0, "closed hi-hat"), Stroke(2.0, "snare"), Stroke(3.0, "crash")]
    second = [Stroke(1.01, "kick"), Stroke(1.02, "ride"), Stroke(2.2, "snare")]
    found = compare_strokes(first, second)
    assert found.same == ((0, 0),)
    assert found.renamed == ((1, 1),)
    assert (found.only_first, found.only_second) == ((2, 3), (2,))
    assert found.f_measure == pytest.approx(2 / 7)
    alike = compare_strokes(first, second, alike=lambda n: "metal" if n in ("ride", "closed hi-hat") else n)
    assert alike.same == ((0, 0), (1, 1))
    assert compare_strokes(first, second, renamed_window_s=0.01).renamed == ()


def test_nothing_against_nothing():
    assert compare_strokes([], []).f_measure == 1.0
    assert compare_strokes([Stroke(0, "kick")], []).f_measure == 0.0
