"""Signs moved off each other where the engraver lets them collide.

Units are those of verovio's drawing (a staff space is 180).  What collides, and by how much, was found with
``tests/test_clearing.py``, which measures the ink of dense bars and human performances.
"""

from __future__ import annotations

import re

from lxml import etree

from workbench.engraving.drawing import XLINK, tag

#: White kept between signs that are moved apart.
_WHITE = 36.0
#: From the right parenthesis of a ghost note to the middle of its dot.
_DOT_AFTER = 150.0
#: Width of a grace note's flag, and by how much its stem may be shortened.
_FLAG, _SHORTER_STEM = 170.0, 230.0
#: From a stem to the end of the stroke through it, and half that stroke's height; half the height of a head.
_SLASH, _HEAD_HALF_HEIGHT = (170.0, 75.0), 90.0
#: How far brackets are lowered from flags.
_UNDER_FLAGS = 72.0
#: Width and height of an accent, and of the figure of a tuplet; height of a cue's letters.
_ACCENT, _FIGURE = (250.0, 176.0), (300.0, 250.0)
_LETTERS = 240.0
_RIGHT_PARENTHESIS = "#E26B"


#: Left, top, right, bottom.
_Box = tuple[float, float, float, float]
#: Corners of a beam: left, right, and back on its other side.
_Polygon = list[tuple[float, float]]


def clear(body: etree._Element) -> None:
    """Move dots out of the parentheses of ghost notes, accents off beams, hooks of brackets off rests, and
    cues off the figures of tuplets."""
    obstacles: list[_Box] = []
    cues: list[etree._Element] = []
    figures: list[etree._Element] = []
    graces: list[etree._Element] = []
    slashes: list[etree._Element] = []
    heads: list[tuple[float, float]] = []
    beams: list[_Polygon] = []
    middle = 0.0
    for g in body.iter(tag("g")):
        kind = g.get("class", "")
        if kind == "staff" and not middle:  # that of the third line
            middle = float(re.findall(r"-?[\d.]+", g.findall(tag("path"))[2].get("d"))[1])
        elif kind == "dots":
            _clear_dot(g)
        elif kind == "artic":
            _clear_accent(g)
            obstacles += [_over(use, *_ACCENT) for use in g.iter(tag("use"))]
        elif kind == "beam":
            beams += [_points(p) for p in g.findall(tag("polygon"))]
        elif kind == "tuplet":
            _clear_hooks(g)
        elif kind == "bTrem":
            slashes += g.findall(tag("use"))
        elif kind == "notehead":
            heads += [_place(use) for use in g.findall(tag("use"))[:1]]
        elif kind == "graceGrp":
            graces.append(g)
        elif kind == "tupletNum":
            figures += list(g.iter(tag("use")))
        elif kind == "dir":
            cues += list(g.iter(tag("text")))
    for grace in graces:
        _clear_grace(grace, beams)
    for figure in figures:
        _clear_figure(figure, beams, middle)
        obstacles.append(_over(figure, *_FIGURE))
    for slash in slashes:
        _clear_slash(slash, heads)
    for beam in beams:
        xs, ys = zip(*beam)
        obstacles.append((min(xs), min(ys), max(xs), max(ys)))
    for cue in cues:
        obstacles.append(_clear_cue(cue, obstacles))


def _place(use: etree._Element) -> tuple[float, float]:
    x, y = re.findall(r"-?[\d.]+", use.get("transform"))[:2]
    return float(x), float(y)


def _over(use: etree._Element, width: float, height: float) -> _Box:
    """The box of a symbol that stands on its place."""
    x, y = _place(use)
    return x, y - height, x + width, y


def _points(polygon: etree._Element) -> _Polygon:
    values = [float(v) for v in re.findall(r"-?[\d.]+", polygon.get("points"))]
    return list(zip(values[::2], values[1::2]))


def _edges(beam: _Polygon, left: float, right: float) -> tuple[float, float] | None:
    """Top and bottom of a beam between two places, if it is there."""
    (x0, y0), (x1, y1), (_, y2), (_, y3) = beam
    if not (x0 < right and left < x1):
        return None
    shares = [min(max((x - x0) / (x1 - x0), 0.0), 1.0) for x in (left, right)]
    ends = [y for s in shares for y in (y0 + s * (y1 - y0), y3 + s * (y2 - y3))]
    return min(ends), max(ends)


def _move(use: etree._Element, y: float) -> None:
    use.set("transform", re.sub(r"\([^)]*\)", f"({_place(use)[0]:g}, {y:g})", use.get("transform"), count=1))


def _clear_dot(dots: etree._Element) -> None:
    note = dots.getparent()
    while note is not None and note.get("class", "").split(" ")[0] not in ("note", "chord"):
        note = note.getparent()
    if note is None:
        return
    ends = [_place(u)[0] for u in note.iter(tag("use")) if u.get(f"{{{XLINK}}}href", "").startswith(_RIGHT_PARENTHESIS)]
    for dot in dots.iter(tag("ellipse")) if ends else ():
        dot.set("cx", f"{max(float(dot.get('cx')), max(ends) + _DOT_AFTER):g}")


def _clear_accent(accent: etree._Element) -> None:
    beam = accent.getparent()
    while beam is not None and beam.get("class") != "beam":
        beam = beam.getparent()
    if beam is None:
        return
    polygons = [_points(p) for p in beam.findall(tag("polygon"))]
    for use in accent.iter(tag("use")):
        left, top, right, foot = _over(use, *_ACCENT)
        edges = [e for p in polygons if (e := _edges(p, left, right))]
        highest = min((top for top, _ in edges), default=foot)
        lowest = max((bottom for _, bottom in edges), default=foot)
        # It stands over the beam, or under the stems' other end and is clear of it.
        if highest < foot and top < lowest:
            _move(use, highest - _WHITE)


def _clear_figure(figure: etree._Element, beams: list[_Polygon], middle: float) -> None:
    """Move the figure of a tuplet away from the staff until no beam lies on it."""
    left, top, right, foot = _over(figure, *_FIGURE)
    edges = [e for p in beams if (e := _edges(p, left, right)) and e[0] < foot and top < e[1]]
    if edges:
        highest, lowest = min(a for a, _ in edges), max(b for _, b in edges)
        _move(figure, highest - _WHITE if (top + foot) / 2 < middle else lowest + _WHITE + _FIGURE[1])
        _clear_figure(figure, [p for p in beams if (e := _edges(p, left, right)) and e not in edges], middle)


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


def _clear_slash(slash: etree._Element, heads: list[tuple[float, float]]) -> None:
    """Move the stroke through a stem along it, off the head of the next note."""
    x, y = _place(slash)
    for at, head in heads:
        apart = _HEAD_HALF_HEIGHT + _SLASH[1]
        if x < at < x + _SLASH[0] and abs(head - y) < apart:
            _move(slash, head - apart - _WHITE if head >= y else head + apart + _WHITE)
            return


def _clear_hooks(tuplet: etree._Element) -> None:
    """Shorten the hook of a bracket that reaches down to a rest at the end of its tuplet."""
    own = [g for g in tuplet.iter(tag("g"))]
    lines = tuplet.findall(f"{tag('g')}[@class='tupletBracket']/{tag('polyline')}")
    if lines and any(g.get("class") == "flag" for g in own):
        _lower_bracket(tuplet, lines)
    rests = [_place(u) for g in tuplet.iter(tag("g")) if g.get("class") == "rest" for u in g.iter(tag("use"))]
    if not rests:
        return
    for bracket in lines:
        points = [tuple(map(float, p.split(","))) for p in bracket.get("points").split()]
        (x, hook), (_, line) = points[0], points[1]
        if hook > line and any(abs(x - at) < 300 for at, _ in rests):
            points[0] = (x, line + (hook - line) / 3)
            bracket.set("points", " ".join(f"{px:g},{py:g}" for px, py in points))


def _lower_bracket(tuplet: etree._Element, lines: list[etree._Element]) -> None:
    """Move a bracket under the feet's notes, and its figure, clear of their flags."""
    if any(_points(line)[0][1] > _points(line)[1][1] for line in lines):
        return  # it stands over its notes
    for line in lines:
        line.set("points", " ".join(f"{x:g},{y + _UNDER_FLAGS:g}" for x, y in _points(line)))
    for use in tuplet.findall(f"{tag('g')}[@class='tupletNum']/{tag('use')}"):
        _move(use, _place(use)[1] + _UNDER_FLAGS)


def _clear_cue(cue: etree._Element, obstacles: list[_Box]) -> _Box:
    """Move a cue up until nothing lies on it; the box that it takes then."""
    x, y = float(cue.get("x")), float(cue.get("y"))
    size = max(float(e.get("font-size", "0").removesuffix("px")) for e in cue.iter())
    end = x + 0.5 * size * len("".join(cue.itertext()).strip())
    for left, top, right, foot in sorted(obstacles, key=lambda box: -box[3]):
        if x - _WHITE < right and left < end + _WHITE and top < y + _WHITE and y - _LETTERS < foot:
            y = top - 2 * _WHITE
    cue.set("y", f"{y:g}")
    return x, y - _LETTERS, end, y
