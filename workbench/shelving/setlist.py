"""A band's evening: chosen charts as one booklet to print, and as one page for the screen.

The booklet's first sheet is for the whole evening: songs in order, with tempo, meter, feel and the page of their part.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from workbench.chart import Chart
from workbench.chart.counting import length_words
from workbench.chart.excerpts import excerpt_chart
from workbench.engraving.engrave import engrave_svg
from workbench.engraving.pages import PageStyle
from workbench.engraving.typeset import typeset
from workbench.errors import WorkbenchError
from workbench.files.safefile import check_folder, make_folder, write_whole
from workbench.notation.scoresigns import ScoreOptions, clean_text
from workbench.practice.pages import BEAT_SIGNS
from workbench.progress import Progress, silent
from workbench.reading.read import Reading, read_part, reading_to_edits
from workbench.reading.wording import groove_title
from workbench.shelving.entry import shelf_entry, short_name
from workbench.templates import filled

#: Grooves of a song that the page shows, those of most bars (chosen by eye, no source).
MOST_GROOVES = 3


class SetList(NamedTuple):
    """The files of a set list."""

    booklet: Path
    page: Path


def write_set_list(
    charts: Sequence[Chart],
    folder: str | os.PathLike,
    title: str = "Set list",
    paper: str = "A4",
    progress: Progress | None = None,
) -> SetList:
    """Write ``set-list.pdf`` and ``set-list.html``; see :func:`workbench.set_list`.

    Raises
    ------
    WorkbenchError
        If there are no charts, or the folder cannot be written to.
    """
    if not charts:
        raise WorkbenchError("A set list needs a chart or more.")
    check_folder(folder)
    tell, songs = progress or silent, []
    for k, chart in enumerate(charts):
        tell(0.9 * k / len(charts), f"Engraving {chart.title or f'song {k + 1}'}")
        songs.append(_song(chart, PageStyle(paper=paper)))
    place = make_folder(folder)
    first = 2
    for song in songs:
        song["page"] = first
        first += len(song["pages"])
    tell(0.9, "Writing the booklet")
    data = {"title": clean_text(title), "paper": {"A4": "a4", "Letter": "us-letter"}[paper], "songs": songs}
    booklet = write_whole(place / "set-list.pdf", typeset("shelving/page/setlist.typ", data))
    page = filled("shelving/page/setlist.html", title=title, songs=songs)
    tell(1.0, "Set list written")
    return SetList(booklet, write_whole(place / "set-list.html", page.encode("utf-8", "replace")))


def _song(chart: Chart, style: PageStyle) -> dict[str, Any]:
    """What booklet and page say and show of a song."""
    reading = read_part(chart)
    entry = shelf_entry(reading)
    marked = chart if chart.sections or not entry["hits"] else reading_to_edits(reading).apply(chart)
    beat = BEAT_SIGNS.get(chart.time_map.bars[0].meter.beat_length, "beat")
    doubts = entry["doubts"]
    return {
        "title": clean_text(chart.title or "Drum part"),
        "artist": clean_text(chart.artist),
        "tempo": f"{beat} = {entry['tempo_bpm']}",
        "meters": ", ".join(entry["meters"]),
        "feel": entry["feel"],
        "bars": length_words(chart.time_map, range(len(chart))),
        "form": [(clean_text(name), len(s.bars)) for name, s in zip(entry["form"], reading.form)],
        "doubts": f"{doubts} hit{'s' * (doubts != 1)} still in doubt: listen first." if doubts else "",
        "grooves": [(clean_text(said), svg) for said, svg in _grooves(reading)],
        "pages": engrave_svg(marked, style=style),
    }


def _grooves(reading: Reading) -> list[tuple[str, str]]:
    """The grooves of most bars: what they are, and their bars engraved."""
    most = sorted(reading.grooves, key=lambda g: -len(g.groove.bar_indices))[:MOST_GROOVES]
    options = ScoreOptions(similes=False, multirests=False)
    style = PageStyle(heading=False, legend=False, bar_numbers=False)
    out = []
    for own in sorted(most, key=lambda g: g.groove.bar_indices[0]):
        first = own.groove.base_bars[0]
        bar = excerpt_chart(reading.chart, first, first)
        said = groove_title(own.label, own.part) + short_name(own)
        out.append((said, engrave_svg(bar, (0, 0), options, style)[0].removeprefix('<?xml version="1.0"?>')))
    return out
