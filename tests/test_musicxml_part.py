"""A part in MusicXML: its measures, directions and signs."""

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from lxml import etree

from tests.chart_strategies import charts
from tests.test_musicxml import SETTINGS, carried, song
from workbench.chart import Chart, Mark, Note, Text, WrittenBar
from workbench.chart.meter import Meter, TimeMap
from workbench.notation.musicxml import musicxml_bytes
from workbench.notation.musicxml_read import read_musicxml_bytes
from workbench.notation.scoresigns import ScoreOptions


@pytest.mark.slow
@SETTINGS
@given(charts(most_bars=3, parts=(1, 2, 4)))
def test_fills_that_are_shown_come_back(chart):
    back = read_musicxml_bytes(musicxml_bytes(chart, ScoreOptions(fills="all"))).chart
    assert carried(back, "all") == carried(chart, "all")
    assert read_musicxml_bytes(musicxml_bytes(chart, ScoreOptions(fills="none"))).chart.marks == ()


def test_a_fill_is_marked_by_word_and_bracket():
    """Elements words and bracket of MusicXML 4.0; offsets count divisions from the bar line."""
    chart = replace(song(), marks=(Mark("fill", (7, Fraction(1, 2)), (8, Fraction(0)), confirmed=True),))
    last = etree.fromstring(musicxml_bytes(chart)).findall("part/measure")[-1]
    found = [
        (d.find("direction-type")[0].tag, d.findtext("direction-type/words"), d.findtext("offset"))
        for d in last.findall("direction")
    ]
    assert found == [("words", "fill", "8"), ("bracket", None, "8"), ("bracket", None, "16")]
    cued = replace(chart, texts=(Text(7, Fraction(0), "Fill!"),))
    last = etree.fromstring(musicxml_bytes(cued)).findall("part/measure")[-1]
    assert [w.text for w in last.iter("words")] == ["Fill!"] and len(list(last.iter("bracket"))) == 2


def test_simile_signs_stand_where_bars_repeat_and_keep_their_notes():
    root = etree.fromstring(musicxml_bytes(song()))
    starts = [
        (e.getparent().getparent().getparent().get("number"), e.text)
        for e in root.iter("measure-repeat")
        if e.get("type") == "start"
    ]
    assert starts == [("3", "2")]
    assert all(m.find("note") is not None for m in root.iter("measure"))


def test_one_divisions_fits_all_bars():
    root = etree.fromstring(musicxml_bytes(song()))
    assert [d.text for d in root.iter("divisions")] == ["4"]


def test_counts_stand_under_the_notes():
    chart = Chart(
        TimeMap.steady(1, 100, Meter(6, 8)), (WrittenBar(tuple(Note(Fraction(k, 8), "snare") for k in range(6))),)
    )
    written = etree.fromstring(musicxml_bytes(chart, ScoreOptions(counts=True)))
    assert [e.text for e in written.iterfind(".//lyric/text")] == ["1", "2", "3", "4", "5", "6"]
