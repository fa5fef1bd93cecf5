"""Are beats and bar lines found where the players' click had them?

Human performances of Groove MIDI (CC BY 4.0), played to a click whose beats are
known, are rendered with a sound font the detector never heard and drafted; no
other instrument helps.  F-measures as in mir_eval.beat (±70 ms; first five
seconds counted, too).  Run:

    python -m tests.benchmarks.bench_bars GROOVE_DIR [--skip 1] [--count 24]
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import mir_eval
import numpy as np

from tests.benchmarks.groove import Performance, find_performances, read_performance
from tests.benchmarks.render import render_strokes, wheel_sound_font
from workbench.listening.beats import beats_of
from workbench.listening.draft import draft_chart

LEAD_S = 1.7
METERS = ("4-4", "3-4", "6-8")


def clicks(performance: Performance) -> tuple[np.ndarray, np.ndarray]:
    """Counted beats and bar lines of the click under a performance, seconds in the recording."""
    meter = performance.meter
    # The data set gives the tempo in quarters.
    beat_s = 60.0 / performance.tempo_bpm * float(meter.beat_length) * 4
    count = int(np.ceil((performance.strokes[-1].time_s + 0.05) / beat_s))
    beats = LEAD_S + beat_s * np.arange(count)
    return beats, beats[:: meter.counted_beats]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("groove", type=Path)
    parser.add_argument("--sound-font", type=Path, default=wheel_sound_font())
    parser.add_argument("--split", default="validation")
    parser.add_argument("--count", type=int, default=24)
    parser.add_argument("--skip", type=int, default=0, help="take other performances: leave out the first so many")
    parser.add_argument("--longest-s", type=float, default=60.0)
    args = parser.parse_args()
    rows = [row for m in METERS for row in find_performances(args.groove, args.split, 20.0, m)]
    rows = rows[args.skip :: max(1, len(rows) // args.count)][: args.count]
    scores = []
    for row in rows:
        performance = read_performance(args.groove, row, args.longest_s)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "song.wav"
            render_strokes(performance.strokes, path, args.sound_font, lead_s=LEAD_S)
            draft = draft_chart(path)
        found = beats_of(draft.chart.time_map)
        heard = [np.array([b.time_s for b in found]), np.array([b.time_s for b in found if b.number == 1])]
        beats, lines = (
            mir_eval.beat.f_measure(known, times) if len(times) else 0.0
            for known, times in zip(clicks(performance), heard)
        )
        scores.append((beats, lines))
        drafted = draft.chart.time_map
        print(
            f"{performance.name:24s} {str(performance.meter):4s} {performance.tempo_bpm:5.0f} bpm   drafted "
            f"{drafted.bars[len(drafted.bars) // 2].meter} {drafted.tempo_bpm(0):5.0f}   beats {beats:.2f}   "
            f"bar lines {lines:.2f}",
            flush=True,
        )
    mean = np.mean(scores, axis=0)
    whole = np.mean(np.array(scores) > 0.9, axis=0)
    print(
        f"{len(scores)} performances: beats F {mean[0]:.2f} (over 0.9 in {whole[0]:.0%}), "
        f"bar lines F {mean[1]:.2f} (over 0.9 in {whole[1]:.0%})"
    )


if __name__ == "__main__":
    main()
