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
