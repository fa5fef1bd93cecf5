"""The finished page: SVG, PDF and PNG.

Lines of music (:mod:`workbench.engraving.systems`) are laid on pages
(:mod:`workbench.engraving.pages`); SVG pages become PDF through typst and PNG through
resvg, with the fonts of :mod:`workbench.engraving.drawing`.
"""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from lxml import etree

from workbench.chart import Chart
from workbench.engraving.drawing import font_folder, needs_system_fonts
from workbench.engraving.mei import NAMESPACE, lines_mei
from workbench.engraving.pages import PLAIN, SMALLEST_STAFF_MM, PageStyle, lay_excerpt, lay_pages
from workbench.engraving.systems import System, engrave_systems, natural_widths
from workbench.errors import ChartError
from workbench.files.safefile import write_whole
from workbench.notation.abbreviations import bar_numbers, lay_lines
from workbench.notation.scoresigns import ScoreOptions, broken_before, clean_text, printed_bars, tempo_marks
from workbench.progress import Progress, part, silent

if TYPE_CHECKING:
    import typst

_FONTS = ("STIXGeneral.ttf", "STIXGeneralBol.ttf", "STIXGeneralItalic.ttf", "STIXGeneralBolIta.ttf", "DejaVuSans.ttf")

_LINES_AT_A_TIME = 12
#: Moments that one line holds, without and with count syllables under them.
_LINE, _COUNTED_LINE = 50.0, 40.0

#: What the full part shows by default: folded, so that it reads like a published part.
PART = ScoreOptions(repeats=True)


def engrave_svg(
    chart: Chart,
    bars: tuple[int, int] | None = None,
    options: ScoreOptions | None = None,
    style: PageStyle = PLAIN,
    progress: Progress | None = None,
    loop: bool = False,
) -> list[str]:
    """Engrave a chart, or an excerpt of it, as SVG.

    Parameters
    ----------
    chart : Chart
    bars : (int, int), optional
        First and last bar index of an excerpt (both included), drawn without
        page and heading; by default the whole part on pages.
    options : ScoreOptions, optional
        By default repeats, similes and multi-bar rests are used for the whole
        part, and none of them in an excerpt.
    style : PageStyle
    progress : callable, optional
    loop : bool
        Repeat signs around the excerpt: play it round and round.

    Returns
    -------
    list of str
        One SVG document a page; exactly one for an excerpt.

    Raises
    ------
    ChartError
        If the part does not fit on as many pages as the style says.
    """
    if bars is not None:
        options = options or ScoreOptions(similes=False, multirests=False)
        lines = _engrave_systems(chart, options, style, bars, progress, loop)
        return [lay_excerpt(lines)]
    options, pages = options or PART, list[str]()
    for smaller in _staves(style):
        lines = _engrave_systems(chart, options, smaller, None, progress, False)
        pages = lay_pages(chart, lines, smaller, options.doubts)
        if style.pages is None or len(pages) <= style.pages:
            return pages
    raise ChartError(
        f"The part does not fit on {style.pages} pages: with the smallest staff it takes {len(pages)}; "
        "allow as many, or leave the drum key out."
    )


def colour_notes(svg: str, colours: Mapping[str, str]) -> str:
    """An engraved page with the heads of some notes in colour.

    Parameters
    ----------
    svg : str
        From :func:`engrave_svg`.
    colours : mapping
        Colour by :func:`~workbench.notation.scoresigns.note_id`.
    """
    for name, colour in colours.items():
        svg = svg.replace(f'<g id="{name}" class="note">', f'<g id="{name}" class="note" fill="{colour}">')
    return svg


def _staves(style: PageStyle) -> Iterator[PageStyle]:
    """The style, and the same with ever smaller staves where it says how many pages there may be."""
    yield style
    staff_mm = style.staff_mm
    while style.pages is not None and staff_mm > SMALLEST_STAFF_MM:
        staff_mm = max(0.93 * staff_mm, SMALLEST_STAFF_MM)
        yield replace(style, staff_mm=staff_mm)


def engrave_lines(chart: Chart, options: ScoreOptions = PART, style: PageStyle = PLAIN) -> list[System]:
    """The lines of a chart, before they are laid on pages."""
    return _engrave_systems(chart, options, style, None, None, False)


def mei_bytes(chart: Chart, options: ScoreOptions = PART) -> bytes:
    """The part as an MEI 5 document (Music Encoding Initiative), as it is handed to the engraver."""
    lines = lay_lines(
        chart, printed_bars(chart, options), options.bars_per_line, breaks=broken_before(chart, options)[0]
    )
    root = etree.fromstring(lines_mei(chart, lines, options, show_meter=True))
    for n, line in enumerate(list(root.iter(f"{{{NAMESPACE}}}pb")), start=1):
        line.tag = f"{{{NAMESPACE}}}sb"
        if n == 1:  # a new system is one after another
            line.getparent().remove(line)
    description = etree.SubElement(root.find(f"{{{NAMESPACE}}}meiHead"), f"{{{NAMESPACE}}}fileDesc")
    titles = etree.SubElement(description, f"{{{NAMESPACE}}}titleStmt")
    etree.SubElement(titles, f"{{{NAMESPACE}}}title").text = clean_text(chart.title or "Drum Set")
    if chart.artist:
        etree.SubElement(titles, f"{{{NAMESPACE}}}composer").text = clean_text(chart.artist)
    etree.SubElement(description, f"{{{NAMESPACE}}}pubStmt")
    etree.indent(root, " ")
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8")


def engrave_pdf(
    chart: Chart,
    path: str | os.PathLike,
    bars: tuple[int, int] | None = None,
    options: ScoreOptions | None = None,
    style: PageStyle = PLAIN,
    progress: Progress | None = None,
    loop: bool = False,
) -> Path:
    """Engrave a chart, or an excerpt, as a PDF with outlines and selectable text.

    Raises
    ------
    FileFormatError
        If the file cannot be written.
    """
    tell = progress or silent
    pages = engrave_svg(chart, bars, options, style, part(progress, 0.0, 0.8), loop)
    tell(0.8, "Writing the PDF")
    data = svg_to_pdf(pages, chart.title, chart.artist)
    tell(1.0, "Writing the PDF")
    return write_whole(path, data)


def engrave_png(
    chart: Chart,
    path: str | os.PathLike,
    bars: tuple[int, int] | None = None,
    options: ScoreOptions | None = None,
    style: PageStyle = PLAIN,
    dots_per_inch: float = 150.0,
    progress: Progress | None = None,
    loop: bool = False,
) -> list[Path]:
    """Engrave a chart, or an excerpt, as PNG; further pages get ``-2``, ``-3`` … before the suffix."""
    path, out = Path(path), []
    for k, page in enumerate(engrave_svg(chart, bars, options, style, progress, loop), start=1):
        target = path if k == 1 else path.with_name(f"{path.stem}-{k}{path.suffix}")
        out.append(write_whole(target, svg_to_png(page, dots_per_inch)))
    return out


def svg_to_png(svg: str, dots_per_inch: float = 150.0) -> bytes:
    """Draw one of our SVG pages as PNG on white."""
    import resvg_py

    width = _size_mm(svg)[0] / 25.4 * dots_per_inch
    return bytes(
        resvg_py.svg_to_bytes(
            svg_string=svg,
            background="#ffffff",
            dpi=96,
            skip_system_fonts=not needs_system_fonts(svg),
            width=max(1, round(width)),
            font_files=[str(font_folder() / name) for name in _FONTS],
            font_family="STIXGeneral",
            serif_family="STIXGeneral",
        )
    )


def svg_to_pdf(pages: Sequence[str], title: str = "", author: str = "") -> bytes:
    """Gather SVG pages of ours in one PDF, the same bytes each time."""
    import typst

    with tempfile.TemporaryDirectory() as folder:
        for k, page in enumerate(pages):
            Path(folder, f"{k}.svg").write_text(page, encoding="utf-8")
        body = "\n".join(
            f'#page(width: {w}mm, height: {h}mm, margin: 0pt, image("{k}.svg", width: 100%))'
            for k, (w, h) in enumerate(map(_size_mm, pages))
        )
        # Title and author travel as data: they are never read as typst code.
        source = "#set document(title: sys.inputs.title, author: sys.inputs.author, date: none)\n" + body
        main = Path(folder, "main.typ")
        main.write_text(source, encoding="utf-8")
        return typst.compile(
            str(main),
            root=folder,
            font_paths=_pdf_fonts(any(map(needs_system_fonts, pages))),
            sys_inputs={"title": clean_text(title), "author": clean_text(author)},
        )


def _size_mm(page: str) -> tuple[float, float]:
    found = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', page)
    assert found is not None, "a page of ours says its size"
    return float(found[1]) / 10, float(found[2]) / 10


@cache
def _pdf_fonts(system: bool) -> typst.Fonts:
    """Our fonts, and the system's own where a text needs them."""
    import typst

    return typst.Fonts(include_system_fonts=system, include_embedded_fonts=False, font_paths=[str(font_folder())])


def _engrave_systems(
    chart: Chart,
    options: ScoreOptions,
    style: PageStyle,
    bars: tuple[int, int] | None,
    progress: Progress | None,
    loop: bool,
) -> list[System]:
    tell = progress or silent
    first, last = bars if bars is not None else (0, len(chart) - 1)
    printed = printed_bars(chart, options, first, last)
    if loop:
        printed = (replace(printed[0], opens_repeat=True), *printed[1:])
        printed = (*printed[:-1], replace(printed[-1], closes_repeat=True))
    line = (_COUNTED_LINE if options.counts else _LINE) / style.scale
    line_starts, page_starts = broken_before(chart, options)
    rows = lay_lines(chart, printed, options.bars_per_line, line, line_starts)
    room = style.room
    starts = {s.bar_index for s in chart.sections}
    widths = natural_widths(chart, rows, room, options.bars_per_line, starts)
    out: list[System] = []
    meter = None
    while len(out) < len(rows):
        tell(len(out) / len(rows), "Engraving")
        # Neighbours of one width are engraved together, some at a time.
        k = len(out)
        same = next((j for j in range(k, len(rows)) if widths[j] != widths[k]), len(rows))
        batch = rows[k : min(same, k + _LINES_AT_A_TIME)]
        opening = chart.time_map.bars[batch[0][0].bar_index].meter
        out += engrave_systems(chart, batch, options, widths[k], show_meter=opening != meter, look=style.look)
        meter = chart.time_map.bars[batch[-1][-1].bar_index].meter
    marks = tempo_marks(chart)
    for system in out:
        system.opens_page = system.printed[0].bar_index in page_starts
        system.tempo_marks = {
            b.bar_index: marks[b.bar_index] for b in system.printed if b.bar_index in marks and b.bar_index > 0
        }
    if style.bar_numbers:
        numbers = bar_numbers(chart, printed, options.numbers)
        for k, system in enumerate(out):
            number = numbers[system.printed[0].bar_index]
            opens_at_1 = k == 0 and bars is None and number == str(chart.time_map.bar_number(0))
            if number != "0" and not opens_at_1:
                system.number = number
    tell(1.0, "Engraving")
    return out
