"""The chart file ``NAME.chart.json``: plain JSON, written whole or not at all.

The file is ``{"format": "drum chart", "version": 2, "chart": {…}}``; its JSON
Schema (draft 2020-12) is shipped beside this module as ``chart.schema.json``.
Positions are exact fractions written as text (``"3/8"``), so a chart comes
back equal to the last digit.  Files are untrusted: nothing in them is
executed, and their size and depth are limited.
"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from workbench.chart import Chart
from workbench.chart.data import chart_from_data, to_data, written_bar_from_data
from workbench.chart.drumkit import INSTRUMENTS, PERCUSSION
from workbench.errors import ChartError, FileFormatError
from workbench.files.safefile import write_whole
from workbench.files.untrusted import read_bytes

#: What the field ``format`` of every chart file says.
FORMAT = "drum chart"
#: Version of the format that is written; older ones are read.
VERSION = 2
#: The usual ending of a chart file.
ENDING = ".chart.json"
#: Largest chart file that is read, bytes (a two-hour chart has some 20 MB).
LARGEST_CHART_BYTES = 64_000_000


class DamagedChartError(FileFormatError):
    """A file that is no chart, or no longer one."""


def write_chart(chart: Chart, path: str | os.PathLike) -> None:
    """Write a chart to a file, replacing an older one only when all is written.

    Raises
    ------
    FileFormatError
        If the folder is missing or cannot be written to; an older file stays.
    """
    write_whole(path, dumps_chart(chart).encode())


def read_chart(path: str | os.PathLike) -> Chart:
    """Read a chart from a file.

    Raises
    ------
    FileFormatError
        If there is no such file, it is no chart, a newer version wrote it, or
        a field is missing or wrong; the message names the field.
    """
    path = Path(path)
    return loads_chart(read_chart_bytes(path), path.name)


def recording_file(chart: Chart, folder: str | os.PathLike) -> Path | None:
    """The recording of a chart that lies in a folder: where the chart says, else beside it, or None."""
    if chart.recording is None or not chart.recording.path:
        return None
    named = Path(chart.recording.path)
    return next((p for p in (Path(folder) / named, Path(folder) / named.name) if p.is_file()), None)


def moved_chart(chart: Chart, folder: str | os.PathLike, other: str | os.PathLike) -> Chart:
    """A chart of one folder as it must be in another: its recording is found from there."""
    if chart.recording is None or not chart.recording.path:
        return chart
    path = os.path.relpath((Path(folder) / chart.recording.path).resolve(), Path(other).resolve())
    return replace(chart, recording=replace(chart.recording, path=path))


def dumps_chart(chart: Chart) -> str:
    """A chart as the text of a chart file, one bar a line."""
    data = to_data(chart)
    return _laid_out({"format": FORMAT, "version": VERSION, "chart": data})


def loads_chart(text: str | bytes, name: str = "The chart") -> Chart:
    """Inverse of :func:`dumps_chart`; ``name`` is used in messages.

    Raises
    ------
    DamagedChartError
        If the text is no chart.
    FileFormatError
        If a newer version wrote it.
    """
    try:
        if isinstance(text, bytes):
            text = text.decode("utf-8-sig")
        data = json.loads(text, parse_constant=_no_constant, parse_int=_bounded_int)
    except RecursionError:
        raise DamagedChartError(f"{name} is nested too deeply to be a chart.") from None
    except UnicodeDecodeError:
        raise DamagedChartError(f"{name} is no chart file: it is not text in UTF-8.") from None
    except ValueError as error:
        where = f" (line {error.lineno})" if isinstance(error, json.JSONDecodeError) else f" ({error})"
        raise DamagedChartError(f"{name} is no chart file: it is not valid JSON{where}.") from None
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise DamagedChartError(f'{name} is no chart file: it lacks "format": "{FORMAT}".')
    version = data.get("version")
    if isinstance(version, bool) or not isinstance(version, int) or version < 1:
        raise DamagedChartError(f"{name} does not say which version of the chart format it has.")
    if version > VERSION:
        raise FileFormatError(
            f"{name} was written by a newer workbench (chart format {version}, this one "
            f"reads up to {VERSION}); update the workbench to open it."
        )
    if set(data) - {"format", "version", "chart"}:
        unknown = sorted(set(data) - {"format", "version", "chart"})[0]
        raise DamagedChartError(f"{name} has an unknown field {unknown!r} beside its chart.")
    if "chart" not in data:
        raise DamagedChartError(f"{name} has no field 'chart'.")
    return _checked_chart(data, name)


@cache
def chart_schema() -> dict:
    """The JSON Schema of chart files, with the names of the drum key filled in."""
    schema = json.loads(resources.files("workbench.files").joinpath("chart.schema.json").read_text("utf-8"))
    schema["$defs"]["instrument"]["anyOf"][0]["enum"] = [i.name for i in (*INSTRUMENTS, *PERCUSSION)]
    return schema


def read_chart_bytes(path: Path) -> bytes:
    """What is in a chart file, refused where it is missing, no ordinary file or too large."""
    return read_bytes(path, LARGEST_CHART_BYTES)


def _checked_chart(data: dict, name: str) -> Chart:
    try:
        return chart_from_data(data["chart"])
    except ChartError as error:
        # The schema knows where in the file the trouble lies.
        where = _first_fault(data)
        raise DamagedChartError(f"{name} has a fault{where}: {error}") from error


def _first_fault(data: dict) -> str:
    from jsonschema import Draft202012Validator
    from jsonschema.exceptions import best_match

    fault = best_match(Draft202012Validator(chart_schema()).iter_errors(data))
    if fault is None:
        # Nothing a schema can tell, such as two notes in one place.
        for k, bar in enumerate(data["chart"]["bars"]):
            try:
                written_bar_from_data(bar)
            except ChartError:
                return f" at chart.bars[{k}]"
        return ""
    path = "".join(f"[{p}]" if isinstance(p, int) else f".{p}" for p in fault.absolute_path)
    return f" at {path.lstrip('.')}" if path else ""


def _no_constant(text: str) -> Any:
    raise ValueError(f"{text} is no JSON number")


def _bounded_int(text: str) -> int:
    if len(text) > 18:
        raise ValueError("a number has too many digits")
    return int(text)


def _laid_out(data: Any, indent: str = "") -> str:
    """JSON that people can read and compare: one bar, section or mark a line."""
    inner = indent + " "
    if isinstance(data, dict) and indent.count(" ") < 3 and data:
        fields = ",\n".join(f"{inner}{json.dumps(k)}: {_laid_out(v, inner)}" for k, v in data.items())
        return f"{{\n{fields}\n{indent}}}" + ("" if indent else "\n")
    if isinstance(data, list) and data and isinstance(data[0], (dict, list)) and indent.count(" ") < 4:
        return "[\n" + ",\n".join(inner + _one_line(x) for x in data) + f"\n{indent}]"
    return _one_line(data)


def _one_line(data: Any) -> str:
    return json.dumps(data, ensure_ascii=False, allow_nan=False)
