"""Annotations as plain tables: time labels, hits and beats.

* **time labels** are read: ``time label`` a line, separated by tabs or blanks, as data
  sets of drum recordings and most annotation programs have them;
* ``NAME.hits.csv`` is written: ``time_s, bar, position, instrument, velocity, confidence``;
* ``NAME.beats.csv`` likewise: ``time_s, bar, beat``.

``bar`` is the number players say (a pick-up is 0), ``position`` an exact
fraction of a whole note from the bar line, written ``3/8``.  Times are seconds
with six decimals.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from workbench.chart import Chart
from workbench.chart.events import Beat
from workbench.errors import FileFormatError
from workbench.files.safefile import write_whole
from workbench.files.untrusted import MOST_NOTES, read_text

if TYPE_CHECKING:
    import pandas

HITS_COLUMNS = ("time_s", "bar", "position", "instrument", "velocity", "confidence")
POSSIBLE_COLUMNS = ("time_s", "bar", "position", "instrument", "velocity", "probability", "reason")
BEATS_COLUMNS = ("time_s", "bar", "beat")

#: Largest table that is read, bytes (two hours of hits are some 4 MB).
LARGEST_TABLE_BYTES = 16_000_000
#: Latest time of an annotation, seconds: mir_eval compares none beyond (``mir_eval.onset.MAX_TIME``).
LATEST_S = 30_000.0


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
    found: list[tuple[float, str]] = []
    for number, line in enumerate(read_text(path, LARGEST_TABLE_BYTES).splitlines(), 1):
        line = line.strip()
        if not line or line.startswith("#"):
            continue
        if len(found) >= MOST_NOTES:
            raise FileFormatError(f"{path.name} has more than {MOST_NOTES} labels; no recording has so many.")
        time, *label = line.split(None, 1)
        found.append((_time(time, path, number), label[0].strip() if label else ""))
    return sorted(found, key=lambda pair: pair[0])


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


def _time(text: str, path: Path, line: int) -> float:
    try:
        time_s = float(text)
    except ValueError:
        time_s = math.nan
    if not math.isfinite(time_s):
        raise FileFormatError(f"{path.name}, line {line}: {text!r:.40} is no time in seconds.")
    if abs(time_s) > LATEST_S:
        raise FileFormatError(
            f"{path.name}, line {line}: {text!r:.40} lies beyond {LATEST_S:.0f} s; cut the recording up."
        )
    return time_s


# -- tables --------------------------------------------------------------------------------


def hits_table(chart: Chart) -> pandas.DataFrame:
    """Every hit of a chart as a table, in order of time; see :func:`workbench.hits`."""
    import pandas

    rows = [
        (chart.note_time_s(k, n), chart.time_map.bar_number(k), n.position, n.instrument, n.velocity, n.confidence)
        for k, n in chart.notes()
    ]
    return pandas.DataFrame(sorted(rows, key=lambda row: row[0]), columns=list(HITS_COLUMNS))


def possible_hits_table(chart: Chart) -> pandas.DataFrame:
    """What a draft did not write but may have been played, in order of time.

    Parameters
    ----------
    chart : Chart

    Returns
    -------
    DataFrame
        A row for each possible hit that is neither accepted, refused nor written: ``time_s``, ``bar``, ``position``,
        ``instrument`` and ``velocity`` as in :func:`hits_table`; ``probability``, 0 to 1; ``reason``, a sentence.
    """
    import pandas

    rows = [
        (h.time_s, chart.time_map.bar_number(k), n.position, h.instrument, h.velocity, h.probability, h.reason)
        for k, n, h in chart.possible_notes()
    ]
    return pandas.DataFrame(rows, columns=list(POSSIBLE_COLUMNS))


def beats_table(chart: Chart) -> pandas.DataFrame:
    """Every counted beat of a chart as a table; see :func:`workbench.beats`."""
    import pandas

    rows = []
    for k, bar in enumerate(chart.time_map.bars):
        for time_s, position in zip(bar.beat_times_s, bar.beat_positions()):
            beat, past = bar.count(position)
            if past == 0:  # a pick-up may open between two beats
                rows.append((time_s, chart.time_map.bar_number(k), beat))
    return pandas.DataFrame(rows, columns=list(BEATS_COLUMNS))


def write_hits(chart: Chart, path: str | os.PathLike) -> None:
    """Write ``hits.csv``: every hit of a chart."""
    write_whole(path, _hits_csv(chart))


def write_beats(chart: Chart, path: str | os.PathLike) -> None:
    """Write ``beats.csv``: every counted beat of a chart."""
    write_whole(path, _beats_csv(chart))


def renew_tables(earlier: Iterable[Chart], now: Chart, hits: Path, beats: Path) -> list[Path]:
    """Write a chart's tables anew where they lie as one of the earlier charts wrote them.

    Returns the others: what somebody made of a table stays.
    """
    kept, earlier = [], list(earlier)
    for path, csv in ((hits, _hits_csv), (beats, _beats_csv)):
        found, new = path.read_bytes() if path.is_file() else None, csv(now)
        if found is None or found == new:
            continue
        if any(found == csv(chart) for chart in earlier):
            write_whole(path, new)
        else:
            kept.append(path)
    return kept


def _hits_csv(chart: Chart) -> bytes:
    table = hits_table(chart)
    return _csv(table.assign(confidence=[f"{c:.4g}" for c in table["confidence"]]))


def _beats_csv(chart: Chart) -> bytes:
    return _csv(beats_table(chart))


def _csv(table: pandas.DataFrame) -> bytes:
    return table.to_csv(index=False, float_format="%.6f", lineterminator="\n").encode()
