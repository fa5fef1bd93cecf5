"""One correction for all bars that repeat a bar.

A draft's mistake in a groove recurs wherever the groove does.  A user corrects
it in one bar; :class:`Corrections` remembers how that bar was before, so the
same change can be written into every bar that still is as it was.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from typing import Any, NamedTuple

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.counting import and_list, bar_name, the_bar, the_place
from workbench.chart.edits import CompositeEdit, Edit, NameDrum, SetBars
from workbench.chart.meter import Bar
from workbench.errors import ChartError
from workbench.grid.messages import changed_bars

#: So many changes of a bar are said, the others counted.
MOST_SAID = 2


class Correction(NamedTuple):
    """What a user changed in a bar: hits written, taken out, or said to be otherwise.  Feel is each bar's own."""

    written: dict[tuple[Fraction, str], Note]
    removed: frozenset[tuple[Fraction, str]]
    changed: dict[tuple[Fraction, str], dict[str, Any]]
    subdivisions: tuple[int, ...] | None

    @classmethod
    def of(cls, before: WrittenBar, after: WrittenBar) -> Correction:
        """What leads from a bar to what it has become."""
        was, now = ({n.key: n for n in bar.notes} for bar in (before, after))
        fields = ("velocity", "articulations", "sticking", "confirmed")
        differs = {
            key: {f: getattr(n, f) for f in fields if getattr(n, f) != getattr(was[key], f)}
            for key, n in now.items()
            if key in was
        }
        return cls(
            {key: n for key, n in now.items() if key not in was},
            frozenset(was.keys() - now.keys()),
            {key: changes for key, changes in differs.items() if changes},
            after.subdivisions if after.subdivisions != before.subdivisions else None,
        )

    def alters(self, bar: WrittenBar) -> bool:
        """Whether a bar that was alike would become another by it."""
        if self.written or self.removed or self.subdivisions not in (None, bar.subdivisions):
            return True
        own = {n.key: n for n in bar.notes if n.key in self.changed}
        return any(getattr(own[key], f) != x for key, changes in self.changed.items() for f, x in changes.items())

    def made_in(self, bar: WrittenBar) -> WrittenBar:
        """A bar that was alike, changed in this way.

        Notes written or changed count as confirmed; notes that were only kept stay what they were.
        """
        kept = [replace(n, **self.changed.get(n.key, {})) for n in bar.notes if n.key not in self.removed]
        # The feel of one bar is not that of another.
        new = [replace(n, deviation_s=0.0, confidence=1.0, confirmed=True) for n in self.written.values()]
        subdivisions = bar.subdivisions if self.subdivisions is None else self.subdivisions
        return replace(bar, notes=(*kept, *new), subdivisions=subdivisions)

    def words(self, timed: Bar) -> str:
        """What was done to the bar: "snare on 2 taken out and kick on the & of 3 written"."""

        def hit(key: tuple[Fraction, str]) -> str:
            return f"{key[1]} on {the_place(timed, key[0])}"

        if len(self.written) == len(self.removed) == 1:
            (at, instrument), (to, other) = *self.removed, *self.written
            moved = f"{hit((at, instrument))} moved to {the_place(timed, to)}"
            said = [moved if other == instrument else f"{hit((at, instrument))} given to the {other}" if at == to else
                    f"{hit((at, instrument))} moved to {hit((to, other))}"]  # fmt: skip
        else:
            said = [f"{hit(key)} taken out" for key in sorted(self.removed)]
            said += [f"{hit(key)} written" for key in self.written]
        for key, changes in self.changed.items():
            said.append(f"{hit(key)} {'kept' if set(changes) == {'confirmed'} else 'changed'}")
        if self.subdivisions is not None:
            said.append("beats divided anew")
        more = len(said) - MOST_SAID
        return and_list(said[:MOST_SAID] + ([f"{more} more change{'s' * (more > 1)}"] if more > 0 else []))


class Corrections:
    """How each bar was before the user began to correct it."""

    def __init__(self) -> None:
        self._before: dict[int, WrittenBar] = {}
        self._taken_back: dict[int, tuple[WrittenBar, WrittenBar]] = {}  # before and after a correction

    def follow(self, old: Chart, new: Chart, edit: Edit | None) -> None:
        """Take note of the step that led from ``old`` to ``new``: an edit, or None for a step back or on again.

        A step back corrects nothing, and a correction done again is one again; bars moved about, a drum named as a
        whole or other bars over the same hits are none.
        """
        if edit is not None:
            self._taken_back.clear()
        if len(old) != len(new):
            self._before.clear()
            return
        relaid = old.time_map is not new.time_map and old.time_map != new.time_map
        moved = isinstance(edit, NameDrum) or (isinstance(edit, SetBars) and len(edit.bars) > 1)
        for k in changed_bars(old, new):
            if edit is not None or self._taken_back.get(k) == (old.bars[k], new.bars[k]):
                self._before.setdefault(k, old.bars[k])
            if relaid or moved or self._before.get(k) == new.bars[k]:
                before = self._before.pop(k, None)
                if before is not None and edit is None and not relaid:
                    self._taken_back[k] = (before, old.bars[k])

    def waiting_bars(self, chart: Chart, bar_index: int) -> list[int]:
        """Bars that still are as this one was before its correction."""
        return self._waiting(chart, [bar_index])[bar_index]

    def _waiting(self, chart: Chart, corrected_bars: Iterable[int]) -> dict[int, list[int]]:
        """For each of some bars those that still are as it was before; told by hashes, as there are many bars."""
        found: dict[int, list[int]] = {k: [] for k in corrected_bars}
        was: dict[int, list[tuple[int, WrittenBar, Correction]]] = {}
        for k in found:
            if (before := self._before.get(k)) is not None and before.notes:
                was.setdefault(hash(before.pattern), []).append((k, before, Correction.of(before, chart.bars[k])))
        for other, written in enumerate(chart.bars):
            for k, before, correction in was.get(hash(written.pattern), ()):
                timed, its = chart.time_map.bars[k], chart.time_map.bars[other]
                same_time = (its.meter, its.length) == (timed.meter, timed.length)
                alike = other != k and same_time and written.pattern == before.pattern
                if alike and correction.alters(written):
                    found[k].append(other)
        return found

    def offers(self, chart: Chart, latest: int = 12) -> list[tuple[int, list[int], str]]:
        """Each lately corrected bar, the bars that wait for the same, what that is; the last corrected at the end."""
        recent = [k for k in list(self._before)[-latest:] if k < len(chart)]
        return [
            (k, bars, Correction.of(self._before[k], chart.bars[k]).words(chart.time_map.bars[k]))
            for k, bars in self._waiting(chart, recent).items()
            if bars
        ]

    def let_be(self, bar_index: int) -> None:
        """Offer a bar's correction no longer; a further change of the bar is offered again."""
        self._before.pop(bar_index, None)
        self._taken_back.pop(bar_index, None)

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
        correction = Correction.of(self._before[bar_index], chart.bars[bar_index])
        edits = tuple(SetBars(k, (correction.made_in(chart.bars[k]),)) for k in bars)
        return CompositeEdit(edits, f"correct as {the_bar(number)}")
