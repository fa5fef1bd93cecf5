"""Bars of strokes that nobody heard: of a performance on pads, played to no click.

Each stroke stands for the beat activation that a detector would have had there; the rest is as for recordings.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from workbench.chart.drumkit import instrument
from workbench.chart.events import Stroke
from workbench.chart.meter import Meter, TimeMap
from workbench.listening.activations import Activations
from workbench.listening.readings import BarWish, track_readings

#: Activations a second, as the detector's.
FRAME_RATE_HZ = 100.0
#: Beat activation of a stroke of full velocity, of kick and snare and of others; of the frames beside it, as a share of
#: it; and downbeat activation of the kick.  Of 16 performances of Groove MIDI's training split they find the bars of
#: 13, and 15 tempi (without the last: 10 and 13).
BACKBONE_BEAT, OTHER_BEAT, BESIDE_IT, KICK_DOWNBEAT = 0.8, 0.5, 0.6, 0.4
#: The music goes on after the last stroke, seconds.
GOES_ON_S = 1.0


def bars_of_strokes(strokes: Sequence[Stroke], meter: Meter | None = None) -> TimeMap:
    """Bars laid by strokes alone, in a meter if it is known.

    Raises
    ------
    AnalysisError
        If they are too short to hold a bar.

    Examples
    --------
    >>> eighths = ["kick", "closed hi-hat", "snare", "closed hi-hat"] * 16
    >>> beat = [Stroke(k * 0.3, name) for k, name in enumerate(eighths)]
    >>> round(bars_of_strokes(beat).tempo_bpm(4))
    100
    """
    duration_s = strokes[-1].time_s + GOES_ON_S
    frames = int(duration_s * FRAME_RATE_HZ) + 2
    names = tuple(sorted({s.instrument for s in strokes}))
    onset, velocity = np.zeros((2, frames, len(names)), np.float32)
    beat, downbeat = np.zeros((2, frames), np.float32)
    for s in strokes:
        at, column = round(s.time_s * FRAME_RATE_HZ), names.index(s.instrument)
        onset[at, column], velocity[at, column] = 1.0, s.velocity / 127
        family = instrument(s.instrument).family
        height = s.velocity / 127 * (BACKBONE_BEAT if family in ("kick", "snare") else OTHER_BEAT)
        around = slice(max(at - 1, 0), at + 2)
        beat[around] = np.maximum(beat[around], BESIDE_IT * height)
        beat[at] = max(beat[at], height)
        if family == "kick":
            downbeat[at] = max(downbeat[at], KICK_DOWNBEAT * s.velocity / 127)
    heard = Activations(FRAME_RATE_HZ, names, onset, velocity, beat, downbeat)
    return track_readings(heard, strokes, duration_s, wish=BarWish(meter=meter))[0].time_map
