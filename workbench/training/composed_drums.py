"""Drums of composed songs: patterns by rule, as a player or a machine plays them, and human performances laid over
the song's meter.

Rules and shares are common practice, no source.  A stroke is (quarters, instrument, velocity 0 to 1), instruments as in
:mod:`workbench.training.performances`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from workbench.chart.meter import Meter
from workbench.training.bar_songs import PIECES
from workbench.training.performances import (
    BELL,
    CLOSED,
    CRASH,
    KICK,
    OPEN,
    OTHER_INDEX,
    PEDAL,
    RIDE,
    SNARE,
    STICK,
    TAMBOURINE,
    TOMS,
    Performance,
)
from workbench.training.song_form import SongBar, beat_quarters, pick

Strokes = list[tuple[float, int, float]]

#: Strokes of a performance that come so little before an eighth, in eighths, belong to it.
EARLY = 0.2


@dataclass(frozen=True)
class Manner:
    """How a song's drums are played by rule.

    Attributes
    ----------
    machine : bool
    quarters_per_minute : float
    triplets : bool
        Quarters are divided in three.
    swing, swung : float
        How far every second part so long, in quarters, comes late, as a share of it.
    style, feel : str
    kick_density, ghosts, percussion, loose : float
        Shares of cells, and of strokes that vary from bar to bar.
    keeper : int
        What keeps time; -1 for nothing.
    drum : int
        What plays the backbeat.
    """

    machine: bool
    quarters_per_minute: float
    triplets: bool
    swing: float
    swung: float
    jazz: bool
    style: str
    feel: str
    kick_density: float
    two_bars: bool
    ghosts: float
    keeper: int
    drum: int
    foot: bool
    clap: bool
    percussion: float
    toms: bool
    loose: float

    @classmethod
    def draw(cls, rng: np.random.Generator, quarters_per_minute: float, triplets: bool, machine: bool) -> Manner:
        qpm = quarters_per_minute
        return cls(
            machine,
            qpm,
            triplets,
            swing=0.0 if triplets or rng.random() > 0.2 else float(rng.uniform(0.06, 0.33)),
            swung=0.5 if rng.random() < 0.6 else 0.25,
            jazz=rng.random() < 0.4,
            style=pick(
                rng,
                ("rock", 0.5),
                ("four", 0.2 if machine else 0.06),
                ("break", 0.12),
                ("blast", 0.03),
                ("onedrop", 0.03),
                ("off", 0.08),
            ),
            feel=pick(
                rng, ("normal", 0.86), ("half", 0.11 if qpm > 105 else 0.02), ("double", 0.04 if qpm < 105 else 0.0)
            ),
            kick_density=float(rng.choice([0.1, 0.2, 0.3, 0.45])),
            two_bars=rng.random() < 0.35,
            ghosts=0.0 if machine else float(rng.choice([0, 0, 0.1, 0.25])),
            keeper=pick(
                rng, (CLOSED, 0.5), (OPEN, 0.08), (RIDE, 0.17), (CRASH, 0.06), (BELL, 0.04), (TOMS[2], 0.04), (-1, 0.11)
            ),
            drum=SNARE if rng.random() < 0.9 else STICK,
            foot=rng.random() < 0.2,
            clap=machine and rng.random() < 0.3,
            percussion=float(rng.choice([0, 0, 0.2, 0.4])),
            toms=rng.random() < 0.08,
            loose=0.0 if machine or rng.random() < 0.5 else float(rng.uniform(0.01, 0.08)),
        )


class DrumPattern:
    """A bar of a section by rule: in which of its cells each instrument is struck."""

    def __init__(self, rng: np.random.Generator, manner: Manner, bar: SongBar, like: DrumPattern | None) -> None:
        """*like* is the pattern of another section in this meter: backbeats and kicks mostly stay."""
        meter, length = bar.meter, bar.length
        self.manner, self.eighths = manner, meter.unit == 8
        self.step = 1 / 3 if manner.triplets and not self.eighths else 0.25
        cells = round(length / self.step)
        self.at = np.arange(cells) * self.step

        def on(places: Sequence[float] | np.ndarray) -> np.ndarray:
            return (np.abs(self.at[:, None] - np.asarray(places, dtype=float)) < 1e-3).any(axis=1)

        def some(share: float) -> np.ndarray:
            return rng.random(cells) < share

        starts = bar.group_starts
        beats = np.arange(0, length - 1e-6, beat_quarters(meter)) if meter.is_compound or not self.eighths else starts
        every, one = np.ones(cells, bool), on([0.0])
        halves = on(np.arange(0, length - 1e-6, 0.5)) if self.step == 0.25 else every
        self.strong, beat = on(starts), on(beats)
        self.backbeat = on(_backbeats(rng, manner, bar))
        if like is not None and rng.random() < 0.85:
            self.backbeat = like.backbeat
        # Kicks on 1, on the beginnings of groups, and here and there.
        kick = (one & (rng.random() < 0.95)) | (self.strong & some(0.45) & ~self.backbeat)
        often = manner.kick_density * np.where(beat, 0.8, np.where(halves, 1.0, 0.45))
        kick |= (rng.random(cells) < often) & ~(self.backbeat & some(0.8))
        kick = {"four": beat, "blast": halves, "onedrop": self.backbeat}.get(manner.style, kick)
        if like is not None and rng.random() < 0.6:
            kick = like.kick ^ (some(0.05) & ~one)
        self.kick = kick
        self.other_kick = kick ^ (some(0.12) & ~one) if manner.two_bars else kick
        self.snare = self.backbeat | (some(0.06) & ~beat if manner.style == "break" else False)
        if manner.style == "blast":
            self.snare = ~kick & halves if rng.random() < 0.4 else beat & ~self.strong
        self.ghost = some(manner.ghosts) & ~self.backbeat & ~kick & (manner.drum == SNARE)
        self.keeper, self.time = manner.keeper, self._time(rng, beat, halves)
        if manner.jazz and self.step != 0.25:
            self.keeper = RIDE if rng.random() < 0.85 else CLOSED
        elif like is not None and rng.random() < 0.55:
            self.keeper = pick(
                rng, (RIDE, 0.3), (CRASH, 0.16), (OPEN, 0.14), (CLOSED, 0.25), (BELL, 0.05), (TOMS[2], 0.06), (-1, 0.04)
            )
        if rng.random() < 0.15 and self.step == 0.25:
            self.time = self.time & (some(0.75) | one)
        self.opened = some(0.08 if rng.random() < 0.4 else 0.0)
        self.accent = np.where(self.strong, 1.0, np.where(beat, rng.uniform(0.7, 1), rng.uniform(0.4, 1)))
        self.foot = (on(beats[1::2] if len(beats) > 1 else beats) if rng.random() < 0.6 else beat) & manner.foot
        self.percussion = [
            (
                OTHER_INDEX + k if rng.random() < 0.8 else TAMBOURINE,
                pick(rng, (halves, 0.3), (every, 0.2), (self.backbeat, 0.2), (some(0.25), 0.3)),
            )
            for k in range(3)
            if rng.random() < manner.percussion
        ]
        if manner.toms:
            self.percussion.append((TOMS[int(rng.integers(3))], some(0.2) & ~self.backbeat))

    def _time(self, rng: np.random.Generator, beat: np.ndarray, halves: np.ndarray) -> np.ndarray:
        """Cells in which time is kept."""
        every, draw = np.ones(len(beat), bool), rng.random()
        off = np.abs(self.at % 1 - 0.5) < 1e-3
        if self.step != 0.25:
            late = np.abs(self.at % 1 - 2 / 3) < 1e-3
            if self.manner.jazz:
                return beat | (late & (np.floor(self.at + 1e-3) % 2 == 1))
            return every if draw < 0.35 else beat | late if draw < 0.75 else beat
        if self.manner.style == "off":
            return off
        if self.eighths:
            return halves if draw < 0.75 else self.strong if draw < 0.87 else every
        return halves if draw < 0.55 else every if draw < 0.73 else beat if draw < 0.93 else off

    def play(self, rng: np.random.Generator, second: bool, opens: bool, crash: bool, until: float) -> Strokes:
        """The pattern up to a fill; *second* bars of two may differ, a *crash* takes the time-keeper's place."""
        manner, rows = self.manner, []
        kick = self.other_kick if second else self.kick
        kick = kick ^ ((rng.random(len(kick)) < manner.loose) & ~self.strong)
        for c in np.flatnonzero(self.at < until - 1e-6):
            at = float(self.at[c])
            part = at / manner.swung
            if manner.swing and self.step == 0.25 and abs(part - round(part)) < 1e-3 and round(part) % 2:
                at += manner.swing * manner.swung
            crashes = opens and crash and c == 0
            if crashes:
                rows += [(at, CRASH, 0.9), (at, KICK, 0.9)]
            elif kick[c]:
                rows.append((at, KICK, 0.88 if self.strong[c] else 0.75))
            if self.snare[c]:
                rows.append((at, manner.drum, 0.9))
                rows += [(at, OTHER_INDEX, 0.8)] * manner.clap
            elif self.ghost[c]:
                rows.append((at, SNARE, float(rng.uniform(0.12, 0.4))))
            if self.keeper >= 0 and self.time[c] and not crashes:
                opened = self.opened[c] and self.keeper == CLOSED
                rows.append((at, OPEN if opened else self.keeper, 0.75 * float(self.accent[c])))
            if self.foot[c]:
                rows.append((at, PEDAL, 0.6))
            rows += [(at, voice, 0.6 * float(self.accent[c])) for voice, cells in self.percussion if cells[c]]
        return rows


def _backbeats(rng: np.random.Generator, manner: Manner, bar: SongBar) -> list[float]:
    meter, length, starts = bar.meter, bar.length, bar.group_starts
    if meter == Meter(4, 4) and manner.feel == "half":
        return [2.0]
    if meter in (Meter(4, 4), Meter(2, 4)):
        return list(np.arange(0.5, length) if manner.feel == "double" else np.arange(1, length, 2))
    if meter == Meter(3, 4):
        return pick(rng, ([1.0, 2.0], 0.4), ([2.0], 0.35), ([1.0], 0.25))
    if meter in (Meter(6, 8), Meter(12, 8)):
        return list(np.arange(1.5, length, 3))
    if meter == Meter(9, 8):
        return pick(rng, ([1.5, 3.0], 0.3), ([3.0], 0.5), ([1.5], 0.2))
    if meter == Meter(3, 8):
        return pick(rng, ([1.0], 0.5), ([0.5], 0.2), ([0.5, 1.0], 0.3))
    if meter.unit == 8:
        return pick(
            rng,
            ([float(starts[-1])], 0.4),
            ([float(starts[1])], 0.25),
            (list(starts[1:]), 0.2),
            (list(starts + 0.5), 0.15),
        )
    if rng.random() < 0.2:
        return list(np.arange(1, length, 2))
    out: list[float] = []
    for start, group in zip(starts, bar.groups):
        within = {1: [], 2: [1], 3: [1, 2] if rng.random() < 0.4 else [2], 4: [1, 3]}[int(group)]
        out += [float(start) + k for k in within]
    return out


def play_fill(rng: np.random.Generator, manner: Manner, length: float, begin: float, step: float) -> Strokes:
    """Strokes around the drums from *begin* to the end of a bar, or a machine's roll."""
    draw = rng.random()
    step = step if draw < 0.6 else 0.5 if draw < 0.9 or step != 0.25 else step / 2
    if manner.quarters_per_minute > 150:
        step = max(step, 0.25)
    places = np.arange(begin, length - 1e-6, step)
    if manner.machine and rng.random() < 0.5:
        voice = pick(rng, (SNARE, 0.7), (CLOSED, 0.1), (TOMS[0], 0.2))
        return [(float(a), voice, 0.5 + 0.45 * (a - begin) / max(length - begin, 0.1)) for a in places]
    drums, down, rows = (SNARE, *TOMS), rng.random() < 0.65, []
    for k, at in enumerate(places.tolist()):
        draw = rng.random()
        if draw < 0.82:
            rows.append((at, drums[k * 4 // len(places) if down else rng.integers(4)], float(rng.uniform(0.55, 1))))
        elif draw < 0.92:
            rows.append((at, KICK, 0.8))
    return rows


class HumanDrums:
    """A performance of Groove MIDI, in 4/4 or 3/4, over the bars of a song."""

    def __init__(
        self, rng: np.random.Generator, performance: Performance, fills: Sequence[Performance], meter: Meter, own: bool
    ) -> None:
        """*own*: as it was played, from some bar on, if the song is in its meter throughout."""
        self.own, self.fills = own, fills
        self.meter = Meter(performance.beats_per_bar, 4)
        self.per_bar = 2 * performance.beats_per_bar
        cell = np.floor(performance.beat * 2 + EARLY).astype(int)
        self.cells: dict[int, Strokes] = {}
        for k, c in enumerate(cell.tolist()):
            row = float(performance.beat[k] * 2 - c), int(performance.instrument[k]), float(performance.velocity[k])
            self.cells.setdefault(c, []).append(row)
        self.bars = max(1, int(cell.max(initial=0)) // self.per_bar)
        self.first = int(rng.integers(self.bars)) if rng.random() < 0.6 else 0
        self.pieces = {m: [p[0]] for m, p in PIECES.items()}
        if str(meter) in PIECES:
            self.pieces[str(meter)] = list(rng.permutation(PIECES[str(meter)])[: int(rng.integers(1, 3))])
        self.starts: dict[str, int] = {}
        self.loop = 1

    def play(self, rng: np.random.Generator, bar: SongBar, index: int, crash: bool, until: float) -> Strokes:
        """One bar of the song, with a fill of another performance from *until* on."""
        if self.own:
            first = (self.first + index) % self.bars * self.per_bar
        else:
            start = self.starts.setdefault(bar.letter, int(rng.integers(self.bars)))
            if bar.number == 0:
                self.loop = pick(rng, (bar.of, 0.6), (2, 0.2), (1, 0.2))
            first = (start + bar.number % self.loop) % self.bars * self.per_bar
        if bar.meter == self.meter:
            source = [first + k for k in range(self.per_bar)]
        else:
            pieces = self.pieces.get(str(bar.meter), ["01234567"])
            piece = pieces[-1] if bar.number % 4 == 3 else pieces[0]
            source = [first + int(c) % self.per_bar for c in piece]
        rows: Strokes = []
        for k, cell in enumerate(source):
            for offset, voice, level in self.cells.get(cell, ()):
                # An eighth that opens a bar of the performance may stand inside one here: without its crash.
                if self.own or not (k and voice == CRASH and cell % self.per_bar == 0):
                    rows.append(((k + offset) / 2, voice, level))
        if self.own:
            return rows
        if until < bar.length:
            rows = [r for r in rows if r[0] < until - 0.05] + self._fill(rng, bar.length, until)
        return with_crash(rng, rows) if crash else rows

    def _fill(self, rng: np.random.Generator, length: float, begin: float) -> Strokes:
        fill = self.fills[int(rng.integers(len(self.fills)))]
        span = min(4.0, length - begin)
        last = 4 * int(rng.integers(max(1, int(fill.length // 4)))) + 4
        part = fill.cut(last - span, last)
        return [
            (length - span + float(a), int(i), float(v)) for a, i, v in zip(part.beat, part.instrument, part.velocity)
        ]


def with_crash(rng: np.random.Generator, rows: Strokes) -> Strokes:
    """A bar that opens with crash and kick."""
    kept = [r for r in rows if r[0] >= 0.1 or r[1] not in (CLOSED, OPEN, RIDE)]
    kept.append((0.0, CRASH, float(rng.uniform(0.7, 1))))
    if not any(r[0] < 0.1 and r[1] == KICK for r in rows):
        kept.append((0.0, KICK, 0.85))
    return kept
