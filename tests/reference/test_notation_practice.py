"""Staff places and noteheads against published percussion notation practice.

Source: LilyPond (GPL-3.0-or-later), ``ly/drumpitch-init.ly``, table
``weinberg-drums-style`` (commit 05135958dd54), which follows N. Weinberg,
"Guidelines for Drumset Notation", Percussive Notes, June 1994, pp. 15–26
(Percussive Arts Society).  Quoted are facts: half spaces above the middle line
and noteheads.  Where the drum key departs, the departure has a second source or
is marked as common practice.
"""

import pytest

from workbench.chart.drumkit import instrument
from workbench.engraving.mei import staff_place

MIDDLE_LINE = 4

WEINBERG = {
    "crash": (6, "x"),
    "closed hi-hat": (5, "x"),
    "ride": (4, "x"),
    "ride bell": (4, "diamond"),
    "cowbell": (3, "triangle"),
    "mid tom": (2, "normal"),
    "side stick": (1, "x"),
    "snare": (1, "normal"),
    "floor tom": (-1, "normal"),
    "kick": (-3, "normal"),
    "pedal hi-hat": (-5, "x"),
}


@pytest.mark.parametrize("name", WEINBERG)
def test_places_and_heads_of_the_published_guidelines(name):
    own = instrument(name)
    assert (staff_place(own) - MIDDLE_LINE, own.notehead.value) == WEINBERG[name]


def test_open_hi_hat_stands_where_the_closed_one_does():
    """Weinberg writes a small circle over the x; we circle the x itself, as the
    table ``agostini-drums-style`` of the same LilyPond file does ("xcircle")."""
    assert staff_place(instrument("open hi-hat")) - MIDDLE_LINE == 5
    assert instrument("open hi-hat").notehead.value == "circle-x"


def test_high_tom_is_in_the_top_space():
    """``agostini-drums-style`` of the same file has the high tom at 3 (the top
    space); ``weinberg-drums-style`` at 4, the line of the ride."""
    assert staff_place(instrument("high tom")) - MIDDLE_LINE == 3


@pytest.mark.common_practice
def test_further_cymbals_lie_above_the_crash():
    places = [staff_place(instrument(n)) for n in ("crash", "second crash", "china", "splash")]
    assert places == sorted(set(places))
