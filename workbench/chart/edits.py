"""Named edits: the only ways a chart changes.

An edit is a small value that says what the user did; :func:`apply` gives the
chart after it.  Charts are values, so the chart before an edit is its exact
inverse and undo cannot fail.  ``to_data``/``edit_from_data``
(:mod:`workbench.chart.data`) write edits for journals and messages.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from fractions import Fraction
from functools import cached_property
from typing import Annotated, ClassVar

import numpy as np

from workbench.chart import Chart, Mark, Note, PossibleHit, Section, Text, WrittenBar, barcount, rebarring
from workbench.chart.chart import ON_TIME_S, SUREST_HEARD
from workbench.chart.counting import bar_name, beats_said, the_bar
from workbench.chart.drumkit import KitLine, articulations_of, instrument, one_surface
from workbench.chart.meter import Meter, TimeMap
from workbench.chart.pocket import Pocket
from workbench.chart.rebarring import Rebarring
from workbench.chart.rewriting import rewrite
from workbench.errors import ChartError

#: A moved note keeps the time at which it was heard if that lies no further
#: from its new place than this; a stroke further off was not this note.
HEARD_WITHIN_S = 0.06
#: A tap this near to a stroke means the stroke, seconds (spread of tapping to a beat some 20–40 ms; from memory).
TAP_MEANS_STROKE_S = 0.06
#: A drafted hit is at least so sure once a user has said which drum it is, and sure enough to be in doubt no more: of
#: the 1,348 hits of 18 drums that drafts of 9 electronic songs (``training/project_songs.py``; drums alone, and mixes)
#: had named wrong as a whole, 93 % fell on a stroke of the right drum, and on one that was not written already (50 ms).
NAMED_CONFIDENCE = 0.9
#: Parts of a beat to which the ends of marks are moved when bars are laid anew.
MARK_STEPS = 12


#: Every edit by the name used in journals and messages.
EDITS: dict[str, type[Edit]] = {}
#: A number of counted beats, which may go backwards.
Shift = Annotated[Fraction, "beats"]


@dataclass(frozen=True)
class Edit:
    """Base of all edits; ``called`` is the name of one in journals and messages, ``said`` its words for users
    where they are others."""

    called: ClassVar[str]
    said: ClassVar[str] = ""

    def __init_subclass__(cls, called: str = "", said: str = "") -> None:
        if called:
            cls.called, cls.said = called, said
            EDITS[called] = cls

    @property
    def words(self) -> str:
        """What the user did: "a hit moved"."""
        return self.said or self.called

    def apply(self, chart: Chart) -> Chart:
        """The chart after the edit; a ChartError says why it is impossible."""
        raise TypeError(f"{type(self).__name__} is no edit of its own")


def apply(chart: Chart, edit: Edit) -> Chart:
    """The chart after an edit.

    Raises
    ------
    ChartError
        If the edit is not possible; the chart is then unchanged.
    """
    return edit.apply(chart)


def _note(chart: Chart, bar_index: int, position: Fraction, name: str) -> Note:
    chart.time_map.check_bar(bar_index)
    found = chart.bars[bar_index].find(position, name)
    if found is None:
        raise ChartError(f"{bar_name(chart.time_map.bar_number(bar_index))} has no {name} at position {position}.")
    return found


@dataclass(frozen=True)
class AddNote(Edit, called="add note", said="a hit written"):
    """Write a note; one at the same place and instrument is replaced."""

    bar_index: int
    note: Note

    def apply(self, chart: Chart) -> Chart:
        chart.time_map.check_bar(self.bar_index)
        return chart.with_bar(self.bar_index, chart.bars[self.bar_index].with_note(self.note))


@dataclass(frozen=True)
class RemoveNote(Edit, called="remove note", said="a hit taken out"):
    """Take a note out of a bar."""

    bar_index: int
    position: Fraction
    instrument: str

    def apply(self, chart: Chart) -> Chart:
        _note(chart, self.bar_index, self.position, self.instrument)
        bar = chart.bars[self.bar_index].without(self.position, self.instrument)
        return chart.with_bar(self.bar_index, bar)


@dataclass(frozen=True)
class MoveNote(Edit, called="move note", said="a hit moved"):
    """Write a note at another place, on another instrument, or both.

    The time at which it was heard is kept if it lies within
    :data:`HEARD_WITHIN_S` of the new place.
    """

    bar_index: int
    position: Fraction
    instrument: str
    to_bar_index: int
    to_position: Fraction
    to_instrument: str

    def apply(self, chart: Chart) -> Chart:
        note = _note(chart, self.bar_index, self.position, self.instrument)
        chart.time_map.check_bar(self.to_bar_index)
        heard_s = chart.note_time_s(self.bar_index, note)
        deviation_s = heard_s - chart.time_map.seconds(self.to_bar_index, self.to_position)
        moved = replace(
            note,
            position=self.to_position,
            instrument=self.to_instrument,
            confirmed=True,
            confidence=1.0,
            deviation_s=deviation_s if abs(deviation_s) <= HEARD_WITHIN_S else 0.0,
        )
        source = chart.bars[self.bar_index].without(self.position, self.instrument)
        chart = chart.with_bar(self.bar_index, source)
        return chart.with_bar(self.to_bar_index, chart.bars[self.to_bar_index].with_note(moved))


@dataclass(frozen=True)
class ChangeNote(Edit, called="change note", said="a hit changed"):
    """Change what is said of a note; fields left at None stay as they are."""

    bar_index: int
    position: Fraction
    instrument: str
    velocity: int | None = None
    articulations: frozenset[str] | None = None
    sticking: str | None = None
    confirmed: bool | None = None
    deviation_s: float | None = None

    def apply(self, chart: Chart) -> Chart:
        note = _note(chart, self.bar_index, self.position, self.instrument)
        names = ("velocity", "articulations", "sticking", "confirmed", "deviation_s")
        changes = {f: getattr(self, f) for f in names if getattr(self, f) is not None}
        changed = replace(note, **changes)
        return chart.with_bar(self.bar_index, chart.bars[self.bar_index].with_note(changed))


@dataclass(frozen=True)
class _OfPossibleHit(Edit):
    """Base of answers to a possible hit, which is named by its time and instrument."""

    time_s: float
    instrument: str

    def without(self, chart: Chart) -> Chart:
        """The chart less the possible hit."""
        left = tuple(h for h in chart.possible_hits if (h.time_s, h.instrument) != (self.time_s, self.instrument))
        if len(left) == len(chart.possible_hits):
            raise ChartError(f"No {self.instrument} is possible at {self.time_s:.3f} s.")
        return replace(chart, possible_hits=left)


@dataclass(frozen=True)
class AcceptHit(_OfPossibleHit, called="accept possible hit", said="a possible hit written"):
    """Write a possible hit where it was heard, as confirmed.

    A draft's note there that the same stroke cannot have made (open for closed hi-hat) goes.
    """

    def apply(self, chart: Chart) -> Chart:
        for k, note, hit in chart.possible_notes():
            if (hit.time_s, hit.instrument) == (self.time_s, self.instrument):
                rivals = one_surface(self.instrument)
                bar = chart.bars[k]
                kept = (
                    n for n in bar.notes if n.confirmed or n.position != note.position or n.instrument not in rivals
                )
                written = replace(bar, notes=tuple(kept)).with_note(replace(note, confidence=1.0, confirmed=True))
                return self.without(chart).with_bar(k, written)
        return self.without(chart)


@dataclass(frozen=True)
class RefuseHit(_OfPossibleHit, called="refuse possible hit", said="a possible hit refused"):
    """Suggest a possible hit no more."""

    def apply(self, chart: Chart) -> Chart:
        return self.without(chart)


@dataclass(frozen=True)
class RenameInstrument(Edit, called="rename instrument", said="a drum renamed"):
    """Give all strokes of one instrument in ``first_bar … last_bar`` to another, whoever wrote them (a draft's alone:
    :class:`NameDrum`).

    Where both would fall on one place, the louder note stays.
    """

    first_bar: int
    last_bar: int
    old: str
    new: str

    def apply(self, chart: Chart) -> Chart:
        chart.time_map.check_bar(self.first_bar)
        chart.time_map.check_bar(self.last_bar)
        instrument(self.old)
        instrument(self.new)
        bars = []
        for written in chart.bars[self.first_bar : self.last_bar + 1]:
            by_key: dict = {}
            for n in written.notes:
                if n.instrument == self.old:
                    n = replace(n, instrument=self.new)
                if n.key not in by_key or n.velocity > by_key[n.key].velocity:
                    by_key[n.key] = n
            bars.append(replace(written, notes=tuple(by_key.values())))
        return chart.with_bars(self.first_bar, tuple(bars))


@dataclass(frozen=True)
class NameDrum(Edit, called="name drum"):
    """Say what a drum of a draft really is: its hits are given to another, or taken out where ``new`` is empty.

    Confirmed hits stay as they are.  Each other keeps its time and is no longer in doubt by its name, but nobody has
    confirmed that it is there.  Where that drum is written already, the confirmed note stays, else the louder.
    Possible hits go along.

    Attributes
    ----------
    old, new : str
    first_bar, last_bar : int
        The bars it is for; by default all.
    places : tuple of (int, Fraction), optional
        Of these bars only the hits at these places, each a bar index and a position.
    """

    old: str
    new: str
    first_bar: int = 0
    last_bar: int | None = None
    places: tuple[tuple[int, Fraction], ...] | None = None

    @property
    def words(self) -> str:
        return f"{self.old} → {self.new}" if self.new else f"{self.old} taken out"

    def meant(self, chart: Chart) -> list[tuple[int, Note]]:
        """The hits of the drum that it is for, with their bar index, confirmed ones among them."""
        bars = self._bars(chart)
        return [(k, n) for k in bars for n in chart.bars[k].notes if n.instrument == self.old and self._has(k, n)]

    def possible(self, chart: Chart) -> list[PossibleHit]:
        """The possible hits that go along, those among them that are settled by what is written."""
        bars = self._bars(chart)
        of_drum = ((k, n, hit) for k, n, hit in chart.possible_places() if hit.instrument == self.old)
        return [hit for k, n, hit in of_drum if k in bars and self._has(k, n)]

    def apply(self, chart: Chart) -> Chart:
        for name in filter(None, (self.old, self.new)):
            instrument(name)  # says what is wrong
        named, possible = self.meant(chart), frozenset(self.possible(chart))
        if self.old == self.new:
            raise ChartError(f"It is called {self.new} already.")
        if not named and not possible:
            raise ChartError(f"There is no {self.old} there.")
        drafted = [(k, n) for k, n in named if not n.confirmed]
        if not drafted and not possible:
            raise ChartError(f"Every {self.old} there is confirmed, and what is confirmed stays as it is.")
        bars = list(chart.bars)
        for k in {k for k, _ in drafted}:
            bars[k] = self._named_bar(chart, k)
        left = tuple(
            replace(h, instrument=self.new) if h in possible else h
            for h in chart.possible_hits
            if self.new or h not in possible
        )
        chart = replace(chart, possible_hits=left) if possible else chart
        return chart.with_bars(0, tuple(bars))

    def _bars(self, chart: Chart) -> range:
        last = len(chart) - 1 if self.last_bar is None else self.last_bar
        chart.time_map.check_bar(self.first_bar)
        chart.time_map.check_bar(last)
        return range(self.first_bar, last + 1)

    def _has(self, bar_index: int, note: Note) -> bool:
        return self.places is None or (bar_index, note.position) in self._among

    @cached_property
    def _among(self) -> frozenset[tuple[int, Fraction]]:
        return frozenset(self.places or ())

    def _named_bar(self, chart: Chart, k: int) -> WrittenBar:
        mine = [n for n in chart.bars[k].notes if n.instrument == self.old and not n.confirmed and self._has(k, n)]
        by_key = {n.key: n for n in chart.bars[k].notes if n not in mine}
        for note in mine if self.new else ():
            named = self._named(chart, k, note)
            there = by_key.get(named.key)
            if there is None:
                by_key[named.key] = named
            elif not there.confirmed:
                louder = max(there, named, key=lambda n: n.velocity)
                by_key[named.key] = replace(louder, confidence=max(there.confidence, named.confidence))
        return replace(chart.bars[k], notes=tuple(by_key.values()))

    def _named(self, chart: Chart, k: int, note: Note) -> Note:
        settled = min(max(NAMED_CONFIDENCE, chart.doubt_below), SUREST_HEARD)
        named = replace(
            note,
            instrument=self.new,
            articulations=note.articulations & articulations_of(instrument(self.new)),
            confidence=max(note.confidence, settled),
        )
        # What was never heard is played as its drum usually is, and the new one may be played otherwise.
        later_s = chart.later_s(k, note)
        return named if chart.later_s(k, named) == later_s else replace(named, deviation_s=later_s or ON_TIME_S)


@dataclass(frozen=True)
class SetBars(Edit, called="set bars", said="bars written anew"):
    """Write the contents of consecutive bars anew (paste, repeat, re-lay)."""

    first_bar: int
    bars: tuple[WrittenBar, ...]

    def apply(self, chart: Chart) -> Chart:
        return chart.with_bars(self.first_bar, tuple(self.bars))


@dataclass(frozen=True)
class SetSubdivisions(Edit, called="set subdivisions", said="other divisions of beats"):
    """Set into how many grid parts each beat of a bar is divided."""

    bar_index: int
    subdivisions: tuple[int, ...]

    def apply(self, chart: Chart) -> Chart:
        chart.time_map.check_bar(self.bar_index)
        bar = replace(chart.bars[self.bar_index], subdivisions=self.subdivisions)
        return chart.with_bar(self.bar_index, bar)


@dataclass(frozen=True)
class SetDone(Edit, called="set done", said="bars said to be right or open"):
    """Say that bars are right as they stand, which confirms their hits; or that they are to be looked at again."""

    first_bar: int
    last_bar: int
    done: bool = True

    def apply(self, chart: Chart) -> Chart:
        chart.time_map.check_bar(self.first_bar)
        chart.time_map.check_bar(self.last_bar)
        bars = []
        for bar in chart.bars[self.first_bar : self.last_bar + 1]:
            notes = tuple(n if n.confirmed or not self.done else replace(n, confirmed=True) for n in bar.notes)
            bars.append(replace(bar, notes=notes, done=self.done))
        return chart.with_bars(self.first_bar, tuple(bars))


@dataclass(frozen=True)
class Rebar(Edit):
    """Base of edits that lay other bars: what was heard stays where it was heard (:mod:`workbench.chart.rewriting`)."""

    #: Lays the bars of a time map anew, given the edit's fields.
    lay: ClassVar[Callable[..., Rebarring]]

    def rebarring(self, chart: Chart) -> Rebarring:
        """The other bars, and where written notes go in them."""
        return self.lay(chart.time_map, *(getattr(self, f.name) for f in fields(self)))

    def apply(self, chart: Chart) -> Chart:
        return SetTimeMap(*rewrite(chart, self.rebarring(chart))).apply(chart)


@dataclass(frozen=True)
class ShiftOne(Rebar, called="shift one"):
    """Begin every bar of a stretch so many counted beats later (negative: earlier)."""

    beats: Shift
    first_bar: int = 0
    last_bar: int | None = None

    lay = staticmethod(rebarring.shift_one)

    @property
    def words(self) -> str:
        return f"the 1 {beats_said(abs(self.beats))} {'later' if self.beats > 0 else 'earlier'}"


#: Levels by how many beats are counted for one.
LEVELS_SAID = {
    Fraction(1, 2): "half tempo",
    Fraction(2): "double tempo",
    Fraction(3, 2): "three beats for two",
    Fraction(2, 3): "two beats for three",
}


@dataclass(frozen=True)
class ChangeLevel(Rebar, called="change level", said="another tempo level"):
    """Count a stretch ``factor`` times as fast: 2 double tempo, 1/2 half tempo, 3/2 three beats for two."""

    factor: Fraction
    first_bar: int = 0
    last_bar: int | None = None

    lay = staticmethod(rebarring.change_level)

    @property
    def words(self) -> str:
        return LEVELS_SAID.get(self.factor, self.said)


@dataclass(frozen=True)
class SetMeter(Rebar, called="set meter", said="another meter"):
    """Lay a stretch anew in bars of another meter, from its first line and from every fixed line in it."""

    meter: Meter
    first_bar: int = 0
    last_bar: int | None = None

    lay = staticmethod(rebarring.set_meter)

    @property
    def words(self) -> str:
        return f"bars of {self.meter}"


@dataclass(frozen=True)
class SetPickup(Rebar, called="set pick-up", said="another pick-up"):
    """Let the song begin with a pick-up of so many whole notes; 0: with a full bar."""

    length: Fraction

    lay = staticmethod(rebarring.set_pickup)


@dataclass(frozen=True)
class MoveBarLine(Rebar, called="move bar line", said="a bar line moved"):
    """Move the line that opens a bar (``bar_index`` = number of bars: the end) and fix it there."""

    bar_index: int
    time_s: float

    lay = staticmethod(rebarring.move_line)


@dataclass(frozen=True)
class TapLines(Rebar, called="tap lines", said="bar lines tapped"):
    """Lay the song anew from a "1" tapped on several bars; taps near a stroke mean the stroke."""

    times_s: tuple[float, ...]
    meter: Meter | None = None

    def rebarring(self, chart: Chart) -> Rebarring:
        return rebarring.tapped_lines(chart.time_map, _meant(chart, self.times_s), self.meter)


@dataclass(frozen=True)
class TapBeats(Rebar, called="tap beats", said="beats tapped"):
    """Lay the song anew from tapped beats, the first of them a "1"."""

    times_s: tuple[float, ...]
    meter: Meter | None = None

    def rebarring(self, chart: Chart) -> Rebarring:
        return rebarring.tapped_beats(chart.time_map, _meant(chart, self.times_s), self.meter)


@dataclass(frozen=True)
class LayBars(Rebar, called="lay bars", said="the bars laid anew"):
    """Lay the song anew in other bars: another reading of the recording; fixed lines stay."""

    time_map: TimeMap

    def rebarring(self, chart: Chart) -> Rebarring:
        sounding = [k for k, bar in enumerate(chart.bars) if bar.notes]
        ends_s = [chart.note_time_s(k, n) for k in {*sounding[:1], *sounding[-1:]} for n in chart.bars[k].notes]
        return rebarring.lay(chart.time_map, self.time_map, ends_s)


@dataclass(frozen=True)
class SplitBar(Rebar, called="split bar", said="a bar split"):
    """Two bars instead of one: a line at a position inside it."""

    bar_index: int
    position: Fraction

    lay = staticmethod(rebarring.split_bar)


@dataclass(frozen=True)
class JoinBars(Rebar, called="join bars", said="bars joined"):
    """One bar instead of a bar and the next."""

    bar_index: int

    lay = staticmethod(rebarring.join_bars)


@dataclass(frozen=True)
class InsertBars(Edit, called="insert bars", said="bars inserted"):
    """Bars more before a bar (``bar_index`` = number of bars: after the last).

    A part without a recording gets empty ones and what follows moves on.  A recording gets empty ones before the first
    bar and after the last; in between a bar that lasts as long as two becomes two.
    """

    bar_index: int
    count: int = 1

    def apply(self, chart: Chart) -> Chart:
        chart.time_map.check_bar(self.bar_index - (self.bar_index == len(chart)))
        if barcount.has_room(chart, self.bar_index):
            return barcount.with_bars_inserted(chart, self.bar_index, self.count)
        new = rewrite(chart, barcount.missed_line(chart.time_map, self.bar_index))
        return SetTimeMap(*new).apply(chart)


@dataclass(frozen=True)
class DeleteBars(Edit, called="delete bars", said="bars deleted"):
    """Bars less.

    Of a part without a recording they go with what is written in them, and what follows moves up.  In a recording
    empty bars at its ends go, and two that last as long as one become one.
    """

    first_bar: int
    last_bar: int

    def apply(self, chart: Chart) -> Chart:
        first, last = self.first_bar, self.last_bar
        chart.time_map.check_bar(first)
        chart.time_map.check_bar(last)
        if last < first:
            raise ChartError("The last bar to go lies before the first.")
        if barcount.may_go(chart, first, last):
            return barcount.without_bars(chart, first, last)
        if last > first:
            raise ChartError(
                "Of a recording bars go one at a time, where a line is too many; empty ones at its ends together."
            )
        return SetTimeMap(*rewrite(chart, barcount.line_too_many(chart.time_map, first))).apply(chart)


@dataclass(frozen=True)
class FixLine(Edit, called="fix line"):
    """Hold the line that opens a bar where it is, or let it go."""

    bar_index: int
    fixed: bool

    @property
    def words(self) -> str:
        return "bar lines fixed" if self.fixed else "bar lines let go"

    def apply(self, chart: Chart) -> Chart:
        chart.time_map.check_bar(self.bar_index)
        bars = list(chart.time_map.bars)
        bars[self.bar_index] = replace(bars[self.bar_index], fixed=self.fixed)
        return replace(chart, time_map=TimeMap(bars, chart.time_map.end_s))


def _meant(chart: Chart, taps_s: Sequence[float]) -> list[float]:
    """Taps on the strokes they mean: fingers are less exact than the drummer."""
    strokes_s = np.array([chart.note_time_s(k, n) for k, n in chart.notes()] or [np.inf])
    nearest = (float(strokes_s[np.abs(strokes_s - t).argmin()]) for t in taps_s)
    return [s if abs(s - t) <= TAP_MEANS_STROKE_S else t for s, t in zip(nearest, taps_s)]


@dataclass(frozen=True)
class SetTimeMap(Edit, called="set time map", said="the bar lines laid anew"):
    """Lay the whole chart on other bars (downbeat shifted, tempo halved …).

    ``bars`` are the notes written anew on ``time_map``; sections go to the nearest
    bar line, texts and marks to the same moment.
    """

    time_map: TimeMap
    bars: tuple[WrittenBar, ...]

    def apply(self, chart: Chart) -> Chart:
        lines = np.array([b.beat_times_s[0] for b in self.time_map.bars] + [self.time_map.end_s])

        def moved(place: tuple[int, Fraction], ends: bool = False) -> tuple[int, Fraction]:
            """The place at the same moment; what stood on a bar line goes to the nearest."""
            k, position = place
            old_s = chart.time_map.end_s if k >= len(chart) else chart.time_map.seconds(k, position)
            if position == 0:
                return int(np.abs(lines[: None if ends else -1] - old_s).argmin()), Fraction(0)
            bar_index, at = self.time_map.place(old_s)
            bar = self.time_map.bars[bar_index]
            step = bar.meter.beat_length / MARK_STEPS
            return bar_index, min(max(round(at / float(step)), 0) * step, bar.length - step)

        # Lags belong to parts of the beat: of other beats they say nothing.
        same_beats = len(self.time_map.anchor_times_s) == len(chart.time_map.anchor_times_s)
        sections: dict[int, Section] = {}
        for s in chart.sections:
            k, _ = moved((s.bar_index, Fraction(0)))
            sections.setdefault(k, replace(s, bar_index=k))
        cues = ((t, moved((t.bar_index, t.position))) for t in chart.texts)
        texts = tuple(replace(t, bar_index=k, position=p) for t, (k, p) in cues)
        marks = []
        for m in chart.marks:
            start, end = moved(m.start), moved(m.end, ends=True)
            marks.append(replace(m, start=start, end=end if end > start else (start[0] + 1, Fraction(0))))
        return replace(
            chart,
            time_map=self.time_map,
            bars=tuple(self.bars),
            sections=tuple(sections.values()),
            texts=texts,
            marks=tuple(marks),
            pocket=chart.pocket if same_beats else Pocket(chart.pocket.swing_ratio),
        )


@dataclass(frozen=True)
class NameSection(Edit, called="name section", said="a section named"):
    """Begin a section at a bar, or rename the one that begins there."""

    bar_index: int
    name: str
    label: str = ""

    def apply(self, chart: Chart) -> Chart:
        chart.time_map.check_bar(self.bar_index)
        others = tuple(s for s in chart.sections if s.bar_index != self.bar_index)
        section = Section(self.bar_index, self.name, self.label)
        return replace(chart, sections=(*others, section))


@dataclass(frozen=True)
class RemoveSection(Edit, called="remove section", said="a section removed"):
    """Let a section be part of the one before it."""

    bar_index: int

    def apply(self, chart: Chart) -> Chart:
        others = tuple(s for s in chart.sections if s.bar_index != self.bar_index)
        if len(others) == len(chart.sections):
            raise ChartError(f"No section begins at {the_bar(chart.time_map.bar_number(self.bar_index))}.")
        return replace(chart, sections=others)


@dataclass(frozen=True)
class SetText(Edit, called="set text", said="words over a bar"):
    """Write a cue above a bar; an empty text removes it."""

    bar_index: int
    position: Fraction
    text: str

    def apply(self, chart: Chart) -> Chart:
        place = chart.time_map.within(self.bar_index, self.position)
        others = tuple(t for t in chart.texts if (t.bar_index, t.position) != place)
        new = (Text(*place, self.text),) if self.text else ()
        return replace(chart, texts=others + new)


@dataclass(frozen=True)
class SetMark(Edit, called="set mark", said="a mark"):
    """Mark a stretch; a mark of the same kind and start is replaced."""

    mark: Mark

    def apply(self, chart: Chart) -> Chart:
        others = tuple(m for m in chart.marks if (m.kind, m.start) != (self.mark.kind, self.mark.start))
        return replace(chart, marks=(*others, self.mark))


@dataclass(frozen=True)
class RemoveMark(Edit, called="remove mark", said="a mark removed"):
    """Take a mark away; the notes under it stay."""

    mark_kind: str
    start: tuple[int, Fraction]

    def apply(self, chart: Chart) -> Chart:
        others = tuple(m for m in chart.marks if (m.kind, m.start) != (self.mark_kind, self.start))
        if len(others) == len(chart.marks):
            raise ChartError(f"No {self.mark_kind} is marked there.")
        return replace(chart, marks=others)


@dataclass(frozen=True)
class SetHeading(Edit, called="set heading", said="title and artist"):
    """Set title, artist, feel, kit or kit map; what is left at None stays."""

    title: str | None = None
    artist: str | None = None
    feel: str | None = None
    kit: tuple[str, ...] | None = None
    kit_map: tuple[KitLine, ...] | None = None

    def apply(self, chart: Chart) -> Chart:
        changes = {f.name: getattr(self, f.name) for f in fields(self) if getattr(self, f.name) is not None}
        return replace(chart, **changes)


@dataclass(frozen=True)
class CompositeEdit(Edit, called="together"):
    """Several edits that are done and undone as one; all or none."""

    edits: tuple[Edit, ...]
    name: str = ""

    @property
    def words(self) -> str:
        return self.name or ", ".join(dict.fromkeys(e.words for e in self.edits))

    def apply(self, chart: Chart) -> Chart:
        for edit in self.edits:
            chart = edit.apply(chart)
        return chart
