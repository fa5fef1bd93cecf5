"""Paper by typst, whose texts come as data."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import workbench
from workbench.engraving.drawing import font_folder


def typeset(template: str, data: Mapping[str, Any]) -> bytes:
    """A PDF.

    Parameters
    ----------
    template : str
        Typst source within the package, such as "checking/page/report.typ"; it finds what to say in ``data``.
    data : mapping
        What JSON can hold; pictures as SVG.
    """
    import typst

    source = Path(workbench.__file__).parent / template
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "data.json").write_text(json.dumps(data), encoding="utf-8")
        (folder / "main.typ").write_text(
            '#let data = json("data.json")\n' + source.read_text("utf-8"), encoding="utf-8"
        )
        return typst.compile(
            str(folder / "main.typ"), root=name, font_paths=[str(font_folder())], ignore_system_fonts=True
        )
