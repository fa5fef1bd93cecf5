"""Alignment engraved lines on pages: title block, drum key, sections, page breaks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from lxml import etree

from workbench.chart import Chart, Section
from workbench.engraving.drawing import new_page, serialize, symbol, tag, text
from workbench.engraving.systems import MUSIC_FONTS, Look, System, engrave_legend
from workbench.errors import ChartError
from workbench.notation.scoresigns import TempoMark, tempo_marks

#: Width and height of the papers, tenths of a millimetre (ISO 216; ANSI A).
PAPERS: dict[str, tuple[int, int]] = {"A4": (2100, 2970), "Letter": (2159, 2794)}
# Sizes in tenths of a millimetre where no unit is named; chosen by eye, no source.
#: White edge of a page.
MARGIN = 150
#: Height of the staff as it is engraved, millimetres, and the limits of what is asked for.
STAFF_MM, SMALLEST_STAFF_MM, LARGEST_STAFF_MM = 7.2, 4.5, 10.0


@dataclass(frozen=True)
class PageStyle:
    """How pages look.

    Attributes
    ----------
    paper : str
        'A4' or 'Letter', portrait.
    heading, legend, bar_numbers : bool
        Title block; drum key of the instruments that occur; numbers at line starts.
    staff_mm : float
        Height of the staff; 7 mm and more are read from a music stand (common practice, no source).
    line_weight : float
        Of staff lines, bar lines, stems and brackets, 0.5 to 2; 1 is usual.
    music_font : str
        Of the notes and signs, from :data:`workbench.engraving.systems.MUSIC_FONTS`.
    text_size : float
        Of the letters of title, heading and section names, 0.7 to 1.3; 1 is usual.
    pages : int, optional
        The most pages: the staff becomes smaller, down to :data:`SMALLEST_STAFF_MM`, until they suffice.
    """

    paper: str = "A4"
    heading: bool = True
    legend: bool = True
    bar_numbers: bool = True
    staff_mm: float = STAFF_MM
    line_weight: float = 1.0
    music_font: str = MUSIC_FONTS[0]
    text_size: float = 1.0
    pages: int | None = None

    def __post_init__(self) -> None:
        if not SMALLEST_STAFF_MM <= self.staff_mm <= LARGEST_STAFF_MM:
            raise ChartError(
                f"A staff is {SMALLEST_STAFF_MM:g} to {LARGEST_STAFF_MM:g} mm high, not {self.staff_mm!r}."
            )
        if self.music_font not in MUSIC_FONTS:
            raise ChartError(f"A music font is one of {', '.join(MUSIC_FONTS)}, not {self.music_font!r}.")
        for name, least, most in (("line_weight", 0.5, 2.0), ("text_size", 0.7, 1.3)):
            if not least <= getattr(self, name) <= most:
                raise ChartError(f"{name} is {least:g} to {most:g}, not {getattr(self, name)!r}.")
        if self.pages is not None and self.pages < 1:
            raise ChartError(f"A part fits on one page or more, not on {self.pages}.")
        if self.paper not in PAPERS:
            raise ChartError(f"Paper is one of {', '.join(PAPERS)}, not {self.paper!r}.")

    @property
    def scale(self) -> float:
        """Of the lines, which are engraved with a staff of :data:`STAFF_MM`."""
        return self.staff_mm / STAFF_MM

    @property
    def look(self) -> Look:
        return Look(self.music_font, self.line_weight)

    @property
    def room(self) -> int:
        """Width of a line before it is scaled."""
        return round((self.size[0] - 2 * MARGIN) / self.scale)

    @property
    def size(self) -> tuple[int, int]:
        return PAPERS[self.paper]


#: A4 with everything on it.
PLAIN = PageStyle()

_GAP = 34  # between lines
_TIGHT_GAP = 14  # between lines, where that saves a page
_PAGE_TOP = MARGIN + 50  # of the music on further pages
_SECTION_ROOM = 62  # above a line that opens a section
_BETWEEN_SECTIONS = 20
_NUMBER_ROOM = 26  # above the staff for the bar number


def _above(line: System) -> float:
    """Room over the drawing of a line for its section box or its bar number."""
    if line.sections or line.tempo_marks:
        return _SECTION_ROOM
    return max(0.0, _NUMBER_ROOM - line.staff_top) if line.number else 0.0


def draw_line(
    root: etree._Element, line: System, x: float, y: float, scale: float = 1.0, text_size: float = 1.0
) -> None:
    """Draw a line of music with the boxes and names of the sections that begin in it."""
    g = line.draw(root, x, y, scale)
    sections = {s.bar_index: s for s in line.sections}
    marked = sorted({*sections, *line.tempo_marks})
    places = [0.0 if at == line.printed[0].bar_index else line.bars[at][0] for at in marked]
    for at, x, end in zip(marked, places, [*places[1:], line.width]):
        if at in sections:
            x = draw_section(g, sections[at], x, -8, end - x - _BETWEEN_SECTIONS, text_size) + 30
        if at in line.tempo_marks:
            _draw_tempo_mark(g, line.tempo_marks[at], x, -14)


def draw_section(
    g: etree._Element, section: Section, x: float, y: float, room: float | None = None, text_size: float = 1.0
) -> float:
    """Boxed letter and bold name of a section; ``y`` is the box's foot, ``room`` the widest it
    may be.  Returns about where it ends."""
    if section.label:
        width = max(46.0, 16 + 25 * len(section.label))
        box = etree.SubElement(
            g, tag("rect"), x=f"{x:.1f}", y=f"{y - 44:.1f}", width=f"{width:g}", height="44", fill="none"
        )
        box.set("stroke-width", "3")
        g.append(text(x + width / 2, y - 9, 38, section.label, "middle", font_weight="bold"))
        x += width + 14
        room = None if room is None else room - width - 14
    if section.name:
        g.append(text(x, y - 9, 38 * text_size, section.name, width=room, font_weight="bold"))
    return x + min(20 * text_size * len(section.name), room or float("inf"))


def lay_excerpt(lines: Sequence[System]) -> str:
    """Lines under each other on a sheet that just holds them."""
    edge = 12.0
    height = edge
    places = []
    for line in lines:
        height += _above(line)
        places.append(height)
        height += line.height + _GAP
    root = new_page(
        max(line.width for line in lines) + 2 * edge,
        height - _GAP + edge,
        f"Excerpt of a drum part, {sum(len(line.printed) for line in lines)} bars",
    )
    for line, y in zip(lines, places):
        draw_line(root, line, edge, y)
    return serialize(root)


def lay_pages(chart: Chart, lines: list[System], style: PageStyle, doubts: bool = False) -> list[str]:
    """Lines on pages with title block, drum key and page numbers; with ``doubts`` the marks of doubt are explained."""
    width, height = style.size
    name = f"Drum part: {chart.title}" if chart.title else "Drum part"
    first = new_page(width, height, f"{name}, page 1")
    start = _draw_heading(first, chart, style, doubts) if style.heading else float(MARGIN)
    pages, gap = _fill_pages(lines, start, height - MARGIN, style.scale)
    out = []
    for k, (end, current) in enumerate(pages):
        root = new_page(width, height, f"{name}, page {k + 1}") if k else first
        y = start if k == 0 else float(_PAGE_TOP)
        # Spread the lines of a well-filled page down to its foot.
        free = height - MARGIN - end
        fills = k + 1 < len(pages) or free < 0.12 * height
        extra = min(free / max(len(current) - 1, 1), 60.0) if fills else 0.0
        if k:
            root.append(text(MARGIN, MARGIN, 28, chart.title or "Drum Set", font_style="italic"))
            root.append(text(width - MARGIN, MARGIN, 28, str(k + 1), "end"))
        for line in current:
            y += _above(line) * style.scale
            draw_line(root, line, MARGIN, y, style.scale, style.text_size)
            y += line.height * style.scale + gap + extra
        out.append(serialize(root))
    return out


def _fill_pages(
    lines: list[System], start: float, bottom: float, scale: float
) -> tuple[list[tuple[float, list[System]]], float]:
    """Lines of each page with where they end, and the gap between lines.

    The gap is tightened if that saves a page, and lines are moved on so that
    the last page does not hold a lone one and pages are turned in rests.
    """

    def fill(gap: float, most: int | None = None) -> list[tuple[float, list[System]]]:
        pages: list[tuple[float, list[System]]] = []
        ends: list[float] = []
        y, begun = start, 0
        for k, line in enumerate(lines):
            need = (_above(line) + line.height) * scale
            if k > begun and (y + need > bottom or k == most or line.opens_page):
                full = y + need > bottom
                last = _turn(lines[begun:k]) + begun if full else k
                pages.append((ends[last - 1], lines[begun:last]))
                y, begun = float(_PAGE_TOP), last
                for j in range(last, k):
                    y += (_above(lines[j]) + lines[j].height) * scale + gap
                    ends[j] = y - gap
            y += need + gap
            ends.append(y - gap)
        return [*pages, (y - gap, lines[begun:])]

    pages, gap = fill(_GAP), _GAP
    tight = fill(_TIGHT_GAP)
    if len(tight) < len(pages):
        pages, gap = tight, _TIGHT_GAP
    if len(pages) > 1 and len(pages[-1][1]) == 1 and len(pages[-2][1]) > 3:
        moved = fill(gap, len(lines) - 2)
        pages = moved if len(moved) == len(pages) else pages
    return pages, gap


#: As many lines may move to the next page so that the page is turned in a rest (no source).
_MOST_MOVED = 2


def _turn(page: Sequence[System]) -> int:
    """How many lines stay on a full page: as many as end in a rest, if few must move for it."""
    for moved in range(min(_MOST_MOVED + 1, len(page) - 1)):
        if page[len(page) - 1 - moved].ends_in_rest:
            return len(page) - moved
    return len(page)


def draw_title(root: etree._Element, chart: Chart, style: PageStyle, kind: str, more: str = "") -> float:
    """Title, what the sheet is, and artist; returns where the rest may start."""
    width, y = style.size[0], MARGIN + 40.0
    room = width - 2 * MARGIN
    root.append(text(width / 2, y, 78 * style.text_size, chart.title or "Drum Set", "middle", room, font_weight="bold"))
    y += 58
    if unchecked := len(chart.unchecked_bars):
        none = unchecked == sum(bool(bar.notes) for bar in chart.bars)
        kind += (
            " · draft, no bar checked yet" if none else f" · draft, {unchecked} bar{'s' * (unchecked > 1)} not checked"
        )
    if chart.title or kind != "Drum Set":
        root.append(text(MARGIN, y, 36 * style.text_size, kind + more))
    if chart.artist:
        root.append(text(width - MARGIN, y, 36 * style.text_size, chart.artist, "end", 0.7 * room))
    return y + 24


_LEGEND_SCALE = 0.66


def _draw_heading(root: etree._Element, chart: Chart, style: PageStyle, doubts: bool) -> float:
    y = draw_title(root, chart, style, "Drum Set", " · ? = not sure" if doubts and chart.unchecked_bars else "")
    used = chart.instruments_used()
    if style.legend and used:
        ghosted = next((n.instrument for _, n in chart.notes() if "ghost" in n.articulations), None)
        room = (style.size[0] - 2 * MARGIN) / _LEGEND_SCALE
        for line in engrave_legend([chart.instrument(name) for name in used], room, ghosted):
            line.draw(root, MARGIN, y, _LEGEND_SCALE)
            y += line.height * _LEGEND_SCALE + 10
    draw_tempo(root, chart, MARGIN, y + 44)
    return y + 70


#: SMuFL symbols of the beats that a tempo counts (individual notes, U+E1D0 ff.).
_BEAT_SYMBOLS = {
    Fraction(1): "E1D2",
    Fraction(1, 2): "E1D3",
    Fraction(1, 4): "E1D5",
    Fraction(1, 8): "E1D7",
    Fraction(1, 16): "E1D9",
}
_AUGMENTATION_DOT = "E1E7"


def draw_tempo(root: etree._Element, chart: Chart, x: float, y: float) -> None:
    """Tempo mark and feel at the start."""
    x = _draw_tempo_mark(root, tempo_marks(chart)[0], x, y)
    if chart.feel_told != "straight":
        root.append(text(x + 150, y, 40, chart.feel.capitalize(), font_weight="bold"))


def _draw_tempo_mark(root: etree._Element, mark: TempoMark, x: float, y: float) -> float:
    if mark.words:
        root.append(text(x, y, 40, mark.words, font_weight="bold"))
        x += 20 * len(mark.words) + 24
    dotted = mark.beat.numerator == 3
    head = mark.beat * Fraction(2, 3) if dotted else mark.beat
    root.append(symbol(_BEAT_SYMBOLS.get(head, "E1D5"), x, y, 52))
    x += 24
    if dotted:
        root.append(symbol(_AUGMENTATION_DOT, x + 2, y, 52))
        x += 10
    root.append(text(x + 6, y, 40, f"= {mark.tempo_bpm}", font_weight="bold"))
    return x
