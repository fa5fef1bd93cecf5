"""Bars laid by strokes alone."""

import numpy as np
import pytest

from workbench.chart.events import Stroke
from workbench.chart.meter import Meter
from workbench.listening.strokebars import bars_of_strokes


def rock(tempo_bpm, bars, start_s=0.0, scatter_s=0.008, seed=1):
    """Eighths, backbeat, kick on 1 and 3, a fill and a crash after each fourth bar."""
    rng = np.random.default_rng(seed)
    beat_s, out = 60.0 / tempo_bpm, []
    for b in range(bars):
        for eighth in range(8):
            names = ["crash" if b % 4 == 0 and eighth == 0 else "closed hi-hat"]
            names += ["kick"] * (eighth in (0, 4, 5)) + ["snare"] * (eighth in (2, 6))
            if b % 4 == 3 and eighth >= 4:
                names = ["snare" if eighth < 6 else "floor tom"]
            at = start_s + (b * 4 + eighth / 2) * beat_s
            out += [
                Stroke(max(at + rng.normal(0, scatter_s), 0.0), n, 90 if n != "closed hi-hat" else 60) for n in names
            ]
    return sorted(out)


@pytest.mark.parametrize("tempo_bpm", [72, 97, 133])
def test_tempo_and_bar_lines_are_found(tempo_bpm):
    laid = bars_of_strokes(rock(tempo_bpm, 24, start_s=0.7), Meter(4, 4))
    lines_s = np.array([bar.beat_times_s[0] for bar in laid.bars if not bar.is_pickup])
    bar_s = 240.0 / tempo_bpm
    off = (lines_s - 0.7) / bar_s
    assert np.abs(off - np.round(off)).max() * bar_s < 0.04
    assert len(lines_s) == pytest.approx(24, abs=1)


def test_a_single_stroke_has_its_bar():
    assert len(bars_of_strokes([Stroke(0.0, "kick")])) >= 1
