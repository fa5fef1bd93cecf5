"""Does any sign of a page lie on another?  Measured by ink on dense bars and on human performances.

Performances of Groove MIDI (CC BY 4.0), the forty longest of its validation split, read as MIDI and engraved with
every bar written out.  Run: ``python -m tests.benchmarks.bench_page_ink GROOVE_DIR``
"""

from __future__ import annotations

import argparse
import csv
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from tests.dense_bars import dense_bars
from tests.ink_overlaps import overlaps
from workbench.chart import Chart
from workbench.engraving.engrave import engrave_lines
from workbench.notation.midi_read import read_midi
from workbench.notation.scoresigns import ScoreOptions

#: How many sets of dense bars.
SEEDS = 10
WRITTEN_OUT = ScoreOptions(similes=False, multirests=False)


def performances(folder: Path, count: int = 40) -> Iterator[Chart]:
    with open(folder / "info.csv", encoding="utf-8") as file:
        rows = [r for r in csv.DictReader(file) if r["split"] == "validation" and r["beat_type"] == "beat"]
    for row in sorted(rows, key=lambda r: -float(r["duration"]))[:count]:
        yield read_midi(folder / row["midi_filename"]).chart


def count(charts: list[Chart]) -> Counter:
    """Overlaps by the kinds of signs."""
    lines = (line for chart in charts for line in engrave_lines(chart, WRITTEN_OUT))
    return Counter(tuple(sorted(o[:2])) for line in lines for o in overlaps(line.body, line.defs))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("groove", type=Path)
    args = parser.parse_args()
    sets = {
        f"{SEEDS} times 200 dense bars": [dense_bars(200, seed) for seed in range(SEEDS)],
        "40 human performances": list(performances(args.groove)),
    }
    total = 0
    for name, charts in sets.items():
        found = count(charts)
        total += found.total()
        print(f"{name}: {sum(map(len, charts))} bars, {found.total()} overlaps {dict(found)}")
    return 1 if total else 0


if __name__ == "__main__":
    raise SystemExit(main())
