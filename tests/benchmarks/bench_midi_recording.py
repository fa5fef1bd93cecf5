"""MIDI whose tempo is wrong or unknown: is it laid on its bars by its strokes, and beside its recording?

Performances of Groove MIDI (CC BY 4.0; validation split, 4/4), rendered with a sound font by FluidSynth as stand-ins
for their recordings, which begin :data:`LEAD_S` later.  Each is written as MIDI in three ways: at its tempo; the same
ticks at another tempo, so that everything is too fast or slow; and played to no click, its strokes where they were in
seconds but in a file that says 120.  Told: bars as read and as laid on the recording; how many bar lines lie within
:data:`SAME_LINE_S` of one of the click's, by the strokes alone and on the recording; notes within 20 ms of a stroke of
the performance.  Run: ``python -m tests.benchmarks.bench_midi_recording GROOVE_DIR [--count 12]``
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from pathlib import Path

import mido
import numpy as np

from tests.benchmarks.groove import Performance, find_performances, read_performance
from tests.benchmarks.render import render_strokes, wheel_sound_font
from workbench.alignment.align import align_chart
from workbench.alignment.alignedchart import write_on_recording
from workbench.chart import Chart
from workbench.chart.drumkit import instrument
from workbench.listening.transcription import transcribe
from workbench.scorefiles import read_any_chart

LEAD_S, LONGEST_S = 1.37, 50.0
#: mir_eval's tolerance of beats.
SAME_LINE_S = 0.07
_TICKS = 480
#: Kind of file: the tempo at which its ticks count the strokes' seconds (0: the player's), and the tempo it says.
KINDS = {"right tempo": (0.0, 0.0), "another tempo": (0.0, 131.0), "no click": (120.0, 120.0)}


def write_kind(performance: Performance, path: Path, kind: str) -> None:
    counted, said = (bpm or performance.tempo_bpm for bpm in KINDS[kind])
    track, now = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=round(60e6 / said))]), 0
    for s in performance.strokes:
        tick = round(s.time_s * counted / 60 * _TICKS)
        note = instrument(s.instrument).midi_note
        track.append(mido.Message("note_on", channel=9, note=note, velocity=s.velocity, time=max(tick - now, 0)))
        now = max(tick, now)
    mido.MidiFile(ticks_per_beat=_TICKS, tracks=[track]).save(path)


def right_lines(chart: Chart, bar_s: float, begin_s: float) -> tuple[int, int]:
    """Bar lines on those of the click, and all, that of the first bar, which may be a pick-up, left out."""
    lines = np.array([(bar.beat_times_s[0] - begin_s) / bar_s for bar in chart.time_map.bars[1:]])
    return int((np.abs(lines - np.round(lines)) * bar_s < SAME_LINE_S).sum()), len(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("groove", type=Path)
    parser.add_argument("--count", type=int, default=12)
    args = parser.parse_args()
    rows = find_performances(args.groove)
    total: dict[str, Counter] = {kind: Counter() for kind in KINDS}
    with tempfile.TemporaryDirectory() as folder:
        for row in rows[:: max(1, len(rows) // args.count)][: args.count]:
            performance = read_performance(args.groove, row, LONGEST_S)
            sound, midi = Path(folder) / "performance.wav", Path(folder) / "performance.mid"
            render_strokes(performance.strokes, sound, wheel_sound_font(), LEAD_S)
            heard = transcribe(sound)
            struck_s = np.array([s.time_s for s in performance.strokes]) + LEAD_S
            bar_s = 240.0 / performance.tempo_bpm
            for kind, own in total.items():
                write_kind(performance, midi, kind)
                read = read_any_chart(midi)
                alignment = align_chart(read.chart, heard.strokes, heard.beat_times_s, heard.duration_s)
                laid = write_on_recording(read.chart, alignment)
                notes_s = [laid.note_time_s(k, n) for k, n in laid.notes()]
                near = int(sum(np.abs(struck_s - t).min() < 0.02 for t in notes_s))
                alone, on = right_lines(read.chart, bar_s, 0.0), right_lines(laid, bar_s, LEAD_S)
                own.update(
                    {"bars read": len(read.chart), "bars laid": len(laid), "notes": len(notes_s), "near": near}
                    | {"lines read": alone[1], "right by strokes": alone[0], "lines": on[1], "right": on[0]}
                    | {"told": any("do not lie on the beats" in p for p in read.problems)}
                )
                lines = f"lines {alone[0]:3d} of {alone[1]:3d}, on the recording {on[0]:3d} of {on[1]:3d}"
                print(
                    f"{row['id']:24s} {performance.tempo_bpm:4.0f} {kind:14s} {len(laid):3d} bars, {lines}", flush=True
                )
    for kind, own in total.items():
        print(kind, dict(own))


if __name__ == "__main__":
    main()
