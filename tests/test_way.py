"""The way through the part: what a take plays again, and what it leaves out."""

from dataclasses import replace

import pytest

from tests.test_align import CHORUS, FILL, GROOVE, VARIATION, chart_of, played
from workbench.alignment.alignedbars import AlignedBar, Alignment
from workbench.chart import WrittenBar
from workbench.checking.way import bars_again, stretches_left_out, with_bars_again
from workbench.listening.transcription import Transcription

BARS = [GROOVE, VARIATION, CHORUS, FILL, WrittenBar(()), GROOVE]


def laid(*order, gap_bars=1):
    """Bars of two seconds in order; None is a stretch without the chart."""
    bars, at = [], 0.0
    for k in order:
        length = 2.0 * (gap_bars if k is None else 1)
        bars.append(AlignedBar(k, at, at + length))
        at += length
    return Alignment(tuple(bars), 1.0)


def numbers(alignment):
    return [b.chart_bar for b in alignment.bars]


def heard(bars):
    strokes, beats, lines = played(bars, 0.0, 120.0)
    return Transcription(tuple(strokes), tuple(beats), lines[-1] + 1)


@pytest.mark.parametrize(
    "order, gap_bars, sounds, found",
    [
        ((0, 1, None, 2, 3), 1, [0, 1, 1, 2, 3], [0, 1, 1, 2, 3]),
        ((0, 1, None, 2, 3), 1, [0, 1, 2, 2, 3], [0, 1, 2, 2, 3]),
        ((0, 1, None, 2, 3), 2, [0, 1, 0, 1, 2, 3], [0, 1, 0, 1, 2, 3]),
        ((0, 1, None, 2, 3), 1, [0, 1, 3, 2, 3], [0, 1, None, 2, 3]),
        ((None, 0, 1), 1, [0, 0, 1], [0, 0, 1]),
        ((0, 1, None, 2, 3), 2, [0, 1, 2, 1, 2, 3], [0, 1, 2, 1, 2, 3]),
    ],
)
def test_a_stretch_that_plays_the_bars_beside_it_again_is_those_bars(order, gap_bars, sounds, found):
    chart = chart_of(BARS)
    again = with_bars_again(chart, laid(*order, gap_bars=gap_bars), heard([BARS[k] for k in sounds]))
    assert numbers(again) == found
    assert [b.end_s for b in again.bars[:-1]] == pytest.approx([b.start_s for b in again.bars[1:]])


def test_silence_beside_a_rest_is_no_bar_again():
    alignment = laid(2, 3, 4, None, 5)
    assert with_bars_again(chart_of(BARS), alignment, heard([BARS[k] for k in (2, 3, 4, 4, 5)])) == alignment


def test_a_bar_that_is_badly_heard_is_held_against_how_well_it_is_heard_in_its_own_place():
    """Of every bar a quarter of the strokes is lost, and as many are heard that nobody plays."""

    def badly(order):
        found = heard([BARS[k] for k in order])
        lost = [replace(s, instrument="ride bell") if k % 4 == 1 else s for k, s in enumerate(found.strokes)]
        return replace(found, strokes=tuple(lost))

    chart = chart_of(BARS)
    assert numbers(with_bars_again(chart, laid(0, 1, None, 2, 3), badly([0, 1, 1, 2, 3]))) == [0, 1, 1, 2, 3]
    assert None in numbers(with_bars_again(chart, laid(0, 1, None, 2, 3), badly([0, 1, 3, 2, 3])))


def test_half_a_bar_too_many_is_no_bar_again():
    alignment = laid(0, 1, None, 2, gap_bars=0.5)
    assert with_bars_again(chart_of(BARS), alignment, heard([GROOVE, VARIATION, CHORUS])) == alignment


def test_passages_played_again_are_counted():
    assert bars_again(laid(0, 1, 2)) == []
    assert bars_again(laid(0, 1, 2, 1, 2, 1, 2, 3)) == [(1, 2, 3)]
    assert bars_again(laid(0, 0, 1, 2, None, 1, 2)) == [(0, 0, 2), (1, 2, 2)]


def test_rests_beside_what_is_left_out_belong_to_it_and_rests_alone_are_none():
    chart = chart_of(BARS)
    assert stretches_left_out(chart, laid(0, 1, 5)) == [(2, 4)]
    assert stretches_left_out(chart, laid(0, 1, 2, 3, 5)) == []
    assert stretches_left_out(chart, laid(2, 3)) == []
    assert stretches_left_out(chart, laid(2, 3, 0)) == [(1, 1)]
