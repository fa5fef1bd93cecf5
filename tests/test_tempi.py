"""Tempi of exercises: what may be asked for, and where they start and end."""

from dataclasses import replace
from fractions import Fraction as F

import pytest

import workbench as wb
from tests.parts import bar, part
from workbench.chart import Chart, Note, Section, WrittenBar
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import ChartError
from workbench.files.chartfile import read_chart
from workbench.practice.exercises import choose_exercises, section_exercise
from workbench.practice.tempi import (
    LEAST_SLOWING,
    METRONOME_MARKS,
    SLOWEST_SHARE,
    default_tempi_bpm,
    original_tempo_bpm,
    printed_tempi_bpm,
    song_tempo_bpm,
    strokes_per_s,
    watched_per_s,
)
from workbench.reading.read import read_part


@pytest.fixture(scope="module")
def reading():
    return read_part(read_chart(wb.demo_song(what="chart")))


def sixteenths(tempo_bpm, name="snare"):
    bar = WrittenBar(tuple(Note(F(k, 16), name) for k in range(16)))
    return Chart(TimeMap.steady(2, tempo_bpm), (bar, bar))


def test_tempi_can_be_set(reading):
    for e in choose_exercises(reading, ("groove",), tempi=(1.0, 0.5)):
        slow, original = e.tempi_bpm
        assert slow == pytest.approx(original / 2, abs=1)
    with pytest.raises(ChartError, match="per cent of the original, from 25 to 200, not 300"):
        choose_exercises(reading, tempi=(3.0,))
    with pytest.raises(ChartError, match="per cent of the original, from 25 to 200, not 300"):
        section_exercise(reading.chart, 1, 2, tempi=(1.0, 3.0))
    with pytest.raises(ChartError, match="name at least one"):
        choose_exercises(reading, tempi=())


@pytest.mark.parametrize("tempo_bpm", [40.0, 90.0, 180.0, 260.0])
def test_slow_is_neither_crawling_nor_fast(tempo_bpm):
    slow, medium, original = default_tempi_bpm(sixteenths(tempo_bpm), (0, 1))
    step = 4  # to the nearest mark of a metronome
    assert SLOWEST_SHARE * tempo_bpm - step <= slow <= LEAST_SLOWING * tempo_bpm + step
    assert all(bpm in METRONOME_MARKS or bpm < 40 for bpm in (slow, medium))
    assert slow < medium < original == tempo_bpm


def hurried(*tempi_bpm):
    """A chart whose bars are played at these tempi."""
    bars, now_s = [], 0.0
    for bpm in tempi_bpm:
        bars.append(Bar(Meter(), tuple(now_s + 60 / bpm * k for k in range(4))))
        now_s += 240 / bpm
    return Chart(TimeMap(bars, now_s), (sixteenths(100).bars[0],) * len(bars))


def test_bars_are_played_at_their_own_tempo_and_practised_up_to_the_printed_one():
    chart = hurried(*[120.0] * 4, *[117.0] * 4)
    assert original_tempo_bpm(chart, (6, 7)) == pytest.approx(117.0)
    assert set(printed_tempi_bpm(chart)) == {118} == {song_tempo_bpm(chart)}
    assert section_exercise(chart, 6, 7).tempi_bpm[-1] == section_exercise(chart, 0, 1).tempi_bpm[-1] == 118
    slower = replace(hurried(*[120.0] * 4, *[90.0] * 3), sections=(Section(0, "Verse"), Section(4, "Chorus")))
    assert printed_tempi_bpm(slower) == [120] * 4 + [90] * 3 and song_tempo_bpm(slower) == 120


@pytest.mark.common_practice
def test_feet_between_the_hands_are_watched_too():
    """Hands in 8ths with the kick on each e and a: a stream of 16ths, that nobody begins near its tempo."""
    linear = bar(S="x.x.x.x.x.x.x.x.", K=".x.x.x.x.x.x.x.x")
    together = bar(S="x.x.x.x.x.x.x.x.", K="x.x.x.x.x.x.x.x.")
    chart = part(linear, together, tempo_bpm=120.0)
    assert [round(strokes_per_s(chart, [k])) for k in (0, 1)] == [4, 4]
    assert [round(watched_per_s(chart, [k])) for k in (0, 1)] == [8, 4]
    slow = [default_tempi_bpm(chart, [k])[0] for k in (0, 1)]
    assert slow == [60.0, 96.0]
