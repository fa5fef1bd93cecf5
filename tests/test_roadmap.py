"""The road map: the form of a part on one page."""

from dataclasses import replace
from fractions import Fraction
from io import BytesIO

import numpy as np
import pytest
from lxml import etree
from PIL import Image

import workbench as wb
from tests.test_engrave import SVG, groove, song, words
from tests.test_fillsigns import fill_mark
from workbench.chart import Chart, Mark, Note, Section, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.engraving.engrave import svg_to_png
from workbench.engraving.roadmap import find_stages, road_map_pages
from workbench.files.chartfile import read_chart
from workbench.reading.read import read_part


def test_road_map_has_a_row_for_each_section():
    chart = song(16)
    stages = find_stages(chart)
    assert [(s.bars[0], s.bars[-1], s.groove_bar, s.fill_bar, s.like) for s in stages] == [
        (0, 7, 0, None, None),
        (8, 15, 8, None, 0),
    ]
    marked = replace(chart, marks=(Mark("fill", (7, Fraction(1, 2)), (8, Fraction(0))),))
    assert find_stages(marked)[0].fill_bar == 7
    found = words(road_map_pages(marked)[0])
    assert "bars 1–8 (8)" in found and "fill, bar 8" in found and "Road map" in found


def test_a_last_stroke_is_no_fill_on_the_road_map_and_fills_are_read_where_none_is_marked():
    last = WrittenBar((Note(Fraction(0), "kick"), Note(Fraction(0), "crash")))
    chart = replace(song(16), bars=(*(groove(),) * 7, groove(fill=True), *(groove(),) * 7, last))
    assert [s.fill_bar for s in find_stages(chart)] == [7, None]


def texts_and_rest(page):
    """Ink of the captions of a road map, and of the music; one dot is a tenth of a millimetre."""
    out = []
    for captions in (True, False):
        root = etree.fromstring(page)
        for e in list(root):
            if e.tag in (f"{SVG}text", f"{SVG}g") and (e.tag == f"{SVG}text") != captions:
                root.remove(e)
        out.append(
            np.asarray(Image.open(BytesIO(svg_to_png(etree.tostring(root, encoding="unicode"), 254))).convert("L"))
            < 160
        )
    return out


@pytest.mark.slow
@pytest.mark.parametrize("sections", [2, 12, 40])
def test_captions_of_the_road_map_are_readable_and_clear_of_all_else(sections):
    words_of_groove = "kick on 1, the & of 2 and 3; eighths on the hi-hat; ghost notes on the a of 2, " * 2
    bars = []
    for k in range(sections):  # each with a groove of its own
        kick = Note(Fraction(k % 7 + 1, 16), "kick")
        own = replace(groove(), notes=(*groove().notes, kick, Note(Fraction(k // 7 + 1, 16), "ride")))
        bars += [own, own, own, groove(fill=True)]
    marks = [Mark("groove", (4 * k, Fraction(0)), (4 * k + 3, Fraction(0)), words_of_groove) for k in range(sections)]
    marks += [fill_mark((4 * k + 3, "1/2"), (4 * k + 4, 0)) for k in range(sections)]
    chart = Chart(
        TimeMap.steady(4 * sections, 100),
        tuple(bars),
        marks=tuple(marks),
        title="Slow Ferry",
        sections=tuple(Section(4 * k, f"Part {k + 1}", str(k + 1)) for k in range(sections)),
    )
    pages = road_map_pages(chart)
    assert (len(pages) == 1) == (sections < 40)
    for page in pages:
        captions, music = texts_and_rest(page)
        assert not (captions & music).any()
        sizes = [float(e.get("font-size")) for e in etree.fromstring(page).findall(f"{SVG}text")]
        assert min(sizes) / 254 * 72 >= 7
    said = [w for page in pages for w in words(page)]
    assert [w for w in said if w.startswith("fill")] == [f"fill, bar {4 * k + 4}" for k in range(sections)]


def test_road_map_of_a_chart_without_sections_and_without_notes():
    assert [s.section.name for s in find_stages(song(sections=()))] == ["All"]
    assert "no drums" in words(road_map_pages(Chart.empty(TimeMap.steady(4, 100)))[0])


def test_the_road_map_draws_the_bar_that_its_words_are_about():
    """A reading describes the base bar of a groove; that one is drawn, not another that is like the most bars."""
    chart = read_chart(wb.demo_song(what="chart"))
    reading = read_part(chart)
    base = {g.groove.base_bars[0] for g in reading.grooves}
    with_groove = {k for g in reading.grooves for k in g.groove.bar_indices}
    drawn = [s.groove_bar for s in find_stages(chart) if with_groove & set(s.bars)]
    assert len(drawn) >= 4 and set(drawn) <= base
