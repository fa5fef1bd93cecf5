"""Named edits: the only ways a chart changes.

An edit is a small value that says what the user did; :func:`apply` gives the
chart after it.  Charts are values, so the chart before an edit is its exact
inverse and undo cannot fail.  ``edit_to_data``/``edit_from_data``
(:mod:`workbench.chart.data`) write edits for journals and messages.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from workbench.chart import Chart, Mark, Note, Section, Text, WrittenBar
from workbench.chart.drumkit import instrument
from workbench.chart.meter import Meter, TimeMap
from workbench.errors import ChartError

#: A moved note keeps the time at which it was heard if that lies no further
#: from its new place than this; a stroke further off was not this note.
HEARD_WITHIN_S = 0.06


@dataclass(frozen=True)
class Edit:
    """Base of all edits."""

    def apply(self, chart: Chart) -> Chart:
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
        raise ChartError(f"Bar {chart.time_map.bar_number(bar_index)} has no {name} at position {position}.")
    return found


@dataclass(frozen=True)
class AddNote(Edit):
    """Write a note; one at the same place and instrument is replaced."""

    bar_index: int
    note: Note

    def apply(self, chart: Chart) -> Chart:
        chart.time_map.check_bar(self.bar_index)
        return chart.with_bar(self.bar_index, chart.bars[self.bar_index].with_note(self.note))


@dataclass(frozen=True)
class RemoveNote(Edit):
    bar_index: int
    position: Fraction
    instrument: str

    def apply(self, chart: Chart) -> Chart:
        _note(chart, self.bar_index, self.position, self.instrument)
        bar = chart.bars[self.bar_index].without(self.position, self.instrument)
        return chart.with_bar(self.bar_index, bar)


@dataclass(frozen=True)
class MoveNote(Edit):
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
class ChangeNote(Edit):
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
        fields = ("velocity", "articulations", "sticking", "confirmed", "deviation_s")
        changes = {f: getattr(self, f) for f in fields if getattr(self, f) is not None}
        changed = replace(note, **changes)
        return chart.with_bar(self.bar_index, chart.bars[self.bar_index].with_note(changed))


@dataclass(frozen=True)
class RenameInstrument(Edit):
    """Give all strokes of one instrument in ``first_bar … last_bar`` to another.

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
class SetBars(Edit):
    """Write the contents of consecutive bars anew (paste, repeat, re-lay)."""

    first_bar: int
    bars: tuple[WrittenBar, ...]

    def apply(self, chart: Chart) -> Chart:
        return chart.with_bars(self.first_bar, tuple(self.bars))


@dataclass(frozen=True)
class SetSubdivisions(Edit):
    """Set into how many grid parts each beat of a bar is divided."""

    bar_index: int
    subdivisions: tuple[int, ...]

    def apply(self, chart: Chart) -> Chart:
        chart.time_map.check_bar(self.bar_index)
        bar = replace(chart.bars[self.bar_index], subdivisions=self.subdivisions)
        return chart.with_bar(self.bar_index, bar)


def _keep_heard_times(chart: Chart, time_map: TimeMap, bars: range) -> tuple[WrittenBar, ...]:
    """Notes of ``bars`` at their written positions, heard when they were."""
    out = list(chart.bars)
    for k in bars:
        notes = []
        for n in chart.bars[k].notes:
            heard_s = chart.note_time_s(k, n)
            notes.append(replace(n, deviation_s=heard_s - time_map.seconds(k, n.position)))
        out[k] = replace(chart.bars[k], notes=tuple(notes))
    return tuple(out)


@dataclass(frozen=True)
class MoveBarLine(Edit):
    """Move the line that opens a bar (``bar_index`` = number of bars: the end).

    Written positions stay; every stroke stays where it was heard.
    """

    bar_index: int
    time_s: float

    def apply(self, chart: Chart) -> Chart:
        time_map = chart.time_map.with_bar_line(self.bar_index, self.time_s)
        touched = range(max(self.bar_index - 1, 0), min(self.bar_index + 1, len(chart)))
        return replace(chart, time_map=time_map, bars=_keep_heard_times(chart, time_map, touched))


@dataclass(frozen=True)
class SetBeats(Edit):
    """Set the beat times inside a bar, bar line included (as tapped)."""

    bar_index: int
    beat_times_s: tuple[float, ...]

    def apply(self, chart: Chart) -> Chart:
        time_map = chart.time_map.with_beats(self.bar_index, self.beat_times_s)
        touched = range(max(self.bar_index - 1, 0), min(self.bar_index + 1, len(chart)))
        return replace(chart, time_map=time_map, bars=_keep_heard_times(chart, time_map, touched))


@dataclass(frozen=True)
class SetMeter(Edit):
    """Give bars another meter, their lines unmoved.

    Notes keep their place relative to the bar's beats where it exists in the
    new meter; notes beyond its length make the edit fail, so that nothing is
    lost silently.
    """

    first_bar: int
    last_bar: int
    meter: Meter

    def apply(self, chart: Chart) -> Chart:
        time_map = chart.time_map.with_meter(self.first_bar, self.last_bar, self.meter)
        touched = range(self.first_bar, self.last_bar + 1)
        for k in touched:
            _check_fits(chart, k, self.meter)
        bars = list(_keep_heard_times(chart, time_map, touched))
        for k in touched:
            bars[k] = replace(bars[k], subdivisions=())
        return replace(chart, time_map=time_map, bars=tuple(bars))


def _check_fits(chart: Chart, bar_index: int, meter: Meter) -> None:
    notes = chart.bars[bar_index].notes
    if notes and notes[-1].position >= meter.bar_length:
        raise ChartError(
            f"Bar {chart.time_map.bar_number(bar_index)} has notes beyond the end of a {meter} bar; "
            "move or remove them, or lay the bars anew."
        )


@dataclass(frozen=True)
class SetTimeMap(Edit):
    """Lay the whole chart on other bars (downbeat shifted, tempo halved …).

    ``bars`` are the notes written anew on ``time_map``; sections, texts and
    marks go to the bar line nearest to where they were.
    """

    time_map: TimeMap
    bars: tuple[WrittenBar, ...]

    def apply(self, chart: Chart) -> Chart:
        lines = [b.beat_times_s[0] for b in self.time_map.bars] + [self.time_map.end_s]

        def nearest(bar_index: int, ends: bool = False) -> int:
            old = chart.time_map.end_s if bar_index >= len(chart) else chart.time_map.bar_start_s(bar_index)
            count = len(lines) if ends else len(lines) - 1
            return min(range(count), key=lambda k: abs(lines[k] - old))

        sections: dict[int, Section] = {}
        for s in chart.sections:
            k = nearest(s.bar_index)
            sections.setdefault(k, replace(s, bar_index=k))
        texts = tuple(replace(t, bar_index=nearest(t.bar_index), position=Fraction(0)) for t in chart.texts)
        marks = []
        for m in chart.marks:
            start = (nearest(m.start[0]), Fraction(0))
            end_bar = m.end[0] + (m.end[1] > 0)
            end = (max(nearest(end_bar, ends=True), start[0] + 1), Fraction(0))
            marks.append(replace(m, start=start, end=end))
        return replace(
            chart,
            time_map=self.time_map,
            bars=tuple(self.bars),
            sections=tuple(sections.values()),
            texts=texts,
            marks=tuple(marks),
        )


@dataclass(frozen=True)
class NameSection(Edit):
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
class RemoveSection(Edit):
    """Let a section be part of the one before it."""

    bar_index: int

    def apply(self, chart: Chart) -> Chart:
        others = tuple(s for s in chart.sections if s.bar_index != self.bar_index)
        if len(others) == len(chart.sections):
            raise ChartError(f"No section begins at bar {chart.time_map.bar_number(self.bar_index)}.")
        return replace(chart, sections=others)


@dataclass(frozen=True)
class SetText(Edit):
    """Write a cue above a bar; an empty text removes it."""

    bar_index: int
    position: Fraction
    text: str

    def apply(self, chart: Chart) -> Chart:
        chart.time_map.check_bar(self.bar_index)
        place = (self.bar_index, self.position)
        others = tuple(t for t in chart.texts if (t.bar_index, t.position) != place)
        new = (Text(*place, self.text),) if self.text else ()
        return replace(chart, texts=others + new)


@dataclass(frozen=True)
class SetMark(Edit):
    """Mark a stretch; a mark of the same kind and start is replaced."""

    mark: Mark

    def apply(self, chart: Chart) -> Chart:
        others = tuple(m for m in chart.marks if (m.kind, m.start) != (self.mark.kind, self.mark.start))
        return replace(chart, marks=(*others, self.mark))


@dataclass(frozen=True)
class RemoveMark(Edit):
    mark_kind: str
    start: tuple[int, Fraction]

    def apply(self, chart: Chart) -> Chart:
        others = tuple(m for m in chart.marks if (m.kind, m.start) != (self.mark_kind, self.start))
        if len(others) == len(chart.marks):
            raise ChartError(f"No {self.mark_kind} is marked there.")
        return replace(chart, marks=others)


@dataclass(frozen=True)
class SetHeading(Edit):
    """Set title, artist, feel or kit; what is left at None stays."""

    title: str | None = None
    artist: str | None = None
    feel: str | None = None
    kit: tuple[str, ...] | None = None

    def apply(self, chart: Chart) -> Chart:
        fields = ("title", "artist", "feel", "kit")
        changes = {f: getattr(self, f) for f in fields if getattr(self, f) is not None}
        return replace(chart, **changes)


@dataclass(frozen=True)
class CompositeEdit(Edit):
    """Several edits that are done and undone as one; all or none."""

    edits: tuple[Edit, ...]
    name: str = ""

    def apply(self, chart: Chart) -> Chart:
        for edit in self.edits:
            chart = edit.apply(chart)
        return chart


#: Every edit by the name used in journals and messages.
EDITS: dict[str, type[Edit]] = {
    "add note": AddNote,
    "remove note": RemoveNote,
    "move note": MoveNote,
    "change note": ChangeNote,
    "rename instrument": RenameInstrument,
    "set bars": SetBars,
    "set subdivisions": SetSubdivisions,
    "move bar line": MoveBarLine,
    "set beats": SetBeats,
    "set meter": SetMeter,
    "set time map": SetTimeMap,
    "name section": NameSection,
    "remove section": RemoveSection,
    "set text": SetText,
    "set mark": SetMark,
    "remove mark": RemoveMark,
    "set heading": SetHeading,
    "together": CompositeEdit,
}
