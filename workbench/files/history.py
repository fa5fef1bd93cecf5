"""What has been done to a chart: the edits, what they led to, and where undo and redo stand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from workbench.chart import Chart
from workbench.chart.data import edit_from_data, to_data
from workbench.chart.edits import Edit, apply
from workbench.errors import ChartError


@dataclass(frozen=True)
class History:
    """A chart with the edits that led to it; a value: each step gives another.

    Attributes
    ----------
    charts : tuple of Chart
        Before the first edit and after each.
    edits : tuple of Edit
        ``edits[k]`` leads from ``charts[k]`` to ``charts[k + 1]``.
    at : int
        Which of the charts is the chart.
    revision : int
        Grows by one with every edit, undo and redo.
    """

    charts: tuple[Chart, ...]
    edits: tuple[Edit, ...] = ()
    at: int = 0
    revision: int = 0

    @property
    def chart(self) -> Chart:
        return self.charts[self.at]

    def with_edit(self, edit: Edit) -> History:
        """The history after an edit; what was undone is dropped.

        Raises
        ------
        ChartError
            If the edit is not possible.
        """
        charts = (*self.charts[: self.at + 1], apply(self.chart, edit))
        return History(charts, (*self.edits[: self.at], edit), self.at + 1, self.revision + 1)

    def with_undo(self) -> History:
        """The history with the last edit taken back."""
        if self.at == 0:
            raise ChartError("There is nothing to undo.")
        return History(self.charts, self.edits, self.at - 1, self.revision + 1)

    def with_redo(self) -> History:
        """The history with the edit made again that was taken back last."""
        if self.at == len(self.edits):
            raise ChartError("There is nothing to redo.")
        return History(self.charts, self.edits, self.at + 1, self.revision + 1)

    def with_step(self, step: dict[str, Any]) -> History:
        """The history after a step of a journal."""
        if "do" in step:
            return self.with_edit(edit_from_data(step["do"]))
        return self.with_undo() if "undo" in step else self.with_redo()

    def steps(self) -> list[dict[str, Any]]:
        """The shortest steps that lead from the first chart to here, as a journal holds them."""
        steps: list[dict[str, Any]] = [{"do": to_data(e)} for e in self.edits]
        steps += [{"undo": 1}] * (len(steps) - self.at)
        first = self.revision - len(steps) + 1
        return [{"n": first + k, **step} for k, step in enumerate(steps)]
