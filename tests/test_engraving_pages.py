"""Pages of a score: paper, heading, drum key, numbers."""

import re
from fractions import Fraction

import numpy as np
import pytest
from lxml import etree

from tests.test_engrave import SVG, WRITTEN_OUT, song, words
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.drumkit import INSTRUMENTS
from workbench.chart.meter import TimeMap
from workbench.engraving.engrave import engrave_svg
from workbench.engraving.pages import PAPERS, PageStyle
from workbench.errors import ChartError


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
