"""One correction for all bars that repeat a bar."""

from fractions import Fraction as F

import pytest

from tests.grids import CHART, GROOVE, do
from tests.sentences import says
from workbench.chart import Note
from workbench.chart.data import to_data
from workbench.chart.edits import AddNote, ChangeNote, MoveNote, RemoveNote, apply
from workbench.errors import ChartError
from workbench.grid.corrections import Corrections


def corrected_chart(*edits_made):
    corrections, chart = Corrections(), CHART
    for edit in edits_made:
        after = apply(chart, edit)
        corrections.follow(chart, after)
        chart = after
    return corrections, chart


def test_a_correction_is_written_into_every_bar_that_was_alike():
    corrections, chart = corrected_chart(
        MoveNote(2, F(1, 4), "snare", 2, F(1, 4), "side stick"),
        AddNote(2, Note(F(3, 8), "kick", 77)),
        ChangeNote(2, F(0), "kick", velocity=111),
    )
    assert corrections.waiting_bars(chart, 2) == [0, 1, 3, 4, 5]
    after = apply(chart, corrections.edit(chart, 2))
    for k in range(6):
        assert after.bars[k].pattern == after.bars[2].pattern
        assert after.bars[k].find(F(0), "kick").velocity == 111
        assert after.bars[k].find(F(1, 4), "side stick").confirmed
    # What was only kept stays what it was.
    assert after.bars[0].find(F(3, 4), "snare") == GROOVE.find(F(3, 4), "snare")
    assert after.bars[6:] == CHART.bars[6:]


def test_bars_that_differ_keep_what_they_have():
    chart = CHART.with_bar(4, GROOVE.with_note(Note(F(7, 16), "snare", 40)))
    corrections = Corrections()
    after = apply(chart, RemoveNote(0, F(1, 4), "snare"))
    corrections.follow(chart, after)
    assert corrections.waiting_bars(after, 0) == [1, 2, 3, 5]
    assert apply(after, corrections.edit(after, 0)).bars[4] == chart.bars[4]


def test_undo_takes_a_correction_back():
    corrections, chart = corrected_chart(RemoveNote(0, F(0), "kick"))
    corrections.follow(chart, CHART)
    assert corrections.offers(CHART) == []
    with pytest.raises(ChartError, match="has not been changed"):
        corrections.edit(CHART, 0)


def test_nothing_left_to_correct_is_said():
    corrections, chart = corrected_chart(AddNote(6, Note(F(0), "crash")))
    with pytest.raises(ChartError, match="No other bar"):
        corrections.edit(chart, 6)


def test_one_undo_takes_all_repeats_back(grid, document):
    do(grid, 1, edit=to_data(RemoveNote(0, F(0), "kick")))
    assert grid.sent[-1][0]["info"]["corrections"] == [(0, [1, 2, 3, 4, 5])]
    do(grid, 2, command="correct repeats", bar_index=0)
    assert says(grid.sent[-1][0]["notice"], "bars 2–6")
    document.undo()
    assert document.chart.bars[1:] == CHART.bars[1:]
