"""The chart as a score of music21 (BSD licence; M. S. Cuthbert, C. Ariza, ISMIR 2010), and back."""

from dataclasses import replace

import pytest
from hypothesis import given

import workbench as wb
from tests.chart_strategies import charts
from tests.effort import examples
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import TimeMap


def test_a_music21_score_comes_back_as_the_same_chart():
    chart = wb.read_chart(wb.demo_song(what="chart"))
    again = wb.from_music21(wb.to_music21(chart))
    assert again.time_map.bars == chart.time_map.bars and again.time_map.end_s == chart.time_map.end_s
    assert [bar.notes for bar in again.bars] == [bar.notes for bar in chart.bars]
    assert (again.sections, again.texts, again.feel) == (chart.sections, chart.texts, chart.feel)
    assert (again.title, again.artist) == (chart.title, chart.artist)


@pytest.mark.slow
@examples(15)
@given(charts(most_bars=3, parts=(1, 2, 3, 4, 6, 8)))
def test_any_chart_comes_back_with_all_its_notes(chart):
    again = wb.from_music21(wb.to_music21(chart))
    assert [bar.notes for bar in again.bars] == [bar.notes for bar in chart.bars]
    assert again.time_map.bars == tuple(replace(bar, fixed=False) for bar in chart.time_map.bars)


def test_music21_sees_places_heads_instruments_and_velocities():
    """Places and noteheads as the drum key has them (tests/test_drumkit.py); key numbers of General MIDI."""
    bar = WrittenBar((Note(0, "closed hi-hat", 70), Note(0, "kick", 101), Note(0, "snare", 64, {"flam", "ghost"})))
    part = wb.to_music21(Chart(TimeMap.steady(1, 90), (bar,))).parts[0]
    struck = [n for n in part.recurse().notes if not n.duration.isGrace]
    seen = {
        h.storedInstrument.percMapPitch: (h.displayName, h.notehead, h.volume.velocity)
        for n in struck
        for h in getattr(n, "notes", [n])
    }
    assert seen == {42: ("G5", "x", 70), 36: ("F4", "normal", 101), 38: ("C5", "normal", 64)}
    assert [n.fullName for n in part.recurse().notes if n.duration.isGrace]
    assert [m.number for m in part["MetronomeMark"]] == [90]


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_a_score_made_with_music21_is_read_by_places_and_tempo():
    from music21 import meter, note, stream, tempo

    measures = []
    for number in (1, 2):
        measure = stream.Measure(number=number)
        for place, head in (("F4", "normal"), ("C5", "normal"), ("G5", "x")):
            hit = note.Unpitched(displayName=place)
            hit.notehead, hit.quarterLength = head, 1
            measure.append(hit)
        measures.append(measure)
    measures[0].insert(0, meter.TimeSignature("3/4"))
    measures[0].insert(0, tempo.MetronomeMark(number=60))
    chart = wb.from_music21(stream.Score([stream.Part(measures)]))
    assert [(k, float(n.position), n.instrument) for k, n in chart.notes()] == [
        (k, p, name) for k in (0, 1) for p, name in ((0, "kick"), (0.25, "snare"), (0.5, "closed hi-hat"))
    ]
    assert chart.time_map.bar_end_s(1) == 6.0


def test_a_score_without_drums_is_refused():
    from music21 import note, stream

    with pytest.raises(wb.WorkbenchError, match="no drum part"):
        wb.from_music21(stream.Score([stream.Part([stream.Measure([note.Note("C4")])])]))
