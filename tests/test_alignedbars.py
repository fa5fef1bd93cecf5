"""Bars fitted to the strokes of a recording."""

from dataclasses import replace

import numpy as np

from tests.test_align import SONG, chart_of, played
from workbench.alignment.align import align_chart


def test_a_tenth_of_the_strokes_wrong_bends_no_bar():
    strokes, beats, lines = played(SONG, jitter_s=0.003)
    rng = np.random.default_rng(5)
    wrong = [replace(s, time_s=s.time_s + 0.04) if rng.random() < 0.1 else s for s in strokes]
    alignment = align_chart(chart_of(SONG), wrong, beats)
    assert max(abs(b.start_s - t) for b, t in zip(alignment.bars, lines)) < 0.006


def test_a_stretch_that_the_chart_lacks_lies_between_its_neighbours():
    strokes, beats, lines = played(SONG, jitter_s=0.003)
    bars = align_chart(chart_of(SONG[:6] + SONG[7:]), strokes, beats).bars
    (k,) = [k for k, b in enumerate(bars) if b.chart_bar is None]
    assert (bars[k].start_s, bars[k].end_s) == (bars[k - 1].end_s, bars[k + 1].start_s)
    assert abs(bars[k].start_s - lines[6]) < 0.006
