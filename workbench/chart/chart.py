"""The chart: the written drum part that a user owns.

A chart is a value: it is never changed in place.  Every change is a named edit
(:mod:`workbench.chart.edits`) that yields another chart, so undoing is going back to
the value before, exactly.

*Written* and *played* stay apart: a :class:`Note` has an exact position in its
bar and keeps, as ``deviation_s``, how far from it the stroke was played.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property, lru_cache
from typing import Any

from workbench.chart.counting import bar_name
from workbench.chart.drumkit import INSTRUMENTS, Instrument, KitLine, drum_key_order, instrument, one_surface
from workbench.chart.events import Stroke
from workbench.chart.meter import Bar, TimeMap
from workbench.chart.pocket import ON_THE_GRID, Pocket, swung_place
from workbench.errors import ChartError
from workbench.escaping import whole_text
from workbench.grouping import grouped

#: What can be said of a note beside its instrument (terms of the trade).
#: "open" and "closed" hi-hats are instruments, not articulations.
ARTICULATIONS: frozenset[str] = frozenset(
    {"ghost", "accent", "flam", "drag", "double", "roll", "choke", "half open", "foot splash", "rim shot"}
)

#: Deviation of a stroke that was heard exactly on its written place, seconds: 0 would say that it was never heard.
ON_TIME_S = 1e-9

#: Ways the part is to be read: as written, or eighths/sixteenths swung.
FEELS: tuple[str, ...] = ("straight", "swing 8ths", "swing 16ths")

#: Hands (or feet) that a sticking letter names; "" where none is given.
STICKINGS: tuple[str, ...] = ("", "R", "L")

#: Kinds of marks over a stretch of the chart.
MARK_KINDS: tuple[str, ...] = ("fill", "groove", "note", "crescendo", "diminuendo")

#: Hits less sure than this, and not confirmed, are in doubt where no draft has chosen a limit for its song.
DOUBT_BELOW = 0.75

#: What was only heard is never certain: a confidence of 1 means that somebody wrote it.
SUREST_HEARD = 0.999


@dataclass(frozen=True)
class Note:
    """One written note of a bar.

    Attributes
    ----------
    position : Fraction
        Whole notes from the bar line (see :mod:`workbench.chart.meter`), ≥ 0.
    instrument : str
        Name in the drum key.  A bar holds one note per position and instrument.
    velocity : int
        MIDI velocity, 1–127.
    articulations : frozenset of str
        From :data:`ARTICULATIONS`.
    deviation_s : float
        Played minus written time, seconds: the feel.  0 says that it was never heard; it is then
        played as the chart's pocket has it.
    confidence : float
        Of the draft, 0–1; 1 for what a user wrote.
    confirmed : bool
        A user has written or accepted it; no analysis may change it.
    sticking : str
        'R', 'L' or ''.

    Examples
    --------
    >>> Note(Fraction(1, 4), "snare", 100, {"accent"}).velocity  # on 2
    100
    """

    position: Fraction
    instrument: str
    velocity: int = 80
    articulations: frozenset[str] = frozenset()
    deviation_s: float = 0.0
    confidence: float = 1.0
    confirmed: bool = False
    sticking: str = ""

    def __post_init__(self) -> None:
        if type(self.position) is not Fraction:
            if not isinstance(self.position, (Fraction, int)):
                raise ChartError(f"A position is an exact fraction of a whole note, not {self.position!r}.")
            object.__setattr__(self, "position", Fraction(self.position))
        if type(self.articulations) is not frozenset:
            object.__setattr__(self, "articulations", frozenset(self.articulations))
        instrument(self.instrument)
        if self.position.numerator < 0:
            raise ChartError(f"A position cannot lie before its bar line ({self.position}).")
        if not isinstance(self.velocity, int) or not 1 <= self.velocity <= 127:
            raise ChartError(f"A velocity is a whole number from 1 to 127, not {self.velocity!r}.")
        if unknown := self.articulations - ARTICULATIONS:
            raise ChartError(f"Unknown articulation {sorted(unknown)[0]!r}; known: {', '.join(sorted(ARTICULATIONS))}.")
        if not math.isfinite(self.deviation_s):
            raise ChartError("A note's deviation must be a finite number of seconds.")
        if not 0.0 <= self.confidence <= 1.0:
            raise ChartError(f"A confidence lies between 0 and 1, not {self.confidence!r}.")
        if self.sticking not in STICKINGS:
            raise ChartError(f"A sticking is R, L or empty, not {self.sticking!r}.")

    @property
    def key(self) -> tuple[Fraction, str]:
        """What tells a note from the others of its bar."""
        return (self.position, self.instrument)

    def placed(self, position: Fraction, deviation_s: float) -> Note:
        """The same note written at another position of its bar, or of another."""
        return Note(
            position,
            self.instrument,
            self.velocity,
            self.articulations,
            deviation_s,
            self.confidence,
            self.confirmed,
            self.sticking,
        )

    @property
    def order(self) -> tuple[float, Fraction, int]:
        """Sorts the notes of a bar; the float decides most comparisons, the exact position those too near for it."""
        at = self.position
        return (at.numerator / at.denominator, at, drum_key_order(self.instrument))


def is_doubtful(note: Note, below: float = DOUBT_BELOW) -> bool:
    """Whether a note is neither confirmed nor heard surely."""
    return not note.confirmed and note.confidence < below


@dataclass(frozen=True, order=True)
class PossibleHit:
    """A stroke that the draft does not write but that may have been played: a suggestion, never written without the
    user.

    It is kept at the time at which it may be heard, so it stays there whatever happens to the bars;
    :meth:`Chart.possible_notes` says where it would be written.

    Attributes
    ----------
    time_s : float
        Seconds from the start of the recording.
    instrument : str
        Name in the drum key.
    velocity : int
        MIDI velocity, 1–127, as it is heard there.
    probability : float
        That it was played and is named rightly, 0–1.
    reason : str
        What speaks for it, a sentence for the user: "5 of 6 bars like this one have it."

    Examples
    --------
    >>> PossibleHit(2.5, "closed hi-hat", 60, 0.4, "It is heard faintly.").probability
    0.4
    """

    time_s: float
    instrument: str
    velocity: int = 80
    probability: float = 0.5
    reason: str = ""

    def __post_init__(self) -> None:
        Stroke(self.time_s, self.instrument, self.velocity, self.probability)  # says what is wrong


@lru_cache(maxsize=65536)
def _shared(item: tuple) -> tuple:
    """One object for what is equal, so that comparing bars is cheap; as many as a few long charts hold."""
    return item


@dataclass(frozen=True)
class WrittenBar:
    """The notes of one bar and the subdivision of its beats.

    Attributes
    ----------
    notes : tuple of Note
        Kept in order of position, then of the drum key.
    subdivisions : tuple of int
        Into how many equal parts each counted beat is divided on the grid
        (4: sixteenths of a quarter, 3: triplets …); empty means four of each.
    done : bool
        The user has said that the bar is right as it stands.
    """

    notes: tuple[Note, ...] = ()
    subdivisions: tuple[int, ...] = ()
    done: bool = False

    def __post_init__(self) -> None:
        notes = tuple(sorted(self.notes, key=lambda n: n.order))
        object.__setattr__(self, "notes", notes)
        object.__setattr__(self, "subdivisions", tuple(self.subdivisions))
        for a, b in zip(notes, notes[1:]):
            if a.instrument == b.instrument and a.position == b.position:
                raise ChartError(f"Two {a.instrument} notes at the same position {a.position}.")
        if not all(isinstance(s, int) and 1 <= s <= 24 for s in self.subdivisions):
            raise ChartError("A beat can be divided into 1 to 24 parts.")

    def find(self, position: Fraction, instrument_name: str) -> Note | None:
        """The note of an instrument at a position, if there is one."""
        key = (position, instrument_name)
        return next((n for n in self.notes if n.key == key), None)

    def with_note(self, note: Note) -> WrittenBar:
        """With a note added, in place of one at the same position and instrument."""
        return replace(self, notes=(*(n for n in self.notes if n.key != note.key), note))

    def without(self, position: Fraction, instrument_name: str) -> WrittenBar:
        """The bar less the note of an instrument at a position."""
        key = (position, instrument_name)
        return replace(self, notes=tuple(n for n in self.notes if n.key != key))

    def divided(self, timed: Bar) -> tuple[int, ...]:
        """Grid parts of each counted beat span of this bar, laid on time."""
        default = 6 if timed.meter.is_compound else 4
        own = self.subdivisions
        return tuple(own[k] if k < len(own) else default for k in range(len(timed.beat_times_s)))

    def grid_positions(self, timed: Bar) -> tuple[Fraction, ...]:
        """Positions of the grid columns of this bar, laid on time."""
        out: list[Fraction] = []
        for (start, length), parts in zip(timed.beat_spans(), self.divided(timed)):
            # A beat cut short keeps the step of a whole beat, and begins with a column wherever in a step that falls.
            step = timed.meter.beat_length / parts
            steps = math.ceil(length / step)
            out += [max(start, start + length - k * step) for k in range(steps, 0, -1)]
        return tuple(out)

    @cached_property
    def content(self) -> frozenset[tuple[Fraction, str, frozenset[str]]]:
        """What is written, dynamics aside: (position, instrument, articulations)."""
        return frozenset(_shared((n.position, n.instrument, n.articulations)) for n in self.notes)

    @cached_property
    def pattern(self) -> frozenset[tuple[Fraction, str]]:
        """What is hit when, dynamics aside: equal for bars that repeat each other."""
        return frozenset(n.key for n in self.notes)


@dataclass(frozen=True)
class Section:
    """A named part of the form; it lasts until the next section begins.

    ``label`` is the boxed letter ("A"); ``name`` is free ("Verse").
    """

    bar_index: int
    name: str
    label: str = ""


@dataclass(frozen=True)
class Text:
    """A cue written above a bar."""

    bar_index: int
    position: Fraction
    text: str


@dataclass(frozen=True)
class Mark:
    """A marked stretch (a fill, say), end exclusive.

    Attributes
    ----------
    kind : str
        From :data:`MARK_KINDS`.
    start, end : (int, Fraction)
        Bar index and position.
    text : str
    confirmed : bool
        Set by a user, so no analysis may change it.
    """

    kind: str
    start: tuple[int, Fraction]
    end: tuple[int, Fraction]
    text: str = ""
    confirmed: bool = False

    def __post_init__(self) -> None:
        if self.kind not in MARK_KINDS:
            raise ChartError(f"A mark is one of {', '.join(MARK_KINDS)}, not {self.kind!r}.")
        if not self.start < self.end:
            raise ChartError("A mark must end after it begins.")

    @property
    def bars(self) -> range:
        """Indices of the bars it touches."""
        return range(self.start[0], self.end[0] + (self.end[1] > 0))

    def covers(self, bar_index: int, position: Fraction) -> bool:
        """Whether a place lies in the marked stretch."""
        return self.start <= (bar_index, position) < self.end

    def length(self, time_map: TimeMap) -> Fraction:
        """How long it is, in whole notes."""
        return time_map.starts[self.end[0]] + self.end[1] - time_map.starts[self.start[0]] - self.start[1]

    def pieces(self, time_map: TimeMap) -> list[tuple[int, Fraction, Fraction]]:
        """(bar index, start, end) of what it takes of each bar."""
        return [
            (
                k,
                self.start[1] if k == self.start[0] else Fraction(0),
                self.end[1] if k == self.end[0] else time_map.bars[k].length,
            )
            for k in self.bars
            if k < len(time_map)
        ]


@dataclass(frozen=True)
class Recording:
    """The recording a chart was made from.

    Attributes
    ----------
    path : str
        As the user gave it, relative to the chart file where possible.
    sha256 : str
        Of the file's bytes: tells when another recording lies in its place.
    duration_s : float
    """

    path: str
    sha256: str
    duration_s: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "path", whole_text(self.path))  # a name on disk may be any bytes


@dataclass(frozen=True)
class Chart:
    """A written drum part, laid on a time map.

    Attributes
    ----------
    time_map : TimeMap
    bars : tuple of WrittenBar
        One for each bar of the time map, in the order heard (repeats written
        out; how repeats are engraved is a matter of the score).
    title, artist : str
    recording : Recording or None
    sections, texts, marks : tuples, in order of their bars
    kit : tuple of str
        Instruments shown as rows and in the drum key, top first.
    feel : str
        From :data:`FEELS`.
    possible_hits : tuple of PossibleHit, in order of time
        What the draft left out but may have been played; neither accepted nor refused so far.
    kit_map : tuple of KitLine
        How this chart calls, draws and keys its instruments where it is not as the drum key has them.
    pocket : Pocket
        How the song swings and where its player puts each instrument.
    doubt_below : float, 0–1
        Hits less sure than this are in doubt until they are confirmed; the draft chooses it for its song.
    printed_numbers : tuple of str
        The number that each bar has on the pages it was read from, where these are not simply counted; none
        after bars were put in or taken out.

    Examples
    --------
    >>> two_bars = Chart.empty(TimeMap.steady(2, 120))
    >>> two_bars.with_bar(0, WrittenBar((Note(0, "kick"),))).instruments_used()
    ('kick',)
    """

    time_map: TimeMap
    bars: tuple[WrittenBar, ...]
    title: str = ""
    artist: str = ""
    recording: Recording | None = None
    sections: tuple[Section, ...] = ()
    texts: tuple[Text, ...] = ()
    marks: tuple[Mark, ...] = ()
    kit: tuple[str, ...] = field(default_factory=lambda: tuple(i.name for i in INSTRUMENTS))
    feel: str = "straight"
    possible_hits: tuple[PossibleHit, ...] = ()
    kit_map: tuple[KitLine, ...] = ()
    pocket: Pocket = ON_THE_GRID
    doubt_below: float = DOUBT_BELOW
    printed_numbers: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        set_ = object.__setattr__
        set_(self, "title", whole_text(self.title))
        set_(self, "artist", whole_text(self.artist))
        set_(self, "bars", tuple(self.bars))
        set_(self, "sections", tuple(sorted(self.sections, key=lambda s: s.bar_index)))
        set_(self, "marks", tuple(sorted(self.marks, key=lambda m: (m.start, m.end, m.kind))))
        if len(self.printed_numbers) != len(self.bars):
            set_(self, "printed_numbers", ())
        set_(self, "kit", tuple(sorted(set(self.kit), key=drum_key_order)))
        set_(self, "possible_hits", tuple(sorted({(h.time_s, h.instrument): h for h in self.possible_hits}.values())))
        if not 0.0 <= self.doubt_below <= 1.0:
            raise ChartError(f"The limit of doubt lies between 0 and 1, not {self.doubt_below!r}.")
        if len(self.bars) != len(self.time_map.bars):
            raise ChartError(f"The chart has {len(self.bars)} written bars but {len(self.time_map.bars)} bars of time.")
        for k, (written, timed) in enumerate(zip(self.bars, self.time_map.bars)):
            _check_bar(self.time_map, k, written, timed)
        starts = [s.bar_index for s in self.sections]
        if len(set(starts)) != len(starts):
            raise ChartError("Two sections cannot begin at the same bar.")
        for bar_index in starts:
            self.time_map.check_bar(bar_index)
        # What stands behind the end of a bar, a short pick-up, say, stands in the bar after it.
        texts = [Text(*self.time_map.within(t.bar_index, t.position), t.text) for t in self.texts]
        set_(self, "texts", tuple(sorted(texts, key=lambda t: (t.bar_index, t.position))))
        for mark in self.marks:
            self.time_map.check_bar(mark.start[0])
            if mark.end > (len(self.bars), Fraction(0)):
                raise ChartError("A mark ends after the last bar.")
        set_(self, "kit_map", tuple(sorted(self.kit_map, key=lambda line: drum_key_order(line.instrument))))
        if len({line.instrument for line in self.kit_map}) < len(self.kit_map):
            raise ChartError("A kit map has one line for an instrument.")
        if self.feel not in FEELS:
            raise ChartError(f"A feel is one of {', '.join(FEELS)}, not {self.feel!r}.")

    @classmethod
    def empty(cls, time_map: TimeMap, **heading: Any) -> Chart:
        """A chart without notes."""
        return cls(time_map, tuple(WrittenBar() for _ in time_map.bars), **heading)

    # -- looking ---------------------------------------------------------------

    def __len__(self) -> int:
        return len(self.bars)

    def notes(self) -> Iterator[tuple[int, Note]]:
        """All notes with their bar index, in order."""
        for k, bar in enumerate(self.bars):
            for note in bar.notes:
                yield k, note

    @property
    def feel_told(self) -> str:
        """The feel as a reader is told it: "straight" where no bar can swing so, so that what does is written out."""
        return self.feel if self.time_map.swings(self.feel) else "straight"

    def note_time_s(self, bar_index: int, note: Note) -> float:
        """When a note was played, or, never heard, would usually be, seconds."""
        return self.time_map.seconds(bar_index, note.position) + self.later_s(bar_index, note)

    def later_s(self, bar_index: int, note: Note) -> float:
        """How much later than the beats say a note was played or, never heard, such a note usually is, seconds."""
        return note.deviation_s or self.usual_s(bar_index, note)

    def swing_s(self, bar_index: int, position: Fraction) -> float:
        """How much later than the beats say the song's swing has a position, seconds."""
        timed = self.time_map.bars[bar_index]
        pair = float(timed.meter.swung_pair(self.feel))
        if not pair or self.pocket.swing_ratio == 0.5:
            return 0.0
        share = float(timed.share_of_beat(position))
        later = swung_place(share, pair, self.pocket.swing_ratio) - share
        return later * 60.0 / self.time_map.tempo_bpm(bar_index)

    def usual_s(self, bar_index: int, note: Note) -> float:
        """How much later than the beats say such a note is usually played: swing and the player's lag, seconds."""
        if self.pocket is ON_THE_GRID:
            return 0.0
        share = self.time_map.bars[bar_index].share_of_beat(note.position)
        return self.swing_s(bar_index, note.position) + self.pocket.later_s(note.instrument, share)

    def subdivisions(self, bar_index: int) -> tuple[int, ...]:
        """Grid parts of each counted beat span of a bar (see ``Bar.beat_spans``)."""
        return self.bars[bar_index].divided(self.time_map.bars[bar_index])

    def grid_positions(self, bar_index: int) -> tuple[Fraction, ...]:
        """Positions of the grid columns of a bar."""
        return self.bars[bar_index].grid_positions(self.time_map.bars[bar_index])

    def section_at(self, bar_index: int) -> Section | None:
        """The section a bar belongs to."""
        inside = [s for s in self.sections if s.bar_index <= bar_index]
        return inside[-1] if inside else None

    @cached_property
    def _bars_by_pattern(self) -> dict:
        pairs = enumerate(zip(self.bars, self.time_map.bars))
        return grouped(((timed.meter, timed.length, written.pattern), k) for k, (written, timed) in pairs)

    def repeats_of(self, bar_index: int) -> tuple[int, ...]:
        """Indices of the bars with the same meter and pattern, this one included."""
        timed, written = self.time_map.bars[bar_index], self.bars[bar_index]
        return tuple(self._bars_by_pattern[(timed.meter, timed.length, written.pattern)])

    def instruments_used(self) -> tuple[str, ...]:
        """Names of the instruments that occur, in the order of the drum key."""
        return tuple(sorted({n.instrument for _, n in self.notes()}, key=drum_key_order))

    @property
    def unchecked_bars(self) -> tuple[int, ...]:
        """Indices of the bars with drafted hits that nobody has confirmed, neither each nor as a bar that is done."""
        drafted = (any(not n.confirmed and n.confidence < 1.0 for n in b.notes) and not b.done for b in self.bars)
        return tuple(k for k, unchecked in enumerate(drafted) if unchecked)

    def possible_places(self) -> list[tuple[int, Note, PossibleHit]]:
        """Bar index and note that each possible hit would be, at the nearest grid place and with the time at which it
        is heard."""
        out = []
        columns: dict[int, tuple[Fraction, ...]] = {}
        for hit in self.possible_hits:
            k, at = self.time_map.place(hit.time_s)
            if k not in columns:
                following = () if k + 1 == len(self) else (self.time_map.bars[k].length,)
                columns[k] = (*self.grid_positions(k), *following)
            position = min(columns[k], key=lambda p: abs(float(p) - at))
            if position == self.time_map.bars[k].length:
                k, position = k + 1, Fraction(0)
            deviation_s = hit.time_s - self.time_map.seconds(k, position)
            note = Note(position, hit.instrument, hit.velocity, deviation_s=deviation_s, confidence=hit.probability)
            out.append((k, note, hit))
        return out

    def possible_notes(self) -> list[tuple[int, Note, PossibleHit]]:
        """Of :meth:`possible_places` those that are asked of the user.

        Left out are places where that instrument is written, or where the user has confirmed another sound of the same
        drum, and bars that the user has said to be done: there is nothing left to ask.
        """
        return [(k, note, hit) for k, note, hit in self.possible_places() if not self._is_told(k, note)]

    def _is_told(self, bar_index: int, possible: Note) -> bool:
        bar, rivals = self.bars[bar_index], one_surface(possible.instrument)
        at_place = (n for n in bar.notes if n.position == possible.position)
        return bar.done or any(
            n.instrument == possible.instrument or (n.confirmed and n.instrument in rivals) for n in at_place
        )

    @cached_property
    def _own_instruments(self) -> dict[str, Instrument]:
        return {line.instrument: line.applied() for line in self.kit_map}

    def instrument(self, name: str) -> Instrument:
        """An instrument as this chart's kit calls, draws and keys it."""
        return self._own_instruments.get(name) or instrument(name)

    # -- changing (for edits) ----------------------------------------------------

    def with_bar(self, bar_index: int, written: WrittenBar) -> Chart:
        """The chart with another content of one bar."""
        self.time_map.check_bar(bar_index)
        bars = list(self.bars)
        bars[bar_index] = written
        return self._with_checked_bars(tuple(bars), (bar_index,))

    def with_bars(self, first_bar: int, written: tuple[WrittenBar, ...]) -> Chart:
        """The chart with other contents of consecutive bars."""
        self.time_map.check_bar(first_bar)
        self.time_map.check_bar(first_bar + max(len(written), 1) - 1)
        bars = (*self.bars[:first_bar], *written, *self.bars[first_bar + len(written) :])
        return self._with_checked_bars(bars, range(first_bar, first_bar + len(written)))

    def _with_checked_bars(self, bars: tuple[WrittenBar, ...], changed: Iterable[int]) -> Chart:
        """A copy that checks only the changed bars, so that one edit of a long
        chart costs no more than one of a short chart."""
        for k in changed:
            _check_bar(self.time_map, k, bars[k], self.time_map.bars[k])
        new = object.__new__(Chart)
        new.__dict__.update({f: self.__dict__[f] for f in self.__dataclass_fields__})
        new.__dict__["bars"] = bars
        return new


def _check_bar(time_map: TimeMap, bar_index: int, written: WrittenBar, timed: Bar) -> None:
    if written.notes and written.notes[-1].position >= timed.length:
        raise ChartError(
            f"{bar_name(time_map.bar_number(bar_index))} ({timed.meter}) is {timed.length} whole notes long; "
            f"a note at {written.notes[-1].position} lies outside it."
        )
