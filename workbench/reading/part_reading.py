"""What a reading of a part consists of, each thing with its bars."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from workbench.chart import Chart, Mark
from workbench.reading.doubts import CERTAIN, LISTEN_FIRST, Grounds
from workbench.reading.feel import Feel
from workbench.reading.fill_reading import Fill
from workbench.reading.fills import filled_bars
from workbench.reading.form import FormSection
from workbench.reading.grooves import Groove, Written
from workbench.reading.sticking import Sticking
from workbench.reading.variations import DIFFERENT, Change


@dataclass(frozen=True)
class Statement:
    """One thing said of a part.

    Attributes
    ----------
    kind : str
        'form', 'groove', 'variation', 'fill', 'sticking', 'feel' or 'note'.
    text : str
        Without bar numbers: those are in ``bars``.
    bars : tuple of int
        Bar indices it is about.
    grounds : Grounds
        What it rests on; ``text`` carries the mark "listen first" where that is not enough.
    """

    kind: str
    text: str
    bars: tuple[int, ...]
    grounds: Grounds = CERTAIN


@dataclass(frozen=True)
class PartGroove:
    """The groove of all stretches with one letter and one texture.

    ``text`` is the user's own name where a confirmed mark gives one, else the
    names of the groove in a row.  ``free`` says that it is played freely: its
    base is only the bar that the others are most like.  ``others`` names other songs
    of a shelf that have it, where a shelf was asked.
    """

    label: str
    part: str
    timekeeper: str | None
    groove: Groove
    text: str
    given: bool = False
    free: bool = False
    grounds: Grounds = CERTAIN
    others: str = ""

    @property
    def said(self) -> str:
        """Its text; marked where it is not even likely that all of its strokes were played.  A groove recurs, so
        it is told where a change in a single bar would not be."""
        return f"{LISTEN_FIRST}: {self.text}" if self.grounds.is_left_out and not self.given else self.text


@dataclass(frozen=True)
class Variation:
    """What some bars of a groove have in common that its base has not, and what that rests on.

    Bars in which the same is surer, or less sure, are a variation of their own.
    """

    label: str
    part: str
    bars: tuple[int, ...]
    changes: tuple[Change, ...]
    grounds: Grounds = CERTAIN

    @property
    def text(self) -> str:
        return "; ".join(c.text for c in self.changes)


@dataclass(frozen=True)
class PartReading:
    """A part, read.

    Attributes
    ----------
    chart : Chart
    form : tuple of FormSection
    grooves : tuple of PartGroove
    variations : tuple of Variation
        In the order of their first bars; no change is said twice.
    fills : tuple of Fill
    sticking : Sticking
    feel : Feel
    dispute : str
        What the recording speaks for against the chart's bars, a sentence; "" if nothing is known to.
    """

    chart: Chart
    form: tuple[FormSection, ...]
    grooves: tuple[PartGroove, ...]
    variations: tuple[Variation, ...]
    fills: tuple[Fill, ...]
    sticking: Sticking
    feel: Feel
    dispute: str = ""

    def groove_at(self, bar_index: int) -> PartGroove | None:
        """The groove a bar belongs to; None where there are no drums."""
        return self._groove_of.get(bar_index)

    @cached_property
    def _groove_of(self) -> dict[int, PartGroove]:
        return {k: g for g in self.grooves for k in g.groove.bar_indices}

    def bars_playing(self, own: PartGroove) -> tuple[int, ...]:
        """Bars in which a groove is played, as it is or with changes: none of its pick-up, rests and fills, and none
        that is told to be different, unless it is played freely."""
        chart = self.chart
        not_it = filled_bars(chart, [f.span for f in self.fills])
        if not own.free:
            different = (v for v in self.variations if any(c.text.startswith(DIFFERENT) for c in v.changes))
            not_it = not_it.union(*(v.bars for v in different))
        return tuple(
            k
            for k in own.groove.bar_indices
            if k not in not_it and chart.bars[k].notes and chart.time_map.bar_number(k)
        )

    @property
    def sections(self) -> tuple[FormSection, ...]:
        """The form but for a bar of silence after the last note, which is no section."""
        last = self.form[-1]
        silence = not last.has_drums and len(last.bars) == 1 and len(self.form) > 1
        return self.form[:-1] if silence else self.form

    def section_at(self, bar_index: int) -> FormSection:
        """The section that a bar belongs to."""
        return next(s for s in self.form if bar_index in s.bars)


def outside_fills(content: Written, spans: Iterable[Mark], bar_index: int) -> Written:
    """Strokes of a bar that no fill covers."""
    near = [s for s in spans if s.start[0] <= bar_index <= s.end[0]]
    if not near:
        return content
    return frozenset(w for w in content if not any(s.covers(bar_index, w[0]) for s in near))
