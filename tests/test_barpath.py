"""The cheapest way through chart and recording: bars left out, added and played again."""

from dataclasses import replace

import pytest

from tests.test_align import SONG, bar, bars_aligned, chart_of, played
from workbench.alignment.align import align_chart
from workbench.alignment.alignedbars import runs_of
from workbench.chart.events import Stroke


@pytest.mark.parametrize("cut", [2, 6, 8])
def test_a_bar_that_the_chart_lacks(cut):
    strokes, beats, lines = played(SONG)
    written = SONG[:cut] + SONG[cut + 1 :]
    alignment = align_chart(chart_of(written), strokes, beats)
    assert bars_aligned(alignment) == [*range(cut), None, *range(cut, len(written))]
    assert alignment.bars[cut].start_s == pytest.approx(lines[cut], abs=0.02)
    assert alignment.bars[cut].end_s == pytest.approx(lines[cut + 1], abs=0.02)


@pytest.mark.parametrize("extra", [2, 4, 9])
def test_a_bar_too_many(extra):
    strokes, beats, _ = played(SONG)
    written = SONG[:extra] + [bar([0, 2, 4, 6], [8, 10])] + SONG[extra:]
    alignment = align_chart(chart_of(written), strokes, beats)
    assert bars_aligned(alignment) == [k for k in range(len(written)) if k != extra]
    assert alignment.left_out == {extra}


def test_a_repeat_written_once():
    order = list(range(8)) + list(range(4, 8)) + list(range(8, 12))
    strokes, beats, _ = played([SONG[k] for k in order])
    alignment = align_chart(chart_of(SONG), strokes, beats)
    assert bars_aligned(alignment) == order
    assert [len(r) for r in runs_of(alignment.bars)] == [8, 8]


def test_a_long_cut():
    order = [*range(4), *range(8, 12)]
    strokes, beats, _ = played([SONG[k] for k in order])
    assert bars_aligned(align_chart(chart_of(SONG), strokes, beats)) == order


def test_two_beats_more_than_written():
    strokes, beats, lines = played(SONG)
    longer = [s if s.time_s < lines[6] - 0.05 else replace(s, time_s=s.time_s + 120 / 113) for s in strokes]
    longer += [Stroke(lines[6] + k * 30 / 113, "crash") for k in range(4)]
    beats = beats + [beats[-1] + 60 / 113, beats[-1] + 120 / 113]
    alignment = align_chart(chart_of(SONG), longer, beats)
    assert bars_aligned(alignment) == [*range(6), None, *range(6, 12)]
    assert alignment.bars[6].end_s - alignment.bars[6].start_s == pytest.approx(120 / 113, abs=0.03)
