"""Ghost notes: snare strokes far softer than the backbeats around them."""

from fractions import Fraction as F

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.ghosts import mark_ghosts
from workbench.chart.meter import TimeMap


def test_soft_snare_strokes_are_written_as_ghost_notes():
    bar = WrittenBar(tuple(Note(F(k, 4), "snare", v, confirmed=k == 3) for k, v in enumerate((100, 30, 96, 30))))
    marked = mark_ghosts(Chart(TimeMap.steady(1, 120), (bar,))).bars[0].notes
    assert ["ghost" in n.articulations for n in marked] == [False, True, False, False]
    steady = WrittenBar(tuple(Note(F(k, 4), "snare", 40) for k in range(4)))
    chart = Chart(TimeMap.steady(1, 120), (steady,))
    assert mark_ghosts(chart) == chart  # a part played softly throughout has no ghost notes
