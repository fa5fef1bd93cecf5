"""Bars written like the one beside them: one sentence where the recording plays another bar, else note by note."""

from dataclasses import replace
from fractions import Fraction as F

import pytest

from tests.sentences import says
from tests.test_align import CHORUS, FILL, GROOVE, SONG, VARIATION, chart_of
from tests.test_check import HEARD, heard_of, with_bar
from tests.test_check_report import bars_shown, coloured
from workbench.chart import Note
from workbench.checking.check import check_chart
from workbench.checking.check_report import short_lines, summary_of

#: A song with one fill.
ONE_FILL = [GROOVE, GROOVE, VARIATION, FILL, CHORUS, CHORUS, CHORUS, CHORUS, GROOVE, VARIATION, GROOVE, GROOVE]


def checked(bars, heard=HEARD):
    return check_chart(chart_of(bars, 113.0), heard)


@pytest.mark.parametrize("copy, like", [(2, 3), (4, 5)])
def test_a_copy_of_the_bar_beside_it_is_told_with_the_bar_that_is_heard(copy, like):
    """The fill before the chorus, left as the bar before it or after it; the song's other fills tell what it is."""
    check = checked(with_bar(3, SONG[copy]))
    (finding,) = check.findings
    assert (finding.kind, finding.bar_number, finding.verdict) == ("bar copied", 4, "wrong")
    assert says(finding.text, f"Bar 4 is written like bar {like}; what is heard is like bar 8")
    assert [c.heard_like for c in check.copies] == [7] and not check.unheard and not check.patterns
    assert short_lines(check) == [f"wrong: {finding.text}"] and says(summary_of(check), "1 place is wrong, in 1 of 12")


@pytest.mark.parametrize("like", [2, 4])
def test_a_bar_that_is_like_no_other_is_told_by_what_is_heard(like):
    check = checked([*ONE_FILL[:3], ONE_FILL[like], *ONE_FILL[4:]], heard_of(ONE_FILL))
    (finding,) = check.findings
    assert says(
        finding.text, f"Bar 4 is written like bar {like + 1}; what is heard is high tom on 2 and the e, & and a"
    )
    assert says(finding.text, "mid tom on 3 and", "snare on 1 and", "floor tom on 4 and")
    (copy,) = check.copies
    assert copy.heard_like is None and copy.heard.pattern == FILL.pattern


def test_it_is_shown_as_written_and_as_heard_in_colour():
    (bar,) = bars_shown(checked(with_bar(3, SONG[2])))
    assert len(set(coloured(bar.written))) == len(VARIATION.pattern - FILL.pattern)
    assert len(set(coloured(bar.recorded))) == len(FILL.pattern - VARIATION.pattern)


def test_a_few_notes_that_differ_are_told_one_by_one():
    played = GROOVE.with_note(Note(F(3, 16), "kick")).with_note(Note(F(7, 16), "snare"))
    check = checked(SONG, heard_of(with_bar(1, played)))
    assert not check.copies and [f.kind for f in check.findings] == ["missing", "missing"]


def test_a_bar_that_is_no_copy_of_one_beside_it_is_told_note_by_note():
    crossed = replace(SONG[2], notes=SONG[2].notes[1:])
    check = checked(with_bar(3, crossed))
    assert not check.copies and len(check.findings) > 10


def test_a_drum_heard_as_another_all_through_a_bar_makes_it_no_copy():
    """The ear takes a ride for a crash: the times are right, so the bar is."""
    line_s = 1.3 + 5 * 240 / 113
    strokes = [
        replace(s, instrument="crash") if s.instrument == "ride" and 0 <= s.time_s - line_s + 0.05 < 240 / 113 else s
        for s in HEARD.strokes
    ]
    check = checked(SONG, replace(HEARD, strokes=tuple(strokes)))
    assert check.findings and not check.copies
