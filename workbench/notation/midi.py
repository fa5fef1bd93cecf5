"""Writing a chart as a Standard MIDI File (reading: :mod:`workbench.notation.midi_read`).

Conventions
-----------
* Drums are on channel 10 (General MIDI Level 1), keys from the drum key.
* ``played=True`` keeps the feel: a tempo for each beat as it was played, each
  stroke where it was heard, flams, drags and rolls spelled out in strokes.
  ``played=False`` is strictly as written: one tempo for each section, every
  note once, on its exact place.
* Tick 0 is the first bar line.  A stroke heard before it is written at tick 0.
* Which written note each stroke belongs to is told beside the strokes
  (:mod:`workbench.notation.midi_notes`), so that a file of ours comes back as it was written.
* Tempo is kept in whole microseconds for a quarter note (Standard MIDI Files
  1.0, meta event 51), so a beat can be off by half a microsecond.
"""

from __future__ import annotations

import os
from dataclasses import replace
from fractions import Fraction
from io import BytesIO
from pathlib import Path

import mido
import numpy as np

from workbench.chart import Chart, Note
from workbench.chart.meter import TimeMap
from workbench.chart.ornaments import play_note
from workbench.chart.pocket import ON_THE_GRID
from workbench.files.safefile import write_whole
from workbench.notation.midi_notes import BarNotes, NoteStrokes, bar_event

#: Divides by 2, 3, 5 and 7 down to 64ths and their triplets.
TICKS_PER_QUARTER = 6720
#: How long a written stroke sounds, whole notes; drums ring by themselves (common practice, no source).
_STROKE_LENGTH = Fraction(1, 32)
_CHOKED_LENGTH = Fraction(1, 16)
DRUM_CHANNEL = 9


def midi_bytes(chart: Chart, played: bool = True) -> bytes:
    """The chart as a Standard MIDI File of one track (format 0 within format 1)."""
    out = BytesIO()
    _midi_file(chart, played).save(file=out)
    return out.getvalue()


def write_midi(chart: Chart, path: str | os.PathLike, played: bool = True) -> Path:
    """Write a Standard MIDI File.

    Parameters
    ----------
    chart : Chart
    path : path
    played : bool
        Keep the played feel (drifting tempo, deviations, flams as two strokes),
        or write strictly what is written.

    Raises
    ------
    FileFormatError
        If the file cannot be written.
    """
    return write_whole(path, midi_bytes(chart, played))


def _midi_file(chart: Chart, played: bool) -> mido.MidiFile:
    events: list[tuple[int, int, mido.Message | mido.MetaMessage]] = []
    chart = _on_the_files_clock(chart) if played else chart
    time_map = chart.time_map
    name = (chart.title or "Drums").encode("utf-8", "replace").decode("utf-8")
    events.append((0, 0, mido.MetaMessage("track_name", name=name)))
    meter = None
    for k, bar in enumerate(time_map.bars):
        shown = (bar.length.numerator, bar.length.denominator) if bar.is_pickup else (bar.meter.beats, bar.meter.unit)
        if bar.is_pickup and bar.length.denominator & (bar.length.denominator - 1):
            shown = (bar.meter.beats, bar.meter.unit)
        if shown != meter:
            events.append(
                (
                    _tick(time_map.starts[k]),
                    1,
                    mido.MetaMessage("time_signature", numerator=shown[0], denominator=shown[1]),
                )
            )
            meter = shown
    events += [(tick, 1, mido.MetaMessage("set_tempo", tempo=us)) for tick, us in _tempos(chart, played)]
    for s in chart.sections:
        text = " ".join(t for t in (s.label, s.name) if t)
        events.append((_tick(time_map.starts[s.bar_index]), 1, mido.MetaMessage("marker", text=text)))
    for t in chart.texts:
        at = time_map.starts[t.bar_index] + t.position
        events.append((_tick(at), 1, mido.MetaMessage("text", text=t.text)))
    strokes, bars = _strokes(chart, played)
    events += [(bar.tick, 1, bar_event(bar, TICKS_PER_QUARTER)) for bar in bars]
    for on, off, key, velocity in strokes:
        events.append((on, 3, mido.Message("note_on", channel=DRUM_CHANNEL, note=key, velocity=velocity)))
        events.append((off, 2, mido.Message("note_off", channel=DRUM_CHANNEL, note=key, velocity=64)))
    end = _tick(time_map.starts[-1])
    events.sort(key=lambda e: (e[0], e[1]))
    end = max([end, *(e[0] for e in events)])
    track, now = mido.MidiTrack(), 0
    for tick, _, message in events:
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=end - now))
    return mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER, tracks=[track], charset="utf-8")


def _tick(whole_notes: Fraction | float) -> int:
    return round(whole_notes * 4 * TICKS_PER_QUARTER)


def _tempos(chart: Chart, played: bool) -> list[tuple[int, int]]:
    """(tick, microseconds per quarter) of each tempo change."""
    time_map = chart.time_map
    out: list[tuple[int, float]] = []
    if played:
        for k, bar in enumerate(time_map.bars):
            times = (*bar.beat_times_s, time_map.bar_end_s(k))
            for j, (start, length) in enumerate(bar.beat_spans()):
                us = (times[j + 1] - times[j]) / float(4 * length) * 1e6
                out.append((_tick(time_map.starts[k] + start), us))
    else:
        starts = sorted({0, *(s.bar_index for s in chart.sections)})
        for a, b in zip(starts, [*starts[1:], len(chart)]):
            seconds = time_map.bar_end_s(b - 1) - time_map.bar_start_s(a)
            quarters = 4 * float(time_map.starts[b] - time_map.starts[a])
            bpm = max(1, round(60.0 * quarters / seconds))
            out.append((_tick(time_map.starts[a]), 60e6 / bpm))
    changes: list[tuple[int, int]] = []
    for tick, exact_us in out:
        whole_us = _whole_us(exact_us)
        if not changes or whole_us != changes[-1][1]:
            changes.append((tick, whole_us))
    return changes


def _on_the_files_clock(chart: Chart) -> Chart:
    """The chart with beats as the file's whole tempi lay them, so that what is read back is written as the same file
    again."""
    time_map = chart.time_map
    bars, now = [], time_map.start_s
    for k, bar in enumerate(time_map.bars):
        ends = (*bar.beat_times_s[1:], time_map.bar_end_s(k))
        times = []
        for (_, length), begun, end in zip(bar.beat_spans(), bar.beat_times_s, ends):
            times.append(now)
            now += _whole_us((end - begun) / float(4 * length) * 1e6) * float(4 * length) / 1e6
        bars.append(replace(bar, beat_times_s=tuple(times)))
    return replace(chart, time_map=TimeMap(bars, now))


def _whole_us(exact_us: float) -> int:
    """A tempo as a file can hold it, microseconds for a quarter note."""
    return min(max(round(exact_us), 1), 0xFFFFFF)


def _strokes(chart: Chart, played: bool) -> tuple[list[tuple[int, int, int, int]], list[BarNotes]]:
    """(on, off, key, velocity) of every stroke, and which of them are the strokes of each written note.

    Strokes of one key never overlap: of two that fall on one tick the second comes a tick later.
    """
    time_map = chart.time_map
    # Of each key: wished tick, length, velocity, number of the note, number of the stroke in the note.
    by_key: dict[int, list[tuple[int, int, int, int, int]]] = {}
    written = list(chart.notes())
    for number, (k, n) in enumerate(written):
        length = _CHOKED_LENGTH if "choke" in n.articulations else _STROKE_LENGTH
        own = [(_tick(time_map.starts[k] + n.position), n.velocity)]
        if played:
            struck = play_note(chart, k, n)
            ats = time_map.whole_notes_at(np.array([s.time_s for s in struck]))
            own = [(_tick(float(ats[0])) + _tick(float(at - ats[0])), s.velocity) for s, at in zip(struck, ats)]
        by_key.setdefault(chart.instrument(n.instrument).midi_note, []).extend(
            (max(tick, 0), _tick(length), velocity, number, j) for j, (tick, velocity) in enumerate(own)
        )
    ticks: list[dict[int, int]] = [{} for _ in written]
    out = []
    for key, strokes in by_key.items():
        strokes.sort()
        places, last = [], -1
        for tick, _, _, number, j in strokes:
            last = ticks[number][j] = max(tick, last + 1)
            places.append(last)
        for on, after, (_, ticks_long, velocity, _, _) in zip(places, [*places[1:], None], strokes):
            off = on + ticks_long
            out.append((on, off if after is None else min(off, after), key, velocity))
    return out, _bars(chart if played else replace(chart, pocket=ON_THE_GRID), written, ticks)


def _bars(chart: Chart, written: list[tuple[int, Note]], ticks: list[dict[int, int]]) -> list[BarNotes]:
    """The notes of each bar with the ticks of their strokes."""
    starts = [_tick(at) for at in chart.time_map.starts[:-1]]
    notes: list[list[NoteStrokes]] = [[] for _ in chart.bars]
    for (k, n), own in zip(written, ticks):
        notes[k].append(NoteStrokes(n, tuple(own[j] - starts[k] for j in sorted(own))))
    return [
        BarNotes(
            starts[k], tuple(notes[k]), bar.subdivisions, *(() if k else (chart.feel, chart.kit_map, chart.pocket))
        )
        for k, bar in enumerate(chart.bars)
    ]
