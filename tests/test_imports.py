"""What was lost in reading a file by others, told by bar."""

from workbench.chart import Chart
from workbench.chart.meter import TimeMap
from workbench.files.imports import MOST_PROBLEMS, Imported, Losses


def test_losses_are_told_by_what_is_the_matter_and_where():
    lost = Losses()
    for bar in range(1, 40):
        lost.add("A snare stroke fell together with another", str(bar))
    lost.add("A cue note was left out", "2", 3)
    cue, snare = lost.sentences()
    assert "3 in bar 2" in cue and "39 in bars 1, 2" in snare and "15 more" in snare
    assert lost.in_bar("2") == 4


def test_problems_end_with_the_losses_and_are_counted():
    lost = Losses()
    lost.add("A cue note was left out", "1")
    told = Imported(Chart.empty(TimeMap.steady(1, 120)), ("One.",) * (MOST_PROBLEMS - 1), lost).problems
    assert len(told) == MOST_PROBLEMS and told[-1].startswith("A cue note")
