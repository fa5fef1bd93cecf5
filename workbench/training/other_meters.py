"""Performances in 4/4 laid over other meters, eighth by eighth, so that a network hears where their bars begin.

A bar of another meter is made of groups of two and three (beats in x/4, eighths in x/8); each group begins with what
the drummer plays on a beat of 4/4, so that kick or snare opens it and fills stay at the ends of phrases
(common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from workbench.chart.meter import Meter
from workbench.training.performances import CRASH, Performance

#: How often each meter is drawn.
METER_SHARES: dict[str, float] = {
    "2/4": 1,
    "3/4": 4,
    "5/4": 3,
    "6/4": 2,
    "7/4": 3,
    "3/8": 0.5,
    "5/8": 2.5,
    "7/8": 4,
    "6/8": 3.5,
    "9/8": 1.5,
    "12/8": 1.5,
}
#: Share of songs in 4/4 with bars of other meters among those laid anew.
CHANGING_SHARE = 0.22
#: Eighths a minute where the eighth is counted, and where three of them are.
EIGHTHS_BPM, THIRDS_BPM = (185.0, 370.0), (125.0, 340.0)

FOUR = Meter(4, 4)
_WHOLE = tuple(range(8))
#: Beats of 4/4 (from 0) that groups of beats are made of.
_GROUPS_OF_BEATS = {
    2: ((0, 1), (2, 3), (0, 3), (2, 1)),
    3: ((0, 1, 2), (0, 1, 3), (0, 2, 3), (0, 1, 1), (2, 3, 3), (0, 3, 2), (2, 3, 1)),
    4: ((0, 1, 2, 3),),
}


@dataclass
class Laid:
    """A performance on a line of quarters with its bars.

    Attributes
    ----------
    performance : Performance
        Its ``beat`` counts quarters.
    beats, numbers : ndarray (n,)
        Place of each counted beat in quarters, and its number in the bar, from 0.
    groups : ndarray (m,)
        Where a group of eighths, or a beat of x/4, begins: what others play on.
    tempo_bpm : float
        Quarters a minute.
    meter : str
        Of most bars; empty if nothing says what the beats are called.
    """

    performance: Performance
    beats: np.ndarray
    numbers: np.ndarray
    groups: np.ndarray
    tempo_bpm: float
    meter: str


def _split(rng: np.random.Generator, n: int, sizes: tuple[int, ...]) -> list[int]:
    """*n* as groups of such sizes, in any order."""
    while True:
        found: list[int] = []
        while sum(found) < n:
            found.append(int(rng.choice(sizes)))
        if sum(found) == n:
            return found


def compose_bar(rng: np.random.Generator, meter: Meter) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Which eighth of a bar of 4/4 stands at each eighth of the bar, and the eighths at which groups begin.

    Never a shorter bar again and again: that would be the shorter bar's meter.
    """
    if meter == FOUR:
        return _WHOLE, (0, 2, 4, 6)
    while True:
        source, begins = _compose(rng, meter)
        n = len(source)
        if not any(n % p == 0 and source == source[:p] * (n // p) for p in range(2, n // 2 + 1)):
            return source, begins


def _compose(rng: np.random.Generator, meter: Meter) -> tuple[tuple[int, ...], tuple[int, ...]]:
    source: list[int] = []
    if meter.unit == 4:
        sizes = [3] if meter.beats == 3 else _split(rng, meter.beats, (2, 3, 4) if meter.beats > 4 else (2,))
        for k, size in enumerate(sizes):
            ways = _GROUPS_OF_BEATS[size]
            way = ways[0] if rng.random() < 0.4 else ways[rng.integers(len(ways))]
            if k == 0:
                way = (0, *way[1:])
            source += [e for beat in way for e in (2 * beat, 2 * beat + 1)]
        return tuple(source), tuple(range(0, len(source), 2))
    thirds = meter.beats % 3 == 0
    sizes = [3] * (meter.beats // 3) if thirds else _split(rng, meter.beats, (2, 3))
    begins, straight = [], meter.beats in (5, 7) and rng.random() < 0.35
    turn = rng.random() < 0.75
    for k, size in enumerate(sizes):
        # Kick and snare take turns at the heads of groups, or fall as they like.
        head = 0 if k == 0 else 2 * int((2 * rng.integers(2) + k % 2) if turn else rng.integers(4))
        begins.append(len(source))
        if straight and k:
            head = source[-1] + 1
        third = head + 1 if rng.random() < 0.6 else head if rng.random() < 0.4 else head + 2
        source += [e % 8 for e in (head, head + 1, third)[:size]]
    return tuple(source), tuple(begins)


def _choose_bars(rng: np.random.Generator, quarters: float, straight: bool) -> list[Meter]:
    """Meters of bars that fill so many quarters: one meter (in eighths if *straight*), or 4/4 with others between."""
    if rng.random() >= CHANGING_SHARE:
        names = [name for name in METER_SHARES if straight or name.endswith("/4")]
        weight = np.array([METER_SHARES[name] for name in names])
        meter = Meter.parse(str(rng.choice(names, p=weight / weight.sum())))
        return [meter] * (int(quarters / float(4 * meter.bar_length)) + 2)
    count, kind = int(quarters / 3) + 4, rng.random()
    bars, phase = [FOUR] * count, int(rng.integers(8))
    other = Meter(int(rng.choice([2, 3, 5, 6, 7], p=[0.3, 0.35, 0.15, 0.1, 0.1])), 4)
    every = int(rng.choice([2, 4, 8], p=[0.25, 0.45, 0.3]))
    for k in range(count):
        if (k + phase) % every == every - 1 if kind < 0.65 else (k + phase) % 16 < 8:
            bars[k] = other
    return bars


def lay_over(rng: np.random.Generator, performance: Performance, tempo_bpm: float, seconds: float) -> Laid:
    """A performance in 4/4 over bars of other meters, at least so many seconds of it."""
    off = performance.beat * 4 - np.round(performance.beat * 4)
    bars = _choose_bars(rng, seconds * 3.4 + 9, float(np.mean(np.abs(off) < 0.3)) > 0.65)
    first = bars[0]
    if first.unit == 8:
        eighths = rng.uniform(*(THIRDS_BPM if first.is_compound else EIGHTHS_BPM))
        tempo_bpm = float(eighths / 2)
    ways = {m: [compose_bar(rng, m) for _ in range(1 if rng.random() < 0.5 else 2)] for m in dict.fromkeys(bars)}
    cell = np.floor(performance.beat * 2 + 0.2).astype(int)
    order = np.argsort(cell, kind="stable")
    edges = np.searchsorted(cell[order], np.arange(cell.max(initial=0) + 9))
    count = max(1, (len(edges) - 1) // 8)
    picked, moved, beats, numbers, groups = [], [], [], [], []
    at, phase, once = 0, int(rng.integers(count)), rng.random() < 0.85
    for k, meter in enumerate(bars):
        source, begins = ways[meter][-1 if k % 4 == 3 else 0]
        bar = 8 * ((k + phase) % count)
        for place, eighth in enumerate(source):
            found = order[edges[bar + eighth] : edges[bar + eighth + 1]]
            # The eighth that opens the drummer's bar may stand inside one here: without its crash.
            if once and place and eighth == 0:
                found = found[performance.instrument[found] != CRASH]
            picked.append(found)
            moved.append(np.full(len(found), (at + place - bar - eighth) / 2))
        beat = 2 * float(4 * meter.beat_length)
        beats += [at + beat * b for b in range(meter.counted_beats)]
        numbers += range(meter.counted_beats)
        groups += [at + b for b in begins]
        at += len(source)
    index = np.concatenate(picked)
    strokes = performance.beat[index] + np.concatenate(moved)
    order = np.argsort(strokes, kind="stable")
    index = index[order]
    laid = Performance(
        strokes[order], performance.instrument[index], performance.velocity[index], 4, at / 2, performance.tempo_bpm
    )
    return Laid(
        laid,
        np.array(beats) / 2,
        np.array(numbers),
        np.array(groups) / 2,
        tempo_bpm,
        str(max(set(bars), key=bars.count)),
    )
