"""Cues that are signs: which they are, which bars "play 8" covers."""

from fractions import Fraction

import pytest
from lxml import etree

from workbench.chart import Chart, Text
from workbench.chart.meter import TimeMap
from workbench.notation.abbreviations import BarKind, abbreviate
from workbench.notation.musicxml import musicxml_bytes
from workbench.notation.musicxml_read import read_musicxml_bytes
from workbench.notation.roadsigns import (
    CODA,
    cues_at_staff,
    jump_of,
    play_cues,
    repeats_by_hand,
    slashed_bars,
    tempo_words,
)


@pytest.mark.parametrize(
    "text, attribute",
    [
        ("D.S. al Coda", "dalsegno"),
        ("d.s.", "dalsegno"),
        ("D.C. al Fine", "dacapo"),
        ("Da Capo", "dacapo"),
        ("To Coda", "tocoda"),
        ("Fine", "fine"),
        (CODA, "coda"),
    ],
)
def test_words_of_the_trade_are_the_attributes_of_sound(text, attribute):
    """MusicXML 4.0, element *sound*; the words: common practice."""
    assert jump_of(text)[0] == attribute


@pytest.mark.parametrize("text", ["solo", "Fine groove", "discuss", "play 8", "drums only"])
def test_other_words_are_words(text):
    assert jump_of(text) is None


def test_a_cue_says_how_many_bars_are_slashes():
    chart = Chart.empty(TimeMap.steady(6, 120), texts=(Text(2, Fraction(0), "Play 8, ride"),))
    assert slashed_bars(chart) == {2, 3, 4, 5}
    kinds = [b.kind for b in abbreviate(chart) for _ in b.shown]
    assert kinds == [BarKind.REST] * 2 + [BarKind.SLASHES] * 4


def test_slashes_of_a_score_get_a_cue_unless_it_has_one():
    assert play_cues([False, True, True, False, True], {4: ["play 1"]}) == [(1, "play 2")]


def test_repeats_and_tempo_words_are_no_words_over_a_bar_and_come_back_from_a_file():
    texts = [
        Text(0, Fraction(0), "tempo: Slow and heavy"),
        Text(1, Fraction(0), "repeat 2, 3 times"),
        Text(1, Fraction(1, 4), "solo"),
        Text(5, Fraction(0), "write out 1"),
    ]
    chart = Chart.empty(TimeMap.steady(8, 60), texts=tuple(texts))
    assert repeats_by_hand(chart) == {1: (2, 3), 5: (1, 1)}
    assert tempo_words(chart) == {0: "Slow and heavy"}
    assert [t.text for k in range(8) for t in cues_at_staff(chart, k)] == ["solo"]
    file = musicxml_bytes(chart)
    words = [e.text for e in etree.fromstring(file).iter("words")]
    assert words == ["Slow and heavy", "solo"]
    assert read_musicxml_bytes(file).chart.texts == chart.texts
