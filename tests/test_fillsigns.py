"""Fills over the staff: where the bracket begins and ends."""

import re
from fractions import Fraction

import pytest
from hypothesis import given
from lxml import etree

from tests.chart_strategies import charts
from tests.test_engrave import SVG, song, words
from tests.test_mei import FEW
from workbench.chart import Mark, Note, Text
from workbench.engraving.engrave import engrave_svg
from workbench.errors import ChartError
from workbench.notation.abbreviations import abbreviate, lay_lines
from workbench.notation.fillsigns import fill_signs
from workbench.notation.scoresigns import ScoreOptions, note_id


def fill_mark(start, end, confirmed=True):
    return Mark("fill", (start[0], Fraction(start[1])), (end[0], Fraction(end[1])), confirmed=confirmed)


def brackets(svg):
    """Left and right end of each bracket over a fill, tenths of a millimetre of its line."""
    lines = [
        p.get("d")
        for g in etree.fromstring(svg).iter(f"{SVG}g")
        if g.get("class") == "bracketSpan"
        for p in g.findall(f"{SVG}path")
    ]
    return [tuple(float(x) / 10 for x in re.findall(r"M([\d.]+) \S+ L([\d.]+)", d)[0]) for d in lines]


def place_of(svg, name):
    """Left edge of a note's head in its line, tenths of a millimetre."""
    (note,) = [e for e in etree.fromstring(svg).iter() if e.get("id") == name]
    use = note.find(f"{SVG}g[@class='notehead']/{SVG}use")
    return float(re.findall(r"translate\(([\d.]+)", use.get("transform"))[0]) / 10


def test_a_confirmed_fill_is_marked_from_its_first_stroke_to_its_last():
    chart = song(8, sections=(), marks=(fill_mark((3, "1/2"), (4, 0)), fill_mark((7, "1/2"), (8, 0), confirmed=False)))
    (svg,) = engrave_svg(chart, bars=(0, 7))
    assert words(svg).count("fill") == 1
    ((left, right),) = brackets(svg)
    first, last = (place_of(svg, note_id(3, Note(Fraction(k, 16), "floor tom"))) for k in (8, 15))
    assert first < left < last < right  # the word takes the bracket's beginning
    for which, count in (("all", 2), ("none", 0)):
        (svg,) = engrave_svg(chart, bars=(0, 7), options=ScoreOptions(fills=which))
        assert (words(svg).count("fill"), len(brackets(svg))) == (count, count)


def test_a_fill_over_a_line_break_goes_on_in_the_next_line():
    (svg,) = engrave_svg(song(8, sections=(), marks=(fill_mark((3, "1/2"), (5, 0)),)), bars=(0, 7))
    assert len(brackets(svg)) == 2 and words(svg).count("fill") == 1
    (first, _), (again, _) = sorted(brackets(svg), key=lambda b: -b[0])
    assert again == pytest.approx(place_of(svg, note_id(4, Note(Fraction(0), "closed hi-hat"))), abs=2)


def test_a_cue_that_says_fill_stands_for_the_word():
    chart = song(4, sections=(), marks=(fill_mark((3, "1/2"), (4, 0)),), texts=(Text(3, Fraction(1, 2), "Big fill"),))
    (svg,) = engrave_svg(chart, bars=(0, 3))
    assert [w for w in words(svg) if "fill" in w.lower()] == ["Big fill"] and len(brackets(svg)) == 1


def test_a_fill_marked_in_any_pass_of_a_repeat_is_shown_once():
    chart = song(16, sections=(), marks=(fill_mark((7, "1/2"), (8, 0)), fill_mark((15, "1/2"), (16, 0))))
    pages = engrave_svg(chart)
    assert sum(words(p).count("fill") for p in pages) == 1


@pytest.mark.slow
@FEW
@given(charts(most_bars=4, parts=(1, 2, 4)))
def test_every_fill_begins_once_on_paper(chart):
    signs = [
        s
        for line in lay_lines(chart, abbreviate(chart, similes=False, multirests=False), 2)
        for s in fill_signs(chart, line, "all")
    ]
    apart = all(a.end <= b.start for a, b in zip(chart.marks, chart.marks[1:]))
    if apart:
        assert sum(s.opens for s in signs) == sum(s.closes for s in signs) == len(chart.marks)
    engrave_svg(chart, options=ScoreOptions(fills="all"))


def test_fills_shown_are_of_three_kinds():
    with pytest.raises(ChartError, match="confirmed, all, none"):
        ScoreOptions(fills="some")
