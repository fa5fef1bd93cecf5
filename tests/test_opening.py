"""Where a recording begins among the bars of a reading."""

from types import SimpleNamespace

import numpy as np
import pytest

from workbench.listening.grids import Grid
from workbench.listening.opening import opens_with_bar

BEATS_S = 2.0 + 0.5 * np.arange(40)


def reading(first, beats=4, beats_s=BEATS_S):
    return SimpleNamespace(grid=Grid(beats_s), path=SimpleNamespace(starts=tuple(range(first, len(beats_s), beats))))


@pytest.mark.parametrize("begins_s, opens", [(2.0, [1, 0]), (3.04, [0, 1]), (2.25, [0, 0]), (2.5, [0, 0])])
def test_the_first_sound_lies_on_a_bar_line_or_not(begins_s, opens):
    # Where the file begins, bars of the second reading go on: two and a half beats before its first line, no line.
    beats_s = BEATS_S + 0.25
    found = [reading(0, beats_s=beats_s - 0.25), reading(2, beats_s=beats_s - 0.25)]
    file_too = [float(abs((b.grid.beats_s[b.path.starts[0]] / 2.0) % 1.0) < 1e-9) for b in found]
    assert opens_with_bar(begins_s, found).tolist() == [max(a, b) for a, b in zip(opens, file_too)]


def test_bars_go_on_before_the_first_beat():
    """A song that begins softly: its first beats are before the grid."""
    late = reading(0, beats_s=4.3 + 0.5 * np.arange(40))
    assert opens_with_bar(0.3, [late]) == [1.0] and opens_with_bar(1.3, [late]) == [0.0]


def test_a_bar_line_at_the_beginning_of_the_file_counts():
    """Music made on a computer may be silent at first."""
    on_file = reading(0, beats_s=2.0 + 0.5 * np.arange(40))
    assert opens_with_bar(3.5, [on_file]) == [1.0]
    assert opens_with_bar(3.5, [reading(0, beats_s=2.13 + 0.5 * np.arange(40))]) == [0.0]


def test_nothing_is_said_where_nothing_is_known():
    assert opens_with_bar(None, [reading(0), reading(2)]).tolist() == [0.0, 0.0]
    assert opens_with_bar(2.0, [reading(50)]).tolist() == [0.0]  # no bar line within the beats
