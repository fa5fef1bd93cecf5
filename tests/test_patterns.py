"""Bars as vectors of strokes."""

import pytest

from tests.parts import FILL, ROCK, bar, part
from workbench.reading.patterns import Patterns


def test_likeness_of_bars():
    patterns = Patterns.of(part(ROCK, ROCK, FILL, bar(), bar()))
    alike = patterns.likeness
    assert alike[0, 1] == pytest.approx(1) and alike[3, 4] == 1 and alike[0, 3] == 0
    assert 0 < alike[0, 2] < 0.5
    assert (alike == alike.T).all()
