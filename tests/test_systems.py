"""Lines of a score: nothing outside the page, nothing over anything else."""

from dataclasses import replace
from fractions import Fraction
from io import BytesIO

import numpy as np
import pytest
from hypothesis import given
from lxml import etree
from PIL import Image

from tests.chart_strategies import charts
from tests.parts import ROCK, part
from tests.test_engrave import SVG, WRITTEN_OUT
from tests.test_mei import FEW
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.engraving.drawing import tag, word_width
from workbench.engraving.engrave import engrave_lines, engrave_svg, svg_to_png
from workbench.engraving.ink import symbol_box
from workbench.notation.scoresigns import ScoreOptions


@pytest.mark.slow
@FEW
@given(charts(most_bars=3, parts=(1, 2, 3, 4, 6, 8)))
def test_nothing_is_drawn_in_the_margin_of_the_page(chart):
    chart = replace(chart, title="", artist="", sections=(), texts=())
    for page in engrave_svg(chart, options=WRITTEN_OUT):
        ink = np.asarray(Image.open(BytesIO(svg_to_png(page, 50))).convert("L")) < 200
        edge = round(9 / 25.4 * 50)  # 9 mm
        assert not ink[:edge].any() and not ink[-edge:].any()
        assert not ink[:, :edge].any() and not ink[:, -edge:].any()
        assert ink.any()


def ink(svg, *, shows_words):
    """Rows and columns of a sheet that have ink, of its rows of words alone or of all the rest; one dot is
    a tenth of a millimetre."""
    root = etree.fromstring(svg)
    root.set("visibility", "hidden" if shows_words else "visible")
    for verse in [e for e in root.iter(f"{SVG}g") if e.get("class") == "verse"]:
        verse.set("visibility", "visible" if shows_words else "hidden")
    page = etree.tostring(root, encoding="unicode")
    return np.asarray(Image.open(BytesIO(svg_to_png(page, 254))).convert("L")) < 160


HANDS = tuple(Note(Fraction(k, 8), "closed hi-hat", sticking="RL"[k % 2]) for k in range(8))


BUSY_FEET = (
    Note(Fraction(0), "kick", articulations={"choke"}),
    Note(Fraction(3, 16), "kick"),
    Note(Fraction(3, 8), "pedal hi-hat", articulations={"foot splash", "accent"}),
    Note(Fraction(7, 16), "pedal hi-hat"),
    Note(Fraction(9, 16), "kick", articulations={"flam"}),
    Note(Fraction(15, 16), "kick"),
)


DOTTED_KICKS = (Note(Fraction(0), "kick"), Note(Fraction(3, 16), "kick"), Note(Fraction(3, 8), "kick"))


@pytest.mark.parametrize("feet", [BUSY_FEET, DOTTED_KICKS])
@pytest.mark.parametrize(
    "options", [ScoreOptions(counts=True), ScoreOptions(counts=True, sticking=False), ScoreOptions()]
)
def test_counts_and_sticking_stay_clear_of_stems_and_beams(feet, options):
    chart = Chart(TimeMap.steady(1, 100), (WrittenBar((*HANDS, *feet)),))
    (svg,) = engrave_svg(chart, bars=(0, 0), options=options)
    words_rows = np.flatnonzero(ink(svg, shows_words=True).any(axis=1))
    assert not ink(svg, shows_words=False)[words_rows[0] - 4 :].any()  # all else ends above them
    assert words_rows[-1] < ink(svg, shows_words=True).shape[0] - 5  # and the sheet holds them


@pytest.mark.common_practice
def test_counts_and_sticking_stand_in_the_middle_under_their_heads():
    struck = [(k, name) for k in range(16) for name in ("snare", "ride")[: 1 + (k % 4 == 0)]]
    bar = WrittenBar(tuple(Note(Fraction(k, 16), name, sticking="RL"[k % 2]) for k, name in struck))
    chart = Chart(TimeMap.steady(1, 100), (bar,))
    (line,) = engrave_lines(chart, ScoreOptions(counts=True, sticking=True))
    verses = [g for g in line.body.iter(tag("g")) if g.get("class") == "verse"]
    assert len(verses) >= 32
    for verse in verses:
        heads = [g for g in verse.getparent().iter(tag("g")) if g.get("class") == "notehead"]
        boxes = [symbol_box(g.find(tag("use"))) for g in heads]
        (words,) = verse.iter(tag("text"))
        assert words.get("text-anchor") == "middle"
        assert min(abs(float(words.get("x")) - (left + right) / 2) for left, _, right, _ in boxes) < 1


@pytest.mark.common_practice
def test_long_syllables_give_way_to_one_another():
    """Twelve triplets in a bar that is engraved as narrow as it may be."""
    bar = WrittenBar(tuple(Note(Fraction(k, 12), "snare", sticking="R") for k in range(12)))
    (line,) = engrave_lines(Chart(TimeMap.steady(1, 180), (bar,)), ScoreOptions(counts=True, sticking=True))
    texts = [t for g in line.body.iter(tag("g")) if g.get("class") == "verse" for t in g.iter(tag("text"))]
    row = [t for t in texts if "".join(t.itertext()) != "R"]
    assert ["".join(t.itertext()) for t in row[:4]] == ["1", "trip", "let", "2"]
    # A device without the page's font draws them no wider.
    assert float(row[1].get("textLength")) == pytest.approx(324 * word_width("trip"), abs=0.1)
    places = [float(t.get("x")) for t in row]
    for a, b, left, right in zip(places, places[1:], row, row[1:]):
        widths = [324 * word_width("".join(t.itertext())) for t in (left, right)]
        assert b - a >= sum(widths) / 2


@pytest.mark.parametrize("bars, bars_per_line", [(5, 3), (7, 3), (5, 4), (6, 4), (7, 4), (10, 4)])
def test_bars_of_a_last_line_are_as_wide_as_the_others(bars, bars_per_line):
    """However few they are; the bar beside a clef is left out."""
    lines = engrave_lines(part(*[ROCK] * bars), ScoreOptions(similes=False, bars_per_line=bars_per_line))
    widths = [right - left for line in lines for left, right in list(line.bars.values())[1:]]
    assert sum(len(line.bars) for line in lines) == bars and len(lines) > 1
    assert max(widths) < 1.08 * min(widths)
