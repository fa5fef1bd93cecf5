"""Where an engraved line has ink: how far down it reaches, so that words can stay clear of it, and boxes of symbols.

Units are those of the drawing.  Outlines are measured by their control points:
a curve never leaves them, so what is said here may be a little more than the
ink, never less.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache
from pathlib import Path

from lxml import etree

from workbench.engraving.drawing import XLINK, tag

_TOKEN = re.compile(r"[A-Za-z]|-?\d*\.?\d+(?:e-?\d+)?")
#: How many numbers each command of an outline takes, and which of them are heights.
_HEIGHTS = {
    "M": (2, (1,)),
    "L": (2, (1,)),
    "T": (2, (1,)),
    "H": (1, ()),
    "V": (1, (0,)),
    "C": (6, (1, 3, 5)),
    "S": (4, (1, 3)),
    "Q": (4, (1, 3)),
    "A": (7, (6,)),
}


@lru_cache(maxsize=512)
def lowest_of_outline(outline: str, upside_down: bool = False) -> float:
    """Largest y of an SVG path's ``d``; of its mirror image if it is drawn ``upside_down``."""
    tokens = _TOKEN.findall(outline)
    y = start = 0.0
    out: list[float] = []
    command, k = "M", 0
    while k < len(tokens):
        if tokens[k].isalpha():
            command, k = tokens[k], k + 1
            if command in "Zz":
                y = start
                continue
        count, heights = _HEIGHTS[command.upper()]
        values = [float(v) for v in tokens[k : k + count]]
        k += count
        base = y if command.islower() else 0.0
        if heights:
            out += [base + values[j] for j in heights]
            y = out[-1]
        if command in "Mm":
            start, command = y, "L" if command == "M" else "l"
    return max((-v for v in out) if upside_down else out, default=0.0)


def lowest_ink(
    drawing: etree._Element, symbols: dict[str, etree._Element], without: frozenset[str] = frozenset()
) -> float:
    """Largest y at which a drawing by verovio has lines or symbols; its texts are left out.

    Parameters
    ----------
    drawing : element
    symbols : dict
        What ``use`` elements refer to, by id.
    without : frozenset of str
        Classes of groups that are left out.
    """
    lowest = 0.0
    for e in drawing:
        if not isinstance(e.tag, str) or e.get("class", "").split(" ")[0] in without:
            continue
        if e.tag == tag("g"):
            lowest = max(lowest, lowest_ink(e, symbols, without))
        elif e.tag == tag("path"):
            moved = re.match(r"translate\(\S+?,\s*(\S+?)\) scale\((\S+?)\)", e.get("transform", ""))
            at, scale = (float(v) for v in moved.groups()) if moved else (0.0, 1.0)
            width = float(e.get("stroke-width") or 0)
            lowest = max(lowest, at + scale * lowest_of_outline(e.get("d", "")) + width / 2)
        elif e.tag in (tag("polygon"), tag("polyline")):
            lowest = max(lowest, *(float(p.split(",")[1]) for p in e.get("points").split()))
        elif e.tag == tag("rect"):
            lowest = max(lowest, float(e.get("y", 0)) + float(e.get("height", 0)))
        elif e.tag == tag("ellipse"):
            lowest = max(lowest, float(e.get("cy", 0)) + float(e.get("ry", 0)))
        elif e.tag == tag("use"):
            _, y, _, scale = _numbers(e.get("transform"))
            (outline,) = symbols[e.get(f"{{{XLINK}}}href").removeprefix("#")].findall(tag("path"))
            lowest = max(lowest, y + scale * lowest_of_outline(outline.get("d"), upside_down=True))
    return lowest


#: Left, top, right, bottom.
Box = tuple[float, float, float, float]


@cache
def _symbol_boxes() -> dict[str, Box]:
    """Box of each symbol of Bravura by its code (SMuFL), in the em's thousandths, as verovio tells it; y goes up."""
    import verovio

    font = etree.parse(Path(verovio.__file__).parent / "data" / "Bravura.xml").getroot()
    sizes = {g.get("c"): [float(g.get(k)) for k in ("x", "y", "w", "h")] for g in font.iter("g")}
    return {code: (x, y + h, x + w, y) for code, (x, y, w, h) in sizes.items()}


def symbol_box(use: etree._Element) -> Box:
    """The box of a symbol in the drawing."""
    x, y, width, height = _numbers(use.get("transform"))
    left, top, right, bottom = _symbol_boxes()[use.get(f"{{{XLINK}}}href")[1:5]]
    return x + width * left, y - height * top, x + width * right, y - height * bottom


def _numbers(transform: str) -> list[float]:
    return [float(v) for v in re.findall(r"-?[\d.]+", transform)[:4]]
