"""Report pages: what is to be told, block after block, as one HTML page that needs nothing else or as a PDF.

Text from charts and files is only ever set as text: escaped by the template in HTML, passed to
typst as data, never as markup or code.
"""

from __future__ import annotations

import base64
import io
import json
import os
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

import soundfile

from workbench.engraving.typeset import typeset
from workbench.errors import WorkbenchError
from workbench.files.audio import SAMPLE_RATE_HZ, describe_audio, load_audio
from workbench.files.safefile import write_whole
from workbench.templates import filled

#: Colours that stay apart for the colour-blind (M. Okabe, K. Ito, *Color
#: Universal Design*, 2008): wrong, doubtful, fine, neutral.
VERMILION, BLUE, GREEN, GREY = "#D55E00", "#0072B2", "#009E73", "#98a1a9"


@dataclass(frozen=True)
class Line:
    """What is found of one bar, at one or several places.

    Attributes
    ----------
    verdict : str
        'wrong' or 'listen'.
    text : str
    probability : float
        That the chart is wrong, and not the ear.
    bar_number : int, optional
    stretch : (start_s, end_s), optional
        What to play of it.
    """

    verdict: str
    text: str
    probability: float
    bar_number: int | None = None
    stretch: tuple[float, float] | None = None

    @property
    def sure(self) -> str:
        return f"{self.probability:.0%}"


@dataclass(frozen=True)
class ShownBar:
    """A bar with its notes as an SVG (or none) and what is found in it; ``more`` counts what is not listed."""

    number: int
    at: str
    stretch: tuple[float, float]
    picture: str
    lines: tuple[Line, ...]
    more: int = 0


@dataclass(frozen=True)
class Report:
    """A page to read.

    Attributes
    ----------
    title : str
    blocks : tuple of (kind, content)
        "lead", "warning", "text", "quiet", "head" and "verdicts" hold a text, "list" texts, "picture" an SVG,
        "table" rows with their heads first, "columns" pairs of a head and texts, "lines" :class:`Line`, "bar" a
        :class:`ShownBar`.
    sound : str
        Link to the recording, for the buttons that play a stretch of it.
    one_page : bool
        Paper is set small, to fit on one page.
    """

    title: str
    blocks: tuple[tuple[str, Any], ...]
    sound: str = ""
    one_page: bool = False

    def html(self) -> str:
        """The report as a page for the browser."""
        return filled("checking/page/report.html", report=self)

    def pdf(self) -> bytes:
        """The report on paper."""
        return typeset("checking/page/report.typ", asdict(self))


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


def clock(time_s: float) -> str:
    """A time as players read it: ``1:07.5``."""
    tenths = round(max(0.0, time_s) * 10)
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


#: Longer recordings are linked, not carried: their page would be too large to hand over, seconds.
LONGEST_CARRIED_S = 600.0


def carried_sound(recording: str | os.PathLike, page: str | os.PathLike) -> str:
    """A recording to be played by a page: as MP3 within it, mono, so that the page alone can be handed over; a link
    where the recording is gone or too long."""
    try:
        if describe_audio(recording).duration_s > LONGEST_CARRIED_S:
            return relative_link(recording, page)
        audio = load_audio(recording, SAMPLE_RATE_HZ, mono=True)
    except WorkbenchError:
        return relative_link(recording, page)
    file = io.BytesIO()
    soundfile.write(file, 0.9 * audio.samples, audio.sample_rate, format="MP3", subtype="MPEG_LAYER_III")
    return "data:audio/mpeg;base64," + base64.b64encode(file.getvalue()).decode()


def relative_link(target: str | os.PathLike, page: str | os.PathLike) -> str:
    """A link from a page to a file near it, quoted for HTML's ``src``."""
    path = os.path.relpath(Path(target).resolve(), Path(page).resolve().parent)
    return quote(path.replace(os.sep, "/"))
