"""A bar on the staff as written and as recorded, its differences in colour."""

from fractions import Fraction as F

import pytest
from lxml import etree

from tests.parts import bar, part
from workbench.chart import Note
from workbench.checking.shownbar import Difference, engraved_bar
from workbench.notation.scoresigns import note_id

RED, BLUE = "#D55E00", "#0072B2"
CHART = part(bar(H="x.x.x.x.", S="..x...x.", K="x...x..."), bar(H="x.x.x.x.", S="..x...x."))


def heads(svg):
    """Colour of each note of an engraved bar, by its id."""
    return {g.get("id"): g.get("fill") for g in etree.fromstring(svg).iter("{*}g") if g.get("class") == "note"}


def name(position, instrument, bar_index=0):
    return note_id(bar_index, Note(position, instrument))


@pytest.mark.parametrize(
    "difference, gone, new",
    [
        (Difference(F(0), "kick", "", RED), name(F(0), "kick"), None),
        (Difference(F(1, 4), "snare", "high tom", RED), name(F(1, 4), "snare"), name(F(1, 4), "high tom")),
        (Difference(F(7, 8), "", "floor tom", BLUE), None, name(F(7, 8), "floor tom")),
        (Difference(F(0), "kick", "kick", RED, F(1, 8)), name(F(0), "kick"), name(F(1, 8), "kick")),
    ],
)
def test_what_differs_is_in_colour_where_it_stands(difference, gone, new):
    written, recorded = map(heads, engraved_bar(CHART, 0, [difference]))
    assert {k for k, colour in written.items() if colour} == {gone} - {None}
    assert {k for k, colour in recorded.items() if colour} == {new} - {None}
    assert set(written) - set(recorded) == {gone} - {None} and set(recorded) - set(written) == {new} - {None}


def test_an_early_stroke_is_coloured_where_it_is_written():
    written, recorded = engraved_bar(CHART, 1, [Difference(F(1, 4), "snare", "snare", BLUE)])
    assert heads(written)[name(F(1, 4), "snare", 1)] == heads(recorded)[name(F(1, 4), "snare", 1)] == BLUE


def test_without_differences_there_is_one_staff():
    assert engraved_bar(CHART, 1, [])[1] == ""


def test_a_stroke_heard_where_another_is_written_but_not_heard_stays():
    late = [Difference(F(1, 4), "snare", "snare", RED, F(3, 4)), Difference(F(3, 4), "snare", "", RED)]
    _, recorded = engraved_bar(CHART, 0, late)
    assert [k for k in heads(recorded) if k.endswith("snare")] == [name(F(3, 4), "snare")]
