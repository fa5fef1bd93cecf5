"""Charts and edits as plain data (what JSON can hold), and back.

Used by the chart file, the journal and the messages between the notebook page
and Python, so that each thing is written one way everywhere.  Reading checks
everything: bad data raises :class:`~workbench.errors.ChartError`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import MISSING, fields, is_dataclass
from fractions import Fraction
from functools import cache
from typing import Any, get_args, get_origin, get_type_hints

from workbench.chart import Chart, Mark, Note, Text, WrittenBar
from workbench.chart.drumkit import KitLine
from workbench.chart.edits import EDITS, Edit, Shift
from workbench.chart.meter import MOST_BARS, Bar, Meter, TimeMap
from workbench.chart.pocket import Pocket
from workbench.errors import ChartError
from workbench.escaping import whole_text

_FRACTION = re.compile(r"\d{1,6}(/\d{1,6})?")
#: Whole numbers in files and messages are below this: what JSON holds exactly everywhere (RFC 8259, 6).
MOST = 2**53
#: Edits inside edits may not nest deeper than this.
_DEEPEST = 8
#: What data hold as it is.
_SAME = {str, int, float, bool, type(None)}
#: Fields in the order of a chart file.
_CHART = (
    "title",
    "artist",
    "feel",
    "recording",
    "kit",
    "time_map",
    "bars",
    "sections",
    "texts",
    "marks",
    "possible_hits",
    "kit_map",
    "pocket",
    "doubt_below",
    "printed_numbers",
)
#: Fields that data call otherwise than the values do.
_CALLED = {(Note, "position"): "at", (Text, "position"): "at", (Bar, "beat_times_s"): "beats_s"}
#: Fields left out where they have their usual value.
_LEFT_OUT: dict[type, AbstractSet[str]] = {
    Note: {"articulations", "deviation_s", "confidence", "confirmed", "sticking"},
    WrittenBar: {"subdivisions", "done"},
    Bar: {"fixed"},
    Mark: {"confirmed"},
    Chart: {"possible_hits", "kit_map", "pocket", "doubt_below", "printed_numbers"},
    KitLine: {"label", "place", "notehead", "keys_in", "key_out"},
}
#: Fields that data must give although values have a usual one.
_GIVEN: dict[type, AbstractSet[str]] = {
    Note: {"velocity"},
    WrittenBar: {"notes"},
    Chart: set(_CHART) - _LEFT_OUT[Chart],
}


# -- writing -----------------------------------------------------------------------


def to_data(value: Any) -> Any:
    """A chart, what it is made of, or an edit as nested lists, dicts, texts and numbers."""
    if type(value) in _SAME:
        return value
    if isinstance(value, (Fraction, Meter)):
        return str(value)
    if isinstance(value, (tuple, list)):
        return [to_data(x) for x in value]
    if isinstance(value, frozenset):
        return sorted(value)
    if isinstance(value, TimeMap):
        return {"bars": to_data(value.bars), "end_s": value.end_s}
    if isinstance(value, Chart):
        usual = {name: getattr(Chart, name) for name in _LEFT_OUT[Chart]}
        given = ((name, getattr(value, name)) for name in _CHART)
        return {name: to_data(x) for name, x in given if name not in usual or x != usual[name]}
    if not is_dataclass(value):
        return value
    data: dict[str, Any] = {"edit": value.called} if isinstance(value, Edit) else {}
    kind: type = type(value)
    for name, key, usual in _written(kind):
        if (x := getattr(value, name)) is not usual and (usual is MISSING or x != usual):
            data[key] = to_data(x)
    if isinstance(value, Bar) and not value.is_pickup:
        del data["length"]
    return data


@cache
def _written(kind: type) -> list[tuple[str, str, Any]]:
    """Fields of a value: their names, what data call them, and what is left out; of an edit None is."""
    usual = None if issubclass(kind, Edit) else MISSING
    left_out = _LEFT_OUT.get(kind, ())
    return [
        (f.name, _CALLED.get((kind, f.name), f.name), f.default if f.name in left_out else usual) for f in fields(kind)
    ]


# -- reading -----------------------------------------------------------------------


def chart_from_data(data: Any) -> Chart:
    """Inverse of :func:`to_data`.

    Raises
    ------
    ChartError
        Naming the field that is missing, unknown or wrong.
    """
    return _value(Chart, data)


def written_bar_from_data(data: Any) -> WrittenBar:
    """The content of a bar that plain data describe."""
    return _value(WrittenBar, data)


def pocket_from_data(data: Any) -> Pocket:
    """How a song is played, as plain data describe it."""
    return _value(Pocket, data)


def kit_line_from_data(data: Any) -> KitLine:
    """The line of a kit map that plain data describe."""
    return _value(KitLine, data)


def edit_from_data(data: Any) -> Edit:
    """Inverse of :func:`to_data`; raises ChartError on anything unknown."""
    _check_nesting(data, _DEEPEST)
    return _edit(data)


def _check_nesting(data: Any, deeper: int) -> None:
    if deeper < 0:
        raise ChartError("Edits are nested too deeply.")
    inner = data.get("edits") if isinstance(data, dict) else None
    for edit in inner if isinstance(inner, (list, tuple)) else ():
        _check_nesting(edit, deeper - 1)


def _edit(data: Any) -> Edit:
    name = data.get("edit") if isinstance(data, dict) else None
    if not isinstance(name, str) or name not in EDITS:
        raise ChartError(f"There is no edit called {name!r:.60}.")
    return _value(EDITS[name], {k: v for k, v in data.items() if k != "edit"})


def _value(kind: type, data: Any) -> Any:
    """A value from its fields, each read as the type it is declared to have."""
    readers, needed = _readers(kind)
    values = {}
    for key, x in _fields(data, needed, readers.keys()).items():
        name, read = readers[key]
        values[name] = read(x)
    return kind(**values)


@cache
def _readers(kind: type) -> tuple[Mapping[str, tuple[str, Callable[[Any], Any]]], AbstractSet[str]]:
    """By what data call them: fields of a value with their names and how they are read; and those that are needed."""
    types = get_type_hints(kind, include_extras=True)
    keys = {f.name: _CALLED.get((kind, f.name), f.name) for f in fields(kind)}
    usual = {f.name for f in fields(kind) if (f.default, f.default_factory) != (MISSING, MISSING)}
    needed = {keys[name] for name in keys if name not in usual or name in _GIVEN.get(kind, ())}
    return {key: (name, _reader(types[name])) for name, key in keys.items()}, needed


@cache
def _reader(kind: Any) -> Callable[[Any], Any]:
    """How what is declared to be of a type is read."""
    if kind in _OWN_READERS:
        return _OWN_READERS[kind]
    inner = get_args(kind)
    if type(None) in inner:
        read = _reader(inner[0])
        return lambda x: None if x is None else read(x)
    if inner:  # a tuple of any length, or a frozenset
        gather, read = get_origin(kind), _reader(inner[0])
        return lambda x: gather(read(y) for y in list_from_data(x))
    return lambda x: _value(kind, x)


def time_map_from_data(data: Any) -> TimeMap:
    """The bars on a recording's time line that plain data describe."""
    d = _fields(data, {"bars", "end_s"})
    bars = list_from_data(d["bars"])
    if len(bars) > MOST_BARS:
        raise ChartError(f"A time map has at most {MOST_BARS} bars, not {len(bars)}.")
    return TimeMap([_value(Bar, b) for b in bars], number_from_data(d["end_s"]))


def _place(data: Any) -> tuple[int, Fraction]:
    pair = list_from_data(data)
    if len(pair) != 2:
        raise ChartError(f"A place is a bar index and a position, not {data!r}.")
    return int_from_data(pair[0]), fraction_from_data(pair[1])


def places_from_data(data: Any) -> frozenset[tuple[int, Fraction]]:
    """Places in a chart from a list of [bar index, position]."""
    return frozenset(map(_place, list_from_data(data)))


def _shift(text: Any) -> Fraction:
    """A number of beats, which may go backwards: "-1/2"."""
    back = isinstance(text, str) and text.startswith("-")
    return -fraction_from_data(text[1:]) if back else fraction_from_data(text)


def fraction_from_data(x: Any) -> Fraction:
    """An exact position or length from text such as "3/8"."""
    if not isinstance(x, str) or not _FRACTION.fullmatch(x) or x.endswith("/0"):
        raise ChartError(f'A position is written like "3/8", not {x!r}.')
    return Fraction(x)


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


_OWN_READERS: dict[Any, Callable[[Any], Any]] = {
    str: _text,
    int: int_from_data,
    float: number_from_data,
    bool: _bool,
    Fraction: fraction_from_data,
    Shift: _shift,
    Meter: lambda x: Meter.parse(_text(x)),
    tuple[int, Fraction]: _place,
    TimeMap: time_map_from_data,
    Edit: _edit,
}
