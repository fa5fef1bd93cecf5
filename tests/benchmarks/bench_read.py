"""How long does reading a part take, beside engraving it?

    python -m tests.benchmarks.bench_read [BARS]

A made-up song of 400 bars (grooves with ghost notes and open hi-hats, a fill
every eighth bar, three sections) is read, written as Markdown and compared
with another version of itself.  The named baseline is ``musicxml_bytes``
(writing the same chart as MusicXML), measured in the same run, processor time,
the median of five.
"""

from __future__ import annotations

import statistics
import sys
import time
from fractions import Fraction

import numpy as np

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.notation.musicxml import musicxml_bytes
from workbench.reading.read import read_part
from workbench.reading.versions import compare_versions

#: Reading may take so many times the baseline.
MOST_RATIO = 1.8


def song(bar_count: int, seed: int = 1) -> Chart:
    """Grooves with small changes in every other bar, fills every eighth."""
    rng = np.random.default_rng(seed)
    bars = []
    for k in range(bar_count):
        timekeeper = ("closed hi-hat", "ride", "crash")[k // 16 % 3]
        step = 16 if timekeeper == "closed hi-hat" else 8
        notes = {(Fraction(i, step), timekeeper) for i in range(step)}
        notes |= {
            (Fraction(1, 4), "snare"),
            (Fraction(3, 4), "snare"),
            (Fraction(0), "kick"),
            (Fraction(1, 2), "kick"),
            (Fraction(5, 8), "kick"),
        }
        for i in rng.integers(0, 16, 3):
            notes.add((Fraction(int(i), 16), ("kick", "snare", "kick")[int(i) % 3]))
        if k % 8 == 7:
            notes = {n for n in notes if n[0] < Fraction(1, 2)}
            drums = ("snare", "high tom", "mid tom", "floor tom")
            notes |= {(Fraction(i, 16), drums[(i + k) % 4]) for i in range(8, 16)}
        if k % 8 == 0:
            notes.add((Fraction(0), "crash"))
        bars.append(
            WrittenBar(
                tuple(
                    Note(p, name, int(rng.integers(40, 120)), deviation_s=float(rng.normal(0, 0.008)))
                    for p, name in sorted(notes)
                )
            )
        )
    return Chart(TimeMap.steady(bar_count, 112), tuple(bars))


def seconds(work, times: int = 5) -> float:
    found = []
    for _ in range(times):
        start = time.process_time()
        work()
        found.append(time.process_time() - start)
    return statistics.median(found)


def main(bar_count: int) -> int:
    chart, other = song(bar_count), song(bar_count, 2)
    notes = sum(len(b.notes) for b in chart.bars)
    baseline = seconds(lambda: musicxml_bytes(chart))
    print(f"{bar_count} bars, {notes} notes; baseline musicxml_bytes {baseline:.3f} s")
    reading = read_part(chart)
    rows = (
        ("read_part", lambda: read_part(chart)),
        ("to_markdown", reading.to_markdown),
        ("compare_versions", lambda: compare_versions(chart, other)),
    )
    slow = 0
    for name, work in rows:
        spent = seconds(work)
        print(f"{name:18} {spent:7.3f} s   {spent / baseline:5.2f} of the baseline")
        slow += name == "read_part" and spent > MOST_RATIO * baseline
    if slow:
        print(f"read_part took more than {MOST_RATIO} times the baseline.")
    return slow


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 400))
