"""Strokes in which take and chart differ, in words; bars that are alike."""

from fractions import Fraction as F

from tests.parts import FILL, RIDE, ROCK, part
from workbench.checking.differing import DifferingStroke, alike_bars, stroke_lines

CHART = part(ROCK, ROCK, ROCK, FILL, RIDE)


def stroke(bar_index, position, name="snare", what="missed", instead=""):
    return DifferingStroke(what, bar_index, bar_index + 1, position, name, float(bar_index), instead)


def test_the_same_stroke_is_told_once_with_its_bars_the_most_frequent_first():
    strokes = [stroke(0, F(3, 8), "kick"), *(stroke(k, F(1, 4)) for k in (0, 1, 2, 4)), stroke(1, F(0), what="added")]
    assert stroke_lines(CHART, strokes, "missed") == ["snare on 2: bars 1–3, 5", "kick on the & of 2: bar 1"]
    assert stroke_lines(CHART, strokes, "added") == ["snare on 1: bar 2"]


def test_a_drum_played_instead_is_named():
    (line,) = stroke_lines(CHART, [stroke(0, F(1, 2), instead="high tom")], "missed")
    assert "high tom instead" in line


def test_alike_bars_are_those_in_a_row():
    assert alike_bars(CHART, 1) == range(0, 3)
    assert alike_bars(CHART, 3) == range(3, 4)
