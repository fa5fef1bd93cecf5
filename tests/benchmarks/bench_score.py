"""Speed of the finished score: 120 bars to PDF.

Baseline, in the same run: verovio's bare rendering of the same MusicXML file
(load, then every page as SVG), which is no PDF yet and lays out nothing else.
Each figure is the best of several runs, taken in turn, in processor seconds of
this process, so that other work on the machine does not count.

Run: ``python -m tests.benchmarks.bench_score``
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path

import verovio

from workbench.chart import Chart, Note, Section, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.engraving.engrave import engrave_pdf
from workbench.notation.musicxml import musicxml_bytes
from workbench.notation.musicxml_read import read_musicxml_bytes
from workbench.notation.scoresigns import ScoreOptions

BARS = 120
RUNS = 9
WRITTEN_OUT = ScoreOptions(similes=False, multirests=False)
#: What must be reached, times the baseline.
MOST_RATIO = 1.5


def groove(bar_index: int) -> WrittenBar:
    """Eighths on the hi-hat, a backbeat, a kick that varies, ghost notes, a fill each eighth bar."""
    if bar_index % 8 == 7:
        drums = ("snare", "high tom", "mid tom", "floor tom")
        notes = [Note(Fraction(k, 16), drums[k // 4], 90) for k in range(16)]
        return WrittenBar((*notes, Note(Fraction(0), "kick", 100)))
    notes = [Note(Fraction(k, 8), "closed hi-hat", 80) for k in range(8)]
    notes += [Note(Fraction(k, 4), "snare", 105, frozenset({"accent"})) for k in (1, 3)]
    notes += [Note(Fraction(k, 16), "kick", 100) for k in (0, 6 + bar_index % 3, 10)]
    notes += [Note(Fraction(2 * k + 1, 16), "snare", 30, frozenset({"ghost"})) for k in (3, 4) if (bar_index + k) % 2]
    return WrittenBar(tuple(notes))


def song() -> Chart:
    bars = tuple(groove(k) for k in range(BARS))
    sections = tuple(Section(8 * k, f"Part {k + 1}", chr(65 + k)) for k in range(BARS // 8))
    return Chart(TimeMap.steady(BARS, 112), bars, title="Benchmark", sections=sections)


def best(runs: dict) -> dict:
    """Least processor time of each run."""
    times = {name: [] for name in runs}
    for _ in range(RUNS):
        for name, run in runs.items():
            start = time.process_time()
            run()
            times[name].append(time.process_time() - start)
    return {name: min(t) for name, t in times.items()}


def bare_rendering(data: str):
    def run():
        toolkit = verovio.toolkit()
        toolkit.setOptions({"inputFrom": "musicxml", "scale": 40})
        toolkit.loadData(data)
        for page in range(1, toolkit.getPageCount() + 1):
            toolkit.renderToSVG(page)

    return run


def main() -> int:
    verovio.enableLog(verovio.LOG_OFF)
    chart = song()
    data = musicxml_bytes(chart, WRITTEN_OUT)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "score.pdf")
        figures = best(
            {
                "baseline_s": bare_rendering(data.decode()),
                "pdf_written_out_s": lambda: engrave_pdf(chart, path, options=WRITTEN_OUT),
                "pdf_s": lambda: engrave_pdf(chart, path),
                "musicxml_s": lambda: musicxml_bytes(chart),
                "read_musicxml_s": lambda: read_musicxml_bytes(data),
            }
        )
    for name in ("pdf_s", "pdf_written_out_s"):
        figures[name.replace("_s", "_ratio")] = figures[name] / figures["baseline_s"]
    print(json.dumps({k: round(v, 3) for k, v in figures.items()}, indent=1))
    reached = figures["pdf_written_out_ratio"] <= MOST_RATIO
    print("reached" if reached else f"not reached: at most {MOST_RATIO} x the baseline")
    return 0 if reached else 1


if __name__ == "__main__":
    sys.exit(main())
