"""How drummers play flams, drags and rolls: where the numbers of ``workbench.chart.ornaments`` come from.

Human performances of Groove MIDI (CC BY 4.0).  Flams and drags are what
``join_grace_strokes`` finds; a roll is a run of at least eight strokes of the snare nearer
than single strokes at any usual tempo.  Medians and quartiles.  Run:

    python -m tests.benchmarks.bench_ornaments GROOVE_DIR [--split train]
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from tests.benchmarks.groove import find_performances, read_performance
from workbench.chart.meter import TimeMap
from workbench.chart.ornaments import join_grace_strokes

#: Strokes of a roll are nearer than this, seconds (sixteenths at 166 quarters a minute).
ROLL_GAP_S = 0.09
FEWEST_IN_ROLL = 8


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("groove", type=Path)
    parser.add_argument("--split", default="train")
    args = parser.parse_args()
    found: dict[str, list[float]] = {}
    for row in find_performances(args.groove, args.split, 0.0):
        performance = read_performance(args.groove, row)
        bars = TimeMap.steady(
            int(performance.strokes[-1].time_s * performance.tempo_bpm / 240) + 2, performance.tempo_bpm
        )
        for group in join_grace_strokes(performance.strokes, bars):
            if group.sign:
                *graces, last = group.strokes
                for k, (a, b) in enumerate(zip(group.strokes, group.strokes[1:])):
                    found.setdefault(f"{group.sign}: gap {k + 1}, ms", []).append(1000 * (b.time_s - a.time_s))
                loudness = np.mean([s.velocity for s in graces]) / last.velocity
                found.setdefault(f"{group.sign}: velocity of grace strokes over that of theirs", []).append(loudness)
        for run in runs([s for s in performance.strokes if s.instrument == "snare"]):
            found.setdefault("roll: gap, ms", []).append(1000 * (run[-1].time_s - run[0].time_s) / (len(run) - 1))
            loudness = np.median([s.velocity for s in run[1:]]) / max(run[0].velocity, 1)
            found.setdefault("roll: velocity of its strokes over that of the first", []).append(loudness)
    for name, values in sorted(found.items()):
        low, middle, high = np.percentile(values, (25, 50, 75))
        print(f"{name:60s} {middle:7.2f}  ({low:.2f} to {high:.2f}, n = {len(values)})")


def runs(strokes):
    """Runs of strokes that lie hardly apart."""
    run = strokes[:1]
    for stroke in strokes[1:]:
        if run and stroke.time_s - run[-1].time_s > ROLL_GAP_S:
            if len(run) >= FEWEST_IN_ROLL:
                yield run
            run = []
        run.append(stroke)
    if len(run) >= FEWEST_IN_ROLL:
        yield run


if __name__ == "__main__":
    main()
