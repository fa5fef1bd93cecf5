"""The road map: the form of a part on one page.

A row for each section: its letter and name, its bars, its groove in one bar,
and the fill that leads out of it.  Players put it on the stand when they know
the song and only need the way through it.
"""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from lxml import etree

from workbench.chart import Chart, Section
from workbench.engraving.drawing import new_page, serialize, tag, text
from workbench.engraving.engrave import svg_to_pdf
from workbench.engraving.pages import MARGIN, PLAIN, PageStyle, draw_section, draw_tempo, draw_title
from workbench.engraving.systems import engrave_systems
from workbench.files.safefile import write_whole
from workbench.notation.abbreviations import Kind, PrintedBar, written_key
from workbench.notation.excerpts import bars_of_mark
from workbench.notation.scoresigns import WRITTEN_OUT

_TALLEST_ROW = 250.0
_NAME_WIDTH = 330
_GAP = 30


@dataclass(frozen=True)
class Stage:
    """A section on the road map.

    Attributes
    ----------
    section : Section
    first_bar, last_bar : int
        Bar indices, both included.
    groove_bar : int or None
        The bar that stands for its groove; None in a section without drums.
    fill_bar : int or None
        The bar of the fill that leads out of it.
    like : int or None
        Index of an earlier stage with the same groove and fill.
    """

    section: Section
    first_bar: int
    last_bar: int
    groove_bar: int | None
    fill_bar: int | None
    like: int | None = None


def find_stages(chart: Chart) -> tuple[Stage, ...]:
    """The sections of a chart with the bars that stand for them.

    The groove is the bar that is most like all others of its section; the fill
    is the last one marked in the section, or its last bar where that is written
    only once.
    """
    sections = list(chart.sections)
    if not sections or sections[0].bar_index > 0:
        sections.insert(0, Section(0, "" if sections else "All"))
    out: list[Stage] = []
    ends = [s.bar_index for s in sections[1:]] + [len(chart)]
    for section, end in zip(sections, ends):
        bars = range(section.bar_index, end)
        groove = _groove_bar(chart, bars)
        fill = _fill_bar(chart, bars, groove)
        like = next((k for k, s in enumerate(out) if _same(chart, s, groove, fill)), None)
        out.append(Stage(section, bars[0], bars[-1], groove, fill, like))
    return tuple(out)


def _same(chart: Chart, stage: Stage, groove: int | None, fill: int | None) -> bool:
    def key(k):
        return None if k is None else written_key(chart, k)
    return groove is not None and (key(stage.groove_bar), key(stage.fill_bar)) == (key(groove), key(fill))


def _groove_bar(chart: Chart, bars: range) -> int | None:
    fills = [bars_of_mark(m) for m in chart.marks if m.kind == "fill"]
    filled = {k for first, last in fills for k in range(first, last + 1)}
    sounding = [k for k in bars if chart.bars[k].notes]
    candidates = [k for k in sounding if k not in filled] or sounding
    if not candidates:
        return None
    patterns = {k: chart.bars[k].pattern for k in sounding}
    counts = Counter(patterns.values())

    def likeness(k: int) -> float:
        own = patterns[k]
        return sum(n * len(own & other) / len(own | other) for other, n in counts.items())
    # Written like the most bars, then the earliest.
    exact = Counter(written_key(chart, k) for k in candidates)
    return max(candidates, key=lambda k: (round(likeness(k), 6), exact[written_key(chart, k)], -k))


def _fill_bar(chart: Chart, bars: range, groove: int | None) -> int | None:
    marked = [m for m in chart.marks if m.kind == "fill" and m.start[0] in bars]
    if marked:
        bar_index = min(bars_of_mark(marked[-1])[1], bars[-1])
        return None if bar_index == groove else bar_index
    last = bars[-1]
    if groove is None or len(bars) < 2 or not chart.bars[last].notes or last == groove:
        return None
    alone = sum(written_key(chart, k) == written_key(chart, last) for k in bars) == 1
    return last if alone else None


def road_map_svg(chart: Chart, style: PageStyle = PLAIN) -> str:
    """The road map as one SVG page."""
    width, height = style.size
    stages = find_stages(chart)
    root = new_page(width, height, f"Road map: {chart.title}" if chart.title else "Road map")
    top = draw_title(root, chart, style, "Road map")
    draw_tempo(root, chart, MARGIN, top + 40)
    top += 60
    room = height - MARGIN - top
    row_height = min(_TALLEST_ROW, room / max(len(stages), 1))
    music = (width - 2 * MARGIN - _NAME_WIDTH - _GAP) / 2
    for k, stage in enumerate(stages):
        y = top + k * row_height
        _draw_stage(root, chart, stages, stage, y, row_height, music)
    return serialize(root)


def engrave_road_map(chart: Chart, path: str | os.PathLike, style: PageStyle = PLAIN) -> Path:
    """Write the road map as a one-page PDF (or SVG, by the name's ending)."""
    page = road_map_svg(chart, style)
    if os.fspath(path).lower().endswith(".svg"):
        return write_whole(path, page.encode("utf-8"))
    return write_whole(path, svg_to_pdf([page], f"{chart.title or 'Drum Set'}, road map", chart.artist))


def _draw_stage(root: etree._Element, chart: Chart, stages, stage: Stage, y: float, height: float,
                music: float) -> None:
    number = chart.time_map.bar_number
    scale = min(1.0, height / 200.0)
    size = 38 * scale
    name = etree.SubElement(root, tag("g"), transform=f"translate({MARGIN},{y + 0.5 * height:.1f}) "
                                                      f"scale({scale:g})")
    draw_section(name, stage.section, 0, 0, _NAME_WIDTH - 20)
    first, last = number(stage.first_bar), number(stage.last_bar)
    count = stage.last_bar - stage.first_bar + 1
    bars = f"bar {first}" if count == 1 else f"bars {first}–{last} ({count})"
    root.append(text(MARGIN, y + 0.5 * height + 0.9 * size, 0.75 * size, bars))
    x = MARGIN + _NAME_WIDTH
    if stage.groove_bar is None:
        root.append(text(x, y + 0.6 * height, 0.8 * size, "no drums", font_style="italic"))
        return
    if stage.like is not None:
        other = stages[stage.like]
        words = f"as {other.section.label or other.section.name or 'before'}, bar {number(other.first_bar)}"
        root.append(text(x, y + 0.6 * height, 0.8 * size, words, font_style="italic"))
        return
    _draw_bar(root, chart, stage.groove_bar, x, y, height, music)
    said = next((m.text for m in chart.marks if m.kind == "groove" and m.text
                 and m.start[0] <= stage.groove_bar < m.end[0]), "")
    root.append(text(x + 6, y + 0.16 * height, 24 * scale, said, width=music, font_style="italic"))
    if stage.fill_bar is not None:
        right = x + music + _GAP
        _draw_bar(root, chart, stage.fill_bar, right, y, height, music)
        root.append(text(right + 6, y + 0.16 * height, 24 * scale, f"fill, bar {number(stage.fill_bar)}",
                              font_style="italic"))


def _draw_bar(root: etree._Element, chart: Chart, bar_index: int, x: float, y: float, height: float,
              music: float) -> None:
    printed = (PrintedBar(bar_index, (bar_index,), Kind.NOTES),)
    (row,) = engrave_systems(chart, [printed], WRITTEN_OUT, round(music / 0.8), show_meter=True)
    scale = min(0.8, 0.92 * height / row.height)
    row.draw(root, x, y + (height - row.height * scale) / 2, scale)
