"""Engraving one line of music (engravers say: a system).

Each line is drawn on its own by verovio and comes back as a drawing with the
places of its staff and bars, so that pages, excerpts and the grid can put it
where they need it.  Its notes keep the ids of :func:`workbench.notation.scoresigns.note_id`,
its bars those of :func:`workbench.notation.scoresigns.bar_id`; the attribute
``data-bars`` of a bar lists all bars of the chart that it stands for (later
passes of a repeat, further bars of a rest).
"""

from __future__ import annotations

import math
import re
import threading
from collections.abc import Collection, Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from statistics import fmean
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from lxml import etree

from workbench.chart import Chart, Section
from workbench.chart.drumkit import Instrument
from workbench.engraving.clearing import clear
from workbench.engraving.drawing import LETTER, symbol, tag, text, word_width
from workbench.engraving.ink import lowest_ink, symbol_box
from workbench.engraving.mei import TRIANGLE, WORDED_FILL, key_id, legend_mei, lines_mei
from workbench.errors import ChartError
from workbench.notation.abbreviations import BarKind, PrintedBar, bar_weight
from workbench.notation.scoresigns import ScoreOptions, TempoMark, bar_id

if TYPE_CHECKING:
    import verovio

_VEROVIO_OPTIONS = {
    "breaks": "encoded",
    "adjustPageHeight": True,
    "header": "none",
    "footer": "none",
    "svgViewBox": True,
    "svgFormatRaw": True,
    "scale": 100,
    "font": "Bravura",
    "multiRestStyle": "block",
    "inputFrom": "mei",
    "pageMarginTop": 0,
    "pageMarginBottom": 0,
    "pageMarginLeft": 0,
    "pageMarginRight": 0,
    "minLastJustification": 0,
    "smuflTextFont": "none",
    "beamMaxSlope": 4,
    "mnumInterval": 0,
    "lyricSize": 3.6,
    "lyricTopMinMargin": 4,
    "spacingNonLinear": 0.5,
    "spacingLinear": 0.25,
    "measureMinWidth": 18,
}
_LOCK = threading.RLock()


@dataclass
class System:
    """An engraved line.

    Attributes
    ----------
    body, defs : the drawing and the symbols it refers to
    width, height : float
        Tenths of a millimetre, like all lengths here.
    staff_top, staff_bottom : float
        Outer staff lines, from the upper edge.
    bars : dict
        Left and right end of each bar, by bar index.
    printed : sequence of PrintedBar
    sections : sequence of Section
        Those that begin in this line.
    tempo_marks : dict
        Changes of tempo in this line, by bar index.
    number : str
        Bar number to print at its start.
    overlays : list
        What is drawn over it (simile signs of two bars, counts).
    lift : float
        How far the drawing is moved down, so that signs moved up have room.
    opens_page : bool
        It must stand first on its page.
    """

    body: etree._Element
    defs: dict[str, etree._Element]
    width: float
    height: float
    staff_top: float
    staff_bottom: float
    bars: dict[int, tuple[float, float]]
    printed: Sequence[PrintedBar] = ()
    sections: Sequence[Section] = ()
    tempo_marks: dict[int, TempoMark] = field(default_factory=dict)
    number: str = ""
    overlays: list = field(default_factory=list)
    lift: float = 0.0
    opens_page: bool = False

    @property
    def ends_in_rest(self) -> bool:
        """Whether there is time to turn the page after it."""
        return self.printed[-1].kind is BarKind.REST

    def draw(self, root: etree._Element, x: float, y: float, scale: float = 1.0) -> etree._Element:
        """Draw the line on a sheet, its upper left corner at (x, y)."""
        defs = root.find(tag("defs"))
        known = {g.get("id") for g in defs}
        for name, g in self.defs.items():
            if name not in known:
                defs.append(deepcopy(g))
        g = etree.SubElement(root, tag("g"), transform=f"translate({x:.1f},{y:.1f}) scale({scale:g})")
        g.set("class", "line")
        inner = etree.SubElement(g, tag("g"), transform=f"translate(0,{self.lift:.1f}) scale(0.1)")
        inner.append(self.body)
        g.extend(self.overlays)
        if self.number:
            g.append(text(0, self.staff_top - 9, 27, self.number, font_style="italic"))
        return g


#: Weight of a line where no full one is to compare with (see :func:`workbench.notation.abbreviations.bar_weight`); the
#: clef's share of a line; from this share of the page on a line is full.  By eye, no source.
_USUAL_LINE, _CLEF_SHARE, _NEARLY_FULL = 40.0, 0.03, 0.85


@lru_cache(maxsize=1)
def _toolkit() -> verovio.toolkit:
    import verovio

    verovio.enableLog(verovio.LOG_OFF)
    toolkit = verovio.toolkit()
    toolkit.setOptions({**_VEROVIO_OPTIONS, "pageHeight": 6000})
    return toolkit


#: Music fonts in the engraver's wheel that have every sign of a drum part (all SIL OFL 1.1).
MUSIC_FONTS = ("Bravura", "Leland", "Leipzig", "Petaluma")


class Look(NamedTuple):
    """How lines of music look.

    Attributes
    ----------
    font : str
        From :data:`MUSIC_FONTS`.
    weight : float
        Of staff lines, bar lines, stems and brackets; 1 is usual.
    """

    font: str = "Bravura"
    weight: float = 1.0


USUAL_LOOK = Look()
#: Thickness of lines as the engraver draws them by itself, in staff spaces.
_WEIGHTS = {
    "staffLineWidth": 0.15,
    "barLineWidth": 0.30,
    "stemWidth": 0.20,
    "hairpinThickness": 0.20,
    "tupletBracketThickness": 0.20,
    "bracketThickness": 1.0,
    "repeatEndingLineThickness": 0.15,
}


@lru_cache(maxsize=1)
def _set_look(width: int, look: Look) -> None:
    """Tell the toolkit, if it was another width or look before."""
    weights = {name: round(usual * look.weight, 3) for name, usual in _WEIGHTS.items()}
    _toolkit().setOptions({"pageWidth": width, "font": look.font, **weights})


def _render(mei: str, width: int, look: Look = USUAL_LOOK) -> list[etree._Element]:
    """The lines of an MEI document as verovio draws them, ``width`` tenths of a millimetre wide."""
    with _LOCK:
        toolkit = _toolkit()
        _set_look(width, look)
        toolkit.resetXmlIdSeed(1)
        if not toolkit.loadData(mei):
            raise ChartError("This part could not be engraved.")
        return [etree.fromstring(toolkit.renderToSVG(k + 1)) for k in range(toolkit.getPageCount())]


def engrave_systems(
    chart: Chart,
    rows: Sequence[Sequence[PrintedBar]],
    options: ScoreOptions,
    width: int,
    *,
    show_meter: bool,
    look: Look = USUAL_LOOK,
) -> list[System]:
    """Engrave lines of printed bars, all of one width.

    Parameters
    ----------
    chart : Chart
    rows : sequence of sequence of PrintedBar
        Consecutive lines.
    options : ScoreOptions
    width : int
        Tenths of a millimetre.
    show_meter : bool
        Print the time signature at the start of the first line.
    look : Look
    """
    drawings = _render(lines_mei(chart, rows, options, show_meter=show_meter), width, look)
    systems = []
    for row, drawing in zip(rows, drawings, strict=True):
        system = _parse(drawing, row)
        starts = {b.bar_index for b in row}
        system.sections = [s for s in chart.sections if s.bar_index in starts]
        _draw_long_similes(system)
        _number_similes(system)
        systems.append(system)
    return systems


def natural_widths(
    chart: Chart, rows: Sequence[Sequence[PrintedBar]], room: int, bars_per_line: int, starts: Collection[int]
) -> list[int]:
    """Widths of lines: full, but the last of a section is as wide as its bars would be in the others; of an excerpt
    with three bars a line, every line that has fewer.

    ``starts`` are the indices of bars at which sections begin.
    """
    last = [after is None or after[0].bar_index in starts for after in (*rows[1:], None)]
    counts = [sum(not chart.time_map.bars[b.bar_index].is_pickup for b in row) for row in rows]
    full = bars_per_line if bars_per_line > 3 else max(bars_per_line, *counts)
    by_count = [_CLEF_SHARE + (1 - _CLEF_SHARE) * count / full for count in counts]
    may_end = [bars_per_line == 3 or ends and bars_per_line > 3 for ends in last]
    short = [may and share < _NEARLY_FULL for may, share in zip(may_end, by_count)]
    if not any(short):
        return [room] * len(rows)
    weights = [sum(bar_weight(chart, b) for b in row) for row in rows]
    usual = float(np.median([w for w, is_short in zip(weights, short) if not is_short] or [_USUAL_LINE]))
    shares = [max(share, weight / usual) if may else 1.0 for share, weight, may in zip(by_count, weights, short)]
    return [round(room * share) if share < _NEARLY_FULL else room for share in shares]


# Sizes in tenths of a millimetre where no unit is named; chosen by eye, no source.
#: Size of the drum key's labels, the white between them, and the room its clef takes.
_LABEL, _BETWEEN_LABELS, _CLEF_ROOM = 40.0, 22.0, 60.0
#: Half the width of a notehead.
_HALF_HEAD = 10.6


def engrave_legend(used: Sequence[Instrument], room: float, ghosted: str | None = None) -> list[System]:
    """The drum key: each instrument on a staff, evenly spaced, its name below.

    Parameters
    ----------
    used : sequence of Instrument
        In the order of the drum key.
    room : float
        Widest a line may be.
    ghosted : str, optional
        Name of the instrument of these on which the sign of ghost notes is explained.

    Returns
    -------
    list of System
        One line, or more where the names would not fit.
    """
    entries = [(own, ghost) for own in used for ghost in ((False, True) if own.name == ghosted else (False,))]
    cell = max(_LABEL * LETTER * len(word) for e in entries for word in _key_words(*e)) + _BETWEEN_LABELS
    lines = math.ceil(len(entries) * cell / (room - _CLEF_ROOM))
    a_line = math.ceil(len(entries) / lines)
    out = []
    for k in range(0, len(entries), a_line):
        some = entries[k : k + a_line]
        (drawing,) = _render(legend_mei(some), round(_CLEF_ROOM + cell * len(some)))
        line = _parse(drawing, ())
        _label(line, some)
        out.append(line)
    return out


def _key_words(own: Instrument, ghost: bool) -> list[str]:
    return ["ghost", "note"] if ghost else own.label.split()


def _label(line: System, entries: Sequence[tuple[Instrument, bool]]) -> None:
    """Names under the notes of the drum key, a word a line."""
    y = line.height + 0.9 * _LABEL
    for entry in entries:
        (note,) = [g for g in line.body.iter(tag("g")) if g.get("id") == key_id(*entry)]
        head = note.find(f"{tag('g')}[@class='notehead']")[0]
        x = float(re.findall(r"-?[\d.]+", head.get("transform"))[0]) / 10 + _HALF_HEAD
        label = text(x, y, _LABEL, "", "middle")
        for k, word in enumerate(_key_words(*entry)):
            row = etree.SubElement(label, tag("tspan"), x=f"{x:.1f}", dy=f"{_LABEL if k else 0:g}")
            row.text = word
        line.overlays.append(label)
    line.height = y + _LABEL * (0.25 + max(len(_key_words(*e)) - 1 for e in entries))


def _parse(svg: etree._Element, row: Sequence[PrintedBar]) -> System:
    _, _, width, height = (float(x) for x in svg.get("viewBox").split())
    defs = {g.get("id"): g for g in svg.find(tag("defs"))}
    body = svg.find(tag("svg")).find(tag("g"))
    bars: dict[int, tuple[float, float]] = {}
    triangles: list[etree._Element] = []
    top = bottom = 0.0
    indices = {bar_id(b.bar_index): b for b in row}
    for g in list(body.iter(tag("g"))):
        name, kind = g.get("id", ""), g.get("class", "")
        if "placeholder" in kind or kind.startswith("mNum"):
            g.getparent().remove(g)
            continue
        if name in indices and kind == "measure":
            lines = [p.get("d") for p in g.find(f"{tag('g')}[@class='staff']").findall(tag("path"))][:5]
            ends = [tuple(float(x) for x in re.findall(r"-?[\d.]+", d)) for d in lines]
            printed = indices[name]
            bars[printed.bar_index] = (ends[0][0] / 10, ends[0][2] / 10)
            g.set("data-bars", " ".join(map(str, printed.heard)))
            top, bottom = ends[0][1] / 10, ends[-1][1] / 10
        elif name.startswith(WORDED_FILL):
            _say_fill(g)
        elif not name.startswith("note-"):
            g.attrib.pop("id", None)
        elif kind.endswith(TRIANGLE):
            triangles.append(g)
        if kind in ("ending", "reh", "tempo"):
            g.set("font-weight", "bold")
        elif kind == "dir":
            g.set("font-style", "italic")
    for t in body.iter(tag("tspan")):
        t.attrib.pop("id", None)
    lift = max(0.0, -clear(body) / 10)
    _centre_words(body)
    for note in triangles:  # until here they have the engraver's symbol, whose box is known
        _draw_triangle(note)
    lowered = _lower_words(body, defs) / 10
    return System(body, defs, width, height + lowered + lift, top + lift, bottom + lift, bars, row, lift=lift)


#: How far a letter reaches over and under its baseline, in ems.
_LETTER_HEIGHT, _DESCENT = 0.7, 0.22
#: White kept over the rows of words (units of verovio).
_WHITE_OVER_WORDS = 100.0


#: White between two words of a row, in ems.
_BETWEEN_WORDS = 0.2


def _centre_words(body: etree._Element) -> None:
    """Set counts and sticking in the middle under their heads, where the engraver begins them to the left; words that
    would meet give way to both sides."""
    rows: dict[float, list[tuple[float, etree._Element]]] = {}
    for verse in (g for g in body.iter(tag("g")) if g.get("class") == "verse"):
        head = next(g for g in verse.getparent().iter(tag("g")) if g.get("class") == "notehead")
        left, _, right, _ = symbol_box(head.find(tag("use")))
        for words in verse.iter(tag("text")):
            rows.setdefault(float(words.get("y")), []).append(((left + right) / 2, words))
    for row in rows.values():
        row.sort(key=lambda placed: placed[0])
        widths = [_size(words) * word_width("".join(words.itertext())) for _, words in row]
        white = _BETWEEN_WORDS * _size(row[0][1])
        for x, width, (_, words) in zip(_apart([x for x, _ in row], widths, white), widths, row):
            words.set("x", f"{x:g}")
            words.set("text-anchor", "middle")
            if len("".join(words.itertext())) > 1:  # as wide where a reader's device has a wider font
                words.set("textLength", f"{width:g}")
                words.set("lengthAdjust", "spacingAndGlyphs")


def _apart(middles: Sequence[float], widths: Sequence[float], white: float) -> list[float]:
    """Places of words in a row, as near their own as they can be without meeting (least squares, by pooling those that
    violate the order: M. Ayer et al., Annals of Mathematical Statistics 26, 1955)."""
    least = [0.0]  # how far each word is from the first where all touch
    for a, b in pairwise(widths):
        least.append(least[-1] + (a + b) / 2 + white)
    blocks: list[list[float]] = []
    for middle, offset in zip(middles, least):
        blocks.append([middle - offset])
        while len(blocks) > 1 and fmean(blocks[-2]) > fmean(blocks[-1]):
            blocks[-2:] = [blocks[-2] + blocks[-1]]
    return [fmean(block) + offset for offset, block in zip(least, (b for b in blocks for _ in b))]


def _lower_words(body: etree._Element, defs: dict[str, etree._Element]) -> float:
    """Move the rows of words under the staff (counts, sticking) below all stems, beams and signs of
    the line, where the engraver lets them run into each other; returns by how much."""
    rows = [t for g in body.iter(tag("g")) if g.get("class") == "verse" for t in g.iter(tag("text"))]
    if not rows:
        return 0.0
    top = min(float(t.get("y")) - _LETTER_HEIGHT * _size(t) for t in rows)
    others = [t for g in body.iter(tag("g")) if g.get("class") == "dir" for t in g.iter(tag("text"))]
    below = [t for t in others if float(t.get("y")) > top]
    lowest = max(
        [
            lowest_ink(body, defs, without=frozenset({"verse"})),
            *(float(t.get("y")) + _DESCENT * _size(t) for t in others if t not in below),
        ]
    )
    lower = lowest + _WHITE_OVER_WORDS - top
    if lower <= 0:
        return 0.0
    for t in rows + below:
        t.set("y", f"{float(t.get('y')) + lower:g}")
    return lower


def _size(words: etree._Element) -> float:
    """Size of a text's letters."""
    return max(float(e.get("font-size", "0").removesuffix("px")) for e in words.iter())


def _draw_triangle(note: etree._Element) -> None:
    """Give a note the triangle head that the engraver's font lacks."""
    for use in note.findall(f"{tag('g')}[@class='notehead']/{tag('use')}"):
        x, y, scale = (float(v) for v in re.findall(r"-?[\d.]+", use.get("transform"))[:3])
        use.tag = tag("path")
        use.attrib.clear()
        use.set("transform", f"translate({x:g},{y:g}) scale({scale:g})")
        use.set("d", "M0 120 L147 -130 L295 120 Z")


#: Size of the word over a fill and the room that it takes in the line of its bracket (units of verovio).
_FILL_SIZE, _FILL_ROOM = 324, 440
#: Height of the hooks of a bracket, and how far its line is moved down into the room they have, so that the
#: word meets neither what stands above nor what stands below.
_HOOK, _DOWN = 180, 50


def _say_fill(bracket: etree._Element) -> None:
    """Begin the bracket of a fill with the word, in its line, in place of the hook."""
    bracket.attrib.pop("id")
    hook, *end_hook = bracket.findall(tag("polyline"))
    line = bracket.find(tag("path"))
    x, top, end = (float(v) for v in re.findall(r"-?[\d.]+", line.get("d"))[:3])
    y = top + _DOWN
    bracket.replace(hook, text(x, y + 0.3 * _FILL_SIZE, _FILL_SIZE, "fill", font_style="italic"))
    if x + _FILL_ROOM < end:
        line.set("d", f"M{x + _FILL_ROOM:g} {y:g} L{end:g} {y:g}")
        for e in end_hook:
            e.set("points", f"{end:g},{top + _HOOK:g} {end:g},{y:g} {end - _HOOK / 2:g},{y:g}")
    else:  # a fill of a few strokes: the word alone says it
        for e in [line, *end_hook]:
            bracket.remove(e)


#: Bars of a simile over several, its SMuFL symbol and the width of it in heights of the staff (Bravura).
_SIGNS_OVER_BARS = {BarKind.SIMILE_OF_TWO: (2, "E501", 0.76), BarKind.SIMILE_OF_FOUR: (4, "E502", 1.23)}


def _draw_long_similes(line: System) -> None:
    """The sign of two or four bars stands on the bar line in their middle."""
    for k, b in enumerate(line.printed):
        if b.kind not in _SIGNS_OVER_BARS:
            continue
        count, glyph, width = _SIGNS_OVER_BARS[b.kind]
        x = line.bars[line.printed[k + count // 2 - 1].bar_index][1]
        height = line.staff_bottom - line.staff_top
        middle = (line.staff_top + line.staff_bottom) / 2
        line.overlays.append(symbol(glyph, x - width / 2 * height - 1, middle, height))
        line.overlays.append(text(x, line.staff_top - 8, 30, str(count), "middle", font_weight="bold"))


def _number_similes(line: System) -> None:
    """Every fourth bar of a run of similes says how often the bar has been played."""
    for b in line.printed:
        if b.kind is BarKind.SIMILE and b.in_a_row % 4 == 0:
            left, right = line.bars[b.bar_index]
            line.overlays.append(
                text((left + right) / 2, line.staff_top - 10, 26, f"({b.in_a_row})", "middle", font_style="italic")
            )
