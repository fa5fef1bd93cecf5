"""Human performances from the Groove MIDI Dataset as charts, for tuning and checks.

J. Gillick, A. Roberts, J. Engel, D. Eck, D. Bamman: Learning to Groove with
Inverse Sequence Transformations, ICML 2019; data under CC BY 4.0.  Its
``info.csv`` labels every performance with style, tempo, meter, *beat* or
*fill*, and a split.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import Meter, TimeMap

#: Keys of the data set's electronic kit, as its page maps them.
KIT_KEYS: dict[int, str] = {
    36: "kick",
    38: "snare",
    40: "snare",
    37: "side stick",
    48: "high tom",
    50: "high tom",
    45: "mid tom",
    47: "mid tom",
    43: "floor tom",
    58: "floor tom",
    46: "open hi-hat",
    26: "open hi-hat",
    42: "closed hi-hat",
    22: "closed hi-hat",
    44: "pedal hi-hat",
    49: "crash",
    55: "crash",
    57: "second crash",
    52: "second crash",
    51: "ride",
    59: "ride",
    53: "ride bell",
}


@dataclass(frozen=True)
class GroovePerformance:
    """One labelled performance; strokes are (quarters from the start, instrument, velocity)."""

    name: str
    drummer: str
    style: str
    tempo_bpm: float
    meter: Meter
    is_fill: bool
    split: str
    strokes: tuple[tuple[float, str, int], ...]


def read_performances(folder: Path, splits: tuple[str, ...] = ("train", "validation")) -> Iterator[GroovePerformance]:
    """Performances of the data set's MIDI release under ``folder``."""
    import mido

    with open(Path(folder) / "info.csv", newline="") as f:
        rows = [r for r in csv.DictReader(f) if r["split"] in splits]
    for row in rows:
        midi = mido.MidiFile(Path(folder) / row["midi_filename"])
        strokes = []
        for track in midi.tracks:
            ticks = 0
            for event in track:
                ticks += event.time
                if event.type == "note_on" and event.velocity and event.note in KIT_KEYS:
                    strokes.append((ticks / midi.ticks_per_beat, KIT_KEYS[event.note], event.velocity))
        yield GroovePerformance(
            row["id"],
            row["drummer"],
            row["style"],
            float(row["bpm"]),
            Meter.parse(row["time_signature"].replace("-", "/")),
            row["beat_type"] == "fill",
            row["split"],
            tuple(sorted(strokes)),
        )


def performance_chart(performance: GroovePerformance) -> Chart:
    """A performance written down: each beat in 16ths or, where they lie clearly
    nearer, in 8th triplets, its deviation kept."""
    meter, quarter_s = performance.meter, 60.0 / performance.tempo_bpm
    by_quarter: dict[int, list[tuple[float, str, int]]] = {}
    for stroke in performance.strokes:
        by_quarter.setdefault(math.floor(stroke[0] + 1 / 12), []).append(stroke)
    placed: dict[tuple[Fraction, str], tuple[int, float]] = {}
    for quarter, strokes in by_quarter.items():
        errors = {parts: sum(_distance(s[0] - quarter, parts) for s in strokes) for parts in (4, 3)}
        parts = 3 if errors[3] < 0.7 * errors[4] else 4
        for at, name, velocity in strokes:
            steps = max(round((at - quarter) * parts), -quarter * parts)
            place = Fraction(quarter * parts + steps, 4 * parts)
            key = (place, name)
            if key not in placed or velocity > placed[key][0]:
                placed[key] = (velocity, (at - float(place * 4)) * quarter_s)
    length = meter.bar_length
    count = max((int(place // length) for place, _ in placed), default=0) + 1
    bars: list[list[Note]] = [[] for _ in range(count)]
    for (place, name), (velocity, deviation_s) in placed.items():
        k = int(place // length)
        bars[k].append(Note(place - k * length, name, velocity, deviation_s=deviation_s))
    beats_bpm = performance.tempo_bpm / float(meter.beat_length * 4)
    return Chart(
        TimeMap.steady(count, beats_bpm, meter), tuple(WrittenBar(tuple(b)) for b in bars), title=performance.name
    )


def _distance(at: float, parts: int) -> float:
    return abs(at * parts - round(at * parts)) / parts
