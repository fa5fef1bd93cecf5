"""Annotations as plain tables: time labels, hits and beats.

Three text files that other programs read and write:

* **time labels**: ``time label`` a line, separated by tabs or blanks, as data
  sets of drum recordings and most annotation programs have them;
* ``NAME.hits.csv``: ``time_s, bar, position, instrument, velocity, confidence``;
* ``NAME.beats.csv``: ``time_s, bar, beat``.

``bar`` is the number players say (a pick-up is 0), ``position`` an exact
fraction of a whole note from the bar line, written ``3/8``.  Times are seconds
with six decimals.
"""

from __future__ import annotations

import csv
import io
import math
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.chart import Chart
from workbench.chart.data import fraction_from_data
from workbench.chart.events import Beat, Stroke
from workbench.chart.meter import TimeMap
from workbench.errors import ChartError, FileFormatError
from workbench.files.chartfile import write_text_safely
from workbench.files.untrusted import MOST_NOTES, read_text

if TYPE_CHECKING:
    import pandas

HITS_COLUMNS = ("time_s", "bar", "position", "instrument", "velocity", "confidence")
BEATS_COLUMNS = ("time_s", "bar", "beat")

#: Largest table that is read, bytes (two hours of hits are some 4 MB).
LARGEST_TABLE_BYTES = 16_000_000
#: Latest time of an annotation, seconds: mir_eval compares none beyond (``mir_eval.onset.MAX_TIME``).
LATEST_S = 30_000.0


@dataclass(frozen=True)
class AnnotatedHit:
    """A row of ``hits.csv``: a stroke and the place it was written at.

    ``bar_number`` and ``position`` are None where a table gives only times.
    """

    stroke: Stroke
    bar_number: int | None = None
    position: Fraction | None = None


# -- time labels -----------------------------------------------------------------------


def read_labels(path: str | os.PathLike) -> list[tuple[float, str]]:
    """Times (seconds) and labels of a time-label file, in order of time.

    Empty lines and lines that begin with ``#`` are left out; a label may be
    missing (empty text then) and may hold blanks.

    Raises
    ------
    FileFormatError
        If it cannot be read, or a line does not begin with a time.
    """
    path = Path(path)
    found = []
    for number, line in enumerate(read_text(path, LARGEST_TABLE_BYTES).splitlines(), 1):
        line = line.strip()
        if not line or line.startswith("#"):
            continue
        if len(found) >= MOST_NOTES:
            raise FileFormatError(f"{path.name} has more than {MOST_NOTES} labels; no recording has so many.")
        time, *label = line.split(None, 1)
        found.append((_time(time, path, number), label[0].strip() if label else ""))
    return sorted(found, key=lambda pair: pair[0])


def write_labels(labels: Iterable[tuple[float, str]], path: str | os.PathLike) -> None:
    """Write times and labels, tab-separated, in order of time."""
    lines = sorted(labels, key=lambda pair: pair[0])
    for _, label in lines:
        if "\n" in label or "\r" in label:
            raise FileFormatError(f"A label cannot hold a line break ({label!r}).")
    write_text_safely(path, "".join(f"{time_s:.6f}\t{label}\n" for time_s, label in lines))


def read_beat_labels(path: str | os.PathLike) -> list[Beat]:
    """Beats of a time-label file whose labels are the beat's number in its bar."""
    path = Path(path)
    beats = []
    for time_s, label in read_labels(path):
        if not re.fullmatch("0*[1-9][0-9]{0,3}", label):
            raise FileFormatError(
                f"{path.name}: the beat at {time_s:.3f} s has the number {label!r:.40}; beats are numbered from 1."
            )
        beats.append(Beat(time_s, int(label)))
    return beats


# -- hits --------------------------------------------------------------------------------


def hits_of_chart(chart: Chart) -> list[AnnotatedHit]:
    """Every note of a chart as it was played, in order of time."""
    hits = [
        AnnotatedHit(
            Stroke(chart.note_time_s(k, n), n.instrument, n.velocity, n.confidence),
            chart.time_map.bar_number(k),
            n.position,
        )
        for k, n in chart.notes()
    ]
    return sorted(hits, key=lambda h: h.stroke.time_s)


def hits_table(chart: Chart) -> pandas.DataFrame:
    """Every hit of a chart as a table; see :func:`workbench.hits`."""
    import pandas

    rows = [
        (s.time_s, h.bar_number, h.position, s.instrument, s.velocity, s.confidence)
        for h in hits_of_chart(chart)
        for s in (h.stroke,)
    ]
    return pandas.DataFrame(rows, columns=list(HITS_COLUMNS))


def write_hits(hits: Iterable[AnnotatedHit] | Chart, path: str | os.PathLike) -> None:
    """Write ``hits.csv`` from hits or straight from a chart."""
    rows = hits_of_chart(hits) if isinstance(hits, Chart) else hits
    _write_table(
        path,
        HITS_COLUMNS,
        (
            (
                f"{h.stroke.time_s:.6f}",
                "" if h.bar_number is None else h.bar_number,
                "" if h.position is None else str(h.position),
                h.stroke.instrument,
                h.stroke.velocity,
                f"{h.stroke.confidence:.4g}",
            )
            for h in rows
        ),
    )


def read_hits(path: str | os.PathLike) -> list[AnnotatedHit]:
    """Inverse of :func:`write_hits`; only ``time_s`` and ``instrument`` are required.

    Raises
    ------
    FileFormatError
        Naming the line that is wrong.
    """
    path = Path(path)
    hits = []
    for line, row in _read_table(path, HITS_COLUMNS, {"time_s", "instrument"}):
        try:
            stroke = Stroke(
                _time(row["time_s"], path, line),
                row["instrument"],
                _whole(row.get("velocity") or "80", "velocity"),
                _number(row.get("confidence") or "1"),
            )
            hits.append(
                AnnotatedHit(
                    stroke,
                    _whole(row["bar"], "bar number") if row.get("bar") else None,
                    fraction_from_data(row["position"]) if row.get("position") else None,
                )
            )
        except ChartError as error:
            raise FileFormatError(f"{path.name}, line {line}: {error}") from error
    return hits


# -- beats ---------------------------------------------------------------------------------


def _beat_rows(time_map: TimeMap) -> Iterator[tuple[float, int, int]]:
    """Time, bar number and beat of every counted beat."""
    for k, bar in enumerate(time_map.bars):
        for time_s, position in zip(bar.beat_times_s, bar.beat_positions()):
            beat, past = bar.count(position)
            if past == 0:  # a pick-up may open between two beats
                yield time_s, time_map.bar_number(k), beat


def beats_table(chart: Chart) -> pandas.DataFrame:
    """Every counted beat of a chart as a table; see :func:`workbench.beats`."""
    import pandas

    return pandas.DataFrame(_beat_rows(chart.time_map), columns=list(BEATS_COLUMNS))


def write_beats(time_map: TimeMap, path: str | os.PathLike) -> None:
    """Write ``beats.csv``: every counted beat of a time map."""
    _write_table(path, BEATS_COLUMNS, ((f"{t:.6f}", bar, beat) for t, bar, beat in _beat_rows(time_map)))


def read_beats(path: str | os.PathLike) -> list[Beat]:
    """Beats of a ``beats.csv``, in order of time.

    Raises
    ------
    FileFormatError
        Naming the line that is wrong.
    """
    path = Path(path)
    beats = []
    for line, row in _read_table(path, BEATS_COLUMNS, {"time_s", "beat"}):
        try:
            beats.append(Beat(_time(row["time_s"], path, line), _whole(row["beat"], "beat")))
        except ChartError as error:
            raise FileFormatError(f"{path.name}, line {line}: {error}") from error
    return sorted(beats)


# -- tables ----------------------------------------------------------------------------------


def _write_table(path: str | os.PathLike, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    write_text_safely(path, text.getvalue())


def _read_table(path: Path, columns: Sequence[str], needed: set[str]) -> list[tuple[int, dict[str, str]]]:
    reader = csv.reader(io.StringIO(read_text(path, LARGEST_TABLE_BYTES)))
    try:
        head = [c.strip() for c in next(reader, [])]
        lacking = [c for c in columns if c in needed and c not in head]
        if lacking:
            raise FileFormatError(
                f"{path.name} has no column {lacking[0]!r}; its first line names the columns {', '.join(columns)}."
            )
        rows = []
        for row in reader:
            if not any(field.strip() for field in row):
                continue
            if len(row) != len(head):
                raise FileFormatError(
                    f"{path.name}, line {reader.line_num}: {len(row)} fields under {len(head)} columns."
                )
            if len(rows) >= MOST_NOTES:
                raise FileFormatError(f"{path.name} has more than {MOST_NOTES} rows; no recording has so many.")
            rows.append((reader.line_num, {c: f.strip() for c, f in zip(head, row)}))
    except csv.Error:
        raise FileFormatError(
            f"{path.name}, line {reader.line_num}: a quotation mark that is not closed, or a field without end."
        ) from None
    return rows


def _time(text: str, path: Path, line: int) -> float:
    time_s = _number(text)
    if not math.isfinite(time_s):
        raise FileFormatError(f"{path.name}, line {line}: {text!r:.40} is no time in seconds.")
    if abs(time_s) > LATEST_S:
        raise FileFormatError(
            f"{path.name}, line {line}: {text!r:.40} lies beyond {LATEST_S:.0f} s; cut the recording up."
        )
    return time_s


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def _whole(text: str, what: str) -> int:
    if not re.fullmatch("[0-9]{1,6}", text):
        raise ChartError(f"{text!r:.40} is no {what}; write a whole number.")
    return int(text)
