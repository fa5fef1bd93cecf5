"""How the time of reading, and of writing on other bars, grows with the length of a part.

    python -m tests.benchmarks.bench_growth

Prints seconds of one core (user time, so that other programs on the machine do not count) for parts of
250 to 4,000 bars and the growth exponent over them: 1 is linear, 2 quadratic.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np

from workbench.chart import Chart, Note, Recording, WrittenBar
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.chart.rebarring import shift_one
from workbench.chart.rewriting import rewrite
from workbench.notation.midi import midi_bytes
from workbench.notation.midi_read import read_midi
from workbench.notation.musicxml import musicxml_bytes
from workbench.notation.musicxml_read import read_musicxml_bytes

BARS = (250, 500, 1000, 2000, 4000)
#: What 2,000 bars may take, seconds.
LIMITS_S = {"read_midi": 5.0, "rewrite": 3.0}
#: Growth that still counts as linear, sorting and caches of the processor included.
MOST_EXPONENT = 1.25


def part(bar_count: int) -> Chart:
    """Eighths on the hi-hat, kick and snare, played; another tempo on each beat; every fourth note confirmed."""
    random = np.random.default_rng(1)
    times = np.cumsum(random.uniform(0.45, 0.55, 4 * bar_count + 1))
    time_map = TimeMap([Bar(Meter(), tuple(times[4 * k : 4 * k + 4])) for k in range(bar_count)], times[-1])
    places = [(k, "closed hi-hat") for k in range(8)] + [(0, "kick"), (5, "kick"), (2, "snare"), (6, "snare")]
    bars = []
    for _ in range(bar_count):
        off_s = random.normal(0.0, 0.006, len(places))
        notes = [
            Note(Fraction(k, 8), name, 90, deviation_s=off_s[n], confirmed=n % 4 == 0)
            for n, (k, name) in enumerate(places)
        ]
        bars.append(WrittenBar(tuple(notes)))
    return Chart(time_map, tuple(bars), recording=Recording("growth.wav", "0" * 64, float(times[-1])))


def jobs(bar_count: int, folder: Path) -> dict[str, Callable]:
    """What is measured, ready to run on a part of so many bars."""
    chart = part(bar_count)
    score, midi = musicxml_bytes(chart), folder / f"{bar_count}.mid"
    midi.write_bytes(midi_bytes(chart))
    return {
        "read_midi": lambda: read_midi(midi),
        "read_musicxml": lambda: read_musicxml_bytes(score),
        "rewrite": lambda: rewrite(chart, shift_one(chart.time_map, Fraction(1, 2))),
    }


def user_s(job: Callable) -> float:
    before = os.times().user
    job()
    return os.times().user - before


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        rows = [{name: user_s(job) for name, job in jobs(count, Path(folder)).items()} for count in BARS]
    print("bars".ljust(14) + "".join(f"{count:>9}" for count in BARS) + "   growth exponent")
    for name in rows[0]:
        seconds = [row[name] for row in rows]
        exponent = np.polyfit(np.log(BARS), np.log(seconds), 1)[0]
        print(name.ljust(14) + "".join(f"{s:9.2f}" for s in seconds) + f"   {exponent:.2f}")
        assert exponent < MOST_EXPONENT, f"{name} grows faster than the part"
    for name, limit_s in LIMITS_S.items():
        assert rows[BARS.index(2000)][name] <= limit_s, f"{name} of 2,000 bars took more than {limit_s} s"


if __name__ == "__main__":
    main()
