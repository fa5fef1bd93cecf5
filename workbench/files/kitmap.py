"""Kit maps as tables that a spreadsheet opens: ``NAME.kit.csv``, one instrument a row.

Columns: instrument, label, place, notehead, keys in, key out (see
:class:`workbench.chart.drumkit.KitLine`); what is left empty stays as the drum key has it.
"""

from __future__ import annotations

import csv
import io
import os
from pathlib import Path

from workbench.chart import Chart
from workbench.chart.drumkit import KitLine
from workbench.errors import ChartError, FileFormatError
from workbench.files.safefile import write_whole
from workbench.files.untrusted import read_text, shown

COLUMNS = ("instrument", "label", "place", "notehead", "keys in", "key out")
#: Bytes; a kit has some dozens of rows.
_LARGEST = 100_000


def read_kit_map(path: str | os.PathLike) -> tuple[KitLine, ...]:
    """Read a kit map.

    Raises
    ------
    FileFormatError
        If the file cannot be read, a column is unknown or a row makes no sense; the row is named.
    """
    name = shown(Path(path).name)
    rows = csv.DictReader(io.StringIO(read_text(path, _LARGEST)), restkey="more")
    unknown = set(rows.fieldnames or ()) - set(COLUMNS)
    if unknown or "instrument" not in (rows.fieldnames or ()):
        raise FileFormatError(f"{name} is no kit map: its columns are {', '.join(COLUMNS)}.")
    lines = []
    for number, row in enumerate(rows, start=2):
        said = {k: (row.get(k) or "").strip() for k in COLUMNS}
        try:
            keys = tuple(int(key) for key in said["keys in"].split())
            out = int(said["key out"]) if said["key out"] else None
            lines.append(KitLine(said["instrument"], said["label"], said["place"], said["notehead"], keys, out))
        except ChartError as error:
            raise FileFormatError(f"Row {number} of {name}: {error}") from None
        except ValueError:
            raise FileFormatError(f"Row {number} of {name}: MIDI keys are numbers, several with spaces.") from None
    if len({line.instrument for line in lines}) < len(lines):
        raise FileFormatError(f"{name} has two rows for one instrument; a kit map has one.")
    return tuple(lines)


def write_kit_map(chart: Chart, path: str | os.PathLike) -> Path:
    """Write a chart's kit as a kit map: all that occurs or has a line of its own, nothing left empty."""
    lines = {line.instrument: line for line in chart.kit_map}
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(COLUMNS)
    for name in dict.fromkeys((*chart.instruments_used(), *lines)):
        own = chart.instrument(name)
        keys = lines[name].keys_in if name in lines else ()
        place = f"{own.staff_step}{own.staff_octave}"
        row = (name, own.label, place, own.notehead, " ".join(map(str, keys or (own.midi_note,))), own.midi_note)
        table.writerow(row)
    return write_whole(path, out.getvalue().encode())
