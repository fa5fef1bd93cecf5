"""Edits, undo and redo as a value: any steps lead back, and the steps that are kept lead here again."""

from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.parts import ROCK, part
from workbench.chart import Note
from workbench.chart.edits import AddNote
from workbench.errors import ChartError
from workbench.files.history import History

CHART = part(ROCK)
EDITS = [AddNote(0, Note(F(k, 32), "ride")) for k in range(32)]


@given(st.lists(st.one_of(st.sampled_from(EDITS), st.sampled_from(["undo", "redo"])), max_size=12))
def test_the_steps_kept_lead_here_again(steps):
    history = History((CHART,))
    for step in steps:
        try:
            history = (
                {"undo": history.with_undo, "redo": history.with_redo}[step]()
                if isinstance(step, str)
                else (history.with_edit(step))
            )
        except ChartError:
            continue
    again = History((CHART,))
    for step in history.steps():
        again = again.with_step(step)
    assert (again.chart, again.charts, again.edits, again.at) == (
        history.chart,
        history.charts,
        history.edits,
        history.at,
    )


def test_what_was_undone_is_dropped_by_another_edit():
    history = History((CHART,)).with_edit(EDITS[0]).with_edit(EDITS[1]).with_undo().with_edit(EDITS[2])
    assert history.edits == (EDITS[0], EDITS[2]) and history.revision == 4
    with pytest.raises(ChartError, match="nothing to redo"):
        history.with_redo()
    with pytest.raises(ChartError, match="nothing to undo"):
        history.with_undo().with_undo().with_undo()
