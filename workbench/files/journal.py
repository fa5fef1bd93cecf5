"""The journal of a chart: every step of editing, on disk before it counts as done.

A text file of JSON lines::

    {"journal": "drum chart", "version": 2, "n": 0, "saved": SHA-256}
    {"n": 0, "saved": SHA-256, "chart": CHART}      the chart that the steps start from
    {"n": 1, "do": EDIT}  {"n": 2, "undo": 1}  {"n": 3, "redo": 1}
    {"n": 3, "saved": SHA-256}                      from here on the chart file holds this chart

``n`` counts the steps; ``saved`` says of which chart file, by its hash, the
chart is that stands after step ``n``.  Each line ends with its own checksum
(``"crc"``: CRC-32, which notices every altered byte), and each says by itself
where it belongs: so whatever happens to some lines, the others still count.

Version 1 had no checksums, and its first line held both header and chart.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from workbench.chart import Chart
from workbench.chart.data import MOST, chart_from_data, to_data
from workbench.errors import ChartError, FileFormatError
from workbench.files.chartfile import ENDING, DamagedChartError, loads_chart
from workbench.files.history import History
from workbench.files.safefile import replacing
from workbench.files.untrusted import read_bytes

#: Version of the journal's format.
JOURNAL_VERSION = 2
#: A line and its checksum.
_CLOSED = re.compile(rb'(.*),"crc":"([0-9a-f]{8})"\}', re.DOTALL)
#: Largest journal that is read, bytes.
_LARGEST_BYTES = 2**30
#: So many bytes at a journal's end tell whether it is still as it was left: a checksum is among them.
_TAIL = 64

Line = dict[str, Any]


class ChangedElsewhereError(FileFormatError):
    """A chart was changed by another notebook or program since it was opened here."""

    def __init__(self, name: str) -> None:
        super().__init__(
            f"{name} was changed in another notebook or program since it was opened here, so nothing was done: "
            "press “Go on here”, or open it again, to go on from what is on disk."
        )


class End(NamedTuple):
    """How a journal ended when it was last read or written."""

    length: int
    tail: bytes


def journal_path(path: str | os.PathLike) -> Path:
    """Where the journal of a chart file lies."""
    path = Path(path)
    name = path.name.removesuffix(ENDING) if path.name.endswith(ENDING) else path.stem
    return path.with_name(f"{name}.journal.jsonl")


# -- on disk -------------------------------------------------------------------------


def read_journal(path: Path) -> bytes | None:
    """What is in a journal; None if there is none."""
    return read_bytes(path, _LARGEST_BYTES) if os.path.lexists(path) else None


def end_of(data: bytes) -> End:
    """The end of a journal with this content."""
    return End(len(data), data[-_TAIL:])


def append(path: Path, line: Line, end: End, name: str) -> End:
    """Write a line at the journal's end and flush it to disk, or leave the journal as it was.

    Raises
    ------
    ChangedElsewhereError
        If the journal does not end as it was left; ``name`` is that of its chart.
    FileFormatError
        If it cannot be written.
    """
    data = _closed(line)
    try:
        with open(path, "r+b", buffering=0) as file:  # unbuffered: a failed write leaves nothing to be written later
            length = os.fstat(file.fileno()).st_size
            file.seek(max(0, length - _TAIL))
            if End(length, file.read(_TAIL)) != end:
                raise ChangedElsewhereError(name)
            try:
                if file.write(data) < len(data):
                    raise OSError(28, "the disk is full")
                os.fsync(file.fileno())
            except BaseException:  # a user's interrupt, too
                file.truncate(length)
                raise
    except OSError as error:
        raise _unwritten(path, error) from error
    return End(length + len(data), (end.tail + data)[-_TAIL:])


def write_anew(path: Path, data: bytes, mode: int) -> End:
    """Write a whole journal, in place of an older one; ``mode`` gives its rights."""
    try:
        with replacing(path, mode) as temporary:
            temporary.write_bytes(data)
    except OSError as error:
        raise _unwritten(path, error) from error
    return end_of(data)


def _unwritten(path: Path, error: OSError) -> FileFormatError:
    return FileFormatError(
        f"The edit was not made: its journal {path} could not be written ({error.strerror or error})."
    )


def journal_bytes(lines: list[Line]) -> bytes:
    """Lines as a journal holds them."""
    return b"".join(map(_closed, lines))


def _closed(line: Line) -> bytes:
    """A line as it stands in the file, with its checksum."""
    try:
        text = json.dumps(line, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()[:-1]
    except ValueError as error:
        raise ChartError(f"The edit was not made: no file can hold it ({error}).") from error
    return text + b',"crc":"%08x"}\n' % zlib.crc32(text)


# -- starting again from what is on disk ------------------------------------------------


@dataclass(frozen=True)
class Recovered:
    """What chart file and journal give together.

    Attributes
    ----------
    history : History
        All steps that can be made again.
    saved_revision : int or None
        After which of them the chart file was written; None if that is damaged.
    lines : list of dict
        A journal that leads here; empty without one, or if the one found leads elsewhere.
    whole : bool
        Whether nothing of the journal found is damaged, missing, doubled or out of order.
    old : bool
        Whether it is in an older format.
    """

    history: History
    saved_revision: int | None
    lines: list[Line]
    whole: bool
    old: bool


def recover(chart_file: bytes, journal: bytes | None, name: str = "The chart") -> Recovered:
    """The furthest that a chart file and its journal lead, whatever has happened to them.

    The steps are made again from the journal's first chart on; where damage
    stops them before what the chart file holds, they go on from that.

    Parameters
    ----------
    chart_file, journal : bytes
        The content of both files; None without a journal.

    Raises
    ------
    DamagedChartError
        If neither gives a chart.
    FileFormatError
        If a newer version wrote one of them.

    Examples
    --------
    >>> from workbench.files.chartfile import dumps_chart
    >>> from workbench.chart.meter import TimeMap
    >>> chart = Chart.empty(TimeMap.steady(4, 120))
    >>> recover(dumps_chart(chart).encode(), None).history.chart == chart
    True
    """
    file, fault, hash_ = None, None, sha256_of_bytes(chart_file)
    try:
        file = loads_chart(chart_file, name)
    except DamagedChartError as error:
        fault = error
    lines, old = _lines(journal or b"", name)
    steps = {line["n"]: line for line in lines if line and _is_step(line)}
    marks = sorted(line["n"] for line in lines if line and line.get("saved") == hash_)

    base = next((way for line in lines if line and (way := _Way.from_base(line, steps))), None)
    whole = journal is None or (base is not None and base.journal(lines) == lines and journal.endswith(b"\n"))
    if file is None:
        if base is None:
            raise fault or DamagedChartError(f"{name} is damaged.")
        return Recovered(base.history, None, base.journal(lines), whole, old)
    after_file = None
    if marks:
        after_file = _Way.follow({"n": marks[-1], "saved": hash_, "chart": to_data(file)}, file, steps)
    if base is not None:
        # The hash tells at once where the chart file stands, its content also where that mark is lost.
        saved = next((n for n in (*reversed(marks), *reversed(base.passed)) if base.passed.get(n) == file), None)
        if saved is not None and (after_file is None or after_file.history.revision <= base.history.revision):
            return Recovered(base.history, saved, base.journal(lines), whole, old)
    if after_file is not None:
        return Recovered(after_file.history, marks[-1], after_file.journal(lines), False, old)
    return Recovered(History((file,)), 0, [], whole, old)


def saved_charts(journal: bytes, name: str = "The chart") -> list[Chart]:
    """The charts of a journal that were once in the chart file, the newest first."""
    lines, _ = _lines(journal, name)
    steps = {line["n"]: line for line in lines if line and _is_step(line)}
    way = next((way for line in lines if line and (way := _Way.from_base(line, steps))), None)
    if way is None:
        return []
    marks = {way.start["n"], *(line["n"] for line in lines if line and _is_mark(line))}
    return [way.passed[n] for n in sorted(marks, reverse=True) if n in way.passed]


def sha256_of_bytes(data: bytes) -> str:
    """By what a journal knows a chart file."""
    return hashlib.sha256(data).hexdigest()


def header_of(start: Line) -> Line:
    """The first line of a journal, before that with the chart that the steps start from."""
    return {"journal": "drum chart", "version": JOURNAL_VERSION, "n": start["n"], "saved": start.get("saved", "")}


@dataclass(frozen=True)
class _Way:
    """The steps made again from one chart on, as far as they go."""

    start: Line
    history: History
    passed: dict[int, Chart]  # what stood after each step

    @staticmethod
    def follow(start: Line, chart: Chart, steps: dict[int, Line]) -> _Way:
        history = History((chart,), revision=start["n"])
        passed = {history.revision: chart}
        while step := steps.get(history.revision + 1):
            try:
                history = history.with_step(step)
            except Exception:  # whatever a step holds that is none, the chart must open
                break
            passed[history.revision] = history.chart
        return _Way(start, history, passed)

    @staticmethod
    def from_base(line: Line, steps: dict[int, Line]) -> _Way | None:
        try:
            return _Way.follow(line, chart_from_data(line["chart"]), steps)
        except Exception:  # no chart, or a damaged one
            return None

    def journal(self, lines: list[Line | None]) -> list[Line]:
        """The lines that lead this way, in order and each step once."""
        first, last = self.start["n"], self.history.revision
        steps = {line["n"]: line for line in lines if line and _is_step(line) and first < line["n"] <= last}
        marks = [line for line in lines if line and _is_mark(line) and first <= line["n"] <= last]
        in_order = sorted([*steps.values(), *marks], key=lambda line: (line["n"], _is_mark(line)))
        return [header_of(self.start), self.start, *in_order]


def _lines(data: bytes, name: str) -> tuple[list[Line | None], bool]:
    """The lines of a journal, None for damaged ones, and whether they are of version 1."""
    found = data.split(b"\n")
    if not found[-1]:
        found.pop()
    header = _loaded(found[0]) if found else None
    if header and "crc" not in header and isinstance(header.get("sha256"), str) and "chart" in header:
        return _of_version_1(header, [_numbered(_loaded(x)) for x in found[1:]]), True
    lines = [_numbered(_checked(x)) for x in found]
    version = lines[0].get("version") if lines and lines[0] else None
    if isinstance(version, int) and version > JOURNAL_VERSION:
        raise FileFormatError(
            f"The journal of {name} was written by a newer workbench; update the workbench to open it."
        )
    return lines, False


def _of_version_1(header: Line, lines: list[Line | None]) -> list[Line | None]:
    counted: list[Line | None] = []
    for line in lines:
        if line:
            # A number that comes again takes the place of a step that was interrupted before it counted.
            while counted and (last := counted[-1]) and last["n"] >= line["n"] + _is_mark(line):
                counted.pop()
        counted.append(line)
    first = counted[0]["n"] - 1 if counted and counted[0] else 0
    start = {"n": max(0, first), "saved": header["sha256"], "chart": header["chart"]}
    return [header_of(start), start, *counted]


def _is_step(line: Line) -> bool:
    return "do" in line or "undo" in line or "redo" in line


def _is_mark(line: Line) -> bool:
    return "saved" in line and "chart" not in line and "journal" not in line


def _checked(line: bytes) -> Line | None:
    closed = _CLOSED.fullmatch(line)
    if closed is None or int(closed[2], 16) != zlib.crc32(closed[1]):
        return None
    return _loaded(closed[1] + b"}")


def _loaded(line: bytes) -> Line | None:
    try:
        data = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return data if isinstance(data, dict) else None


def _numbered(line: Line | None) -> Line | None:
    return line if line and type(line.get("n")) is int and 0 <= line["n"] < MOST else None
