"""Synthetic performances for tests: strokes on a time map and matching activations."""

import numpy as np

from workbench.chart.drumkit import DETECTED
from workbench.chart.events import Stroke
from workbench.listening.activations import Activations
from workbench.listening.beats import beats_of


def play(time_map, pattern, jitter_s=0.0, seed=0):
    """The same pattern in every bar: instrument → eighths of the bar that it plays."""
    rng = np.random.default_rng(seed)
    out = []
    for k, bar in enumerate(time_map.bars):
        for name, eighths in pattern.items():
            for eighth in eighths:
                if eighth / 8 < bar.length:
                    time_s = time_map.seconds(k, eighth / 8) + rng.normal(0, jitter_s or 1e-9)
                    out.append(Stroke(time_s, name, 90))
    return sorted(out)


def activations_of(time_map, duration_s, downbeats=True, silent=(0.0, 0.0)):
    """Activations with a pulse on every beat and, smaller, on every downbeat."""
    frames = int(round(duration_s * 100))
    rng = np.random.default_rng(0)
    beat, downbeat = rng.uniform(0.0, 0.03, (2, frames)).astype(np.float32)
    for b in beats_of(time_map):
        k = int(round(b.time_s * 100))
        if 0 <= k < frames and not silent[0] <= b.time_s < silent[1]:
            beat[max(k - 1, 0) : k + 2] = (0.4, 0.8, 0.4)[max(1 - k, 0) :][: frames - max(k - 1, 0)]
            if downbeats and b.number == 1:
                downbeat[k] = 0.6
    nothing = np.zeros((frames, len(DETECTED)), np.float32)
    return Activations(100.0, DETECTED, nothing, nothing, beat, downbeat)
