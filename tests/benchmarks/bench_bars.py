"""Are beats and bar lines found, and if not, which other reading is told?

Songs whose bars are known, as :mod:`workbench.training.bar_songs` and
:mod:`workbench.training.module_songs` keep them (what the detector heard, and the
truth): one table line a folder.  F-measures, CMLt and AMLt as in mir_eval.beat
(±70 ms; the first five seconds counted, too).  A song counts as wrong if F of
its bar lines is under 0.9, once: *octave* where the beats are at another level,
*off* where they lie between the true ones, *meter* or *phase* where the beats
are right.  *Among three*: the right bars are among the first three readings.
The last lines say how often bar lines of a confidence are right.  Run:

    python -m tests.benchmarks.bench_bars build/songs/validation build/songs/odd
"""

from __future__ import annotations

import argparse
from collections import Counter
from pathlib import Path

import mir_eval
import numpy as np
import pandas as pd

from workbench.listening.beats import beats_of
from workbench.listening.readings import BarReading, track_readings
from workbench.training.bar_songs import BarSong

GOOD = 0.9
NEAR_S = 0.07


def within(times_s: np.ndarray, song: BarSong) -> np.ndarray:
    """Moments between the first and the last known beat."""
    return times_s[(times_s > song.beats_s[0] - 0.1) & (times_s < song.beats_s[-1] + 0.1)]


def lines_of(reading: BarReading, song: BarSong) -> tuple[np.ndarray, np.ndarray]:
    """Beats and bar lines of a reading where the truth is known."""
    found = beats_of(reading.time_map)
    beats = np.array([b.time_s for b in found])
    ones = np.array([b.time_s for b in found if b.number == 1])
    return within(beats, song), within(ones, song)


def f_of(known: np.ndarray, found: np.ndarray) -> float:
    return float(mir_eval.beat.f_measure(known, found)) if len(found) else 0.0


def fault(song: BarSong, reading: BarReading, beats_f: float, lines_f: float) -> str:
    """What kind of wrong a reading is; empty if it is right."""
    if lines_f >= GOOD and beats_f >= GOOD:
        return ""
    if beats_f < GOOD:
        ratio = reading.tempo_bpm * float(np.median(np.diff(song.beats_s))) / 60.0
        return "off" if abs(np.log(ratio)) < 0.06 else "octave"
    return "meter" if str(reading.meter) != song.meter else "phase"


def measure_song(song: BarSong) -> tuple[dict, list[tuple[float, bool]]]:
    readings = track_readings(song.activations, song.strokes, harmony=song.harmony)
    truth = song.beats_s[song.numbers == 1]
    found = [lines_of(r, song) for r in readings[:3]]
    scores = [(f_of(song.beats_s, b), f_of(truth, o)) for b, o in found]
    beats, ones = found[0]
    continuity = mir_eval.beat.continuity(song.beats_s, beats) if len(beats) > 1 else (0.0,) * 4
    of_lines = mir_eval.beat.continuity(truth, ones) if len(ones) > 1 and len(truth) > 1 else (0.0,) * 4
    row = {
        "beats F": scores[0][0],
        "CMLt": continuity[1],
        "AMLt": continuity[3],
        "lines F": scores[0][1],
        "lines CMLt": of_lines[1],
        "meter right": float(str(readings[0].meter) == song.meter),
        "right": float(min(scores[0]) >= GOOD),
        "among three": float(max(min(s) for s in scores) >= GOOD),
        "said": readings[0].probability,
        "fault": fault(song, readings[0], *scores[0]),
    }
    bars = readings[0].time_map.bars
    sure = [
        (c, bool(np.abs(truth - bar.beat_times_s[0]).min() < NEAR_S))
        for c, bar in zip(readings[0].line_confidence, bars)
        if song.beats_s[0] - 0.1 < bar.beat_times_s[0] < song.beats_s[-1] + 0.1
    ]
    return row, sure


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("songs", nargs="+", type=Path, help="folders of songs")
    parser.add_argument("--each", action="store_true", help="a line for each song, too")
    args = parser.parse_args()
    table, sure = {}, []
    for folder in args.songs:
        rows = []
        for path in sorted(folder.glob("*.npz")):
            row, lines = measure_song(BarSong.read(path))
            rows.append(row)
            sure += lines
            if args.each:
                print(
                    f"{path.stem:36s} {row['beats F']:.2f} {row['lines F']:.2f} {row['said']:.2f} {row['fault']}",
                    flush=True,
                )
        faults = Counter(r.pop("fault") for r in rows)
        table[folder.name] = {
            "songs": len(rows),
            **pd.DataFrame(rows).mean().round(3).to_dict(),
            **{k: faults[k] for k in ("octave", "off", "meter", "phase")},
        }
    print(pd.DataFrame(table).T.to_string())
    confidence, right = np.array(sure).T
    for low, high in ((0.0, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 0.97), (0.97, 1.01)):
        here = (confidence >= low) & (confidence < high)
        if here.any():
            print(
                f"lines of confidence {low:.2f}-{min(high, 1.0):.2f}: {here.sum():5d}, said "
                f"{confidence[here].mean():.2f}, right {right[here].mean():.2f}"
            )


if __name__ == "__main__":
    main()
