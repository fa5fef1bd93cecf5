"""How readable is a human performance read from MIDI, and how true to what was played?

Performances of Groove MIDI (CC BY 4.0), played to a click and never used to choose anything
here (validation split), read as MIDI.  Run:

    python -m tests.benchmarks.bench_midi_reading GROOVE_DIR [--split validation] [--count 40]

Told: bars that hold notes on neither sixteenths nor their triplets (so thirty-seconds or shorter), and those of them
that hold a single such note.  Then how many notes are written within 30 ms of where they were played.  A *written
place* is where the chart itself has such a note, and plays one that was never heard: its beats, which follow the
player, and its pocket, which is one swing ratio and one lag for an instrument on a part of the beat, the whole song
through (about 32 numbers a song); no note's own deviation.  Beside it: the same by the beats alone, without the
pocket; by the click's beats; and, so that no stroke speaks for itself, for notes left out by eights while beats and
pocket are found.  Snare ghosts by precision and recall against velocity and context: softer than
:data:`GHOST_VELOCITY` and than :data:`GHOST_SHARE` of the loudest snare stroke within a bar (our definition, no
source); beats in triplets; songs read as swung, and of those whose eighths swing the beats that are written as two
sixteenths and an eighth, where a triplet is meant; seconds.
"""

from __future__ import annotations

import argparse
import csv
import time
from collections import Counter
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from workbench.chart import Chart, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.chart.playedbeats import beats_as_played
from workbench.notation.midi_read import read_midi

NEAR_S = 0.030
GHOST_VELOCITY, GHOST_SHARE = 50, 0.5


def true_ghosts(chart: Chart) -> set:
    """Snare notes that are ghosts by velocity and context."""
    snares = [(k, n) for k, n in chart.notes() if n.instrument == "snare"]
    bars = np.array([k for k, _ in snares])
    loud = np.array([n.velocity for _, n in snares])
    at = np.array([float(chart.time_map.starts[k] + n.position) for k, n in snares])
    out = set()
    for i, (k, n) in enumerate(snares):
        around = loud[np.abs(at - at[i]) <= float(chart.time_map.bars[bars[i]].length)].max()
        if n.velocity < GHOST_VELOCITY and n.velocity < GHOST_SHARE * around:
            out.add((k, n.key))
    return out


def swung_beats(chart: Chart) -> list[set[Fraction]]:
    """Of a song whose eighths swing, where each beat has notes, in parts of it."""
    if chart.feel != "swing 8ths":
        return []
    out: dict[tuple[int, Fraction], set[Fraction]] = {}
    for k, n in chart.notes():
        bar = chart.time_map.bars[k]
        beat, share = divmod((n.position + bar.missing) / bar.meter.beat_length, 1)
        out.setdefault((k, beat), set()).add(share)
    return list(out.values())


def foretold(chart: Chart, click: TimeMap) -> int:
    """Notes within 30 ms of their places when beats and pocket are found from the other notes alone (by eights)."""
    rows = [
        (k, replace(n, deviation_s=chart.note_time_s(k, n) - click.seconds(k, n.position))) for k, n in chart.notes()
    ]
    fold = np.random.default_rng(0).integers(0, 8, len(rows))
    near = 0
    for out in range(8):
        bars: list[list] = [[] for _ in chart.bars]
        for (k, n), own in zip(rows, fold):
            bars[k] += [n] if own != out else []
        written = tuple(WrittenBar(tuple(b)) for b in bars)
        laid, pocket = beats_as_played(click, written, chart.feel, chart.pocket.swing_ratio)
        others = replace(chart, time_map=laid, bars=written, pocket=pocket)
        for (k, n), own in zip(rows, fold):
            heard_s = click.seconds(k, n.position) + n.deviation_s
            near += own == out and abs(heard_s - laid.seconds(k, n.position) - others.usual_s(k, n)) <= NEAR_S
    return near


def figures(chart: Chart, tempo_bpm: float) -> dict[str, float]:
    """Counts of one chart, played to a click of this tempo; they can be added up."""
    click = TimeMap.steady(len(chart), tempo_bpm, chart.time_map.bars[0].meter)
    by_click_s = [chart.note_time_s(k, n) - click.seconds(k, n.position) for k, n in chart.notes()]
    notes = [n for _, n in chart.notes()]
    fine = [sum(bool((n.position * 16) % 1 and (n.position * 24) % 1) for n in bar.notes) for bar in chart.bars]
    ghosts, marked = true_ghosts(chart), {(k, n.key) for k, n in chart.notes() if "ghost" in n.articulations}
    return {
        "bars": len(chart),
        "fine bars": sum(count > 0 for count in fine),
        "fine bars of one stroke": fine.count(1),
        "ghosts": len(ghosts),
        "ghosts marked": len(marked),
        "ghosts rightly": len(ghosts & marked),
        "accents": sum("accent" in n.articulations for n in notes),
        "doubles and rolls": sum(bool(n.articulations & {"double", "roll"}) for n in notes),
        "notes": len(notes),
        "near notes": sum(abs(n.deviation_s - chart.usual_s(k, n)) <= NEAR_S for k, n in chart.notes()),
        "near the beats": sum(abs(n.deviation_s) <= NEAR_S for n in notes),
        "near the click": sum(abs(s) <= NEAR_S for s in by_click_s),
        "foretold": foretold(chart, click),
        "numbers of the pocket": len(chart.pocket.lags) + 1,
        "flams and drags": sum(bool(n.articulations & {"flam", "drag"}) for n in notes),
        "triplet beats": sum(
            parts % 3 == 0
            for k in range(len(chart))
            if not chart.time_map.bars[k].meter.is_compound
            for parts in chart.subdivisions(k)
        ),
        "beats": sum(len(chart.subdivisions(k)) for k in range(len(chart))),
        "swung": chart.feel != "straight",
        "swung beats": len(beats := swung_beats(chart)),
        "two sixteenths and an eighth": sum(Fraction(1, 4) in at and Fraction(3, 4) not in at for at in beats),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("groove", type=Path)
    parser.add_argument("--split", default="validation")
    parser.add_argument("--count", type=int, default=40)
    args = parser.parse_args()
    with open(args.groove / "info.csv", encoding="utf-8") as file:
        rows = [r for r in csv.DictReader(file) if r["split"] == args.split and r["beat_type"] == "beat"]
    rows = sorted(rows, key=lambda r: -float(r["duration"]))[: args.count]
    total: Counter = Counter()
    for row in rows:
        begun = time.perf_counter()
        chart = read_midi(args.groove / row["midi_filename"]).chart
        seconds = time.perf_counter() - begun
        own = figures(chart, float(row["bpm"])) | {"seconds": seconds}
        total.update(own)
        print(
            f"{row['id']:28s} {row['style'][:20]:20s} {float(row['bpm']):4.0f} {chart.feel:12s} fine bars "
            f"{own['fine bars']:4.0f} of {own['bars']:4.0f}   near {own['near notes'] / own['notes']:.3f}   triplets "
            f"{own['triplet beats']:4.0f} of {own['beats']:4.0f}",
            flush=True,
        )
    print({k: round(float(v), 1) for k, v in total.items()})
    share = lambda what, of: f"{total[what] / total[of]:.3f}"
    print(
        f"fine bars {share('fine bars', 'bars')}; within 30 ms of the place "
        f"{share('near notes', 'notes')}, by the beats alone {share('near the beats', 'notes')}, by the click's "
        f"{share('near the click', 'notes')}, left out and foretold {share('foretold', 'notes')}; ghosts: precision "
        f"{share('ghosts rightly', 'ghosts marked')}, recall {share('ghosts rightly', 'ghosts')}"
    )


if __name__ == "__main__":
    main()
