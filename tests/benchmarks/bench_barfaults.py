"""Charts damaged by script: is the damage named, and does the act that is offered mend it?

Performances of the Groove MIDI data set (CC BY 4.0; see :mod:`workbench.training.groove_performances`) in 4/4, of 16
bars and more, written as they are labelled; each is damaged in every way once.  *Mended*: after the first act that is
offered 97 % of the lines are right again.  *False*: of the undamaged charts, those of which anything is said.  Run:

    python -m tests.benchmarks.bench_barfaults groove-midi --split validation
"""

from __future__ import annotations

import argparse
import random
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path

import numpy as np

from workbench.chart import Chart, Recording, WrittenBar
from workbench.chart.edits import ChangeLevel, Edit, MoveBarLine, SetMeter, ShiftOne, apply
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.listening.barfaults import find_bar_faults
from workbench.training.groove_performances import GroovePerformance, performance_chart, read_performances

LEAST_BARS, MOST_BARS, NEAR_S, MOSTLY = 16, 120, 0.03, 0.97


def drafted(performance: GroovePerformance) -> Chart:
    """A performance as a draft of a recording."""
    chart = performance_chart(performance)
    count = min(len(chart), MOST_BARS)
    bars = [
        WrittenBar(tuple(replace(n, confidence=0.9, deviation_s=n.deviation_s or 1e-4) for n in bar.notes))
        for bar in chart.bars[:count]
    ]
    end_s = chart.time_map.bar_end_s(count - 1)
    time_map = TimeMap(chart.time_map.bars[:count], end_s)
    return Chart(time_map, tuple(bars), title=chart.title, recording=Recording("x.wav", "0" * 64, end_s))


def damages(chart: Chart, dice: random.Random) -> Iterator[tuple[str, Edit]]:
    n = len(chart)
    k, first = dice.randrange(n // 4, 3 * n // 4), dice.randrange(2, n // 2)
    last = min(first + dice.choice([3, 5, 7]), n - 3)
    line_s = chart.time_map.bar_start_s(k) + dice.choice([-0.2, 0.2])
    yield "half a beat from a bar on", ShiftOne(F(1, 2), k)
    yield "a beat from a bar on", ShiftOne(F(1), k)
    yield "half tempo over a stretch", ChangeLevel(F(1, 2), first, last)
    yield "double tempo over a stretch", ChangeLevel(F(2), first, last)
    yield "a line moved by 200 ms", MoveBarLine(k, line_s)
    yield "3/4 from a bar on", SetMeter(Meter(3, 4), k)
    yield "3/4 throughout", SetMeter(Meter(3, 4))
    yield "half a beat in a few bars", ShiftOne(F(1, 2), first, last)
    yield "a beat early in a few bars", ShiftOne(F(-1), first, last)
    yield "half a beat in a bar", ShiftOne(F(1, 2), first, first)
    yield "7/8 in a few bars", SetMeter(Meter(7, 8), first, last)


def shortened(chart: Chart, bar_index: int, beats: int) -> Chart:
    """A chart with only so many beats of a bar: the music after it comes earlier."""
    bars, times_s = list(chart.time_map.bars), chart.time_map.bars[bar_index].beat_times_s
    gone_s = chart.time_map.bar_end_s(bar_index) - times_s[beats]
    after = [replace(b, beat_times_s=tuple(t - gone_s for t in b.beat_times_s)) for b in bars[bar_index + 1 :]]
    short = Bar(Meter(beats, 4), tuple(times_s[:beats]))
    time_map = TimeMap([*bars[:bar_index], short, *after], chart.time_map.end_s - gone_s)
    written = list(chart.bars)
    written[bar_index] = WrittenBar(tuple(n for n in written[bar_index].notes if n.position < F(beats, 4)))
    return replace(
        chart,
        time_map=time_map,
        bars=tuple(written),
        recording=chart.recording and replace(chart.recording, duration_s=time_map.end_s),
    )


def is_right(found: Chart, true: Chart) -> bool:
    a, b = (np.array([bar.beat_times_s[0] for bar in c.time_map.bars]) for c in (found, true))
    fewer, more = (a, b) if len(a) < len(b) else (b, a)
    near = np.abs(fewer[:, None] - more[None, :]).min(axis=1) < NEAR_S
    return len(more) - len(fewer) <= 1 and float(near.mean()) > MOSTLY


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--split", default="validation")
    parser.add_argument("--count", type=int, default=40, help="performances")
    arguments = parser.parse_args()
    found = [
        chart
        for p in read_performances(arguments.folder, (arguments.split,))
        if not p.is_fill and p.meter == Meter(4, 4) and len(chart := drafted(p)) >= LEAST_BARS
    ]
    dice, shorter = random.Random(1), random.Random(2)
    dice.shuffle(found)
    charts, told, table = found[: arguments.count], 0, Counter[tuple[str, str]]()
    for chart in charts:
        told += bool(find_bar_faults(chart))
        cases = [(name, chart, apply(chart, damage)) for name, damage in damages(chart, dice)]
        for beats in (1, 2, 3):
            right = shortened(chart, shorter.randrange(len(chart) // 4, 3 * len(chart) // 4), beats)
            cases.append((f"a bar of {beats}/4 read as 4/4", right, apply(right, SetMeter(Meter(4, 4)))))
        for name, right, damaged in cases:
            faults = find_bar_faults(damaged)
            mended = bool(faults) and is_right(apply(damaged, faults[0].edit), right)
            table[name, "mended" if mended else "other" if faults else "unseen"] += 1
    print(f"{len(charts)} charts, something said of {told} undamaged ones")
    for name in dict.fromkeys(n for n, _ in table):
        print(f"{name:30}" + "".join(f"{table[name, how]:6} {how}" for how in ("mended", "other", "unseen")))


if __name__ == "__main__":
    main()
