"""Cues that are signs: which they are, which bars "play 8" covers."""

from fractions import Fraction

import pytest

from workbench.chart import Chart, Text
from workbench.chart.meter import TimeMap
from workbench.notation.abbreviations import BarKind, abbreviate
from workbench.notation.roadsigns import CODA, jump_of, play_cues, slashed_bars


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
