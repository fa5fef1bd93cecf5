"""Pages of a score: paper, heading, drum key, numbers."""

import re
from collections import Counter
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from lxml import etree

from tests.test_engrave import SVG, WRITTEN_OUT, song, words
from workbench.chart import Chart, Note, Section, WrittenBar
from workbench.chart.drumkit import INSTRUMENTS
from workbench.chart.meter import TimeMap
from workbench.engraving.engrave import engrave_svg
from workbench.engraving.pages import PAPERS, PageStyle
from workbench.errors import ChartError
from workbench.notation.scoresigns import ScoreOptions


def test_title_sections_tempo_numbers_and_legend_are_printed():
    found = words(engrave_svg(song())[0])
    for text in ("Slow Ferry", "The Night Trams", "Drum Set", "A", "Verse", "B", "Chorus", "= 112", "9"):
        assert text in found
    assert {label for label, *_ in drum_key(song())} == {"closed hi-hat", "snare", "kick", "floor tom"}


def drum_key(chart):
    """(label, middle in mm, size in printer's points) of each entry of the drum key."""
    out = []
    for line in etree.fromstring(engrave_svg(chart)[0]).iter(f"{SVG}g"):
        if line.get("class") == "line":
            scale = float(re.search(r"scale\(([\d.]+)\)", line.get("transform")).group(1))
            out += [
                (" ".join(e.itertext()), scale * float(e.get("x")) / 10, scale * float(e.get("font-size")) / 254 * 72)
                for e in line.findall(f"{SVG}text")
                if e.find(f"{SVG}tspan") is not None
            ]
    return out


@pytest.mark.parametrize("count", [3, 10, len(INSTRUMENTS)])
def test_labels_of_the_drum_key_are_readable_and_evenly_spaced(count):
    bar = WrittenBar(tuple(Note(Fraction(k, 24), i.name) for k, i in enumerate(INSTRUMENTS[:count])))
    key = drum_key(Chart(TimeMap.steady(1, 100), (bar,)))
    assert [label for label, *_ in key] == [i.name for i in INSTRUMENTS[:count]]
    assert all(size >= 7 for *_, size in key)
    lines = [[x for _, x, _ in key]]
    if count == len(INSTRUMENTS):
        lines = [[x for _, x, _ in key[:9]], [x for _, x, _ in key[9:]]]
    for places in lines:
        assert np.diff(places) == pytest.approx(places[1] - places[0], abs=0.3)
        assert places[1] - places[0] > 8  # mm


def test_the_drum_key_explains_ghost_notes_where_they_occur():
    plain = (Note(Fraction(0), "snare"), Note(Fraction(1, 8), "kick"))
    ghost = Note(Fraction(1, 4), "snare", articulations={"ghost"})
    labels = [
        [label for label, *_ in drum_key(Chart(TimeMap.steady(1, 100), (WrittenBar(notes),)))]
        for notes in (plain, (*plain, ghost))
    ]
    assert labels == [["snare", "kick"], ["snare", "ghost note", "kick"]]


def test_parts_of_the_page_can_be_left_out():
    found = words(engrave_svg(song(), style=PageStyle(heading=False, bar_numbers=False))[0])
    assert "Slow Ferry" not in found and "9" not in found and "snare" not in found
    assert "snare" not in words(engrave_svg(song(), style=PageStyle(legend=False))[0])


@pytest.mark.parametrize("paper", PAPERS)
def test_paper(paper):
    page = engrave_svg(song(), style=PageStyle(paper=paper))[0]
    assert f'viewBox="0 0 {PAPERS[paper][0]} {PAPERS[paper][1]}"' in page


def test_unknown_paper():
    with pytest.raises(ChartError, match="A4, Letter"):
        PageStyle(paper="napkin")


def test_long_part_takes_several_pages_with_numbers():
    pages = engrave_svg(song(96, sections=()), options=WRITTEN_OUT)
    assert len(pages) > 1
    assert [words(p)[:2] for p in pages[1:]] == [["Slow Ferry", str(k)] for k in range(2, len(pages) + 1)]


def lines_of(page):
    """Indices of the printed bars of each line of a page."""
    groups = [g for g in etree.fromstring(page).iter(f"{SVG}g") if g.get("class") == "line"]
    bars = [[int(b.get("id")[4:]) for b in g.iter(f"{SVG}g") if b.get("id", "").startswith("bar-")] for g in groups]
    return [own for own in bars if own]


def test_lines_and_pages_begin_where_they_are_told():
    options = replace(WRITTEN_OUT, line_breaks=(3,), page_breaks=(12,))
    pages = engrave_svg(song(16, sections=()), options=options)
    assert [line[0] for line in lines_of(pages[0])][:2] == [0, 2] and lines_of(pages[1])[0][0] == 11
    with pytest.raises(ChartError, match="no bar 99"):
        engrave_svg(song(4, sections=()), options=replace(WRITTEN_OUT, line_breaks=(99,)))


@pytest.mark.slow
def test_pages_are_turned_in_rests():
    full = engrave_svg(song(96, sections=()), options=WRITTEN_OUT)
    last = lines_of(full[0])[-2][-1]
    chart = song(96, sections=())
    silent = chart.with_bar(last, WrittenBar())
    assert (
        lines_of(engrave_svg(silent, options=WRITTEN_OUT)[0])[-1][-1] == lines_of(full[0])[-1][-1]
    )  # no rest is shown
    rests = replace(WRITTEN_OUT, multirests=True)
    pages = engrave_svg(silent, options=rests)
    assert lines_of(pages[0])[-1][-1] == last and lines_of(pages[1])[0][0] == last + 1


def test_short_sections_share_a_line():
    names = tuple(Section(k, f"Part {k}", chr(65 + k)) for k in range(4))
    (page,) = engrave_svg(song(8, sections=names), options=WRITTEN_OUT)
    assert lines_of(page)[0] == [0, 1, 2] and set("ABCD") <= set(words(page))


def test_bars_are_numbered_as_heard_or_as_printed():
    chart = song(16, sections=(Section(0, "Verse", "A"), Section(8, "Verse", "A")))
    numbers = {
        how: {w for w in words(engrave_svg(chart, options=ScoreOptions(repeats=True, numbers=how))[0]) if w.isdigit()}
        for how in ("heard", "printed")
    }
    chart = replace(chart, sections=(*chart.sections, Section(12, "Out", "B")))
    assert numbers["heard"] == numbers["printed"] == {"5"}
    heard, printed = (
        {w for w in words(engrave_svg(song(20, sections=(*chart.sections[:2], Section(16, "Out", "B"))),
                                      options=ScoreOptions(repeats=True, numbers=how))[0]) if w.isdigit()}
        for how in ("heard", "printed")
    )  # fmt: skip
    assert heard == {"5", "17"} and printed == {"5", "9"}


def test_weights_fonts_and_letters_of_a_house():
    usual = engrave_svg(song(9))[0]
    heavy = engrave_svg(song(9), style=PageStyle(line_weight=1.5))[0]
    staff_line = lambda page: max(Counter(re.findall(r'stroke-width="(\d+)"', page)).items(), key=lambda c: c[1])
    assert usual != heavy and staff_line(usual) != staff_line(heavy)
    assert engrave_svg(song(9))[0] == usual  # the look is no memory
    other = engrave_svg(song(9), style=PageStyle(music_font="Leland"))[0]
    assert other != usual and lines_of(other) == lines_of(usual)
    big = engrave_svg(song(9), style=PageStyle(text_size=1.2))[0]
    assert 'font-size="93.6"' in big and 'font-size="78"' in usual
    for wrong in ({"line_weight": 9.0}, {"music_font": "Sans"}, {"text_size": 0.1}):
        with pytest.raises(ChartError, match=next(iter(wrong)).split("_")[0]):
            PageStyle(**wrong)
