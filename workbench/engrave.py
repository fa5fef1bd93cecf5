"""The finished page: SVG, PDF and PNG.

Each line of music is engraved on its own (verovio), then lines, headings,
section boxes, bar numbers and the drum key are laid on pages here.  Page units
are tenths of a millimetre.  Nothing is fetched: the text font is STIX (metric
companion of Times) from the matplotlib wheel, music symbols are outlines.

Every note of the SVG has the id that :func:`workbench.musicxml.note_id` gives,
every bar that of :func:`workbench.musicxml.bar_id`.
"""

from __future__ import annotations

import importlib.util
import os
import re
import tempfile
import threading
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

from lxml import etree

from workbench.abbreviations import Kind, PrintedBar, abbreviate, bar_weight, lay_lines
from workbench.chart import Chart, Section
from workbench.errors import ChartError
from workbench.mei import legend_mei, line_mei
from workbench.musicxml import ScoreOptions, bar_id, clean_text, marked_tempo_bpm
from workbench.progress import Progress, part, silent
from workbench.safefile import write_whole

#: Width and height of the papers, tenths of a millimetre (ISO 216; ANSI A).
PAPERS: dict[str, tuple[int, int]] = {"A4": (2100, 2970), "Letter": (2159, 2794)}
_MARGIN = 150
_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_FONTS = ("STIXGeneral.ttf", "STIXGeneralBol.ttf", "STIXGeneralItalic.ttf", "STIXGeneralBolIta.ttf",
          "DejaVuSans.ttf")
_SERIF = "STIXGeneral, STIX Two Text, Times New Roman, Times, serif"
_OPTIONS = {
    "breaks": "encoded", "adjustPageHeight": True, "header": "none", "footer": "none",
    "svgViewBox": True, "scale": 100, "font": "Bravura", "multiRestStyle": "block",
    "pageMarginTop": 0, "pageMarginBottom": 0, "pageMarginLeft": 0, "pageMarginRight": 0,
    "minLastJustification": 0, "smuflTextFont": "none", "beamMaxSlope": 4, "mnumInterval": 0,
    "lyricSize": 3.6, "spacingNonLinear": 0.55, "spacingLinear": 0.25, "measureMinWidth": 18,
}
_LOCK = threading.RLock()


@dataclass(frozen=True)
class PageStyle:
    """How pages look.

    Attributes
    ----------
    paper : str
        'A4' or 'Letter', portrait.
    heading, legend, bar_numbers : bool
        Title block; drum key of the instruments that occur; numbers at line starts.
    """

    paper: str = "A4"
    heading: bool = True
    legend: bool = True
    bar_numbers: bool = True

    def __post_init__(self) -> None:
        if self.paper not in PAPERS:
            raise ChartError(f"Paper is one of {', '.join(PAPERS)}, not {self.paper!r}.")

    @property
    def size(self) -> tuple[int, int]:
        return PAPERS[self.paper]


#: A4 with everything on it.
PLAIN = PageStyle()
#: What the full part shows by default: folded, so that it reads like a published part.
PART = ScoreOptions(repeats=True)


@dataclass
class _Line:
    """An engraved line: its drawing and where its staff and bars lie in it."""

    body: etree._Element
    defs: dict[str, etree._Element]
    width: float
    height: float
    staff_top: float
    staff_bottom: float
    bars: dict[int, tuple[float, float]]
    printed: Sequence[PrintedBar] = ()
    section: Section | None = None
    number: str = ""
    overlays: list = field(default_factory=list)


# -- public -----------------------------------------------------------------------

def engrave_svg(chart: Chart, bars: tuple[int, int] | None = None, options: ScoreOptions | None = None,
                style: PageStyle = PLAIN, progress: Progress | None = None) -> list[str]:
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

    Returns
    -------
    list of str
        One SVG document a page; exactly one for an excerpt.
    """
    if bars is not None:
        options = options or ScoreOptions(similes=False, multirests=False)
        lines = _engrave_lines(chart, options, style, bars, progress)
        return [_excerpt(lines, style)]
    lines = _engrave_lines(chart, options or PART, style, None, progress)
    return _pages(chart, lines, options or PART, style)


def engrave_pdf(chart: Chart, path: str | os.PathLike, bars: tuple[int, int] | None = None,
                options: ScoreOptions | None = None, style: PageStyle = PLAIN,
                progress: Progress | None = None) -> Path:
    """Engrave a chart, or an excerpt, as a PDF with outlines and selectable text.

    Raises
    ------
    FileFormatError
        If the file cannot be written.
    """
    tell = progress or silent
    pages = engrave_svg(chart, bars, options, style, part(progress, 0.0, 0.8))
    tell(0.8, "Writing the PDF")
    data = svg_to_pdf(pages, chart.title, chart.artist)
    tell(1.0, "Writing the PDF")
    return write_whole(path, data)


def engrave_png(chart: Chart, path: str | os.PathLike, bars: tuple[int, int] | None = None,
                options: ScoreOptions | None = None, style: PageStyle = PLAIN,
                dots_per_inch: float = 150.0, progress: Progress | None = None) -> list[Path]:
    """Engrave a chart, or an excerpt, as PNG; further pages get ``-2``, ``-3`` … before the suffix."""
    path, out = Path(path), []
    for k, page in enumerate(engrave_svg(chart, bars, options, style, progress), start=1):
        target = path if k == 1 else path.with_name(f"{path.stem}-{k}{path.suffix}")
        out.append(write_whole(target, svg_to_png(page, dots_per_inch)))
    return out


def svg_to_png(svg: str, dots_per_inch: float = 150.0) -> bytes:
    """Draw one of our SVG pages as PNG on white."""
    import resvg_py

    width = float(re.search(r'viewBox="0 0 ([\d.]+) ', svg).group(1)) / 254.0 * dots_per_inch
    return bytes(resvg_py.svg_to_bytes(
        svg_string=svg, background="#ffffff", skip_system_fonts=True, dpi=96, width=max(1, round(width)),
        font_files=[str(font_folder() / name) for name in _FONTS],
        font_family="STIXGeneral", serif_family="STIXGeneral"))


def svg_to_pdf(pages: Sequence[str], title: str = "", author: str = "") -> bytes:
    """Gather SVG pages of ours in one PDF, the same bytes each time."""
    import typst

    with tempfile.TemporaryDirectory() as folder:
        for k, page in enumerate(pages):
            Path(folder, f"{k}.svg").write_text(page, encoding="utf-8")
        box = [re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', page).groups() for page in pages]
        body = "\n".join(
            f'#page(width: {float(w) / 10}mm, height: {float(h) / 10}mm, margin: 0pt, '
            f'image("{k}.svg", width: 100%))' for k, (w, h) in enumerate(box))
        # Title and author travel as data: they are never read as typst code.
        source = ("#set document(title: sys.inputs.title, author: sys.inputs.author, date: none)\n"
                  + body)
        main = Path(folder, "main.typ")
        main.write_text(source, encoding="utf-8")
        return typst.compile(
            str(main), root=folder, font_paths=[str(font_folder())], ignore_system_fonts=True,
            sys_inputs={"title": clean_text(title), "author": clean_text(author)})


@lru_cache(maxsize=1)
def font_folder() -> Path:
    """Folder of the text fonts (in the matplotlib wheel)."""
    found = importlib.util.find_spec("matplotlib")
    return Path(found.submodule_search_locations[0]) / "mpl-data" / "fonts" / "ttf"


# -- lines ------------------------------------------------------------------------

@lru_cache(maxsize=1)
def _toolkit():
    import verovio

    verovio.enableLog(verovio.LOG_OFF)
    toolkit = verovio.toolkit()
    toolkit.setOptions({**_OPTIONS, "pageHeight": 6000})
    return toolkit


def _render(mei: str, width: int) -> etree._Element:
    """One line of MEI as verovio draws it, ``width`` tenths of a millimetre wide."""
    with _LOCK:
        toolkit = _toolkit()
        toolkit.setOptions({"pageWidth": width})
        toolkit.resetXmlIdSeed(1)
        if not toolkit.loadData(mei):
            raise ChartError("This line could not be engraved.")
        return etree.fromstring(toolkit.renderToSVG(1).encode())


def _engrave_lines(chart: Chart, options: ScoreOptions, style: PageStyle,
                   bars: tuple[int, int] | None, progress: Progress | None) -> list[_Line]:
    tell = progress or silent
    first, last = bars if bars is not None else (0, len(chart) - 1)
    printed = abbreviate(chart, first_bar=first, last_bar=last, repeats=options.repeats,
                         similes=options.similes, multirests=options.multirests, slashes=options.slashes)
    rows = lay_lines(chart, printed, options.bars_per_line)
    room = style.size[0] - 2 * _MARGIN
    out, meter = [], None
    sections = {s.bar_index: s for s in chart.sections}
    for k, row in enumerate(rows):
        tell(k / len(rows), "Engraving")
        own = chart.time_map.bars[row[0].bar_index].meter
        mei = line_mei(chart, row, options, show_meter=own != meter,
                       is_last=row[-1].heard[-1] == len(chart) - 1)
        line = _line(_render(mei, _line_width(chart, row, room, options)), row)
        line.section = next((sections[b.bar_index] for b in row[:2] if b.bar_index in sections), None)
        number = chart.time_map.bar_number(row[0].bar_index)
        line.number = str(number) if style.bar_numbers and number > 0 and (k or bars) else ""
        _draw_similes_of_two(line)
        _number_similes(line, rows[:k + 1])
        meter = chart.time_map.bars[row[-1].bar_index].meter
        out.append(line)
    tell(1.0, "Engraving")
    return out


def _line_width(chart: Chart, row: Sequence[PrintedBar], room: int, options: ScoreOptions) -> int:
    """Full width, but short lines of a bar or two stay short."""
    full = [b for b in row if not chart.time_map.bars[b.bar_index].is_pickup]
    share = {0: 0.25, 1: 0.42, 2: 0.7}.get(len(full), 1.0) if options.bars_per_line >= 4 else 1.0
    heavy = sum(bar_weight(chart, b) for b in row)
    return round(room * max(share, min(1.0, heavy / 40)))


def _tag(name: str) -> str:
    return f"{{{_SVG}}}{name}"


def _line(svg: etree._Element, row: Sequence[PrintedBar]) -> _Line:
    tag = f"{{{_SVG}}}"
    _, _, width, height = (float(x) for x in svg.get("viewBox").split())
    defs = {g.get("id"): g for g in svg.find(f"{tag}defs")}
    body = svg.find(f"{tag}svg").find(f"{tag}g")
    bars, top, bottom = {}, None, None
    indices = {bar_id(b.bar_index): b.bar_index for b in row}
    for g in list(body.iter(f"{tag}g")):
        name, kind = g.get("id", ""), g.get("class", "")
        if "placeholder" in kind or kind.startswith("mNum"):
            g.getparent().remove(g)
            continue
        if name in indices and kind == "measure":
            lines = [p.get("d") for p in g.find(f"{tag}g[@class='staff']").findall(f"{tag}path")][:5]
            ends = [tuple(float(x) for x in re.findall(r"-?[\d.]+", d)) for d in lines]
            bars[indices[name]] = (ends[0][0] / 10, ends[0][2] / 10)
            top, bottom = ends[0][1] / 10, ends[-1][1] / 10
        elif not name.startswith("note-"):
            g.attrib.pop("id", None)
        if kind in ("ending", "reh", "tempo"):
            g.set("font-weight", "bold")
        elif kind == "dir":
            g.set("font-style", "italic")
    for t in body.iter(f"{tag}tspan"):
        t.attrib.pop("id", None)
    return _Line(body, defs, width, height, top, bottom, bars, row)


@lru_cache(maxsize=32)
def _glyph(code: str) -> str:
    """Outline of a music symbol, 1000 units to four staff spaces, y upwards."""
    import verovio

    file = Path(verovio.__file__).parent / "data" / "Bravura" / f"{code}.xml"
    return etree.fromstring(file.read_bytes())[0].get("d")


def _symbol(code: str, x: float, y: float, staff_height: float) -> etree._Element:
    g = etree.Element(_tag("g"), transform=f"translate({x:.1f},{y:.1f}) scale({staff_height / 1000:.4f})")
    etree.SubElement(g, _tag("path"), d=_glyph(code), transform="scale(1,-1)")
    return g


def _text(x: float, y: float, size: float, text: str, anchor: str = "start", **attributes: str):
    e = etree.Element(_tag("text"), x=f"{x:.1f}", y=f"{y:.1f}", **{"font-size": f"{size:g}"},
                      **{k.replace("_", "-"): v for k, v in attributes.items()})
    if anchor != "start":
        e.set("text-anchor", anchor)
    e.text = clean_text(text)
    return e


def _draw_similes_of_two(line: _Line) -> None:
    """The sign of two bars stands on the bar line between them."""
    for b in line.printed:
        if b.kind is Kind.SIMILE_OF_TWO and b.bar_index in line.bars:
            x = line.bars[b.bar_index][1]
            middle = (line.staff_top + line.staff_bottom) / 2
            height = line.staff_bottom - line.staff_top
            line.overlays.append(_symbol("E501", x - 0.305 * height - 1, middle, height))
            line.overlays.append(_text(x, line.staff_top - 8, 30, "2", "middle", font_weight="bold"))


def _number_similes(line: _Line, rows: Sequence[Sequence[PrintedBar]]) -> None:
    """Every fourth bar of a run of similes says how often the bar has been played."""
    run: list[int] = []
    for row in rows:
        for b in row:
            run = [*run, b.bar_index] if b.kind is Kind.SIMILE and run else [b.bar_index]
            if row is line.printed and b.kind is Kind.SIMILE and len(run) % 4 == 0:
                left, right = line.bars[b.bar_index]
                line.overlays.append(_text((left + right) / 2, line.staff_top - 10, 26, f"({len(run)})",
                                           "middle", font_style="italic"))


# -- pages ------------------------------------------------------------------------

_GAP = 34          # between lines
_SECTION_ROOM = 62  # above a line that opens a section
_NUMBER_ROOM = 26   # above the staff for the bar number


def _above(line: _Line) -> float:
    """Room over the drawing of a line for its section box or its bar number."""
    if line.section:
        return _SECTION_ROOM
    return max(0.0, _NUMBER_ROOM - line.staff_top) if line.number else 0.0


def _new_svg(width: float, height: float) -> etree._Element:
    root = etree.Element(_tag("svg"), nsmap={None: _SVG, "xlink": _XLINK})
    for name, value in (("version", "1.1"), ("viewBox", f"0 0 {width:g} {height:g}"),
                        ("width", f"{width / 10:g}mm"), ("height", f"{height / 10:g}mm"),
                        ("class", "drum-score"), ("font-family", _SERIF), ("color", "black")):
        root.set(name, value)
    etree.SubElement(root, _tag("style")).text = (
        ".drum-score path,.drum-score rect,.drum-score polygon,.drum-score polyline,.drum-score ellipse"
        "{stroke:currentColor}")
    etree.SubElement(root, _tag("defs"))
    return root


def _place(root: etree._Element, line: _Line, x: float, y: float, scale: float = 1.0) -> None:
    """Draw a line with its upper left corner at (x, y)."""
    defs = root.find(_tag("defs"))
    known = {g.get("id") for g in defs}
    for name, g in line.defs.items():
        if name not in known:
            defs.append(deepcopy(g))
    g = etree.SubElement(root, _tag("g"), transform=f"translate({x:.1f},{y:.1f}) scale({scale:g})")
    g.set("class", "line")
    g.append(etree.Element(_tag("g"), transform="scale(0.1)"))
    g[0].append(line.body)
    for overlay in line.overlays:
        g.append(overlay)
    if line.number:
        g.append(_text(0, line.staff_top - 9, 27, line.number, font_style="italic"))
    if line.section:
        at = line.section.bar_index
        left = line.bars[at][0] if at in line.bars and at != line.printed[0].bar_index else 0.0
        _draw_section(g, line.section, left, -8)


def _draw_section(g: etree._Element, section: Section, x: float, y: float) -> None:
    """Boxed letter and bold name over the bar that opens a section; ``y`` is the box's foot."""
    if section.label:
        width = max(46.0, 16 + 25 * len(section.label))
        box = etree.SubElement(g, _tag("rect"), x=f"{x:.1f}", y=f"{y - 44:.1f}", width=f"{width:g}",
                               height="44", fill="none")
        box.set("stroke-width", "3")
        g.append(_text(x + width / 2, y - 9, 38, section.label, "middle", font_weight="bold"))
        x += width + 14
    if section.name:
        g.append(_text(x, y - 9, 38, section.name, font_weight="bold"))


def _serialized(root: etree._Element) -> str:
    etree.cleanup_namespaces(root)
    return etree.tostring(root, encoding="unicode")


def _excerpt(lines: Sequence[_Line], style: PageStyle) -> str:
    edge = 12.0
    height = edge
    places = []
    for line in lines:
        height += _above(line)
        places.append(height)
        height += line.height + _GAP
    root = _new_svg(max(line.width for line in lines) + 2 * edge, height - _GAP + edge)
    for line, y in zip(lines, places):
        _place(root, line, edge, y)
    return _serialized(root)


def _pages(chart: Chart, lines: list[_Line], options: ScoreOptions, style: PageStyle) -> list[str]:
    width, height = style.size
    bottom = height - _MARGIN
    pages: list[tuple[float, list[_Line]]] = []
    heading, start = _heading(chart, style) if style.heading else (None, float(_MARGIN))
    y, current = start, []
    for line in lines:
        need = _above(line) + line.height
        if current and y + need > bottom:
            pages.append((y - _GAP, current))
            y, current = float(_MARGIN) + 50, []
        current.append(line)
        y += need + _GAP
    pages.append((y - _GAP, current))
    out = []
    for k, (end, current) in enumerate(pages):
        root = _new_svg(width, height)
        y = start if k == 0 else float(_MARGIN) + 50
        # Spread the lines of a well-filled page down to its foot.
        free = bottom - end
        fills = k + 1 < len(pages) or free < 0.12 * height
        extra = min(free / max(len(current) - 1, 1), 60.0) if fills else 0.0
        if k == 0 and heading is not None:
            for element in heading:
                if isinstance(element, tuple):
                    _place(root, *element)
                else:
                    root.append(element)
        else:
            head = chart.title or "Drum Set"
            root.append(_text(_MARGIN, _MARGIN, 28, head, font_style="italic"))
            root.append(_text(width - _MARGIN, _MARGIN, 28, str(k + 1), "end"))
        for line in current:
            y += _above(line)
            _place(root, line, _MARGIN, y)
            y += line.height + _GAP + extra
        out.append(_serialized(root))
    return out


def _heading(chart: Chart, style: PageStyle):
    """Elements of the title block and where the music may start."""
    width, _ = style.size
    y = float(_MARGIN) + 40
    elements: list = []
    size = 78 if len(chart.title) <= 34 else max(40, 78 * 34 // len(chart.title))
    elements.append(_text(width / 2, y, size, chart.title or "Drum Set", "middle", font_weight="bold"))
    y += 58
    if chart.title:
        elements.append(_text(_MARGIN, y, 36, "Drum Set"))
    if chart.artist:
        elements.append(_text(width - _MARGIN, y, 36, chart.artist, "end"))
    y += 24
    used = chart.instruments_used()
    if style.legend and used:
        line = _legend(used, width - 2 * _MARGIN)
        elements.append((line, _MARGIN, y, _LEGEND_SCALE))
        y += line.height * _LEGEND_SCALE + 10
    elements += _tempo_mark(chart, _MARGIN, y + 44)
    y += 70
    return elements, y


def _tempo_mark(chart: Chart, x: float, y: float) -> list:
    beat = chart.time_map.bars[0].meter.beat_length
    code = {Fraction(1, 2): "E1D3", Fraction(1, 4): "E1D5", Fraction(3, 8): "E1D5",
            Fraction(1, 8): "E1D7"}.get(beat, "E1D5")
    elements = [_symbol(code, x, y, 52)]
    x += 24
    if beat.numerator == 3:
        elements.append(_symbol("E1E7", x + 2, y, 52))
        x += 10
    feel = "" if chart.feel == "straight" else f"    {chart.feel.capitalize()}"
    elements.append(_text(x + 6, y, 40, f"= {marked_tempo_bpm(chart)}", font_weight="bold"))
    if feel:
        elements.append(_text(x + 140, y, 40, feel.strip(), font_weight="bold"))
    return elements


_LEGEND_SCALE = 0.62


def _legend(used: Sequence[str], room: int) -> _Line:
    """The drum key: a small staff with each instrument and its name."""
    line = _line(_render(legend_mei(used), round(room / _LEGEND_SCALE)), ())
    return replace(line, number="", section=None)
