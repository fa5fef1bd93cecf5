"""What a recording says of its bars, for tests: clicks on known beats and the readings that are given."""

import numpy as np

from workbench.chart.meter import TimeMap
from workbench.listening.activations import Activations
from workbench.listening.harmony import Harmony
from workbench.listening.hearing import Hearing
from workbench.listening.readings import BarReading


def heard_bars(time_map: TimeMap | None = None, *others: tuple[TimeMap, float]) -> Hearing:
    """A recording whose beats and lines are heard clearly where a time map has them, with other readings."""
    time_map = time_map or TimeMap.steady(4, 120)
    frames = round((time_map.end_s + 1.0) * 100)
    beat, downbeat = np.full(frames, 0.02, np.float32), np.full(frames, 0.02, np.float32)
    for bar in time_map.bars:
        beat[[round(t * 100) for t in bar.beat_times_s]] = 0.9
        downbeat[round(bar.beat_times_s[0] * 100)] = 0.9
    nothing = np.zeros((frames, 0), np.float32)
    first = 1.0 - sum(p for _, p in others)
    readings = tuple(as_reading(m, p) for m, p in ((time_map, first), *others))
    activations = Activations(100.0, (), nothing, nothing, beat, downbeat)
    return Hearing(activations, Harmony(10.0, np.zeros((frames // 10, 24), np.float32)), readings)


def as_reading(time_map: TimeMap, probability: float) -> BarReading:
    return BarReading(time_map, probability, (0.9,) * len(time_map))
