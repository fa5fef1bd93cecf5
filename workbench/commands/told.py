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
