"""Takes whose every deviation is known: strokes played to a click at 100 beats a minute."""

from dataclasses import replace
from fractions import Fraction as F

import numpy as np

from tests.test_align import SONG, chart_of
from workbench.chart import Mark
from workbench.chart.events import Stroke
from workbench.checking.playing import Click
from workbench.checking.take import assess_strokes
from workbench.listening.transcription import Transcription

BPM, START_S = 100.0, 2.0


LONG = SONG + SONG


def play(
    bars=LONG,
    mean_ms=(),
    spread_ms=4.0,
    tempo_of=lambda bar_index, position: 1.0,
    velocity_of=None,
    shift_ms=lambda bar_index: 0.0,
    seed=4,
):
    """Strokes of bars played to a click at 100 beats a minute, with known deviations.

    ``tempo_of(bar, position)`` is the tempo at a place over the click's; a bar's strokes lie ``shift_ms`` late.
    """
    rng = np.random.default_rng(seed)
    mean_ms = dict(mean_ms)
    # Time by adding up small steps at the tempo of each place.
    time_s, at = START_S, {}
    for k in range(len(bars)):
        for step in range(48):
            at[k, step] = time_s
            time_s += 240 / BPM / 48 / tempo_of(k, step / 48)
    strokes = []
    for k, b in enumerate(bars):
        for n in b.notes:
            deviation = (shift_ms(k) + rng.normal(mean_ms.get(n.instrument, 0.0), spread_ms)) / 1000
            velocity = velocity_of(n) if velocity_of else n.velocity
            strokes.append(Stroke(at[k, int(n.position * 48)] + deviation, n.instrument, velocity))
    beats = [at[k, 12 * q] for k in range(len(bars)) for q in range(4)]
    return Transcription(tuple(sorted(strokes)), tuple(beats), time_s + 1)


CLICK = Click(BPM, START_S)


def assess(bars=LONG, click=CLICK, written=None, fills=(), **how):
    chart = chart_of(written or bars, 100.0)
    marks = tuple(Mark("fill", (k, F(0)), (k + 1, F(0)), confirmed=True) for k in fills)
    return assess_strokes(replace(chart, marks=marks), play(bars, **how), click)
