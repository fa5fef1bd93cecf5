"""One correction for all bars that repeat a bar."""

from dataclasses import replace
from fractions import Fraction as F

import pytest

from tests.benchmarks.bench_corrections import Desk
from tests.grids import CHART, GROOVE, do
from tests.sentences import says
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.data import to_data
from workbench.chart.edits import (
    AddNote,
    ChangeLevel,
    ChangeNote,
    MoveBarLine,
    MoveNote,
    NameDrum,
    RemoveNote,
    SetBars,
    SetSubdivisions,
    ShiftOne,
    apply,
)
from workbench.chart.meter import TimeMap
from workbench.errors import ChartError
from workbench.grid.corrections import Corrections


def corrected_chart(*edits_made):
    corrections, chart = Corrections(), CHART
    for edit in edits_made:
        after = apply(chart, edit)
        corrections.follow(chart, after, edit)
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
    after = apply(chart, edit := RemoveNote(0, F(1, 4), "snare"))
    corrections.follow(chart, after, edit)
    assert corrections.waiting_bars(after, 0) == [1, 2, 3, 5]
    assert apply(after, corrections.edit(after, 0)).bars[4] == chart.bars[4]


def test_undo_takes_a_correction_back():
    corrections, chart = corrected_chart(RemoveNote(0, F(0), "kick"))
    corrections.follow(chart, CHART, None)
    assert corrections.offers(CHART) == []
    with pytest.raises(ChartError, match="has not been changed"):
        corrections.edit(CHART, 0)


def test_what_is_done_again_is_offered_again():
    """After both of two steps back; let be, or corrected otherwise since, it is not."""
    edits = [RemoveNote(0, F(0), "kick"), AddNote(0, Note(F(7, 8), "snare"))]
    corrections, steps = Corrections(), [CHART]
    for edit in edits:
        steps.append(apply(steps[-1], edit))
        corrections.follow(steps[-2], steps[-1], edit)
    offered = corrections.offers(steps[2])
    assert [k for k, *_ in offered] == [0]
    for _ in range(2):
        for old, new in ((2, 1), (1, 0), (0, 1), (1, 2)):
            corrections.follow(steps[old], steps[new], None)
            assert bool(corrections.offers(steps[new])) == (new > 0)
    assert corrections.offers(steps[2]) == offered
    corrections.let_be(0)
    for old, new in ((2, 1), (1, 0), (0, 1), (1, 2)):
        corrections.follow(steps[old], steps[new], None)
        assert corrections.offers(steps[new]) == []


@pytest.mark.parametrize("act", [MoveBarLine(3, 6.1), ShiftOne(F(1, 2)), ShiftOne(F(1)), ChangeLevel(F(2)),
                                 SetBars(5, (CHART.bars[6], CHART.bars[5])),
                                 NameDrum("snare", "ride", 0, 2)])  # fmt: skip
def test_bars_laid_otherwise_or_moved_about_correct_nothing(act):
    corrections, chart = corrected_chart(act)
    assert corrections.offers(chart) == []


def test_a_line_nudged_and_all_taken_back_offers_nothing_and_other_corrections_stay():
    edits = [RemoveNote(0, F(0), "kick"), MoveBarLine(4, CHART.time_map.bars[4].beat_times_s[0] + 0.005)]
    corrections, steps = Corrections(), [CHART]
    for edit in edits:
        steps.append(apply(steps[-1], edit))
        corrections.follow(steps[-2], steps[-1], edit)
    assert [k for k, *_ in corrections.offers(steps[2])] == [0]
    corrections.follow(steps[2], steps[1], None)
    corrections.follow(steps[1], steps[0], None)
    assert corrections.offers(CHART) == []
    # A step back is no correction, whatever was known of the bar before.
    corrections.follow(steps[1], steps[0], None)
    assert corrections.offers(CHART) == []


def test_what_would_change_nothing_is_not_offered():
    heard = ChangeNote(0, F(0), "kick", deviation_s=0.01)
    corrections, chart = corrected_chart(heard)
    assert corrections.offers(chart) == []
    loud = apply(CHART, ChangeNote(1, F(0), "kick", velocity=99))
    corrections = Corrections()
    after = apply(loud, edit := ChangeNote(0, F(0), "kick", velocity=99))
    corrections.follow(loud, after, edit)
    assert corrections.waiting_bars(after, 0) == [2, 3, 4, 5], "bar 2 is so already"


@pytest.mark.parametrize(
    "edits, words",
    [
        ([MoveNote(2, F(1, 4), "snare", 2, F(1, 4), "side stick")], "snare on 2 given to the side stick"),
        ([MoveNote(2, F(1, 4), "snare", 2, F(5, 16), "snare")], "snare on 2 moved to the e of 2"),
        ([AddNote(2, Note(F(3, 8), "kick", 77))], "kick on the & of 2 written"),
        ([ChangeNote(2, F(0), "kick", confirmed=True)], "kick on 1 kept"),
        ([ChangeNote(2, F(0), "kick", velocity=111)], "kick on 1 changed"),
        ([SetSubdivisions(2, (3, 3, 3, 3))], "beats divided anew"),
        ([AddNote(2, Note(F(k, 16), "cowbell", 77)) for k in (1, 3, 5)],
         "cowbell on the e of 1 written, cowbell on the a of 1 written and 1 more change"),
    ],
)  # fmt: skip
def test_an_offer_says_what_it_would_do(edits, words):
    corrections, chart = corrected_chart(*edits)
    assert [said for _, _, said in corrections.offers(chart)] == [words]


def test_nothing_left_to_correct_is_said():
    corrections, chart = corrected_chart(AddNote(6, Note(F(0), "crash")))
    with pytest.raises(ChartError, match="No other bar"):
        corrections.edit(chart, 6)


def test_one_undo_takes_all_repeats_back(grid, document):
    do(grid, 1, edit=to_data(RemoveNote(0, F(0), "kick")))
    assert grid.sent[-1][0]["info"]["corrections"] == [(0, [1, 2, 3, 4, 5], "kick on 1 taken out")]
    do(grid, 2, command="correct repeats", bar_index=0)
    assert says(grid.sent[-1][0]["notice"], "bars 2–6")
    document.undo()
    assert document.chart.bars[1:] == CHART.bars[1:]
    document.undo()
    assert grid.sent[-1][0]["info"]["corrections"] == []
    document.redo()
    assert grid.sent[-1][0]["info"]["corrections"] == [(0, [1, 2, 3, 4, 5], "kick on 1 taken out")]


def test_who_knows_every_error_mends_a_chart_with_the_tools_of_the_grid():
    """The benchmark of acts (tests/benchmarks/bench_corrections.py) works through a chart whose bars lack one hit each
    and whose hi-hats are named wrongly."""
    cymbals = [Note(F(k, 8), "closed hi-hat", 80, confidence=0.9) for k in range(8)]
    kicks = Note(F(0), "kick", 90), Note(F(1, 2), "kick", 90)
    right = Chart(TimeMap.steady(6, 120), (WrittenBar((*cymbals, *kicks)),) * 6)
    truth = [(right.note_time_s(k, n), n.instrument) for k, n in right.notes()]
    wrong = [replace(n, instrument="ride") for n in cymbals]
    desk = Desk(Chart(right.time_map, (WrittenBar((*wrong, kicks[0])),) * 6), truth)
    assert desk.errors(desk.chart) == 6 * 8 + 6
    acts, gone = desk.work()
    assert desk.errors(desk.chart) == 0
    assert acts <= 6 and sum(gone.values()) <= acts
