"""What our MIDI files say of the written notes beside their strokes.

A Standard MIDI File holds strokes, not notation: a ghost note is a soft stroke,
a flam two strokes.  So that a file of ours can be read back, each bar line
carries a sequencer-specific meta event (Standard MIDI Files 1.0, FF 7F), which
other programs pass over: which written note each stroke belongs to.  A stroke
that another program has moved is no longer found there and is read as any
other.

The event holds the manufacturer's number for use without one (7D) and JSON::

    {"written bar": 1, "ticks": 6720, "feel": "straight", "subdivisions": [4, 4, 3, 4],
     "kit": [{"instrument": "kick", "key_out": 35}], "pocket": {"swing_ratio": 0.5, "lags": []},
     "notes": [["1/4", "snare", ["flam"], "R", 6720, 6410], …]}

A note is its position, instrument, articulations, sticking, and the ticks from
the bar line of its own stroke and of those that ornament it; the chart's feel, kit map and
pocket stand at the first bar.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import mido

from workbench.chart import FEELS, Note, WrittenBar
from workbench.chart.data import fraction_from_data, kit_line_from_data, pocket_from_data, to_data
from workbench.chart.drumkit import KitLine, instrument
from workbench.chart.pocket import ON_THE_GRID, Pocket
from workbench.errors import ChartError

_NO_MANUFACTURER = 0x7D
_VERSION = 1
#: Ticks that a delta time can hold (Standard MIDI Files 1.0: four bytes of seven bits).
_LONGEST_DELTA = 2**28


@dataclass(frozen=True)
class NoteStrokes:
    """A written note and the ticks from its bar line of its strokes, its own first."""

    note: Note
    ticks: tuple[int, ...]


@dataclass(frozen=True)
class BarNotes:
    """A bar as a file of ours tells of it.

    Attributes
    ----------
    tick : int
        Of its bar line.
    notes : tuple of NoteStrokes
        Velocities and deviations are those of the strokes, not told here.
    subdivisions : tuple of int
    feel : str
        From :data:`workbench.chart.FEELS`; '' but at the first bar.
    kit_map : tuple of KitLine
        Of the chart, at the first bar.
    pocket : Pocket
        Of the chart, at the first bar.
    """

    tick: int
    notes: tuple[NoteStrokes, ...]
    subdivisions: tuple[int, ...] = ()
    feel: str = ""
    kit_map: tuple[KitLine, ...] = ()
    pocket: Pocket = ON_THE_GRID


#: (tick, key, velocity) of a stroke in a file.
FileStroke = tuple[int, int, int]


def bar_event(bar: BarNotes, ticks_per_quarter: int) -> mido.MetaMessage:
    """The meta event that tells of a bar."""
    data: dict[str, object] = {"written bar": _VERSION, "ticks": ticks_per_quarter}
    if bar.feel:
        data["feel"] = bar.feel
    if bar.subdivisions:
        data["subdivisions"] = list(bar.subdivisions)
    if bar.kit_map:
        data["kit"] = to_data(bar.kit_map)
    if bar.pocket:
        data["pocket"] = to_data(bar.pocket)
    data["notes"] = [
        [str(s.note.position), s.note.instrument, sorted(s.note.articulations), s.note.sticking, *s.ticks]
        for s in bar.notes
    ]
    text = json.dumps(data, separators=(",", ":"))
    return mido.MetaMessage("sequencer_specific", data=(_NO_MANUFACTURER, *text.encode("ascii")))


def read_bar_events(midi: mido.MidiFile) -> list[BarNotes]:
    """What a file tells of its bars, in their order; nothing of a file not made here.

    Events that are damaged, or whose ticks another program has changed, are left out.
    """
    out: dict[int, BarNotes] = {}
    for track in midi.tracks:
        tick = 0
        for m in track:
            tick += m.time
            if m.type == "sequencer_specific" and tuple(m.data[:1]) == (_NO_MANUFACTURER,):
                bar = _bar(tick, bytes(m.data[1:]), midi.ticks_per_beat)
                if bar is not None:
                    out.setdefault(tick, bar)
    return [out[tick] for tick in sorted(out)]


def _bar(tick: int, text: bytes, ticks_per_quarter: int) -> BarNotes | None:
    try:
        data = json.loads(text)
        if (data["written bar"], data["ticks"]) != (_VERSION, ticks_per_quarter):
            return None
        notes = tuple(
            NoteStrokes(
                Note(fraction_from_data(position), name, articulations=frozenset(said), sticking=sticking),
                tuple(int(t) for t in ticks),
            )
            for position, name, said, sticking, *ticks in data["notes"]
        )
        WrittenBar(tuple(n.note for n in notes), tuple(data.get("subdivisions", ())))
        feel = data.get("feel", "")
        if not all(n.ticks and max(map(abs, n.ticks)) < _LONGEST_DELTA for n in notes) or feel not in ("", *FEELS):
            return None
        kit_map = tuple(kit_line_from_data(line) for line in data.get("kit", ()))
        pocket = pocket_from_data(data["pocket"]) if "pocket" in data else ON_THE_GRID
        return BarNotes(tick, notes, tuple(data.get("subdivisions", ())), feel, kit_map, pocket)
    except (ValueError, TypeError, KeyError, ArithmeticError, RecursionError, ChartError):
        return None


def told_apart(
    bars: Sequence[BarNotes], strokes: Sequence[FileStroke], keys: Mapping[str, int]
) -> tuple[list[tuple[BarNotes, NoteStrokes, int]], list[FileStroke]]:
    """Which strokes of a file belong to the notes it tells of.

    Parameters
    ----------
    bars : sequence of BarNotes
    strokes : sequence of FileStroke
    keys : mapping
        MIDI keys of instruments that have other ones than in the drum key.

    Returns
    -------
    told : list of (BarNotes, NoteStrokes, velocity)
        Notes whose own stroke is there.
    rest : list of FileStroke
        All other strokes.
    """
    loudness = {(tick, key): velocity for tick, key, velocity in strokes}
    left = Counter((tick, key) for tick, key, _ in strokes)
    told = []
    for bar in bars:
        for n in bar.notes:
            key = keys.get(n.note.instrument, instrument(n.note.instrument).midi_note)
            places = [(bar.tick + t, key) for t in n.ticks]
            if left[places[0]] <= 0:
                continue
            for place in places:
                left[place] -= left[place] > 0
            told.append((bar, n, loudness[places[0]]))
    rest = []
    for stroke in strokes:
        place = stroke[:2]
        if left[place] > 0:
            left[place] -= 1
            rest.append(stroke)
    return told, rest
