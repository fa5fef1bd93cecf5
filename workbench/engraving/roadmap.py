"""The road map: the form of a part on one page.

A row for each section: its letter and name, its bars, its groove in one bar,
and the fill that leads out of it.  Players put it on the stand when they know
the song and only need the way through it.  A form too long for one page goes on
on the next.
"""

from __future__ import annotations

import os
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from lxml import etree

from workbench.chart import Chart, Section
from workbench.chart.counting import bar_list, the_bar
from workbench.engraving.drawing import new_page, serialize, tag, text
from workbench.engraving.engrave import svg_to_pdf
from workbench.engraving.pages import MARGIN, PLAIN, PageStyle, draw_section, draw_tempo, draw_title
from workbench.engraving.systems import System, engrave_systems
from workbench.files.safefile import write_whole
from workbench.notation.abbreviations import BarKind, PrintedBar, WrittenKey, written_key
from workbench.notation.scoresigns import ScoreOptions
from workbench.reading.part_reading import PartReading
from workbench.reading.read import read_part

# Sizes in tenths of a millimetre where no unit is named; chosen by eye, no source.
_NAME_WIDTH = 330
_FILL_GAP = 30  # between the groove and the fill
_ROW_GAP = 36  # between rows
#: Size of the captions.
_CAPTION = 27.0
#: Width of a letter of theirs, in ems, at most (italics of the text font, measured on our own words).
_ITALIC_LETTER = 0.43
#: Least height of a row: its name and its bars.
_LEAST_ROW = 84.0
#: Size of the music and most lines of a caption: the first that keeps the form on one page, else the last.
_SIZES = ((0.8, 4), (0.7, 3), (0.6, 2), (0.5, 2), (0.5, 1))
#: Brackets over fills are left out: the caption says it.
_BAR_OPTIONS = ScoreOptions(fills="none")


@dataclass(frozen=True)
class RoadMapStop:
    """A section on the road map.

    Attributes
    ----------
    section : Section
    bars : range
        Bar indices.
    groove_bar : int or None
        The bar that stands for its groove; None in a section without drums.
    fill_bar : int or None
        The bar of the fill that leads out of it.
    like : int or None
        Index of an earlier stage with the same groove and fill.
    """

    section: Section
    bars: range
    groove_bar: int | None
    fill_bar: int | None
    like: int | None = None


def find_stages(chart: Chart) -> tuple[RoadMapStop, ...]:
    """The sections of a chart with the bars that stand for them.

    The groove is the base bar of what most of the section plays, as it is read;
    the fill is the last one of the section.  Fills are those marked in the
    chart; where none is marked, it is read.
    """
    fills = [m.bars for m in chart.marks if m.kind == "fill"]
    reading = read_part(chart) if any(bar.notes for bar in chart.bars) else None
    if not fills and reading:
        fills = [f.span.bars for f in reading.fills]
    sections = list(chart.sections)
    if not sections or sections[0].bar_index > 0:
        sections.insert(0, Section(0, "" if sections else "All"))
    out: list[RoadMapStop] = []
    ends = [s.bar_index for s in sections[1:]] + [len(chart)]
    for section, end in zip(sections, ends):
        bars = range(section.bar_index, end)
        groove = _groove_bar(reading, bars)
        last = next((fill[-1] for fill in reversed(fills) if fill[0] in bars), None)
        fill = None if last is None else min(last, bars[-1])
        fill = None if fill == groove or fill is not None and not chart.bars[fill].notes else fill
        like = next((k for k, s in enumerate(out) if _same(chart, s, groove, fill)), None)
        out.append(RoadMapStop(section, bars, groove, fill, like))
    return tuple(out)


def _same(chart: Chart, stage: RoadMapStop, groove: int | None, fill: int | None) -> bool:
    def key(k: int | None) -> WrittenKey | None:
        return None if k is None else written_key(chart, k)

    return groove is not None and (key(stage.groove_bar), key(stage.fill_bar)) == (key(groove), key(fill))


def _groove_bar(reading: PartReading | None, bars: range) -> int | None:
    """The base bar of the groove that most bars of a section have; without one, its first bar with notes."""
    if reading is None:
        return None
    most = max(reading.grooves, key=lambda g: len(set(bars) & set(g.groove.bar_indices)), default=None)
    if most is not None and set(bars) & set(most.groove.bar_indices):
        return most.groove.base_bars[0]
    return next((k for k in bars if reading.chart.bars[k].notes), None)


@dataclass(frozen=True)
class _Row:
    """What a row of the road map shows: a remark alone, or bars under their captions."""

    stage: RoadMapStop
    remark: str = ""
    bars: tuple[tuple[list[str], System], ...] = ()

    @property
    def captions_height(self) -> float:
        return 1.15 * _CAPTION * max((len(words) for words, _ in self.bars), default=0)

    def height(self, scale: float) -> float:
        music = max((system.height for _, system in self.bars), default=0.0)
        return max(_LEAST_ROW, self.captions_height + 0.4 * _CAPTION + scale * music)


def road_map_pages(chart: Chart, style: PageStyle = PLAIN) -> list[str]:
    """The road map as SVG pages, one if it can be."""
    width, height = style.size
    music = (width - 2 * MARGIN - _NAME_WIDTH - _FILL_GAP) / 2
    stages = find_stages(chart)
    name = f"Road map: {chart.title}" if chart.title else "Road map"
    root = new_page(width, height, name)
    top = draw_title(root, chart, style, "Road map")
    draw_tempo(root, chart, MARGIN, top + 40)
    y, bottom = top + 80, height - MARGIN
    letters = int(music / (_ITALIC_LETTER * _CAPTION))
    for scale, most_lines in _SIZES:
        rows = [_row(chart, stages, stage, music / scale, letters, most_lines) for stage in stages]
        if y + sum(r.height(scale) + _ROW_GAP for r in rows) - _ROW_GAP <= bottom:
            break
    pages = [root]
    for row in rows:
        if y + row.height(scale) > bottom:
            pages.append(new_page(width, height, f"{name}, page {len(pages) + 1}"))
            pages[-1].append(text(MARGIN, MARGIN, 28, name, width=0.8 * width, font_style="italic"))
            pages[-1].append(text(width - MARGIN, MARGIN, 28, str(len(pages)), "end"))
            y = MARGIN + 50.0
        _draw_row(pages[-1], chart, row, y, scale, music)
        y += row.height(scale) + _ROW_GAP
    return [serialize(page) for page in pages]


def engrave_road_map(chart: Chart, path: str | os.PathLike, style: PageStyle = PLAIN) -> Path:
    """Write the road map as a PDF.

    Raises
    ------
    FileFormatError
        If the file cannot be written.
    """
    title = f"{chart.title or 'Drum Set'}, road map"
    return write_whole(path, svg_to_pdf(road_map_pages(chart, style), title, chart.artist))


def _row(
    chart: Chart, stages: Sequence[RoadMapStop], stage: RoadMapStop, width: float, letters: int, most_lines: int
) -> _Row:
    number = chart.time_map.bar_number
    if stage.groove_bar is None:
        return _Row(stage, "no drums")
    if stage.like is not None:
        other = stages[stage.like]
        named = other.section.label or other.section.name or "before"
        return _Row(stage, f"as {named}, {the_bar(number(other.bars[0]))}")
    said = next(
        (m.text for m in chart.marks if m.kind == "groove" and m.text and m.start[0] <= stage.groove_bar < m.end[0]), ""
    )
    words = textwrap.wrap(said, letters, max_lines=most_lines, placeholder=" …")
    bars = [(words, _engrave_bar(chart, stage.groove_bar, width))]
    if stage.fill_bar is not None:
        bars.append(([f"fill, {the_bar(number(stage.fill_bar))}"], _engrave_bar(chart, stage.fill_bar, width)))
    return _Row(stage, bars=tuple(bars))


def _engrave_bar(chart: Chart, bar_index: int, width: float) -> System:
    printed = (PrintedBar(bar_index, (bar_index,), BarKind.NOTES),)
    (system,) = engrave_systems(chart, [printed], _BAR_OPTIONS, round(width), show_meter=True)
    return system


def _draw_row(root: etree._Element, chart: Chart, row: _Row, y: float, scale: float, music: float) -> None:
    number, stage = chart.time_map.bar_number, row.stage
    under = y + row.captions_height + 0.4 * _CAPTION  # where the music begins
    foot = y + 50.0  # of the section's box
    if row.bars:
        system = row.bars[0][1]
        foot = under + scale * (system.staff_top + system.staff_bottom) / 2
    name = etree.SubElement(root, tag("g"), transform=f"translate({MARGIN},{foot:.1f})")
    draw_section(name, stage.section, 0, 0, _NAME_WIDTH - 20)
    bars, numbers = bar_list(chart.time_map, stage.bars), [number(k) for k in stage.bars if number(k)]
    root.append(text(MARGIN, foot + 34, 28, f"{bars} ({len(numbers)})" if len(numbers) > 1 else bars))
    x = float(MARGIN + _NAME_WIDTH)
    if row.remark:
        root.append(text(x, foot - 9, 30, row.remark, font_style="italic"))
    for words, system in row.bars:
        for k, line in enumerate(words):
            lines_under = len(words) - 1 - k
            root.append(
                text(
                    x + 6,
                    y + row.captions_height - (0.2 + 1.15 * lines_under) * _CAPTION,
                    _CAPTION,
                    line,
                    font_style="italic",
                )
            )
        system.draw(root, x, under, scale)
        x += music + _FILL_GAP
