"""One correction for all bars that repeat a bar.

A draft's mistake in a groove recurs wherever the groove does.  A user corrects
it in one bar; :class:`Corrections` remembers how that bar was before, so the
same change can be written into every bar that still is as it was.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from workbench.chart import Chart, WrittenBar
from workbench.chart.counting import bar_name, the_bar
from workbench.chart.edits import CompositeEdit, SetBars
from workbench.errors import ChartError
from workbench.grid.messages import changed_bars


class Corrections:
    """How each bar was before the user began to correct it."""

    def __init__(self) -> None:
        self._before: dict[int, WrittenBar] = {}

    def follow(self, old: Chart, new: Chart) -> None:
        """Take note of an edit (or an undo) that led from ``old`` to ``new``."""
        if len(old) != len(new):
            self._before.clear()
            return
        for k in changed_bars(old, new):
            before = self._before.setdefault(k, old.bars[k])
            if before == new.bars[k]:
                del self._before[k]

    def waiting_bars(self, chart: Chart, bar_index: int) -> list[int]:
        """Bars that still are as this one was before its correction."""
        return self._waiting(chart, [bar_index])[bar_index]

    def _waiting(self, chart: Chart, corrected_bars: Iterable[int]) -> dict[int, list[int]]:
        """For each of some bars those that still are as it was before; told by hashes, as there are many bars."""
        found: dict[int, list[int]] = {k: [] for k in corrected_bars}
        was: dict[int, list[tuple[int, WrittenBar]]] = {}
        for k in found:
            if (before := self._before.get(k)) is not None and before.notes:
                was.setdefault(hash(before.pattern), []).append((k, before))
        for other, written in enumerate(chart.bars):
            for k, before in was.get(hash(written.pattern), ()):
                timed, its = chart.time_map.bars[k], chart.time_map.bars[other]
                same_time = (its.meter, its.length) == (timed.meter, timed.length)
                if other != k and same_time and written.pattern == before.pattern:
                    found[k].append(other)
        return found

    def offers(self, chart: Chart, latest: int = 12) -> list[tuple[int, list[int]]]:
        """Each lately corrected bar with the bars that wait for the same; the last corrected at the end."""
        recent = [k for k in list(self._before)[-latest:] if k < len(chart)]
        return [(k, bars) for k, bars in self._waiting(chart, recent).items() if bars]

    def let_be(self, bar_index: int) -> None:
        """Offer a bar's correction no longer; a further change of the bar is offered again."""
        self._before.pop(bar_index, None)

    def edit(self, chart: Chart, bar_index: int) -> CompositeEdit:
        """The edit that corrects all waiting bars as this bar was corrected.

        Each keeps its own dynamics and feel where the correction says nothing.

        Raises
        ------
        ChartError
            If the bar was not corrected, or no other bar is as it was.
        """
        chart.time_map.check_bar(bar_index)
        number = chart.time_map.bar_number(bar_index)
        if bar_index not in self._before:
            raise ChartError(
                f"{bar_name(number)} has not been changed: correct it first, "
                "then the bars that repeat it can be corrected the same way."
            )
        bars = self.waiting_bars(chart, bar_index)
        if not bars:
            raise ChartError(f"No other bar is as {the_bar(number)} was before its correction.")
        before, after = self._before[bar_index], chart.bars[bar_index]
        edits = tuple(SetBars(k, (corrected(chart.bars[k], before, after),)) for k in bars)
        return CompositeEdit(edits, f"correct as {the_bar(number)}")


def corrected(bar: WrittenBar, before: WrittenBar, after: WrittenBar) -> WrittenBar:
    """A bar changed in the way that ``before`` was changed to ``after``.

    Notes written or changed count as confirmed; notes that were only kept stay
    what they were.
    """
    was = {n.key: n for n in before.notes}
    own = {n.key: n for n in bar.notes}
    notes = []
    for key, now in {n.key: n for n in after.notes}.items():
        mine, old = own.get(key), was.get(key)
        if old is None or mine is None:
            # Written anew (or moved here): the feel of one bar is not that of another.
            notes.append(replace(now, deviation_s=0.0, confidence=1.0, confirmed=True))
            continue
        changes = {
            f: getattr(now, f)
            for f in ("velocity", "articulations", "sticking", "confirmed")
            if getattr(now, f) != getattr(old, f)
        }
        notes.append(replace(mine, **changes))
    subdivisions = after.subdivisions if after.subdivisions != before.subdivisions else bar.subdivisions
    return replace(bar, notes=tuple(notes), subdivisions=subdivisions)
