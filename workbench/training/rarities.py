"""What human performances seldom hold: double kicks, toms in runs, drags, bells, loose hats, and machines' patterns.

All by rule (common practice, no source); strokes are on a grid of beats as in
:mod:`workbench.training.performances`.
"""

from __future__ import annotations

import numpy as np

from workbench.training.performances import (
    BELL,
    CLOSED,
    CRASH,
    KICK,
    OPEN,
    OTHER_INDEX,
    RIDE,
    SNARE,
    TOMS,
    Performance,
    replace_strokes,
)

#: Voices of other percussion that may play together.
OTHERS = 3

#: As fast as two feet, notes per second (own choice: a little over sixteenths at 200).
FASTEST_FEET_PER_S = 13.6


def _bars(rng: np.random.Generator, performance: Performance) -> np.ndarray:
    """First beats of every bar, every second, fourth or eighth one."""
    n = performance.beats_per_bar
    every = int(rng.choice([1, 2, 4, 8], p=[0.3, 0.3, 0.25, 0.15]))
    return np.arange(n * int(rng.integers(every)), performance.length, n * every)


def _clear(performance: Performance, spans: list[tuple[float, float]], instruments: tuple[int, ...]) -> np.ndarray:
    """Strokes to keep when *instruments* are silent within the spans."""
    keep = np.ones(len(performance.beat), bool)
    for first, last in spans:
        inside = (performance.beat > first - 0.05) & (performance.beat < last - 0.05)
        keep &= ~(inside & np.isin(performance.instrument, instruments))
    return keep


def _levels(rng: np.random.Generator, n: int, level: float) -> np.ndarray:
    """Velocities of *n* strokes around a level."""
    return np.clip(level * rng.normal(1, 0.1, n), 0.08, 1)


def double_kick(rng: np.random.Generator, performance: Performance, tempo_bpm: float) -> None:
    """The kick in even notes up to :data:`FASTEST_FEET_PER_S`, through bars or parts of them, in place."""
    n, step = (
        performance.beats_per_bar,
        float(rng.choice([1 / 8, 1 / 6, 1 / 4, 1 / 3, 1 / 2], p=[0.1, 0.2, 0.5, 0.1, 0.1])),
    )
    while tempo_bpm / 60 / step > FASTEST_FEET_PER_S:
        step *= 2
    spans, whole = [], rng.random() < 0.5
    for bar in _bars(rng, performance):
        first = bar if whole or rng.random() < 0.6 else bar + rng.integers(n)
        spans.append((float(first), float(bar + n if whole else min(first + rng.integers(1, n + 1), bar + n))))
    runs = [np.arange(first, last - 1e-6, step) for first, last in spans]
    at = np.concatenate(runs) if runs else np.zeros(0)
    at = at[rng.random(len(at)) > (0.0 if rng.random() < 0.7 else 0.1)]
    keep = _clear(performance, spans, (KICK,))
    replace_strokes(performance, keep, [(at, KICK, _levels(rng, len(at), rng.uniform(0.5, 0.95)))])


def tom_phrases(rng: np.random.Generator, performance: Performance) -> None:
    """Toms in runs, one at a time within the groove, or in pairs, in place."""
    n, kind = performance.beats_per_bar, rng.choice(["run", "single", "pair"], p=[0.45, 0.35, 0.2])
    spans: list[tuple[float, float]] = []
    rows: dict[int, list[float]] = {tom: [] for tom in TOMS}
    for bar in _bars(rng, performance):
        if kind == "run":
            step = float(rng.choice([1 / 8, 1 / 4, 1 / 3, 1 / 2], p=[0.15, 0.5, 0.15, 0.2]))
            first = bar + float(rng.integers(n))
            spans.append((first, bar + n))
            at = np.arange(first, bar + n - 1e-6, step)
            way = rng.random()
            place = np.arange(len(at)) * 3 // max(1, len(at))
            place = place if way < 0.5 else 2 - place if way < 0.65 else rng.integers(0, 3, len(at))
            if way > 0.85:
                place[:] = place[:1]
            for time, k in zip(at, place, strict=True):
                rows[TOMS[k]].append(time)
        else:
            for at in bar + rng.choice(np.arange(0, n, 0.25), int(rng.integers(1, 4)), replace=False):
                spans.append((float(at), float(at) + 0.1))
                for tom in rng.choice(TOMS, 1 if kind == "single" else 2, replace=False):
                    rows[int(tom)].append(float(at))
    silent = (SNARE, *TOMS) if kind != "run" else (SNARE, *TOMS, CLOSED, OPEN, RIDE, BELL, CRASH)
    level = float(rng.uniform(0.55, 0.95))
    more = [(np.array(at), i, _levels(rng, len(at), level)) for i, at in rows.items() if at]
    replace_strokes(performance, _clear(performance, spans, silent), more)


def bells(rng: np.random.Generator, performance: Performance) -> None:
    """Time on the ride with its bell on the beats, between them, or here and there, in place; bars or throughout."""
    n = performance.beats_per_bar
    keeper = np.isin(performance.instrument, (CLOSED, OPEN, RIDE, BELL))
    if rng.random() < 0.4:
        bar = np.floor((performance.beat + 0.1) / n).astype(int)
        keeper &= bar % 8 >= 4
    near = np.abs(performance.beat - np.round(performance.beat)) < 0.12
    draw = rng.random()
    on = near if draw < 0.35 else ~near if draw < 0.6 else rng.random(len(near)) < rng.uniform(0.1, 0.5)
    performance.instrument[keeper] = np.where(on[keeper], BELL, RIDE)
    performance.velocity[keeper & on] = np.clip(performance.velocity[keeper & on] * rng.uniform(1.0, 1.4), 0.3, 1)


def loose_hats(rng: np.random.Generator, performance: Performance) -> None:
    """The hats held open or half open through bars, or opened before each backbeat, in place."""
    n = performance.beats_per_bar
    hats = np.isin(performance.instrument, (CLOSED, OPEN))
    bar = np.floor((performance.beat + 0.1) / n).astype(int)
    draw = rng.random()
    if draw < 0.6:
        loose = bar % 8 >= int(rng.choice([0, 4, 6]))
    else:
        off = performance.beat - np.floor(performance.beat)
        loose = (np.abs(off - 0.5) < 0.12) & ((np.floor(performance.beat) % 2 == 0) | (draw < 0.8))
    performance.instrument[hats] = np.where(loose[hats], OPEN, CLOSED)


def drags(rng: np.random.Generator, performance: Performance, tempo_bpm: float) -> None:
    """Two soft strokes of the snare before some loud ones, in place."""
    loud = (performance.instrument == SNARE) & (performance.velocity > 0.5)
    at = performance.beat[loud & (rng.random(len(loud)) < rng.uniform(0.1, 0.5))]
    gap = rng.uniform(0.035, 0.07) * tempo_bpm / 60
    level = float(rng.uniform(0.15, 0.45))
    keep = np.ones(len(loud), bool)
    replace_strokes(performance, keep, [(at - k * gap, SNARE, _levels(rng, len(at), level)) for k in (1, 2)])


def swing(rng: np.random.Generator, performance: Performance) -> None:
    """Now and then the second of two eighths, or of two sixteenths, comes late, in place."""
    draw = rng.random()
    if draw < 0.12:
        unit, share = (1.0 if draw < 0.08 else 0.5), rng.uniform(0.53, 0.68)
        whole = np.floor(performance.beat / unit)
        u = performance.beat / unit - whole
        late = np.where(u < 0.5, 2 * share * u, share + (2 * u - 1) * (1 - share))
        performance.beat = (whole + late) * unit


def breaks(rng: np.random.Generator, performance: Performance, lines: np.ndarray) -> None:
    """Now and then all drums, or all but one, are silent for one to four bars between *lines*, in place."""
    if rng.random() > 0.07 or len(lines) < 8:
        return
    silent = np.zeros(len(performance.beat), bool)
    for first in np.arange(int(rng.integers(1, 6)), len(lines) - 4, int(rng.choice([6, 8, 12]))):
        last = lines[first + int(rng.choice([1, 2, 4], p=[0.45, 0.35, 0.2]))]
        silent |= (performance.beat > lines[first] - 0.1) & (performance.beat < last - 0.1)
    if rng.random() < 0.5:
        silent &= performance.instrument != int(rng.choice([KICK, SNARE, CLOSED, RIDE]))
    replace_strokes(performance, ~silent, [])


def machine_performance(rng: np.random.Generator, beats: float) -> Performance:
    """A pattern as a drum machine plays it: bars of 16 cells, the same strokes at the same levels.

    Kick in quarters or broken; snare, clap or both on the backbeat; hats in sixteenths, eighths or off the beat;
    shakers, congas, cowbells (other percussion) between; rolls of hats or snare where a phrase ends.
    """
    bars, cells = int(np.ceil(beats / 4)) + 1, np.arange(16)
    kick = cells % 4 == 0
    if rng.random() < 0.55:
        kick = (rng.random(16) < rng.choice([0.15, 0.25])) | (cells == 0)
    back = np.isin(cells, (4, 12)) if rng.random() < 0.75 else cells == 8
    voices = ((SNARE,), (SNARE, OTHER_INDEX), (OTHER_INDEX,))[rng.choice(3, p=[0.5, 0.25, 0.25])]
    stray = (rng.random(16) < rng.choice([0.0, 0.1])) & ~back
    keep = rng.random()
    hats = cells % 2 == 0 if keep < 0.35 else cells % 4 == 2 if keep < 0.45 else cells >= 0
    if rng.random() < 0.25:
        hats = hats & (rng.random(16) < 0.75)
    off = np.isin(cells, (2, 6, 10, 14)) & (rng.random() < 0.35)
    keeper = int(rng.choice([CLOSED, OPEN, RIDE, CRASH], p=[0.84, 0.06, 0.07, 0.03])) if rng.random() < 0.92 else -1
    levels = rng.uniform(0.45, 1.0, 4)[cells % 4]
    extra = []
    for k in range(1, OTHERS):
        if rng.random() < 0.35:
            extra.append((OTHER_INDEX + k, rng.random(16) < rng.choice([0.15, 0.4, 1.0])))
    tom = rng.random() < 0.15
    toms = (rng.random(16) < 0.2) * tom
    phrase = int(rng.choice([2, 4, 8]))
    grid: list[tuple[np.ndarray, int, float | np.ndarray]] = [(kick, KICK, 0.9), (stray, SNARE, 0.5)]
    grid += [(back, voice, 0.9) for voice in voices] + [(on, voice, 0.6) for voice, on in extra]
    if keeper >= 0:
        grid += [(hats & ~off, keeper, levels), (off, OPEN, 0.8)]
    grid.append((toms.astype(bool), int(rng.choice(TOMS)), 0.8))
    rows: list[tuple[float, int, float]] = []
    for bar in range(bars):
        roll = 16
        if bar % phrase == phrase - 1 and rng.random() < 0.5:
            roll = int(rng.choice([8, 12, 14]))
            voice, step = int(rng.choice([CLOSED, SNARE, *TOMS])), float(rng.choice([0.5, 1.0]))
            rows += [(4 * bar + at / 4, voice, 0.7) for at in np.arange(roll, 16, step)]
        if bar % phrase == 0 and rng.random() < 0.5:
            rows.append((4.0 * bar, CRASH, 0.9))
        for on, voice, level in grid:
            at = cells[on & (cells < roll)]
            strength = np.broadcast_to(level, 16)[at]
            rows += [(4 * bar + a / 4, voice, v) for a, v in zip(at, strength, strict=True)]
    beat, instrument, velocity = np.array(rows, float).T
    order = np.argsort(beat, kind="stable")
    tempo = float(np.exp(rng.uniform(np.log(75), np.log(178))))
    return Performance(beat[order], instrument[order].astype(int), velocity[order], 4, 4.0 * bars, tempo)


def vary(rng: np.random.Generator, performance: Performance, tempo_bpm: float) -> float:
    """Now and then one of this module's figures, in place; returns the tempo, faster for many double kicks."""
    draw = rng.random()
    if draw < 0.08:
        tempo_bpm = float(rng.uniform(110, 208)) if rng.random() < 0.7 else tempo_bpm
        double_kick(rng, performance, tempo_bpm)
    elif draw < 0.23:
        tom_phrases(rng, performance)
    elif draw < 0.29:
        drags(rng, performance, tempo_bpm)
    elif draw < 0.37:
        bells(rng, performance)
    elif draw < 0.45:
        loose_hats(rng, performance)
    return tempo_bpm
