"""Bars as dense as a page must stand: two voices, tuplets in both, ghosts with dots, grace notes, accents, slashes."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import Meter, TimeMap

METERS = (Meter(4, 4), Meter(4, 4), Meter(3, 4), Meter(6, 8), Meter(7, 8))
HANDS = (
    "snare",
    "snare",
    "snare",
    "closed hi-hat",
    "closed hi-hat",
    "ride",
    "high tom",
    "floor tom",
    "crash",
    "side stick",
)
FEET = ("kick", "kick", "pedal hi-hat")
SIGNS = ("ghost", "ghost", "accent", "flam", "drag", "double", "roll", "rim shot", "choke")


def dense_bars(count: int, seed: int = 0) -> Chart:
    """A chart of ``count`` random bars, the same for the same seed."""
    rng = np.random.default_rng(seed)
    maps, bars = [], []
    for _ in range(count):
        meter = METERS[rng.integers(len(METERS))]
        maps.append(meter)
        bars.append(_bar(meter, rng))
    times, now = [], 0.0
    for meter in maps:
        bar = TimeMap.steady(1, 90, meter).bars[0]
        whole = float(meter.bar_length) * 4 * 60 / 90
        times.append(type(bar)(meter, tuple(now + t * whole for t in _shares(bar)), bar.length))
        now += whole
    return Chart(TimeMap(times, now), tuple(bars), title="Dense bars")


def _shares(bar) -> list[float]:
    return [float(p / bar.length) for p in bar.beat_positions()]


def _bar(meter: Meter, rng: np.random.Generator) -> WrittenBar:
    notes: dict = {}
    beat = meter.beat_length
    grids = (1, 2, 4, 4, 3, 6, 8, 5) if not meter.is_compound else (3, 6, 6, 2, 4)
    for drums, most in ((HANDS, 0.75), (FEET, 0.45)):
        for start in meter.beat_positions(meter.bar_length):
            parts = int(rng.choice(grids)) if drums is HANDS or rng.random() < 0.5 else 2
            for k in range(parts):
                position = start + Fraction(k, parts) * beat
                if position >= meter.bar_length or rng.random() > most:
                    continue
                for name in sorted({str(rng.choice(drums)) for _ in range(1 + (rng.random() < 0.25))}):
                    said = {str(rng.choice(SIGNS))} if rng.random() < 0.35 and drums is HANDS else set()
                    if name not in ("snare", "high tom", "floor tom"):
                        said &= {"accent", "choke"}
                    note = Note(position, name, int(rng.integers(30, 110)), frozenset(said))
                    notes[note.key] = note
    return WrittenBar(tuple(notes.values()))
