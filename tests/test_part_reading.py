"""What a reading consists of: bars find their groove and section, fills cover strokes."""

from fractions import Fraction as F

from tests.parts import EMPTY, FILL, ROCK, part
from workbench.chart import Mark
from workbench.reading.part_reading import outside_fills
from workbench.reading.read import read_part

CHART = part(ROCK, ROCK, ROCK, FILL, ROCK, ROCK, ROCK, ROCK, EMPTY, EMPTY)


def test_each_bar_finds_its_groove_and_its_section():
    reading = read_part(CHART)
    for k in range(len(CHART)):
        own = reading.groove_at(k)
        assert (own is None) == (not CHART.bars[k].notes)
        assert own is None or k in own.groove.bar_indices
        assert k in reading.section_at(k).bars


def test_strokes_that_a_fill_covers_are_left_out_of_the_groove():
    content = FILL.content
    half = Mark("fill", (3, F(1, 2)), (4, F(0)))
    left = outside_fills(content, [half], 3)
    assert left < content and {w[0] < F(1, 2) for w in left} == {True}
    assert outside_fills(content, [half], 2) == content
    assert not outside_fills(content, [Mark("fill", (3, F(0)), (4, F(0)))], 3)
