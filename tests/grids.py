"""A chart of eight bars for the grid's tests, clicks to hear, and what the page sends."""

from fractions import Fraction as F

import numpy as np

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.files.audio import Audio

RATE = 22050
GROOVE = WrittenBar(
    tuple(
        [Note(F(k, 8), "closed hi-hat", 70, confidence=0.9) for k in range(8)]
        + [
            Note(F(0), "kick", 100, confidence=0.9),
            Note(F(1, 4), "snare", 100, confidence=0.5),
            Note(F(3, 4), "snare", 100, confidence=0.9),
        ]
    )
)
CHART = Chart(TimeMap.steady(8, 120), (GROOVE,) * 6 + (WrittenBar(),) * 2)


def clicks_at(*times_s, length_s=20.0):
    out = np.zeros((round(length_s * RATE), 1), np.float32)
    for t in times_s:
        out[round(t * RATE)] = 0.9
    return Audio(out, RATE)


def do(grid, seq, client="page", **what):
    grid._receive(grid, {"type": "do", "client": client, "seq": seq, **what}, [])
