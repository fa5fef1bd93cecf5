"""Signs moved off each other where the engraver lets them collide.

Units are those of verovio's drawing (a staff space is 180).  What collides, and by how much, was found with
``tests/test_clearing.py``, which measures the ink of dense bars and human performances.
"""

from __future__ import annotations

import re

from lxml import etree

from workbench.engraving.drawing import XLINK, tag
from workbench.engraving.ink import Box, symbol_box

#: White kept between signs that are moved apart.
_WHITE = 36.0
#: From the right parenthesis of a ghost note to the middle of its dot.
_DOT_AFTER = 42.0
#: Width of a grace note's flag, and by how much its stem may be shortened.
_FLAG, _SHORTER_STEM = 170.0, 230.0
#: Length of a bracket's hooks, and white on either side of the figure in its line.
_TUPLET_HOOK, _BESIDE_FIGURE = 100.0, 45.0
#: So far into its box a rest, which is slanted, has little ink.
_REST_TIP = 30.0
#: Half a stem's width; height of a cue's letters.
_STEM, _LETTERS = 9.0, 240.0
_RIGHT_PARENTHESIS = "#E26B"

#: Corners of a beam or a box: left and right of its upper side, right and left of its lower one.
_Polygon = list[tuple[float, float]]


def clear(body: etree._Element) -> float:
    """Move dots out of the parentheses of ghost notes, beams off high heads, accents off beams, strokes through stems
    off heads, figures and brackets of tuplets off everything in their span, and cues off all these; returns the highest
    place (smallest y) that any of them reaches."""
    groups: dict[str, list[etree._Element]] = {}
    for g in body.iter(tag("g")):
        groups.setdefault(g.get("class", "").split(" ")[0], []).append(g)
    for dots in groups.get("dots", ()):
        _clear_dot(dots)
    for beam in groups.get("beam", ()):
        _clear_beam(beam)
    for accent in groups.get("artic", ()):
        _clear_accent(accent)
    if not groups.keys() & {"graceGrp", "bTrem", "tuplet", "dir"}:
        return 0.0
    beams = [_points(p) for g in groups.get("beam", ()) for p in g.findall(tag("polygon"))]
    for grace in groups.get("graceGrp", ()):
        _clear_grace(grace, beams)
    heads: list[Box] = []
    if groups.keys() & {"bTrem", "tuplet"}:
        heads = [symbol_box(use) for g in groups["notehead"] for use in g.iter(tag("use"))]
    bar_lines = [_numbers(p.get("d"))[0] for g in groups.get("barLine", ()) for p in g.findall(tag("path"))]
    for slash in (use for g in groups.get("bTrem", ()) for use in g.findall(tag("use"))):
        _clear_slash(slash, heads, bar_lines)
    signs = beams + [_cornered(symbol_box(use)) for g in groups.get("artic", ()) for use in g.iter(tag("use"))]
    if groups.get("tuplet"):
        solid = [*signs, *map(_cornered, heads), *_other_ink(groups)]
        lines = [_numbers(path.get("d"))[1] for path in groups["staff"][0].findall(tag("path"))]
        for tuplet in groups["tuplet"]:
            signs += _clear_tuplet(tuplet, solid, (min(lines), max(lines)))
    obstacles = [_box(sign) for sign in signs]
    for cue in (t for g in groups.get("dir", ()) for t in g.iter(tag("text"))):
        obstacles.append(_clear_cue(cue, obstacles))
    return min((top for _, top, _, _ in obstacles), default=0.0)


def _other_ink(groups: dict[str, list[etree._Element]]) -> list[_Polygon]:
    """Flags, rests, strokes through stems, and stems."""
    out = [
        _cornered(symbol_box(use))
        for kind in ("flag", "rest", "bTrem")
        for g in groups.get(kind, ())
        for use in g.iter(tag("use"))
    ]
    for stem in (path for g in groups.get("stem", ()) for path in g.findall(tag("path"))):
        x, y0, _, y1 = _numbers(stem.get("d"))[:4]
        out.append(_cornered((x - _STEM, min(y0, y1), x + _STEM, max(y0, y1))))
    return out


def _numbers(text: str) -> list[float]:
    return [float(v) for v in re.findall(r"-?[\d.]+", text)]


def _cornered(box: Box) -> _Polygon:
    left, top, right, foot = box
    return [(left, top), (right, top), (right, foot), (left, foot)]


def _box(polygon: _Polygon) -> Box:
    xs, ys = zip(*polygon)
    return min(xs), min(ys), max(xs), max(ys)


def _place(use: etree._Element) -> tuple[float, float]:
    x, y = _numbers(use.get("transform"))[:2]
    return x, y


def _points(polygon: etree._Element) -> _Polygon:
    values = _numbers(polygon.get("points"))
    return list(zip(values[::2], values[1::2]))


def _edges(beam: _Polygon, left: float, right: float) -> tuple[float, float] | None:
    """Top and bottom of a beam between two places, if it is there."""
    (x0, y0), (x1, y1), (_, y2), (_, y3) = beam
    if not (x0 < right and left < x1 and x0 < x1):
        return None
    shares = [min(max((x - x0) / (x1 - x0), 0.0), 1.0) for x in (left, right)]
    ends = [y for s in shares for y in (y0 + s * (y1 - y0), y3 + s * (y2 - y3))]
    return min(ends), max(ends)


def _move(use: etree._Element, y: float) -> None:
    _shift(use, y - _place(use)[1])


def _shift(use: etree._Element, down: float, right: float = 0.0) -> None:
    x, y = _place(use)
    use.set("transform", re.sub(r"\([^)]*\)", f"({x + right:g}, {y + down:g})", use.get("transform"), count=1))


def _within(g: etree._Element, kind: str) -> list[etree._Element]:
    """Groups of a kind in another, those of its grace notes left out."""
    found = [e for e in g.iter(tag("g")) if e.get("class") == kind]
    return [e for e in found if not any(a.get("class") == "graceGrp" for a in e.iterancestors() if a is not g)]


def _clear_dot(dots: etree._Element) -> None:
    note = dots.getparent()
    while note is not None and note.get("class", "").split(" ")[0] not in ("note", "chord"):
        note = note.getparent()
    if note is None:
        return
    ends = [
        symbol_box(u)[2] for u in note.iter(tag("use")) if u.get(f"{{{XLINK}}}href", "").startswith(_RIGHT_PARENTHESIS)
    ]
    for dot in dots.iter(tag("ellipse")) if ends else ():
        dot.set("cx", f"{max(float(dot.get('cx')), max(ends) + _DOT_AFTER):g}")


def _clear_beam(beam: etree._Element) -> None:
    """Lengthen stems until the beams clear every head of their notes and every rest between them."""
    polygons = beam.findall(tag("polygon"))
    # The engraver keeps one or two beams clear itself.
    if len(polygons) < 3 or any(a.get("class") == "graceGrp" for a in beam.iterancestors()):
        return
    heads = [symbol_box(use) for g in _within(beam, "notehead") for use in g.findall(tag("use"))]
    corners = [_points(p) for p in polygons]
    up = min(y for p in corners for _, y in p) < min(top for _, top, _, _ in heads)
    longer = 0.0
    for use in (use for g in _within(beam, "rest") for use in g.iter(tag("use"))):
        left, top, right, foot = symbol_box(use)
        heads.append((left, top + (_REST_TIP if up else 0.0), right, foot - (0.0 if up else _REST_TIP)))
    for left, top, right, foot in heads:
        for edges in (e for p in corners if (e := _edges(p, left, right))):
            if edges[0] < foot and top < edges[1]:
                longer = max(longer, _WHITE + (edges[1] - top if up else foot - edges[0]))
    if not longer:
        return
    moved = -longer if up else longer
    for element, own in zip(polygons, corners):
        element.set("points", " ".join(f"{x:g},{y + moved:g}" for x, y in own))
    for stem in (path for g in _within(beam, "stem") for path in g.findall(tag("path"))):
        x, foot, _, tip = _numbers(stem.get("d"))[:4]
        stem.set("d", f"M{x:g} {foot:g} L{x:g} {tip + moved:g}")


def _clear_accent(accent: etree._Element) -> None:
    beam = accent.getparent()
    while beam is not None and beam.get("class") != "beam":
        beam = beam.getparent()
    if beam is None:
        return
    polygons = [_points(p) for p in beam.findall(tag("polygon"))]
    for use in accent.iter(tag("use")):
        left, top, right, foot = symbol_box(use)
        edges = [e for p in polygons if (e := _edges(p, left, right))]
        highest = min((top for top, _ in edges), default=foot)
        lowest = max((bottom for _, bottom in edges), default=foot)
        # It stands over the beam, or under the stems' other end and is clear of it.
        if highest < foot and top < lowest:
            _shift(use, highest - _WHITE - foot)


def _clear_tuplet(tuplet: etree._Element, solid: list[_Polygon], staff: tuple[float, float]) -> list[_Polygon]:
    """Lay the bracket of a tuplet level and clear of all in its span, its figure in the line; a figure without a
    bracket clear of what it stands on.  Returns what they take then."""
    figures = [use for g in tuplet.findall(f"{tag('g')}[@class='tupletNum']") for use in g.iter(tag("use"))]
    lines = tuplet.findall(f"{tag('g')}[@class='tupletBracket']/{tag('polyline')}")
    corners = [_points(line) for line in lines]
    if corners and figures:
        left, right = (end(x for p in corners for x, _ in p) for end in (min, max))
        wide = symbol_box(figures[-1])[2] - symbol_box(figures[0])[0]
        above = corners[0][0][1] > corners[0][1][1]
        middle = (left + right) / 2
        span = min(left, middle - wide / 2), max(right, middle + wide / 2)
        boxes = [symbol_box(f) for f in figures]
        tall = boxes[0][3] - boxes[0][1]
        away = _WHITE + max(_TUPLET_HOOK, tall / 2)
        outer = [e for p in solid if (e := _edges(p, *span))] + [staff]
        if above:
            y = min(top for top, _ in outer) - away
        else:
            y = max(foot for _, foot in outer) + away
        across = middle - (boxes[0][0] + boxes[-1][2]) / 2
        for f, box in zip(figures, boxes):
            _shift(f, y + tall / 2 - box[3], across)
        hook = y + (_TUPLET_HOOK if above else -_TUPLET_HOOK)
        gap = wide / 2 + _BESIDE_FIGURE
        if right - left > 2 * gap + _TUPLET_HOOK:
            halves = ((left, middle - gap), (right, middle + gap))
            for line, (end, inner) in zip(lines, halves):
                line.set("points", f"{end:g},{hook:g} {end:g},{y:g} {inner:g},{y:g}")
            for line in lines[2:]:
                line.getparent().remove(line)
        else:  # the figure takes all of a narrow bracket
            for line in lines:
                line.getparent().remove(line)
        return [_cornered((left, y - tall / 2, right, max(y + tall / 2, hook) if above else y + tall / 2))]
    out = []
    for figure in figures:
        for _ in solid:
            left, top, right, foot = symbol_box(figure)
            hits = [e for p in solid if (e := _edges(p, left, right)) and e[0] < foot and top < e[1]]
            if not hits:
                break
            if (top + foot) < sum(staff):
                _shift(figure, min(a for a, _ in hits) - _WHITE - foot)
            else:
                _shift(figure, max(b for _, b in hits) + _WHITE - top)
        out.append(_cornered(symbol_box(figure)))
    return out


def _clear_slash(slash: etree._Element, heads: list[Box], bar_lines: list[float]) -> None:
    """Move a stroke through a stem along it, as little as need be, off heads, and back from a bar line."""
    left, top, right, foot = symbol_box(slash)
    if near := [x for x in bar_lines if (left + right) / 2 < x < right + _WHITE]:
        _shift(slash, 0.0, min(near) - _WHITE - right)
        left, top, right, foot = symbol_box(slash)
    taken = [(t - foot - _WHITE, f - top + _WHITE) for lo, t, hi, f in heads if lo < right and left < hi]
    if not any(a < -_WHITE and b > _WHITE for a, b in taken):
        return
    free = [end for pair in taken for end in pair if not any(a < end < b for a, b in taken)]
    _shift(slash, min(free, key=abs))


def _clear_grace(grace: etree._Element, beams: list[_Polygon]) -> None:
    """Shorten the stem of a flam's grace note that reaches into the beams over it."""
    for stem in (g for g in grace.iter(tag("g")) if g.get("class") == "stem"):
        flag = next(stem.iter(tag("use")), None)
        if flag is None:
            continue
        (x, tip), path = _place(flag), stem.find(tag("path"))
        foot = float(re.findall(r"-?[\d.]+", path.get("d"))[1])
        edges = [e for p in beams if (e := _edges(p, x, x + _FLAG))]
        if tip < foot:  # the stem goes up: the tip moves down, out of the beams
            shorter = max((bottom + _WHITE - tip for _, bottom in edges if bottom < foot), default=0.0)
            moved = min(max(shorter, 0.0), _SHORTER_STEM)
        else:
            shorter = max((tip - top + _WHITE for top, _ in edges if top > foot), default=0.0)
            moved = -min(max(shorter, 0.0), _SHORTER_STEM)
        if moved:
            _move(flag, tip + moved)
            for line in stem.findall(tag("path")):
                x0, y0, x1, y1 = map(float, re.findall(r"-?[\d.]+", line.get("d")))
                y0 += moved if line is not path else 0.0  # the slash goes along, the stem's foot stays
                line.set("d", f"M{x0:g} {y0:g} L{x1:g} {y1 + moved:g}")


def _clear_cue(cue: etree._Element, obstacles: list[Box]) -> Box:
    """Move a cue up until nothing lies on it; the box that it takes then."""
    x, y = float(cue.get("x")), float(cue.get("y"))
    size = max(float(e.get("font-size", "0").removesuffix("px")) for e in cue.iter())
    end = x + 0.5 * size * len("".join(cue.itertext()).strip())
    for left, top, right, foot in sorted(obstacles, key=lambda box: -box[3]):
        if x - _WHITE < right and left < end + _WHITE and top < y + _WHITE and y - _LETTERS < foot:
            y = top - 2 * _WHITE
    cue.set("y", f"{y:g}")
    return x, y - _LETTERS, end, y
