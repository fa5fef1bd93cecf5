"""Hits of a draft that are doubtful."""

from dataclasses import replace

from tests.parts import bar
from workbench.chart import Chart
from workbench.chart.meter import TimeMap
from workbench.reading.doubts import DOUBT_BELOW, doubtful_hits, is_doubtful, mostly_doubtful

BAR = bar(K="x.x.x.x.", S="..x...x.", T="......xx")


def chart_with(confidence, confirmed=False):
    notes = tuple(replace(n, confidence=confidence.get(n.instrument, 1.0), confirmed=confirmed) for n in BAR.notes)
    return Chart(TimeMap.steady(2, 100), (replace(BAR, notes=notes),) * 2)


def test_a_hit_is_doubtful_below_the_limit_until_the_user_confirms_it():
    (note, *_) = BAR.notes
    assert is_doubtful(replace(note, confidence=DOUBT_BELOW - 0.01, confirmed=False))
    assert not is_doubtful(replace(note, confidence=DOUBT_BELOW, confirmed=False))
    assert not is_doubtful(replace(note, confidence=0.0, confirmed=True))


def test_instruments_are_named_where_most_hits_are_doubtful_and_there_are_enough():
    unsure = {"kick": 0.3, "high tom": 0.2}
    assert doubtful_hits(chart_with(unsure)) == {"kick": 8, "high tom": 4}
    assert {"kick (8 of 8)", "high tom (4 of 4)"} == set(mostly_doubtful(chart_with(unsure)).split(", "))
    assert mostly_doubtful(chart_with(unsure, confirmed=True)) == ""
    few = replace(chart_with(unsure), time_map=TimeMap.steady(1, 100), bars=chart_with(unsure).bars[:1])
    assert mostly_doubtful(few) == "kick (4 of 4)"  # two strokes of the tom tell nothing
