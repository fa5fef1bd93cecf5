"""Time as machines keep it, and as players do."""

from dataclasses import replace

import numpy as np

from workbench.chart.machinetime import is_by_machine
from workbench.chart.meter import Meter, TimeMap


def played(bars, spread_s):
    """Beats that scatter so far about an even tempo."""
    rng = np.random.default_rng(5)
    steady = TimeMap.steady(bars, 120)
    moved = [
        replace(b, beat_times_s=tuple(t + spread_s * rng.uniform(-1, 1) for t in b.beat_times_s)) for b in steady.bars
    ]
    return TimeMap(moved, steady.end_s)


def test_only_a_machine_keeps_time_to_the_millisecond():
    """Of expert tappers and drummers deviations of 10 to 30 ms are told (common practice, no source)."""
    assert is_by_machine(TimeMap.steady(12, 93.7)) and is_by_machine(played(12, 0.004))
    assert not is_by_machine(played(12, 0.015)) and not is_by_machine(played(3, 0.02))
    assert is_by_machine(TimeMap.steady(1, 120, Meter(1, 4)))  # nothing says otherwise
    # A machine whose tempo is changed once is one.
    faster = TimeMap(
        [*TimeMap.steady(12, 100).bars, *TimeMap.steady(12, 140, start_s=28.8).bars], 28.8 + 12 * 240 / 140
    )
    assert is_by_machine(faster)
