"""Bars written too early or too late as a whole: found, laid where they belong, and put right."""

from dataclasses import replace
from fractions import Fraction as F

import pytest

from tests.test_align import SONG, bars_aligned, chart_of, played
from tests.test_check import HEARD, heard_of, shifted
from workbench.alignment.align import align_chart
from workbench.chart import Note, WrittenBar
from workbench.chart.meter import Meter
from workbench.checking.shifted import put_in_place, shifted_bars, straightened


def laid(chart, heard=HEARD):
    return straightened(chart, align_chart(chart, heard.strokes, heard.beat_times_s, heard.duration_s), heard)


@pytest.mark.parametrize("by", [F(1, 8), F(-1, 8), F(1, 4), F(-1, 4), F(1, 16)])
@pytest.mark.parametrize("first, last", [(4, 4), (6, 6), (5, 6), (4, 6)])
def test_put_in_place_a_shifted_chart_is_the_right_one(first, last, by):
    chart = chart_of(shifted(SONG, first, last, by), 113.0)
    alignment = laid(chart)
    assert bars_aligned(alignment) == list(range(len(SONG)))
    (found,) = shifted_bars(chart, alignment, HEARD)
    assert (found.first, found.last, found.by) == (first, last, by)
    right = put_in_place(chart, [found])
    # What of the bars meets notes of the bar beside cannot be told from them.
    for k in range(first, last + 1):
        assert len(right.bars[k].pattern ^ SONG[k].pattern) <= 2


def test_a_right_chart_stays_as_it_is():
    chart = chart_of(SONG, 113.0)
    assert shifted_bars(chart, laid(chart), HEARD) == ()
    assert put_in_place(chart, ()) is chart


def test_an_eighth_and_a_beat_of_six_eight():
    """Counted in dotted quarters, a beat is three eighths."""
    meter = Meter(6, 8)
    patterns = [(0, 5, 6, 9), (0, 2, 7, 8), (0, 3, 6, 10), (0, 1, 6, 11)]
    bars = [
        WrittenBar(
            (
                *(Note(F(k, 8), "closed hi-hat") for k in range(6)),
                *(Note(F(k, 16), "kick") for k in kicks),
                Note(F(3, 8), "snare"),
            )
        )
        for kicks in patterns * 2
    ]
    strokes, beats, _ = played(bars, beats_a_bar=3)
    heard = replace(
        heard_of(SONG), strokes=tuple(strokes), beat_times_s=tuple(beats), duration_s=strokes[-1].time_s + 2
    )
    late = [replace(n, position=n.position + F(1, 8)) for n in bars[5].notes if n.position < F(5, 8)]
    chart = chart_of([*bars[:5], WrittenBar(tuple(late)), *bars[6:]], 113.0, meter)
    (found,) = shifted_bars(chart, laid(chart, heard), heard)
    assert (found.first, found.last, found.by) == (5, 5, F(1, 8)) and "an eighth late" in found.text(chart)
