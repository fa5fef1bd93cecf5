"""Who plays what when: human performances and generated patterns, on a grid of beats.

A *performance* places strokes in counted beats from its first bar line; a
tempo curve then turns beats into seconds.  Human performances are those of
the Groove MIDI data set (training split for training, validation split for
validation).
"""

from __future__ import annotations

import argparse
import csv
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np

from workbench.chart.drumkit import DETECTED
from workbench.training.sources import GROOVE_MIDI

INDEX = {name: k for k, name in enumerate(DETECTED)}

#: Index of strokes on instruments outside the drum key (never labelled).
OTHER_INDEX = len(DETECTED)

KICK, SNARE, STICK, CLOSED, OPEN, PEDAL = (
    INDEX[n] for n in ("kick", "snare", "side stick", "closed hi-hat", "open hi-hat", "pedal hi-hat")
)
TOMS = tuple(INDEX[n] for n in ("high tom", "mid tom", "floor tom"))
RIDE, BELL, CRASH, TAMBOURINE = (INDEX[n] for n in ("ride", "ride bell", "crash", "tambourine"))


@dataclass
class Performance:
    """Strokes on a grid of beats.

    Attributes
    ----------
    beat : ndarray (n,), counted beats from the first bar line, increasing
    instrument : ndarray (n,), int, index into the drum key or OTHER_INDEX
    velocity : ndarray (n,), 0–1
    beats_per_bar : int
    length : float, beats
    tempo_bpm : float
    """

    beat: np.ndarray
    instrument: np.ndarray
    velocity: np.ndarray
    beats_per_bar: int
    length: float
    tempo_bpm: float

    def cut(self, first: float, last: float) -> Performance:
        """The strokes from beat *first* (a hair early counts) to *last*."""
        keep = (self.beat >= first - 0.1) & (self.beat < last - 0.1)
        return Performance(
            self.beat[keep] - first,
            self.instrument[keep],
            self.velocity[keep],
            self.beats_per_bar,
            last - first,
            self.tempo_bpm,
        )


def read_performance(path: Path, tempo_bpm: float, beats_per_bar: int) -> Performance:
    """One MIDI file of Groove MIDI."""
    midi = mido.MidiFile(path)
    rows, ticks = [], 0
    for message in mido.merge_tracks(midi.tracks):
        ticks += message.time
        if message.type == "note_on" and message.velocity and message.note in GROOVE_MIDI:
            rows.append((ticks / midi.ticks_per_beat, INDEX[GROOVE_MIDI[message.note]], message.velocity / 127))
    beat, instrument, velocity = np.array(rows, float).reshape(-1, 3).T
    bars = max(1.0, np.ceil((beat.max(initial=0.0) + 0.01) / beats_per_bar))
    return Performance(beat, instrument.astype(int), velocity, beats_per_bar, bars * beats_per_bar, tempo_bpm)


def write_performances(folder: Path, file: Path) -> None:
    """Gather Groove MIDI's performances (``info.csv`` and MIDI files) into one small file."""
    keep_performances(
        file,
        {
            f"{split}_{kind}": found
            for split in ("train", "validation")
            for kind, found in zip(("grooves", "fills"), read_groove_midi(folder, split), strict=True)
        },
    )


def keep_performances(file: Path, found: dict[str, list[Performance]]) -> None:
    """Write performances by split and kind, such as "train_grooves"."""
    columns: dict[str, np.ndarray] = {}
    for name, those in found.items():
        columns[name] = np.concatenate([np.stack([p.beat, p.instrument, p.velocity], 1) for p in those]).astype(
            np.float32
        )
        columns[f"{name}_heads"] = np.array([(len(p.beat), p.beats_per_bar, p.length, p.tempo_bpm) for p in those])
    np.savez_compressed(file, **columns)  # type: ignore[arg-type]


def read_performances(split: str, *files: Path) -> tuple[list[Performance], list[Performance]]:
    """Grooves and fills of one split, as kept by :func:`keep_performances`; a file need not have both."""
    result: dict[str, list[Performance]] = {"grooves": [], "fills": []}
    for file in files:
        with np.load(file) as data:
            for kind in (k for k in result if f"{split}_{k}" in data):
                heads, rows = data[f"{split}_{kind}_heads"], data[f"{split}_{kind}"].astype(float)
                result[kind] += [
                    Performance(r[:, 0], r[:, 1].astype(int), r[:, 2], int(h[1]), float(h[2]), float(h[3]))
                    for h, r in zip(heads, np.split(rows, np.cumsum(heads[:, 0].astype(int))[:-1]), strict=True)
                ]
    return result["grooves"], result["fills"]


def read_groove_midi(folder: Path, split: str) -> tuple[list[Performance], list[Performance]]:
    """Grooves and fills of one split of Groove MIDI, in 4/4 and 3/4."""
    grooves: list[Performance] = []
    fills: list[Performance] = []
    with open(folder / "info.csv", newline="") as file:
        for row in csv.DictReader(file):
            beats_per_bar = {"4-4": 4, "3-4": 3}.get(row["time_signature"])
            if row["split"] == split and beats_per_bar:
                found = read_performance(folder / row["midi_filename"], float(row["bpm"]), beats_per_bar)
                if len(found.beat):
                    (grooves if row["beat_type"] == "beat" else fills).append(found)
    return grooves, fills


def join(parts: list[Performance]) -> Performance:
    """One performance after the other, in the first one's meter and tempo."""
    starts = np.cumsum([0.0] + [p.length for p in parts])
    return Performance(
        np.concatenate([p.beat + s for p, s in zip(parts, starts, strict=False)]),
        np.concatenate([p.instrument for p in parts]),
        np.concatenate([p.velocity for p in parts]),
        parts[0].beats_per_bar,
        float(starts[-1]),
        parts[0].tempo_bpm,
    )


def drop_beats(performance: Performance, kept: tuple[int, ...]) -> Performance:
    """Shorten every bar to some of its beats: 4/4 with ``(0, 1, 2)`` kept becomes 3/4."""
    n = performance.beats_per_bar
    nearest = np.floor(performance.beat + 0.1)
    bar, beat = nearest // n, nearest % n
    offset = performance.beat - nearest
    place = np.array([kept.index(b) if b in kept else -1 for b in range(n)])[beat.astype(int)]
    keep = place >= 0
    new = bar * len(kept) + place + offset
    order = np.argsort(new[keep], kind="stable")
    return Performance(
        new[keep][order],
        performance.instrument[keep][order],
        performance.velocity[keep][order],
        len(kept),
        performance.length / n * len(kept),
        performance.tempo_bpm,
    )


def human_performance(
    rng: np.random.Generator, grooves: list[Performance], fills: list[Performance], beats: float
) -> Performance:
    """At least *beats* beats of a human groove from any bar of it, now and then with a human fill."""
    weight = np.sqrt([min(g.length, 64) for g in grooves])
    groove = grooves[rng.choice(len(grooves), p=weight / weight.sum())]
    n = groove.beats_per_bar
    bars = int(groove.length // n)
    needed = int(np.ceil(beats / n)) + 1
    parts = []
    bar = int(rng.integers(bars))
    fill_every = rng.choice([0, 2, 4, 8], p=[0.35, 0.12, 0.35, 0.18])
    crash_after = rng.random() < 0.5
    after_fill = False
    for k in range(needed):
        if fill_every and k % fill_every == fill_every - 1 and n == 4:
            fill = fills[rng.integers(len(fills))]
            start = 4 * int(rng.integers(max(1, int(fill.length // 4))))
            part = fill.cut(start, start + 4)
            part.beats_per_bar, part.tempo_bpm = n, groove.tempo_bpm
            after_fill = True
        else:
            part = groove.cut(n * (bar % bars), n * (bar % bars + 1))
            if after_fill and crash_after:
                part = _with_crash(rng, part)
            after_fill = False
        parts.append(part)
        bar += 1
    parts[0].beats_per_bar = n
    whole = join(parts)
    if n == 4 and (draw := rng.random()) < 0.16:
        whole = drop_beats(whole, ((0, 1, 2), (0, 1, 3), (0, 1))[0 if draw < 0.07 else 1 if draw < 0.11 else 2])
    return whole


def _with_crash(rng: np.random.Generator, part: Performance) -> Performance:
    hit = int(np.argmin(np.abs(part.beat))) if len(part.beat) else -1
    at = part.beat[hit] if hit >= 0 and abs(part.beat[hit]) < 0.1 else 0.0
    keep = ~((np.abs(part.beat - at) < 0.05) & np.isin(part.instrument, (CLOSED, OPEN, RIDE)))
    add_kick = not np.any((np.abs(part.beat - at) < 0.05) & (part.instrument == KICK))
    beat = np.concatenate([[at] * (1 + add_kick), part.beat[keep]])
    instrument = np.concatenate([[CRASH, KICK][: 1 + add_kick], part.instrument[keep]])
    velocity = np.concatenate([rng.uniform(0.7, 1.0, 1 + add_kick), part.velocity[keep]])
    return Performance(beat, instrument, velocity, part.beats_per_bar, part.length, part.tempo_bpm)


def generated_performance(rng: np.random.Generator, beats: float) -> Performance:
    """A pattern made by rule: meters 2/4 to 6/8, straight or swung, time kept on any cymbal.

    Kick on 1, backbeats, off-beat open hats, jazz ride with hi-hat on 2 and 4,
    waltzes, tom grooves, fills down the toms and crashes after them: common
    practice, no source.
    """
    n, parts = [(4, 4), (4, 2), (4, 3), (3, 2), (3, 4), (2, 4), (2, 3), (4, 3)][
        rng.choice(8, p=[0.3, 0.22, 0.08, 0.09, 0.05, 0.06, 0.14, 0.06])
    ]
    bars = int(np.ceil(beats / n)) + 1
    cells = n * parts
    swing = rng.uniform(0.0, 0.17) if parts in (2, 4) and rng.random() < 0.25 else 0.0
    tempo = float(np.exp(rng.normal(np.log(108 if parts != 3 else 85), 0.28)))
    beat_cells = np.arange(n) * parts
    half_time = n == 4 and rng.random() < 0.12
    jazz = n >= 3 and parts == 3 and rng.random() < 0.4

    time_keeper = rng.choice(
        [CLOSED, OPEN, RIDE, CRASH, BELL, TOMS[2], STICK, PEDAL, -1],
        p=[0.37, 0.11, 0.2, 0.14, 0.04, 0.05, 0.02, 0.0, 0.07],
    )
    density = rng.random()
    if parts == 4:
        keeper_cells = np.arange(0, cells, 2) if density < 0.65 else np.arange(cells) if density < 0.85 else beat_cells
    else:
        keeper_cells = np.arange(cells) if density < 0.7 else beat_cells
    if jazz:
        time_keeper = RIDE if rng.random() < 0.8 else CLOSED
        keeper_cells = np.sort(np.concatenate([beat_cells, beat_cells[1::2] + 2]))
    backbeat = beat_cells[1::2] if n != 3 else beat_cells[1:] if rng.random() < 0.6 else beat_cells[2:]
    if half_time:
        backbeat = beat_cells[2:3]
    if n == 2 and parts == 3:
        backbeat = beat_cells[1:]
    kick = np.zeros(cells, bool)
    kick[0] = rng.random() < 0.94
    kick[rng.random(cells) < (0.15 if parts > 2 else 0.22)] = True
    if rng.random() < 0.15:
        kick[beat_cells] = True
    kick[backbeat] &= rng.random(len(backbeat)) < 0.3
    ghosts = (rng.random(cells) < rng.choice([0.0, 0.0, 0.12, 0.3])) & ~np.isin(np.arange(cells), backbeat)
    drum = STICK if rng.random() < 0.14 else SNARE
    unison = rng.random() < 0.1
    foot = beat_cells[1::2] if rng.random() < 0.5 else beat_cells
    with_foot = jazz or (time_keeper not in (CLOSED, OPEN, PEDAL) and rng.random() < 0.4)
    open_cells = np.flatnonzero(rng.random(cells) < (0.08 if rng.random() < 0.5 else 0.0))
    if parts % 2 == 0 and rng.random() < 0.12:
        open_cells = beat_cells + parts // 2
    accent = np.where(np.isin(np.arange(cells), beat_cells), 1.0, rng.uniform(0.5, 1.0))
    phrase = int(rng.choice([2, 4, 8, 100], p=[0.2, 0.45, 0.2, 0.15]))
    crash_phrase = rng.random() < 0.7

    rows: list[tuple[float, int, float]] = []
    for bar in range(bars):
        last = bar % phrase == phrase - 1
        fill_from = cells - int(rng.integers(parts, cells + 1)) if last and rng.random() < 0.85 else cells
        first = bar % phrase == 0 and crash_phrase and (bar or rng.random() < 0.5)
        kick_bar = kick ^ (rng.random(cells) < 0.04)
        for cell in range(cells):
            at = bar * n + cell / parts + (swing if parts > 1 and cell % 2 == 1 else 0.0) / (parts / 2)
            if cell >= fill_from:
                continue
            if first and cell == 0:
                rows += [(at, CRASH, 0.9), (at, KICK, 0.9)]
            elif kick_bar[cell]:
                rows.append((at, KICK, 0.85 if cell % parts == 0 else 0.7))
            if cell in backbeat:
                rows.append((at, drum, 0.9))
                if unison:
                    rows.append((at, TOMS[2], 0.8))
            elif ghosts[cell] and drum == SNARE:
                rows.append((at, SNARE, rng.uniform(0.12, 0.4)))
            if time_keeper >= 0 and cell in keeper_cells and not (first and cell == 0):
                hat = OPEN if cell in open_cells and time_keeper in (CLOSED, OPEN) else time_keeper
                rows.append((at, hat, 0.75 * accent[cell]))
            if with_foot and cell in foot:
                rows.append((at, PEDAL, 0.6))
        if fill_from < cells:
            rows += _fill(rng, bar * n, fill_from, cells, parts)
    beat, instrument, velocity = np.array(rows, float).T
    velocity = np.clip(velocity * rng.normal(1, 0.1, len(beat)), 0.08, 1)
    order = np.argsort(beat, kind="stable")
    return Performance(beat[order], instrument[order].astype(int), velocity[order], n, float(bars * n), tempo)


def _fill(
    rng: np.random.Generator, bar_beat: float, first: int, cells: int, parts: int
) -> list[tuple[float, int, float]]:
    """A fill: runs of one to four strokes, snare and toms downwards or as they fall, kick between."""
    rows: list[tuple[float, int, float]] = []
    drums = (SNARE, *TOMS)
    step = 1 if parts >= 3 or rng.random() < 0.5 else 0.5
    downwards, k, at = rng.random() < 0.6, 0, float(first)
    while at < cells - 1e-6:
        drum = drums[min(k, 3)] if downwards else drums[rng.integers(4)]
        for _ in range(int(rng.choice([1, 2, 3, 4], p=[0.2, 0.35, 0.15, 0.3]))):
            if at >= cells - 1e-6:
                break
            draw = rng.random()
            if draw < 0.85:
                rows.append((bar_beat + at / parts, drum, float(rng.uniform(0.5, 1.0))))
            elif draw < 0.93:
                rows.append((bar_beat + at / parts, KICK, 0.8))
            if rng.random() < 0.08:
                rows.append((bar_beat + at / parts, CRASH, 0.8))
            if rng.random() < 0.1:
                rows.append((bar_beat + at / parts, SNARE if drum in TOMS else TOMS[2], 0.8))
            at += step
        k += 1
    return rows


def swap_instruments(rng: np.random.Generator, performance: Performance) -> None:
    """Orchestrate anew, in place: time on another cymbal, side stick for snare, and so on."""
    instrument = performance.instrument
    hats = np.isin(instrument, (CLOSED, OPEN))
    draw = rng.random()
    if draw < 0.1:
        instrument[hats] = CRASH
    elif draw < 0.2:
        instrument[hats] = RIDE
    elif draw < 0.26:
        instrument[hats] = OPEN
    elif draw < 0.3:
        instrument[hats] = TOMS[rng.integers(3)]
    elif draw < 0.33:
        instrument[hats] = BELL
    ride = np.isin(instrument, (RIDE, BELL))
    draw = rng.random()
    if draw < 0.15:
        instrument[ride] = CLOSED
    elif draw < 0.25:
        instrument[ride] = CRASH
    elif draw < 0.30:
        instrument[ride] = BELL
    snare = performance.instrument == SNARE
    draw = rng.random()
    if draw < 0.07:
        performance.instrument[snare & (performance.velocity > 0.3)] = STICK
    elif draw < 0.08:
        performance.instrument[snare] = TOMS[rng.integers(3)]
    if rng.random() < 0.12:
        toms = np.isin(performance.instrument, TOMS)
        performance.instrument[toms] = SNARE if rng.random() < 0.3 else TOMS[rng.integers(3)]


def replace_strokes(
    performance: Performance, keep: np.ndarray, more: list[tuple[np.ndarray, int, float | np.ndarray]]
) -> None:
    """Keep some strokes and add others (beats, instrument, velocity or velocities), in place."""
    performance.beat = np.concatenate([performance.beat[keep], *(b for b, _, _ in more)])
    performance.instrument = np.concatenate(
        [performance.instrument[keep], *(np.full(len(b), i) for b, i, _ in more)]
    ).astype(int)
    performance.velocity = np.concatenate(
        [performance.velocity[keep], *(np.broadcast_to(v, len(b)) for b, _, v in more)]
    )


def double_snare(rng: np.random.Generator, performance: Performance) -> None:
    """Sometimes the floor tom, with or without the kick, is struck with every loud snare stroke, in place.

    Through the whole performance or in every second to eighth bar; in half of
    those bars in even notes, the time-keeper silent (common practice of building up, no source).
    """
    if rng.random() > 0.09:
        return
    n = performance.beats_per_bar
    bar = np.floor((performance.beat + 0.1) / n).astype(int)
    every = int(rng.choice([1, 2, 4, 8], p=[0.3, 0.2, 0.3, 0.2]))
    inside = bar % every == every - 1
    keep = np.ones(len(bar), bool)
    tom = TOMS[2] if rng.random() < 0.8 else TOMS[rng.integers(3)]
    level = float(rng.uniform(0.6, 1.0))
    with_kick = rng.random() < 0.6
    more = []
    if every > 1 and rng.random() < 0.5:
        keep = ~inside
        step = rng.choice([0.25, 0.5, 1.0], p=[0.2, 0.5, 0.3])
        bars = np.unique(bar[inside])
        at = (bars[:, None] * n + np.arange(0, n, step)[None]).ravel()
        more.append((at, SNARE, float(np.clip(level * rng.uniform(0.7, 1.1), 0.2, 1))))
    else:
        at = performance.beat[inside & (performance.instrument == SNARE) & (performance.velocity > 0.5)]
    more.append((at, tom, level))
    if with_kick:
        without = [
            b
            for b in at
            if not np.any((np.abs(performance.beat[keep] - b) < 0.05) & (performance.instrument[keep] == KICK))
        ]
        more.append((np.array(without, float), KICK, float(rng.uniform(0.6, 1.0))))
    replace_strokes(performance, keep, more)


def leave_out(rng: np.random.Generator, performance: Performance) -> None:
    """Sometimes an instrument, all cymbals, or strokes here and there of the time-keeper are silent, in place.

    What a pattern leads one to expect must not be heard where it is not played.
    """
    draw, n = rng.random(), len(performance.instrument)
    if draw < 0.15:
        silent = performance.instrument == (KICK, SNARE, CLOSED, CRASH, PEDAL, RIDE)[rng.integers(6)]
    elif draw < 0.23:
        silent = np.isin(performance.instrument, (CLOSED, OPEN, PEDAL, RIDE, BELL))
        if rng.random() < 0.3:
            silent |= performance.instrument == CRASH
    elif draw < 0.39:
        keeper = np.isin(performance.instrument, (CLOSED, OPEN, RIDE, BELL))
        silent = keeper & (rng.random(n) < rng.uniform(0.05, 0.6))
    elif draw < 0.45:
        # Bars in which the time-keeper pauses.
        bar = np.floor((performance.beat + 0.1) / performance.beats_per_bar).astype(int)
        pausing = rng.random(bar.max(initial=0) + 2) < 0.3
        silent = pausing[bar] & np.isin(performance.instrument, (CLOSED, OPEN, PEDAL, RIDE, BELL))
    else:
        return
    replace_strokes(performance, ~silent, [])


def add_percussion(rng: np.random.Generator, performance: Performance) -> None:
    """Sometimes a tambourine (labelled) or other percussion (not labelled) in even notes, in place."""
    draw = rng.random()
    if draw > 0.2:
        return
    instrument = TAMBOURINE if draw < 0.05 else OTHER_INDEX
    step = rng.choice([0.25, 0.5, 1.0, 2.0])
    beat = np.arange(rng.choice([0.0, step / 2, 1.0]), performance.length, step)
    beat = beat[rng.random(len(beat)) < rng.choice([0.5, 1.0])]
    velocity = np.clip(rng.normal(0.6, 0.2, len(beat)), 0.1, 1)
    performance.beat = np.concatenate([performance.beat, beat])
    performance.instrument = np.concatenate([performance.instrument, np.full(len(beat), instrument)])
    performance.velocity = np.concatenate([performance.velocity, velocity])


def beat_times(rng: np.random.Generator, n_beats: int, tempo_bpm: float, steady: bool = False) -> np.ndarray:
    """Times of beats 0 … n, seconds: a steady tempo or, half of the time unless *steady*, a drifting one."""
    length = np.full(n_beats, 60.0 / tempo_bpm)
    if not steady and rng.random() < 0.5:
        drift = np.cumsum(rng.normal(0, rng.choice([0.002, 0.006, 0.012]), n_beats))
        length = length * np.exp(drift - drift.mean()) * np.exp(rng.normal(0, rng.choice([0.0, 0.004, 0.01]), n_beats))
    return np.concatenate([[0.0], np.cumsum(length)])


def main() -> None:
    """Command line: Groove MIDI's folder in, one file out."""
    parser = argparse.ArgumentParser(
        description=__doc__.split("\n", 1)[0],
        epilog="Example: python -m workbench.training.performances groove-midi build/performances.npz",
    )
    parser.add_argument("groove_midi", type=Path, help="the Groove MIDI data set, MIDI only")
    parser.add_argument("file", type=Path, help="file to write")
    args = parser.parse_args()
    write_performances(args.groove_midi, args.file)


if __name__ == "__main__":
    main()
