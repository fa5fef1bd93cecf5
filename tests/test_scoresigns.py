"""What score and page show alike: ids, grace notes, heads, tempo marks."""

from fractions import Fraction as F

import pytest
from lxml import etree

from tests.parts import ROCK, part
from workbench.chart import Chart, Note, Section
from workbench.chart.drumkit import instrument
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import ChartError
from workbench.notation.scoresigns import (
    ScoreOptions,
    TempoMark,
    bar_id,
    clean_text,
    grace_chords,
    note_id,
    tempo_marks,
)
from workbench.notation.scoresigns import written_head as head_of


def test_ids_are_names_that_xml_takes():
    """XML Schema 1.1, part 2, 3.4.8: what libxml2 takes as xml:id."""
    for name in (note_id(3, Note(F(3, 8), "open hi-hat")), bar_id(12)):
        etree.fromstring(f'<a xml:id="{name}"/>')
        assert " " not in name


def test_texts_are_what_xml_can_carry():
    """XML 1.0, 2.2: no control characters, no halves of pairs, no U+FFFE."""
    dirty = "a\0b\x1f\ufffec\td"
    assert clean_text(dirty) == "a\ufffdb\ufffd\ufffdc\td"
    etree.fromstring(f"<a>{clean_text(dirty)}</a>")


def test_a_flam_has_one_grace_note_and_a_drag_two():
    flam, drag = Note(F(0), "snare", 90, {"flam"}), Note(F(0), "floor tom", 90, {"drag"})
    assert grace_chords((flam,)) == [[flam]]
    assert grace_chords((flam, drag, Note(F(0), "kick"))) == [[drag], [flam, drag]]


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "name, said, head, hidden",
    [
        ("snare", "rim shot", "slashed", set()),
        ("ride", "rim shot", "x", {"rim shot"}),
        ("pedal hi-hat", "foot splash", "circle-x", set()),
        ("kick", "foot splash", "normal", {"foot splash"}),
    ],
)
def test_heads(name, said, head, hidden):
    assert head_of(Note(F(0), name, 80, {said}), instrument(name)) == (head, hidden)


def test_a_tempo_is_printed_where_a_section_changes_it():
    bars = lambda start_s, beat_s: [
        Bar(Meter(), tuple(start_s + beat_s * (4 * k + b) for b in range(4))) for k in range(2)
    ]
    chart = Chart(
        TimeMap([*bars(0.0, 1.0), *bars(8.0, 0.5)], 12.0), (ROCK,) * 4, sections=(Section(0, "A"), Section(2, "B"))
    )
    assert tempo_marks(chart) == {0: TempoMark(F(1, 4), 60), 2: TempoMark(F(1, 4), 120)}
    assert tempo_marks(chart, [0]) == {0: TempoMark(F(1, 4), 80)}  # eight beats in 8 s, eight in 4 s


def test_a_drift_is_no_new_tempo():
    assert list(tempo_marks(part(ROCK, ROCK, sections=(Section(1, "B"),)))) == [0]


def test_fills_shown_are_of_three_kinds():
    with pytest.raises(ChartError, match="confirmed, all, none"):
        ScoreOptions(fills="some")
