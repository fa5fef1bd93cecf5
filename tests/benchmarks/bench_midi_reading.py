"""How readable is a human performance read from MIDI, and how true to what was played?

Performances of Groove MIDI (CC BY 4.0), played to a click and never used to choose anything
here (validation split), read as MIDI.  Run:

    python -m tests.benchmarks.bench_midi_reading GROOVE_DIR [--split validation] [--count 40]

Told: bars that hold notes on neither sixteenths nor their triplets (so thirty-seconds or shorter); notes
written within 30 ms of where they were played, and within 30 ms of where the song usually plays their part of the
beat (so lag and swing are no error); beats in triplets; songs read as swung; seconds.
"""

from __future__ import annotations

import argparse
import csv
import time
from collections import Counter
from pathlib import Path

import numpy as np

from workbench.chart import Chart
from workbench.notation.midi_read import read_midi

NEAR_S = 0.030


def figures(chart: Chart) -> dict[str, float]:
    """Counts of one chart; they can be added up."""
    notes = [n for _, n in chart.notes()]
    usual: dict = {}
    for k, n in chart.notes():
        bar = chart.time_map.bars[k]
        usual.setdefault((n.position + bar.missing) % bar.meter.beat_length, []).append(n.deviation_s)
    fine = sum(any((n.position * 16) % 1 and (n.position * 24) % 1 for n in bar.notes) for bar in chart.bars)
    return {
        "bars": len(chart),
        "fine bars": fine,
        "notes": len(notes),
        "near notes": sum(abs(n.deviation_s) <= NEAR_S for n in notes),
        "near usual": sum(int((np.abs(np.array(own) - np.median(own)) <= NEAR_S).sum()) for own in usual.values()),
        "flams and drags": sum(bool(n.articulations & {"flam", "drag"}) for n in notes),
        "triplet beats": sum(
            parts % 3 == 0
            for k in range(len(chart))
            if not chart.time_map.bars[k].meter.is_compound
            for parts in chart.subdivisions(k)
        ),
        "beats": sum(len(chart.subdivisions(k)) for k in range(len(chart))),
        "swung": chart.feel != "straight",
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
        own = figures(chart) | {"seconds": time.perf_counter() - begun}
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
        f"fine bars {share('fine bars', 'bars')}, within 30 ms of the place {share('near notes', 'notes')}, "
        f"of where it is usually played {share('near usual', 'notes')}"
    )


if __name__ == "__main__":
    main()
