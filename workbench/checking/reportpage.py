"""Report pages: what is to be told, block after block, as one HTML page that needs nothing else or as a PDF.

Text from charts and files is only ever set as text: escaped by the template in HTML, passed to
typst as data, never as markup or code.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from workbench.chart.counting import percent_said
from workbench.engraving.typeset import typeset
from workbench.errors import WorkbenchError
from workbench.files.safefile import write_whole
from workbench.templates import filled

#: Colours that stay apart for the colour-blind (M. Okabe, K. Ito, *Color
#: Universal Design*, 2008): wrong, doubtful, fine, neutral.
VERMILION, BLUE, GREEN, GREY = "#D55E00", "#0072B2", "#009E73", "#98a1a9"

#: Widths of the pictures on a report of one page, per cent of the line, the first that fits is taken.
PICTURE_WIDTHS = (84, 74, 64, 54)


@dataclass(frozen=True)
class Line:
    """What is found of a bar, at one or several places, or of several bars.

    Attributes
    ----------
    verdict : str
        'wrong' or 'listen'.
    text : str
    probability : float
        That the chart is wrong, and not the ear.
    stretch : (start_s, end_s), optional
        What to play of it.
    """

    verdict: str
    text: str
    probability: float
    stretch: tuple[float, float] | None = None

    @property
    def sure(self) -> str:
        return percent_said(self.probability)


@dataclass(frozen=True)
class ShownBar:
    """A bar and what is found in it; ``more`` counts what is not listed.

    Attributes
    ----------
    name : str
    at : str
        Where in the recording, as players read it.
    stretch : (start_s, end_s)
        What to play of it.
    written, recorded : str
        Its notes as an SVG, as written and as recorded; empty where there is none.
    lines : tuple of Line
    more : int
    alike : tuple of (name, (start_s, end_s))
        Other bars of which the same is said, to be played.
    written_at : (start_s, end_s)
        What to play of the page's sound of what is written.
    """

    name: str
    at: str
    stretch: tuple[float, float]
    written: str
    recorded: str
    lines: tuple[Line, ...]
    more: int = 0
    alike: tuple[tuple[str, tuple[float, float]], ...] = ()
    written_at: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Report:
    """A page to read.

    Attributes
    ----------
    title : str
    blocks : tuple of (kind, content)
        "lead", "warning", "text", "quiet", "head" and "verdicts" hold a text, "list" texts, "picture" an SVG,
        "table" rows with their heads first, "columns" pairs of a head and texts, "lines" :class:`Line`, "bar" a
        :class:`ShownBar`, "screen" a text that goes before bars.
    sound, written_sound : str
        Links to the recording, and to what is written of the bars shown, for the buttons that play a stretch.
    one_page : bool
        Paper is set small, to fit on one page; its bars are on the screen alone.
    """

    title: str
    blocks: tuple[tuple[str, Any], ...]
    sound: str = ""
    written_sound: str = ""
    one_page: bool = False

    def html(self) -> str:
        """The report as a page for the browser."""
        return filled("checking/page/report.html", report=self)

    def pdf(self) -> bytes:
        """The report on paper."""
        blocks = tuple(b for b in self.blocks if not (self.one_page and b[0] in ("bar", "screen")))
        data = asdict(replace(self, blocks=blocks, sound="", written_sound=""))
        pdf = b""
        # Many instruments make tall pictures: they are set smaller until the page holds all.
        for width in PICTURE_WIDTHS if self.one_page else (100,):
            pdf = typeset("checking/page/report.typ", data | {"picture_width": width})
            if re.search(rb"/Type\s*/Pages\s*/Count 1\b", pdf):
                break
        return pdf


def write_report(path: str | os.PathLike, to_data: Callable[[], dict], report: Callable[[], Report]) -> Path:
    """Write what was found as ``.html``, ``.pdf`` or ``.json``, by the name's ending."""
    ending = Path(path).suffix.lower()
    if ending == ".json":
        return write_whole(path, (json.dumps(to_data(), indent=1, ensure_ascii=False) + "\n").encode())
    if ending == ".pdf":
        return write_whole(path, report().pdf())
    if ending in (".html", ".htm"):
        return write_whole(path, report().html().encode())
    raise WorkbenchError(f"A report is written as .html, .pdf or .json, not as {Path(path).name}.")
