"""What commands say alike."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from workbench.files.imports import Imported, ImportOptions


def read_told(path: str | os.PathLike, command: str, options: ImportOptions | None = None) -> Imported:
    """A chart from any file that holds one; what in it was not understood is said on standard error."""
    from workbench.files.imports import USUAL
    from workbench.scorefiles import read_any_chart

    imported = read_any_chart(path, options or USUAL)
    for problem in (*imported.remarks, *imported.problems):
        print(f"workbench {command}: {problem}", file=sys.stderr)
    return imported


def check_order(part: str | os.PathLike, recording: str | os.PathLike) -> None:
    """Refuse a written part where a recording is due: the two are easily named the wrong way round.

    Raises
    ------
    FileFormatError
        If the second is a chart or a score; a MIDI file may be what an electronic kit sent.
    """
    from workbench.errors import FileFormatError
    from workbench.scorefiles import holds_part

    name = os.path.basename(recording)
    if holds_part(recording) and not name.lower().endswith((".mid", ".midi")):
        if holds_part(part):
            raise FileFormatError(f"{name} is a written part and not a recording; name a recording second.")
        raise FileFormatError(f"Name the part first, then the recording: {name} {os.path.basename(part)}.")
