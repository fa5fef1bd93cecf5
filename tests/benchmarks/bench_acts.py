"""How long each act on the bars, or on a drum as a whole, takes at 200 bars of 24 hits, as the page waits for it.

The edit made, kept on disk, and what has changed written as the page gets it; beside it the advice that follows in
its own time (:mod:`workbench.grid.bar_advice`).  Wanted: at most 300 ms an act.  Run:

    python -m tests.benchmarks.bench_acts
"""

from __future__ import annotations

import json
import random
import statistics
import tempfile
import time
from fractions import Fraction as F
from pathlib import Path

from workbench.chart import Chart, Note, Recording, WrittenBar
from workbench.chart.drumkit import DETECTED
from workbench.chart.edits import (
    ChangeLevel,
    DeleteBars,
    Edit,
    FixLine,
    InsertBars,
    JoinBars,
    LayBars,
    MoveBarLine,
    NameDrum,
    SetMeter,
    SetPickup,
    ShiftOne,
    SplitBar,
    TapBeats,
    TapLines,
)
from workbench.chart.meter import Meter, TimeMap
from workbench.files.document import ChartDocument
from workbench.grid.bar_advice import advice
from workbench.grid.messages import changed_parts

WANTED_MS, TIMES = 300, 5


def song(bars: int = 200, hits: int = 24) -> Chart:
    dice = random.Random(4)
    places = [(F(k, 16), name) for k in range(16) for name in DETECTED]
    written = [
        WrittenBar(
            tuple(Note(p, n, confidence=0.9, deviation_s=dice.gauss(0, 0.008)) for p, n in dice.sample(places, hits))
        )
        for _ in range(bars)
    ]
    return Chart(TimeMap.steady(bars, 110), tuple(written), recording=Recording("song.flac", "0" * 64, 500.0))


def acts(chart: Chart) -> dict[str, Edit]:
    bar_s = chart.time_map.bar_start_s(1)
    return {
        "the 1 a beat later": ShiftOne(F(1)),
        "the 1 half a beat later, from bar 50": ShiftOne(F(1, 2), 49),
        "half tempo": ChangeLevel(F(1, 2)),
        "double tempo": ChangeLevel(F(2)),
        "three for two": ChangeLevel(F(3, 2)),
        "meter 3/4": SetMeter(Meter(3, 4)),
        "meter 7/8, bars 50 to 99": SetMeter(Meter(7, 8), 49, 98),
        "pick-up": SetPickup(F(1, 4)),
        "line moved a little": MoveBarLine(100, chart.time_map.bar_start_s(100) + 0.03),
        "line moved a beat": MoveBarLine(100, chart.time_map.bar_start_s(100) + bar_s / 4),
        "1 tapped on nine bars": TapLines(tuple(20.1 + bar_s * k for k in range(9))),
        "32 beats tapped": TapBeats(tuple(20.1 + bar_s / 4 * k for k in range(33))),
        "bar split": SplitBar(100, F(1, 2)),
        "bars joined": JoinBars(100),
        "bar inserted at the end": InsertBars(200),
        "line fixed": FixLine(100, True),
        "another reading, same beats": LayBars(ChangeLevel(F(2)).apply(chart).time_map),
        "another reading, other beats": LayBars(TimeMap.steady(150, 90, Meter(3, 4), 0.3)),
        "a drum named": NameDrum("closed hi-hat", "ride"),
        "a drum taken out": NameDrum("snare", ""),
        "bars of a written part deleted": DeleteBars(20, 29),
    }


def measure(chart: Chart, edit: Edit, folder: Path) -> list[float]:
    """Milliseconds of an act, each time on a chart of its own."""
    out = []
    for k in range(TIMES):
        with ChartDocument.create(chart, folder / f"{k}.chart.json", overwrite=True) as document:
            start = time.perf_counter()
            document.apply(edit)
            json.dumps(changed_parts(chart, document.chart))
            out.append(1000 * (time.perf_counter() - start))
    return out


def main() -> None:
    chart = song()
    written = Chart(chart.time_map, chart.bars)
    with tempfile.TemporaryDirectory() as name:
        for words, edit in acts(chart).items():
            took = measure(written if isinstance(edit, DeleteBars) else chart, edit, Path(name))
            print(f"{words:38} {statistics.median(took):6.0f} ms   longest {max(took):6.0f} ms")
    start = time.perf_counter()
    advice(ShiftOne(F(1, 2), 49).apply(chart), None)
    print(f"{'advice, in its own time':38} {1000 * (time.perf_counter() - start):6.0f} ms")


if __name__ == "__main__":
    main()
