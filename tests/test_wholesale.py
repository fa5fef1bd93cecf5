"""A chart that is wrong as a whole: said before any single note."""

from dataclasses import replace
from fractions import Fraction as F

import pytest

from tests.sentences import says
from tests.test_align import SONG, chart_of
from tests.test_check import HEARD
from workbench.chart import Chart, WrittenBar
from workbench.chart.meter import Meter, TimeMap
from workbench.checking.check import check_chart
from workbench.checking.check_report import check_page
from workbench.listening.readings import BarReading

BPM, START_S = 113.0, 1.3
#: What the tracker makes of the song: its true bars, and others that it holds for unlikely.
TRUE = BarReading(TimeMap.steady(12, BPM, start_s=START_S), 0.9, (0.9,) * 12)
OTHER = BarReading(TimeMap.steady(12, BPM, start_s=START_S + 60 / BPM), 0.05, (0.05,) * 12)


def rewritten(meter=None, shift=F(0), stretch=1, tempo_bpm=BPM):
    """The song in bars of another meter, all of it written later, in notes so many times as long."""
    meter = meter or Meter()
    placed = [((k + n.position) * stretch + shift, n) for k, b in enumerate(SONG) for n in b.notes]
    bars = [{} for _ in range(int(max(at for at, _ in placed) // meter.bar_length) + 1)]
    for at, n in placed:
        k = int(at // meter.bar_length)
        note = replace(n, position=at - k * meter.bar_length)
        bars[k][note.key] = note
    return Chart(TimeMap.steady(len(bars), tempo_bpm, meter), tuple(WrittenBar(tuple(b.values())) for b in bars))


def first(chart, readings=(TRUE, OTHER)):
    return check_chart(chart, replace(HEARD, readings=readings)).first


@pytest.mark.slow
@pytest.mark.parametrize(
    "how, facts",
    [
        (dict(shift=F(1, 8)), ("half a beat too late", "half a beat after")),
        (dict(shift=F(1, 4)), ("a beat too late", "a beat after")),
        (dict(shift=F(7, 8)), ("half a beat too early", "half a beat before")),
        (dict(stretch=F(1, 2), tempo_bpm=BPM / 2), ("half as fast", "57", "113")),
        (dict(meter=Meter(3, 4)), ("written in 3/4", "heard in 4/4", "113")),
        (dict(tempo_bpm=BPM / 2), ("marked 57", "plays it at 113")),
    ],
)
def test_what_is_wrong_as_a_whole_is_said_first(how, facts):
    chart = rewritten(**how)
    (said,) = first(chart)
    assert says(said, *facts), said
    page = check_page(check_chart(chart, replace(HEARD, readings=(TRUE, OTHER)))).html()
    assert page.index(said[:30]) < page.index("of the written notes are heard")


def test_a_chart_with_the_bars_of_the_recording_is_not_accused():
    assert first(chart_of(SONG, BPM)) == ()
    # The tracker holds the chart's bars for possible, or is not sure of others.
    assert first(rewritten(shift=F(1, 4)), (replace(TRUE, probability=0.5), OTHER)) == ()
    early = BarReading(TimeMap.steady(12, BPM, start_s=START_S - 60 / BPM), 0.3, (0.3,) * 12)
    assert first(rewritten(shift=F(1, 4)), (replace(TRUE, probability=0.65), early)) == ()
