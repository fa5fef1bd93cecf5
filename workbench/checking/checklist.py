"""The findings of a check as a list beside the grid, in a notebook.

Choosing a finding brings its bar into the grid; the button plays it there.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Protocol

import ipywidgets as w

from workbench.alignment.alignedchart import write_on_recording
from workbench.chart.counting import bar_name, percent_said
from workbench.checking.check import Check
from workbench.checking.check_report import said_once
from workbench.checking.findings import Finding

# Numbers whose origin is not named: chosen by eye, no source.
#: Most findings in the list.
MOST_LISTED = 200


class GridPage(Protocol):
    """What the list needs of a grid (:class:`workbench.grid.HitGrid`)."""

    playing: bool

    def show_bar(self, bar_number: int, position: Fraction, instrument: str) -> None:
        """See :meth:`workbench.HitGrid.show_bar`."""

    def run(self, command: str) -> None:
        """See :meth:`workbench.HitGrid.run`."""


def _said_once(check: Check) -> list[tuple[str, int]]:
    """What the list says, the worst first, each with the number of its worst finding: the same of several places of a
    bar is one line."""
    number = {f: k for k, f in enumerate(check.findings)}
    texts = {number[f]: f.text for f in check.findings}
    for bar in check.bars:
        for line, (first, *more) in said_once(check, bar):
            if more:
                texts[number[first]] = f"{bar_name(bar.bar_number)}, {line.text.removeprefix('On ')}"
                for other in more:
                    del texts[number[other]]
    return [(text, k) for k, text in sorted(texts.items())]


class CheckList(w.VBox):
    """Findings, worst first, that lead the grid to their bars.

    Parameters
    ----------
    check : Check
    grid : HitGrid
        Showing the chart that :func:`workbench.alignment.alignedchart.write_on_recording`
        made of the checked one.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> check = wb.check(wb.demo_song(what="hurried draft"), wb.demo_song(mkdtemp()))
    >>> listed = wb.CheckList(check, wb.HitGrid(wb.correct(check)))
    >>> listed.found.options[0][0].split()[0]
    'wrong'
    """

    def __init__(self, check: Check, grid: GridPage) -> None:
        self.check, self.grid = check, grid
        self._leads = _said_once(check)[:MOST_LISTED]
        findings = [check.findings[k] for _, k in self._leads]
        self._numbers: list[int] = []
        if findings:
            time_map = write_on_recording(check.chart, check.alignment).time_map
            # Edges of neighbouring bars may differ by milliseconds: look a little inside.
            self._numbers = [time_map.bar_number(time_map.place(f.start_s + 0.05).bar_index) for f in findings]
        self.found = w.Select(
            options=[(f"{f.verdict:<7}{text}", k) for k, (f, (text, _)) in enumerate(zip(findings, self._leads))],
            value=None,
            rows=min(12, max(3, len(findings))),
            layout=w.Layout(width="100%"),
        )
        self.play = w.Button(
            description="Play this bar", disabled=True, tooltip="Bring the finding's bar into the grid and play it"
        )
        self.said = w.Label(
            "Choose a finding: the grid goes to its bar." if findings else "Nothing to correct was found."
        )
        self.found.observe(self._chosen, "value")
        self.play.on_click(lambda _: self._play())
        super().__init__([self.found, w.HBox([self.play, self.said])])

    @property
    def chosen(self) -> Finding:
        """The finding that is chosen; of those that are said together, the worst."""
        return self.check.findings[self._leads[self.found.value][1]]

    def _chosen(self, _change: object) -> None:
        self.play.disabled = self.found.value is None
        if self.found.value is not None:
            finding = self.chosen
            self.said.value = f"{percent_said(finding.probability)} sure that the chart is wrong, not the ear."
            self._show()

    def _play(self) -> None:
        if self.found.value is not None:
            if self.grid.playing:
                self.grid.run("play")  # stop what sounds
            self._show()
            self.grid.run("play")

    def _show(self) -> None:
        """Bring the chosen finding's bar into the grid, the cursor to its stroke."""
        finding = self.chosen
        self.grid.show_bar(
            self._numbers[self.found.value],
            finding.position or Fraction(0),
            finding.instrument or finding.heard_instrument,
        )
