"""The chart as MEI: each note and bar by its name."""

from fractions import Fraction as F

import pytest
from hypothesis import HealthCheck, given
from lxml import etree

from tests.chart_strategies import charts
from tests.effort import examples
from tests.test_engrave import WRITTEN_OUT, ids, song
from workbench.chart import Chart, Note, Section, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.engraving.engrave import engrave_svg, mei_bytes
from workbench.engraving.mei import NAMESPACE
from workbench.notation.scoresigns import bar_id, note_id

FEW = examples(20, suppress_health_check=list(HealthCheck))


@pytest.mark.slow
@FEW
@given(charts(most_bars=3))
def test_every_note_and_bar_can_be_found(chart):
    found = ids(engrave_svg(chart, options=WRITTEN_OUT))
    expected = [note_id(k, n) for k, n in chart.notes()] + [bar_id(k) for k in range(len(chart))]
    own = [i for i in found if i.startswith(("note-", "bar-")) and "note-key" not in i]
    assert sorted(own) == sorted(expected)


@pytest.mark.common_practice
@pytest.mark.parametrize(
    ("drums", "numbers"),
    [
        (["snare", "high tom", "mid tom", "floor tom", "kick", "kick"], ["3", "3"]),
        (["snare", "", "high tom", "", "kick", ""], ["3"]),
    ],
)
def test_the_feet_have_a_number_of_their_own_unless_they_share_the_hands_tuplet(drums, numbers):
    """The hands' three of half a beat says nothing of two kicks at the end of the beat."""
    notes = tuple(Note(F(k, 24), name) for k, name in enumerate(drums) if name)
    chart = Chart(TimeMap.steady(1, 100), (WrittenBar(notes),))
    found = etree.fromstring(mei_bytes(chart)).iter(f"{{{NAMESPACE}}}tuplet")
    assert [t.get("num") for t in found if t.get("num.visible") == "true"] == numbers


def test_folded_part_shows_the_first_pass():
    chart = song(16, sections=(Section(0, "Verse", "A"),))
    found = {i for i in ids(engrave_svg(chart)) if i.startswith("bar-")}
    assert found == {bar_id(k) for k in range(4)}


@pytest.mark.slow
@FEW
@given(charts(most_bars=5, parts=(1, 2, 4)))
def test_every_heard_bar_can_be_found_in_a_folded_part(chart):
    heard = [
        int(k)
        for page in engrave_svg(chart)
        for e in etree.fromstring(page).iter()
        for k in (e.get("data-bars") or "").split()
    ]
    assert sorted(heard) == list(range(len(chart)))
