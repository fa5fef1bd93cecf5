"""Paper by typst, whose texts come as data and whose pictures are files of the moment."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from workbench.engraving.drawing import font_folder


def typeset(template: str, data: Mapping[str, Any], pictures: Mapping[str, str]) -> bytes:
    """A PDF.

    Parameters
    ----------
    template : str
        Typst source of ours; it finds what to say in ``data``, and pictures by name.
    data : mapping
        What JSON can hold.
    pictures : mapping of SVG → name
    """
    import typst

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for svg, file in pictures.items():
            (folder / file).write_text(svg, encoding="utf-8")
        (folder / "data.json").write_text(json.dumps(data), encoding="utf-8")
        (folder / "main.typ").write_text('#let data = json("data.json")\n' + template, encoding="utf-8")
        return typst.compile(
            str(folder / "main.typ"), root=name, font_paths=[str(font_folder())], ignore_system_fonts=True
        )
