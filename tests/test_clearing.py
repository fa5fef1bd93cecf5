"""No sign of a page lies on another: measured on bars as dense as they come, and on signs known to collide.

The same on human performances: ``python -m tests.benchmarks.bench_page_ink GROOVE_DIR``.
"""

from fractions import Fraction as F

import pytest

from tests.dense_bars import dense_bars
from tests.ink_overlaps import overlaps
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.engraving.clearing import _edges
from workbench.engraving.engrave import engrave_lines
from workbench.notation.scoresigns import ScoreOptions

WRITTEN_OUT = ScoreOptions(similes=False, multirests=False)


def found_in(chart):
    return [o for line in engrave_lines(chart, WRITTEN_OUT) for o in overlaps(line.body, line.defs)]


def bar_of(*notes):
    """A bar of (position, instrument, signs)."""
    return Chart(TimeMap.steady(1, 100), (WrittenBar(tuple(Note(p, i, 60, frozenset(s)) for p, i, *s in notes)),))


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 5, 14, 46])
def test_two_hundred_dense_bars_have_no_overlap(seed):
    assert found_in(dense_bars(200, seed)) == []


@pytest.mark.parametrize(
    "notes",
    [
        (
            (F(1, 12), "snare"),
            (F(1, 6), "ride"),
            (F(3, 16), "kick"),
            (F(3, 4) + F(1, 24), "snare"),
            (F(15, 16), "ride"),
        ),
        ((F(0), "ride"), (F(1, 16), "snare", "ghost"), (F(1, 4), "snare", "ghost"), (F(7, 16), "snare", "ghost")),
        (*((F(k, 16), "snare", *(("flam",) if k % 4 == 1 else ())) for k in range(16)),),
        ((F(0), "tambourine"), (F(3, 32), "tambourine")),
        (*((F(k, 32), "floor tom") for k in range(0, 32, 3)), *((F(2 * k + 1, 32), "kick") for k in range(16))),
    ],
    ids=[
        "tuplets that begin with rests",
        "dots of ghost notes",
        "grace notes under beams",
        "a beam of triangles",
        "rests under toms",
    ],
)
def test_what_used_to_collide(notes):
    assert found_in(bar_of(*notes)) == []


def test_the_measure_sees_ink_on_ink():
    """A notehead moved onto its neighbour is told."""
    (line,) = engrave_lines(bar_of((F(0), "snare"), (F(1, 4), "snare")), WRITTEN_OUT)
    heads = [g for g in line.body.iter() if g.get("class") == "notehead"]
    heads[0][0].set("transform", heads[1][0].get("transform"))
    assert ("head", "head") in [o[:2] for o in overlaps(line.body, line.defs)]


def test_a_stub_of_a_beam_without_width_hides_nothing():
    """As the engraver draws one in the ninth set of dense bars."""
    assert _edges([(5.0, 0.0), (5.0, 2.0), (5.0, 92.0), (5.0, 90.0)], 0.0, 10.0) is None
    assert _edges([(0.0, 0.0), (10.0, 2.0), (10.0, 92.0), (0.0, 90.0)], 0.0, 10.0) == (0.0, 92.0)
