"""A chart laid anew on a corrected time map."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from workbench.chart import Chart, Note
from workbench.chart.edits import SetTimeMap
from workbench.chart.events import Stroke
from workbench.chart.meter import TimeMap
from workbench.chart.quantizer import quantize


def requantize(chart: Chart, time_map: TimeMap, feel: str | None = None) -> SetTimeMap:
    """The edit that lays a chart on a corrected time map.

    Notes that no user has confirmed are quantized anew from when they were
    heard.  Confirmed notes keep everything a user may have set, and their
    written place in time; bars that the new map leaves as they were are kept
    as written.

    Parameters
    ----------
    chart : Chart
    time_map : TimeMap
    feel : str, optional
        As in :func:`quantize`; the chart's own if left out.
    """
    kept = _unchanged_bars(chart.time_map, time_map)
    taken_old = set(kept.values())
    free: list[tuple[Stroke, Note]] = []
    confirmed: list[tuple[float, Note]] = []
    for bar_index, note in chart.notes():
        if bar_index in taken_old:
            continue
        if note.confirmed:
            confirmed.append((chart.time_map.seconds(bar_index, note.position), note))
            continue
        heard = Stroke(chart.note_time_s(bar_index, note), note.instrument, note.velocity, note.confidence)
        free.append((heard, note))
    laid = quantize([heard for heard, _ in free], time_map, feel or chart.feel)
    notes_before = _NotesHeard(free)
    bars = []
    for k, bar in enumerate(laid.bars):
        if k in kept:
            bars.append(chart.bars[kept[k]])
            continue
        notes = []
        for note in bar.notes:
            before = notes_before.nearest(time_map.seconds(k, note.position) + note.deviation_s, note.instrument)
            notes.append(
                replace(note, articulations=before.articulations | note.articulations, sticking=before.sticking)
            )
        bars.append(replace(bar, notes=tuple(notes)))
    moved: dict[int, list[Note]] = {}
    for written_s, note in confirmed:
        bar_index, position = _exact_place(time_map, written_s, bars)
        deviation_s = written_s + note.deviation_s - time_map.seconds(bar_index, position)
        moved.setdefault(bar_index, []).append(replace(note, position=position, deviation_s=deviation_s))
    for bar_index, notes in moved.items():
        together = {n.key: n for n in (*bars[bar_index].notes, *notes)}
        bars[bar_index] = replace(bars[bar_index], notes=tuple(together.values()))
    return SetTimeMap(time_map, tuple(bars))


class _NotesHeard:
    """Notes by instrument and the time they were heard at."""

    def __init__(self, heard: Sequence[tuple[Stroke, Note]]) -> None:
        self.notes: dict[str, list[Note]] = {}
        self.times_s: dict[str, list[float]] = {}
        for stroke, note in sorted(heard, key=lambda pair: pair[0].time_s):
            self.notes.setdefault(note.instrument, []).append(note)
            self.times_s.setdefault(note.instrument, []).append(stroke.time_s)

    def nearest(self, time_s: float, name: str) -> Note:
        times_s = self.times_s[name]
        k = bisect_left(times_s, time_s)
        near = range(max(k - 1, 0), min(k + 1, len(times_s)))
        return self.notes[name][min(near, key=lambda j: abs(times_s[j] - time_s))]


def _unchanged_bars(old: TimeMap, new: TimeMap) -> dict[int, int]:
    """New bar index → old bar index, for bars that begin, beat and end alike."""

    def shape(time_map: TimeMap, k: int):
        bar = time_map.bars[k]
        return (bar.meter, bar.length, bar.beat_times_s, time_map.bar_end_s(k))

    before = {shape(old, k): k for k in range(len(old))}
    return {k: before[shape(new, k)] for k in range(len(new)) if shape(new, k) in before}


def _exact_place(time_map: TimeMap, time_s: float, bars) -> tuple[int, Fraction]:
    """Bar and exact position of a written moment on another time map."""
    place = time_map.place(time_s)
    k, position = place.bar_index, max(place.position, 0.0)
    beat = time_map.bars[k].meter.beat_length
    exact = Fraction(position / float(beat)).limit_denominator(24) * beat
    if abs(float(exact) - position) > 1e-4:
        grid = bars[k].grid_positions(time_map.bars[k])
        exact = min((*grid, time_map.bars[k].length), key=lambda p: abs(float(p) - position))
    if exact >= time_map.bars[k].length:
        if k + 1 < len(time_map.bars):
            return k + 1, Fraction(0)
        exact = bars[k].grid_positions(time_map.bars[k])[-1]
    return k, exact
