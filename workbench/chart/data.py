"""Charts and edits as plain data (what JSON can hold), and back.

Used by the chart file, the journal and the messages between the notebook page
and Python, so that each thing is written one way everywhere.  Reading checks
everything: bad data raises :class:`~workbench.errors.ChartError`.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable
from collections.abc import Set as AbstractSet
from fractions import Fraction
from typing import Any

from workbench.chart import Chart, Mark, Note, Recording, Section, Text, WrittenBar
from workbench.chart.edits import EDITS, Edit
from workbench.chart.meter import MOST_BARS, Bar, Meter, TimeMap
from workbench.errors import ChartError
from workbench.escaping import whole_text

_FRACTION = re.compile(r"\d{1,6}(/\d{1,6})?")
_EDIT_NAMES = {cls: name for name, cls in EDITS.items()}
#: Whole numbers in files and messages are below this: what JSON holds exactly everywhere (RFC 8259, 6).
MOST = 2**53
#: Edits inside edits may not nest deeper than this.
_DEEPEST = 8


def fraction_from_data(x: Any) -> Fraction:
    """An exact position or length from text such as "3/8"."""
    if not isinstance(x, str) or not _FRACTION.fullmatch(x) or x.endswith("/0"):
        raise ChartError(f'A position is written like "3/8", not {x!r}.')
    return Fraction(x)


def note_to_data(note: Note) -> dict:
    """A note; what has its usual value is left out."""
    data: dict[str, Any] = {"at": str(note.position), "instrument": note.instrument, "velocity": note.velocity}
    if note.articulations:
        data["articulations"] = sorted(note.articulations)
    if note.deviation_s:
        data["deviation_s"] = note.deviation_s
    if note.confidence != 1.0:
        data["confidence"] = note.confidence
    if note.confirmed:
        data["confirmed"] = True
    if note.sticking:
        data["sticking"] = note.sticking
    return data


def note_from_data(data: Any) -> Note:
    """The note that plain data describe."""
    d = _fields(
        data, {"at", "instrument", "velocity"}, {"articulations", "deviation_s", "confidence", "confirmed", "sticking"}
    )
    return Note(
        fraction_from_data(d["at"]),
        _text(d["instrument"]),
        int_from_data(d["velocity"]),
        frozenset(_text(a) for a in list_from_data(d.get("articulations", []))),
        number_from_data(d.get("deviation_s", 0.0)),
        number_from_data(d.get("confidence", 1.0)),
        _bool(d.get("confirmed", False)),
        _text(d.get("sticking", "")),
    )


def written_bar_to_data(bar: WrittenBar) -> dict:
    """Content of a bar as plain data."""
    data: dict[str, Any] = {"notes": [note_to_data(n) for n in bar.notes]}
    if bar.subdivisions:
        data["subdivisions"] = list(bar.subdivisions)
    return data


def written_bar_from_data(data: Any) -> WrittenBar:
    """The content of a bar that plain data describe."""
    d = _fields(data, {"notes"}, {"subdivisions"})
    return WrittenBar(
        tuple(note_from_data(n) for n in list_from_data(d["notes"])),
        tuple(int_from_data(s) for s in list_from_data(d.get("subdivisions", []))),
    )


def bar_to_data(bar: Bar) -> dict:
    """Meter and times of a bar as plain data."""
    data: dict[str, Any] = {"meter": str(bar.meter), "beats_s": list(bar.beat_times_s)}
    if bar.is_pickup:
        data["length"] = str(bar.length)
    if bar.fixed:
        data["fixed"] = True
    return data


def bar_from_data(data: Any) -> Bar:
    """Meter and times of the bar that plain data describe."""
    d = _fields(data, {"meter", "beats_s"}, {"length", "fixed"})
    meter = Meter.parse(_text(d["meter"]))
    length = fraction_from_data(d["length"]) if "length" in d else meter.bar_length
    return Bar(
        meter, tuple(number_from_data(t) for t in list_from_data(d["beats_s"])), length, _bool(d.get("fixed", False))
    )


def time_map_to_data(time_map: TimeMap) -> dict:
    """All bars and their times as plain data."""
    return {"bars": [bar_to_data(b) for b in time_map.bars], "end_s": time_map.end_s}


def time_map_from_data(data: Any) -> TimeMap:
    """The time map that plain data describe."""
    d = _fields(data, {"bars", "end_s"})
    bars = list_from_data(d["bars"])
    if len(bars) > MOST_BARS:
        raise ChartError(f"A time map has at most {MOST_BARS} bars, not {len(bars)}.")
    return TimeMap([bar_from_data(b) for b in bars], number_from_data(d["end_s"]))


def _place_to_data(place: tuple[int, Fraction]) -> list:
    return [place[0], str(place[1])]


def _place_from_data(data: Any) -> tuple[int, Fraction]:
    pair = list_from_data(data)
    if len(pair) != 2:
        raise ChartError(f"A place is a bar index and a position, not {data!r}.")
    return int_from_data(pair[0]), fraction_from_data(pair[1])


def mark_to_data(mark: Mark) -> dict:
    """A marked stretch as plain data."""
    data: dict[str, Any] = {
        "kind": mark.kind,
        "start": _place_to_data(mark.start),
        "end": _place_to_data(mark.end),
        "text": mark.text,
    }
    if mark.confirmed:
        data["confirmed"] = True
    return data


def mark_from_data(data: Any) -> Mark:
    """The mark that plain data describe."""
    d = _fields(data, {"kind", "start", "end"}, {"text", "confirmed"})
    return Mark(
        _text(d["kind"]),
        _place_from_data(d["start"]),
        _place_from_data(d["end"]),
        _text(d.get("text", "")),
        _bool(d.get("confirmed", False)),
    )


def chart_to_data(chart: Chart) -> dict:
    """A chart as nested lists, dicts, texts and numbers."""
    return {
        "title": chart.title,
        "artist": chart.artist,
        "feel": chart.feel,
        "recording": dataclasses.asdict(chart.recording) if chart.recording else None,
        "kit": list(chart.kit),
        "time_map": time_map_to_data(chart.time_map),
        "bars": [written_bar_to_data(b) for b in chart.bars],
        "sections": [dataclasses.asdict(s) for s in chart.sections],
        "texts": [{"bar_index": t.bar_index, "at": str(t.position), "text": t.text} for t in chart.texts],
        "marks": [mark_to_data(m) for m in chart.marks],
    }


def chart_from_data(data: Any) -> Chart:
    """Inverse of :func:`chart_to_data`.

    Raises
    ------
    ChartError
        Naming the field that is missing, unknown or wrong.
    """
    d = _fields(data, {"title", "artist", "feel", "recording", "kit", "time_map", "bars", "sections", "texts", "marks"})
    recording = None
    if d["recording"] is not None:
        r = _fields(d["recording"], {"path", "sha256", "duration_s"})
        recording = Recording(_text(r["path"]), _text(r["sha256"]), number_from_data(r["duration_s"]))
    sections = []
    for s in list_from_data(d["sections"]):
        s = _fields(s, {"bar_index", "name"}, {"label"})
        sections.append(Section(int_from_data(s["bar_index"]), _text(s["name"]), _text(s.get("label", ""))))
    texts = []
    for t in list_from_data(d["texts"]):
        t = _fields(t, {"bar_index", "at", "text"})
        texts.append(Text(int_from_data(t["bar_index"]), fraction_from_data(t["at"]), _text(t["text"])))
    return Chart(
        time_map_from_data(d["time_map"]),
        tuple(written_bar_from_data(b) for b in list_from_data(d["bars"])),
        _text(d["title"]),
        _text(d["artist"]),
        recording,
        tuple(sections),
        tuple(texts),
        tuple(mark_from_data(m) for m in list_from_data(d["marks"])),
        tuple(_text(k) for k in list_from_data(d["kit"])),
        _text(d["feel"]),
    )


# -- edits ---------------------------------------------------------------------

_TO_DATA: dict[str, Callable[[Any], Any]] = {
    "position": str,
    "to_position": str,
    "beats": str,
    "factor": str,
    "length": str,
    "note": note_to_data,
    "articulations": lambda a: None if a is None else sorted(a),
    "bars": lambda bars: [written_bar_to_data(b) for b in bars],
    "subdivisions": list,
    "times_s": list,
    "meter": str,
    "time_map": time_map_to_data,
    "mark": mark_to_data,
    "start": _place_to_data,
    "kit": lambda k: None if k is None else list(k),
    "edits": lambda edits: [edit_to_data(e) for e in edits],
}


def _optional(read: Callable[[Any], Any]) -> Callable[[Any], Any]:
    return lambda x: None if x is None else read(x)


def _readers(depth: int) -> dict:
    return {
        "bar_index": int_from_data,
        "to_bar_index": int_from_data,
        "first_bar": int_from_data,
        "last_bar": _optional(int_from_data),
        "count": int_from_data,
        "beats": _shift_from_data,
        "factor": fraction_from_data,
        "length": fraction_from_data,
        "at_end": _bool,
        "fixed": _bool,
        "position": fraction_from_data,
        "to_position": fraction_from_data,
        "instrument": _text,
        "to_instrument": _text,
        "old": _text,
        "new": _text,
        "note": note_from_data,
        "velocity": _optional(int_from_data),
        "sticking": _optional(_text),
        "articulations": _optional(lambda a: frozenset(_text(x) for x in list_from_data(a))),
        "confirmed": _optional(_bool),
        "deviation_s": _optional(number_from_data),
        "bars": lambda b: tuple(written_bar_from_data(x) for x in list_from_data(b)),
        "subdivisions": lambda s: tuple(int_from_data(x) for x in list_from_data(s)),
        "time_s": number_from_data,
        "times_s": lambda b: tuple(number_from_data(x) for x in list_from_data(b)),
        "meter": _optional(lambda m: Meter.parse(_text(m))),
        "time_map": time_map_from_data,
        "name": _text,
        "label": _text,
        "text": _text,
        "mark": mark_from_data,
        "mark_kind": _text,
        "start": _place_from_data,
        "title": _optional(_text),
        "artist": _optional(_text),
        "feel": _optional(_text),
        "kit": _optional(lambda k: tuple(_text(x) for x in list_from_data(k))),
        "edits": lambda e: tuple(_edit_from_data(x, depth + 1) for x in list_from_data(e)),
    }


def _shift_from_data(text: Any) -> Fraction:
    """A number of beats, which may go backwards: "-1/2"."""
    back = isinstance(text, str) and text.startswith("-")
    return -fraction_from_data(text[1:]) if back else fraction_from_data(text)


def edit_to_data(edit: Edit) -> dict:
    """An edit as ``{"edit": name, field: value …}``; None fields are left out."""
    data: dict[str, Any] = {"edit": _EDIT_NAMES[type(edit)]}
    for f in dataclasses.fields(edit):
        value = getattr(edit, f.name)
        if value is not None:
            data[f.name] = _TO_DATA.get(f.name, lambda x: x)(value)
    return data


def edit_from_data(data: Any) -> Edit:
    """Inverse of :func:`edit_to_data`; raises ChartError on anything unknown."""
    return _edit_from_data(data, 0)


def _edit_from_data(data: Any, depth: int) -> Edit:
    if depth > _DEEPEST:
        raise ChartError("Edits are nested too deeply.")
    name = data.get("edit") if isinstance(data, dict) else None
    if not isinstance(name, str) or name not in EDITS:
        raise ChartError(f"There is no edit called {name!r:.60}.")
    cls = EDITS[name]
    fields = {f.name: f for f in dataclasses.fields(cls)}
    needed = {n for n, f in fields.items() if f.default is dataclasses.MISSING}
    values = _fields({k: v for k, v in data.items() if k != "edit"}, needed, set(fields))
    readers = _readers(depth)
    return cls(**{name: readers[name](value) for name, value in values.items()})


# -- checks ----------------------------------------------------------------------


def _fields(data: Any, needed: AbstractSet[str], optional: AbstractSet[str] = frozenset()) -> dict:
    if not isinstance(data, dict):
        raise ChartError(f"Expected an object with {', '.join(sorted(needed))}, got {data!r:.60}.")
    missing, unknown = needed - set(data), set(data) - needed - set(optional)
    if missing:
        raise ChartError(f"The field {sorted(missing)[0]!r} is missing.")
    if unknown:
        raise ChartError(f"The field {sorted(unknown)[0]!r} is unknown.")
    return data


def list_from_data(x: Any) -> list:
    """A list, and nothing else."""
    if not isinstance(x, (list, tuple)):
        raise ChartError(f"Expected a list, got {x!r:.60}.")
    return list(x)


def _text(x: Any) -> str:
    if not isinstance(x, str):
        raise ChartError(f"Expected a text, got {x!r:.60}.")
    return whole_text(x)


def int_from_data(x: Any) -> int:
    """A whole number with few enough digits, and nothing else."""
    if isinstance(x, bool) or not isinstance(x, int):
        raise ChartError(f"Expected a whole number, got {x!r:.60}.")
    if abs(x) >= MOST:
        raise ChartError("A whole number has too many digits.")
    return x


def number_from_data(x: Any) -> float:
    """A finite number, and nothing else."""
    if isinstance(x, int):
        x = float(int_from_data(x))
    if not isinstance(x, float) or not math.isfinite(x):
        raise ChartError(f"Expected a finite number, got {x!r:.60}.")
    return x


def _bool(x: Any) -> bool:
    if not isinstance(x, bool):
        raise ChartError(f"Expected true or false, got {x!r:.60}.")
    return x
