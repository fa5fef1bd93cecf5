"""Ghost notes: snare strokes far softer than the backbeats around them."""

from fractions import Fraction as F

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.ghosts import mark_dynamics, mark_ghosts
from workbench.chart.meter import TimeMap


def test_soft_snare_strokes_are_written_as_ghost_notes():
    bar = WrittenBar(tuple(Note(F(k, 4), "snare", v, confirmed=k == 3) for k, v in enumerate((100, 30, 96, 30))))
    marked = mark_ghosts(Chart(TimeMap.steady(1, 120), (bar,))).bars[0].notes
    assert ["ghost" in n.articulations for n in marked] == [False, True, False, False]
    steady = WrittenBar(tuple(Note(F(k, 4), "snare", 40) for k in range(4)))
    chart = Chart(TimeMap.steady(1, 120), (steady,))
    assert mark_ghosts(chart) == chart  # a part played softly throughout has no ghost notes


def test_ghosts_and_accents_of_a_performance_are_told_by_what_is_around_them():
    """Common practice, no source: as loud a stroke is a ghost in a loud bar and none in a quiet one; one that stands
    out of a run is accented."""
    loud = WrittenBar(tuple(Note(F(k, 16), "snare", v) for k, v in enumerate((48, 100, 90, 127, 90, 92))))
    quiet = WrittenBar(tuple(Note(F(k, 4), "snare", 48) for k in range(4)))
    chart = Chart(TimeMap.steady(4, 100), (loud, WrittenBar(), WrittenBar(), quiet))
    signed = [sorted(n.articulations) for _, n in mark_dynamics(chart).notes()]
    assert signed == [["ghost"], [], [], ["accent"], [], [], [], [], [], []]
