"""Human drum performances of the Groove MIDI data set as charts and strokes.

J. Gillick, A. Roberts, J. Engel, D. Eck, D. Bamman, *Learning to Groove with
Inverse Sequence Transformations*, ICML 2019; data CC BY 4.0, Google LLC.
Performances were recorded on an electronic kit to a click whose first beat is
at time 0; times are exact to the MIDI tick.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import mido

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.drumkit import instrument_for_midi_note
from workbench.chart.events import Stroke
from workbench.chart.meter import Meter, TimeMap
from workbench.notation.midi_read import DOUBLE_TRIGGER_S

#: Notes of the electronic kit outside General MIDI (from the data set's page).
KIT_NOTES = {22: 42, 26: 46, 58: 43}


@dataclass(frozen=True)
class Performance:
    """A performance: its strokes (seconds from the click's first beat) and click."""

    name: str
    path: Path
    tempo_bpm: float
    meter: Meter
    strokes: tuple[Stroke, ...]


def find_performances(
    folder: Path, split: str = "validation", shortest_s: float = 30.0, meter: str = "4-4"
) -> list[dict]:
    """Rows of the data set's table that are whole beats of a certain length."""
    with open(folder / "info.csv", encoding="utf-8") as file:
        return [
            row
            for row in csv.DictReader(file)
            if row["split"] == split
            and row["beat_type"] == "beat"
            and row["time_signature"] == meter
            and float(row["duration"]) >= shortest_s
        ]


def read_performance(folder: Path, row: dict, longest_s: float = 1e9) -> Performance:
    path = folder / row["midi_filename"]
    tempo = float(row["bpm"])
    strokes, time_s = [], 0.0
    for message in mido.MidiFile(path):
        time_s += message.time
        if message.type == "note_on" and message.velocity > 0 and time_s < longest_s:
            found = instrument_for_midi_note(KIT_NOTES.get(message.note, message.note))
            # The pads of the electronic kit at times trigger twice within a few milliseconds.
            last = next((s for s in reversed(strokes) if found and s.instrument == found.sounds_as), None)
            if found is not None and (last is None or time_s - last.time_s > DOUBLE_TRIGGER_S):
                strokes.append(Stroke(time_s, found.sounds_as, message.velocity))
        elif message.type == "set_tempo":
            tempo = mido.tempo2bpm(message.tempo)
    return Performance(
        row["id"], path, tempo, Meter.parse(row["time_signature"].replace("-", "/")), tuple(sorted(strokes))
    )


def chart_of(performance: Performance, parts: tuple[int, ...] = (16, 24)) -> Chart:
    """The performance written on the nearest sixteenth or triplet, feel kept."""
    meter = performance.meter
    beat_s = 60.0 / performance.tempo_bpm
    bar_s = beat_s * meter.counted_beats
    whole_s = bar_s / float(meter.bar_length)
    count = int(performance.strokes[-1].time_s / bar_s + 0.05) + 1
    time_map = TimeMap.steady(count, performance.tempo_bpm, meter)
    bars: list[dict] = [{} for _ in range(count)]
    for stroke in performance.strokes:
        exact = stroke.time_s / whole_s
        # A place already taken (drags, rolls): write it on a finer grid.
        for grid in (parts, (48,), (96,), (192,)):
            written = min((Fraction(round(exact * p), p) for p in grid), key=lambda w: abs(float(w) - exact))
            written = max(written, Fraction(0))
            index = min(int(written // meter.bar_length), count - 1)
            position = min(written - index * meter.bar_length, meter.bar_length - Fraction(1, 192))
            note = Note(
                position,
                stroke.instrument,
                stroke.velocity,
                deviation_s=stroke.time_s - time_map.seconds(index, position),
            )
            if note.key not in bars[index]:
                bars[index][note.key] = note
                break
    return Chart(time_map, tuple(WrittenBar(tuple(b.values())) for b in bars), title=performance.name)
