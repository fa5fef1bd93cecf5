"""Which signs of an engraved line lie on each other: measured by their ink.

Every sign's outline is filled on a fine raster of its own; two signs that must stay apart overlap where both have ink.
Signs that belong together (a note's head and stem, stems and their beam, heads of a chord) may touch.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
from fontTools.pens.recordingPen import RecordingPen
from fontTools.svgLib.path import parse_path
from lxml import etree
from PIL import Image, ImageDraw

from workbench.engraving.drawing import XLINK, tag

#: Units of the drawing (a hundredth of a millimetre) a pixel of the raster is wide.
PIXEL = 6
#: As much common ink is no overlap: signs that touch, outlines rounded to pixels.
TOUCH_PIXELS = 4
#: Parentheses of ghost notes (SMuFL).
_PARENS = ("E26A", "E26B")
_KINDS = {
    "notehead": "head",
    "dots": "dots",
    "stem": "stem",
    "flag": "flag",
    "beam": "beam",
    "rest": "rest",
    "mRest": "rest",
    "artic": "accent",
    "tupletNum": "tuplet number",
    "tupletBracket": "tuplet bracket",
    "bTrem": "slashes",
    "barLine": "bar line",
    "clef": "clef",
    "meterSig": "meter",
    "bracketSpan": "bracket",
    "dir": "text",
}
#: Pairs that may overlap whatever they belong to: lines that cross on purpose, or are drawn as one.
_MAY = {
    frozenset(pair.split("/"))
    for pair in (
        "stem/beam",
        "stem/flag",
        "stem/slashes",
        "beam/slashes",
        "flag/slashes",
        "stem/tuplet bracket",
        "tuplet number/tuplet bracket",
        "text/bracket",
        "stem",
        "beam",
        "bar line",
    )
}


@dataclass
class Sign:
    """A sign: what it is, which chord, note or beam it belongs to, and its ink."""

    kind: str
    owner: etree._Element
    outline: list[np.ndarray]
    note: etree._Element | None = None

    @property
    def box(self) -> tuple[float, float, float, float]:
        points = np.concatenate(self.outline)
        return (*points.min(axis=0), *points.max(axis=0))


@cache
def _flat(d: str) -> tuple[tuple[tuple[float, float], ...], ...]:
    """The polygons of an outline, its curves in pieces."""
    pen = RecordingPen()
    parse_path(d, pen)
    out: list[list[tuple[float, float]]] = []
    for what, points in pen.value:
        if what == "moveTo":
            out.append([points[0]])
        elif what == "lineTo":
            out[-1].append(points[0])
        elif what == "curveTo":
            a, (b, c, e) = out[-1][-1], points
            for t in np.linspace(0.2, 1, 5):
                u = 1 - t
                out[-1].append(
                    tuple(u**3 * a[k] + 3 * u * u * t * b[k] + 3 * u * t * t * c[k] + t**3 * e[k] for k in (0, 1))
                )
        elif what == "qCurveTo":
            out[-1] += points
    return tuple(tuple(p) for p in out if len(p) > 1)


def _numbers(text: str) -> list[float]:
    return [float(x) for x in re.findall(r"-?\d+\.?\d*", text)]


def _stroke(points: list[tuple[float, float]], width: float) -> list[np.ndarray]:
    """A line of a width as rectangles."""
    out = []
    for (x, y), (u, v) in zip(points, points[1:]):
        long = np.hypot(u - x, v - y) or 1.0
        nx, ny = -(v - y) / long * width / 2, (u - x) / long * width / 2
        out.append(np.array([(x + nx, y + ny), (u + nx, v + ny), (u - nx, v - ny), (x - nx, y - ny)]))
    return out


def _outline(e: etree._Element, symbols: dict[str, etree._Element]) -> list[np.ndarray]:
    name = etree.QName(e).localname
    if name == "use":
        x, y, sx, sy = _numbers(e.get("transform"))[:4]
        out = []
        for path in symbols[e.get(f"{{{XLINK}}}href")[1:]].iter(tag("path")):
            flip = -1 if "scale(1,-1)" in (path.get("transform") or "") else 1
            out += [np.array(p) * (sx, sy * flip) + (x, y) for p in _flat(path.get("d"))]
        return out
    if name == "path":
        if e.get("transform"):
            x, y, s = _numbers(e.get("transform"))[:3]
            return [np.array(p) * s + (x, y) for p in _flat(e.get("d"))]
        if e.get("stroke-width") and e.get("d").count(" ") < 6:
            x, y, u, v = _numbers(e.get("d"))[:4]
            return _stroke([(x, y), (u, v)], float(e.get("stroke-width")))
        return [np.array(p) for p in _flat(e.get("d"))]
    if name == "polygon":
        return [np.array(_numbers(e.get("points"))).reshape(-1, 2)]
    if name == "polyline":
        points = np.array(_numbers(e.get("points"))).reshape(-1, 2)
        return _stroke([tuple(p) for p in points], float(e.get("stroke-width") or 18))
    if name in ("ellipse", "rect"):
        v = {k: float(e.get(k)) for k in ("cx", "cy", "rx", "ry", "x", "y", "width", "height") if e.get(k)}
        if name == "rect":
            x, y, w, h = (v.get(k, 0.0) for k in ("x", "y", "width", "height"))
            return [np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)])]
        turn = np.linspace(0, 2 * np.pi, 12)
        return [np.column_stack([v["cx"] + v["rx"] * np.cos(turn), v["cy"] + v["ry"] * np.sin(turn)])]
    if name == "text":
        words = "".join(e.itertext()).strip()
        x, y = float(e.get("x") or 0), float(e.get("y") or 0)
        size = max([float((t.get("font-size") or "0").removesuffix("px")) for t in e.iter()] or [0.0])
        if not words or not size:
            return []
        w = 0.5 * size * len(words)
        x -= w / 2 if e.get("text-anchor") == "middle" else 0
        return [np.array([(x, y - 0.68 * size), (x + w, y - 0.68 * size), (x + w, y), (x, y)])]
    return []


def signs(body: etree._Element, symbols: dict[str, etree._Element]) -> Iterator[Sign]:
    """The signs of an engraved line (:class:`workbench.engraving.systems.System`), its staff lines left out."""

    def walk(e: etree._Element, kind: str, owner: etree._Element) -> Iterator[Sign]:
        own = (e.get("class") or "").split(" ")
        if own[0] in ("note", "chord", "beam", "tuplet", "rest", "barLine", "dir") and (
            own[0] != "note" or (owner.get("class") or "") != "chord"
        ):
            owner = e
        kind = _KINDS.get(own[0], "" if own[0] else kind)
        if e.tag != tag("g") and kind:
            href = (e.get(f"{{{XLINK}}}href") or "")[1:5]
            outline = _outline(e, symbols)
            if outline:
                yield Sign("parenthesis" if href in _PARENS else kind, owner, outline, e.getparent())
            return
        for child in e:
            if isinstance(child.tag, str) and child.tag != tag("title"):
                yield from walk(child, kind, owner)

    yield from walk(body, "", body)


def _raster(sign: Sign, box: tuple[int, int, int, int]) -> np.ndarray:
    x, y, u, v = box
    image = Image.new("1", (max(1, (u - x) // PIXEL + 1), max(1, (v - y) // PIXEL + 1)))
    draw = ImageDraw.Draw(image)
    for polygon in sign.outline:
        draw.polygon([tuple(p) for p in (polygon - (x, y)) / PIXEL], fill=1)
    return np.array(image)


def _belong(a: Sign, b: Sign) -> bool:
    """Whether two signs are of one note, chord or rest, or a beam and a note in it."""
    if {a.kind, b.kind} == {"head", "parenthesis"}:
        return a.note is b.note
    apart = ({"dots", "parenthesis"}, {"accent", "stem"}, {"accent", "head"}, {"accent", "parenthesis"})
    return a.owner is b.owner and {a.kind, b.kind} not in apart


def overlaps(body: etree._Element, symbols: dict[str, etree._Element]) -> list[tuple[str, str, int]]:
    """Pairs of signs that lie on each other, and how many pixels of ink they share."""
    found = [s for s in signs(body, symbols)]
    boxes = [s.box for s in found]
    order = sorted(range(len(found)), key=lambda k: boxes[k][0])
    out = []
    for n, i in enumerate(order):
        for j in order[n + 1 :]:
            if boxes[j][0] >= boxes[i][2]:
                break
            a, b = found[i], found[j]
            if frozenset((a.kind, b.kind)) in _MAY or _belong(a, b):
                continue
            x, y = max(boxes[i][0], boxes[j][0]), max(boxes[i][1], boxes[j][1])
            u, v = min(boxes[i][2], boxes[j][2]), min(boxes[i][3], boxes[j][3])
            if u - x <= PIXEL or v - y <= PIXEL:
                continue
            box = (int(x), int(y), int(u), int(v))
            shared = int((_raster(a, box) & _raster(b, box)).sum())
            if shared > TOUCH_PIXELS:
                out.append((a.kind, b.kind, shared, box))
    return out
