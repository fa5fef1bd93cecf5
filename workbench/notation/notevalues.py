"""Note values: how exact positions become notes, rests, beams and tuplets.

This is the drummer's handwriting, shared by every written form (MusicXML, the
engraved page): hands with stems up and feet with stems down, each hit written
to the next hit or to the end of its beat, never tied; beams by beat; rests
only where the other voice does not already show the place, and one figure has
one spelling: a rest inside a beat that is needed in one bar of the chart stands
wherever its voice plays that figure.

Conventions
-----------
* Lengths are exact fractions of a whole note.
* A *beat group* is what one beam may join: the counted beat in x/4 and in
  compound meters, two or three eighths (2 + 2 + 3) in other x/8 meters, the
  quarter in x/2 (common practice, no source).
* A tuplet of ``n`` notes stands for the largest power of two below ``n``:
  3:2, 5:4, 6:4, 7:4, 9:8 (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

from workbench.chart import Chart, Note
from workbench.chart.counting import bar_name
from workbench.chart.drumkit import instrument
from workbench.chart.meter import Bar, Meter
from workbench.errors import ChartError
from workbench.grouping import grouped

#: Note types by length, as MusicXML 4.0 names them (``note-type-value``).
TYPE_NAMES: dict[Fraction, str] = {
    Fraction(1): "whole",
    Fraction(1, 2): "half",
    Fraction(1, 4): "quarter",
    Fraction(1, 8): "eighth",
    Fraction(1, 16): "16th",
    Fraction(1, 32): "32nd",
    Fraction(1, 64): "64th",
    Fraction(1, 128): "128th",
    Fraction(1, 256): "256th",
    Fraction(1, 512): "512th",
    Fraction(1, 1024): "1024th",
}


@dataclass(frozen=True)
class NoteValue:
    """A note value: its type, its dot, and the tuplet it stands in.

    Attributes
    ----------
    base : Fraction
        1/4 for a quarter, whatever its dot or tuplet.
    dots : int
        0 or 1.
    actual, normal : int
        ``actual`` notes in the time of ``normal``; 1 and 1 outside tuplets.
    """

    base: Fraction
    dots: int = 0
    actual: int = 1
    normal: int = 1

    @property
    def length(self) -> Fraction:
        """Time it takes, in whole notes."""
        written = self.base * (Fraction(3, 2) if self.dots else 1)
        return written * self.normal / self.actual

    @property
    def type_name(self) -> str:
        return TYPE_NAMES[self.base]

    @property
    def flags(self) -> int:
        """Number of flags or beams: 1 for an eighth, 2 for a 16th …"""
        return max(0, self.base.denominator.bit_length() - 3)


@dataclass(frozen=True)
class VoiceElement:
    """What is written at one moment of a voice: a note, a chord or a rest.

    Attributes
    ----------
    position : Fraction
        Whole notes from the bar line.
    value : NoteValue
    notes : tuple of Note
        Empty for a rest.
    shown : bool
        False for a rest that only keeps the voice in time.
    group : int
        Beat group it belongs to.
    beams : tuple of str
        MusicXML ``beam-value`` for each beam of the note, outermost first.
    tuplet : int or None
        Number of the tuplet it stands in, counted through the voice.
    """

    position: Fraction
    value: NoteValue
    notes: tuple[Note, ...] = ()
    shown: bool = True
    group: int = 0
    beams: tuple[str, ...] = ()
    tuplet: int | None = None

    @property
    def end(self) -> Fraction:
        return self.position + self.value.length


@dataclass(frozen=True)
class Voice:
    """One voice of a bar: its events fill the bar without gap or overlap."""

    stem: str
    events: tuple[VoiceElement, ...]


@dataclass(frozen=True)
class BarValues:
    """A bar as it is written.

    Attributes
    ----------
    length : Fraction
    voices : tuple of Voice
        At most one with stems up and one with stems down, in this order; none
        in a bar without notes.
    """

    length: Fraction
    voices: tuple[Voice, ...]


def beat_groups(meter: Meter, missing: Fraction = Fraction(0)) -> tuple[tuple[Fraction, Fraction], ...]:
    """(start, length) of the beat groups of a bar, as if it were full.

    Positions count from the bar line, so in a pick-up bar, which lacks ``missing``
    at its beginning, the first groups start (or lie) before 0.

    Examples
    --------
    >>> [length for _, length in beat_groups(Meter(7, 8))]
    [Fraction(1, 4), Fraction(1, 4), Fraction(3, 8)]
    """
    start, out = -missing, []
    for length in _group_lengths(meter):
        out.append((start, length))
        start += length
    return tuple(out)


def _group_lengths(meter: Meter) -> list[Fraction]:
    unit = Fraction(1, meter.unit)
    if meter.is_compound:
        return [3 * unit] * (meter.beats // 3)
    if meter.unit < 4:
        return [Fraction(1, 4)] * (meter.beats * 4 // meter.unit)
    if meter.unit == 4:
        return [unit] * meter.beats
    size = meter.unit // 4
    lengths, left = [], meter.beats
    while left:
        # An odd eighth at the end joins the last pair: 2 + 2 + 3.
        take = left if left < size else 3 if (left == 3 and size == 2) else size
        lengths.append(take * unit)
        left -= take
    return lengths


class FigureRest(NamedTuple):
    """A rest of a figure: what one voice plays in a beat, all positions from the start of the beat.

    Whether it is needed depends on the other voice, so it is chosen for the whole chart (:func:`figure_rests`).
    """

    stem: str
    length: Fraction
    onsets: tuple[Fraction, ...]
    position: Fraction


def figure_rests(chart: Chart, one_voice: bool = False) -> frozenset[FigureRest]:
    """Rests inside figures that some bar of the chart needs."""
    rhythms = set()
    for k in range(len(chart)):
        hands, feet = _rhythm(chart.bars[k].content, one_voice)
        if hands and feet:
            bar = chart.time_map.bars[k]
            rhythms.add((_Shape(bar.meter, bar.length), hands, feet))
    out: set[FigureRest] = set()
    for rhythm in rhythms:
        with suppress(_TooFine):  # of that bar write_bar tells
            out |= _needed_rests(*rhythm)
    return frozenset(out)


@lru_cache(maxsize=4096)
def _rhythm(content: frozenset[tuple[Fraction, str, frozenset[str]]], one_voice: bool) -> tuple[_Onsets, _Onsets]:
    """When hands and feet strike; kept, since whoever engraves a single bar asks for it of all bars."""
    hands, feet = _voices([Note(p, name, articulations=said) for p, name, said in content], one_voice)
    return _onsets(hands), _onsets(feet)


def write_bar(
    chart: Chart, bar_index: int, one_voice: bool = False, rests: frozenset[FigureRest] | None = None
) -> BarValues:
    """Choose the note values of a bar.

    Parameters
    ----------
    chart : Chart
    bar_index : int
    one_voice : bool
        All notes on one stem instead of hands up and feet down.
    rests : frozenset of FigureRest, optional
        Of the chart, from :func:`figure_rests`, for who writes many bars; found if left out.

    Raises
    ------
    ChartError
        If a position is too fine for any note value.
    """
    bar = chart.time_map.bars[bar_index]
    hands, feet = _voices(chart.bars[bar_index].notes, one_voice)
    rests = figure_rests(chart, one_voice) if rests is None else rests
    try:
        rhythm = _write_rhythm(_Shape(bar.meter, bar.length), _onsets(hands), _onsets(feet), rests)
    except _TooFine as error:
        raise ChartError(
            f"{bar_name(chart.time_map.bar_number(bar_index))} cannot be written: {error.args[0]} is too "
            "fine for any note value; move the note to the grid."
        ) from None
    return BarValues(bar.length, tuple(_with_notes(voice, hands if voice.stem == "up" else feet) for voice in rhythm))


def _voices(notes: Iterable[Note], one_voice: bool) -> tuple[dict[float, list[Note]], dict[float, list[Note]]]:
    """The chords of hands and of feet, by their places."""
    hands: dict[float, list[Note]] = {}
    feet: dict[float, list[Note]] = {}
    for n in notes:
        down = instrument(n.instrument).is_foot and not one_voice
        (feet if down else hands).setdefault(place_key(n.position), []).append(n)
    return hands, feet


def is_writable(bar: Bar, notes: Sequence[Note]) -> bool:
    """Whether there are note values for the positions of a bar's notes."""
    voices: tuple[dict[float, list[Note]], ...] = ({}, {})
    for n in notes:
        voices[instrument(n.instrument).is_foot].setdefault(place_key(n.position), []).append(n)
    try:
        _write_rhythm(_Shape(bar.meter, bar.length), *map(_onsets, voices), frozenset())
    except _TooFine:
        return False
    return True


def place_key(position: Fraction) -> float:
    """A position to look up: one fraction is one float, and is found ten times as fast."""
    return position.numerator / position.denominator


def _onsets(chords: dict[float, list[Note]]) -> _Onsets:
    return tuple((chord[0].position, _kind(chord)) for _, chord in sorted(chords.items()))


def _kind(chord: list[Note]) -> tuple:
    if all("roll" in n.articulations for n in chord):
        return _ROLLED
    return _DOUBLED if any("double" in n.articulations for n in chord) else _HIT


def _with_notes(voice: Voice, chords: dict[float, list[Note]]) -> Voice:
    return Voice(
        voice.stem,
        tuple(
            VoiceElement(e.position, e.value, tuple(chords[place_key(e.position)]), e.shown, e.group, e.beams, e.tuplet)
            if e.notes
            else e
            for e in voice.events
        ),
    )


class _Shape(NamedTuple):
    """What of a bar matters for its note values."""

    meter: Meter
    length: Fraction

    @property
    def missing(self) -> Fraction:
        return self.meter.bar_length - self.length


#: Stand in for the notes of a hit while its rhythm is worked out.
_HIT: tuple = (None,)
_ROLLED: tuple = (None, None)
_DOUBLED: tuple = (None, None, None)
#: The longest value of a double stroke, so that it reads as two thirty-seconds.
_LONGEST_DOUBLE = Fraction(1, 16)


#: (position, what stands in for its notes) of each chord.
_Onsets = tuple[tuple[Fraction, tuple], ...]


@lru_cache(maxsize=2048)
def _write_rhythm(shape: _Shape, hands: _Onsets, feet: _Onsets, rests: frozenset[FigureRest]) -> tuple[Voice, ...]:
    """The voices of a bar without their notes; a part repeats few rhythms many times."""
    voices = [Voice(stem, _write_voice(shape, dict(part))) for stem, part in (("up", hands), ("down", feet)) if part]
    if len(voices) == 2:
        voices = _hide_needless_rests(voices[0], voices[1], rests)
    return tuple(replace(v, events=_beam(_join_rests(shape, v.events))) for v in voices)


class _TooFine(Exception):
    pass


# -- one voice -------------------------------------------------------------------


@dataclass(frozen=True)
class _Leaf:
    """A stretch written in one kind of unit: plain values or one tuplet."""

    start: Fraction
    length: Fraction
    parts: int
    normal: int = 0  # 0: no tuplet
    told: int = 0  # the number over the tuplet, if it is not ``parts``: 3 over a triplet with a sixteenth in it

    @property
    def unit(self) -> Fraction:
        return self.length / self.parts

    def value(self, units: int) -> NoteValue | None:
        """The single value that lasts so many units, if there is one."""
        return _single_value(
            units * self.length.numerator, self.length.denominator, self.parts, self.normal, self.told or self.parts
        )


@lru_cache(maxsize=4096)
def _single_value(numerator: int, denominator: int, parts: int, normal: int, told: int) -> NoteValue | None:
    written = Fraction(numerator, denominator * (normal or parts))
    actual, normal = (told, normal * told // parts) if normal else (1, 1)
    for dots, base in ((0, written), (1, written * Fraction(2, 3))):
        if base in TYPE_NAMES:
            return NoteValue(base, dots, actual, normal)
    return None


def _write_voice(shape: _Shape, onsets: dict[Fraction, tuple]) -> tuple[VoiceElement, ...]:
    events: list[VoiceElement] = []
    tuplets = 0
    for group, leaves in enumerate(_leaves_of_bar(shape, tuple(onsets))):
        for leaf in leaves:
            tuplet = None
            if leaf.normal:
                tuplet, tuplets = tuplets, tuplets + 1
            for position, value in _fill(leaf, onsets, max(leaf.start, Fraction(0))):
                events.append(VoiceElement(position, value, onsets.get(position, ()), group=group, tuplet=tuplet))
    return _lengthen_rolls(tuple(events), shape)


def _leaves_of_bar(shape: _Shape, onsets: Sequence[Fraction]) -> list[list[_Leaf]]:
    groups = [(s, n) for s, n in beat_groups(shape.meter, shape.missing) if s + n > 0]
    out: list[list[_Leaf]] = []
    k = 0
    while k < len(groups):
        start, length = groups[k]
        if k + 1 < len(groups) and _is_wide_triplet(groups[k], groups[k + 1], onsets, shape.missing):
            out += [[_Leaf(start, 2 * length, 3, 2)], []]
            k += 2
            continue
        marks = [p for p in onsets if start <= p < start + length]
        if start < 0:
            marks.append(Fraction(0))
        out.append(_leaves(start, length, marks))
        k += 1
    return out


def _is_wide_triplet(
    first: tuple[Fraction, Fraction], second: tuple[Fraction, Fraction], onsets: Sequence[Fraction], missing: Fraction
) -> bool:
    """Whether two beats hold quarter-note triplets (beats 1–2 or 3–4)."""
    start, beat = first
    if second[1] != beat or beat.numerator != 1 or start < 0 or (start + missing) % (2 * beat):
        return False
    inside = {(p - start) / beat for p in onsets if start <= p < start + 2 * beat}
    third = Fraction(2, 3)
    return inside <= {Fraction(0), third, 2 * third} and {third, 2 * third} <= inside


def _leaves(start: Fraction, length: Fraction, marks: Sequence[Fraction]) -> list[_Leaf]:
    parts = math.lcm(1, *(((p - start) / length).denominator for p in marks))
    odd = parts // (parts & -parts)
    if length.numerator == 3:
        if odd in (1, 3):
            return [_Leaf(start, length, math.lcm(parts, 3))]
        third = length / 3
        return _split(start, [third] * 3, marks)
    if odd == 1:
        return [_Leaf(start, length, parts)]
    inside = {(p - start) / length for p in marks}
    if parts == 6 and Fraction(1, 2) not in inside and inside & {Fraction(1, 3), Fraction(2, 3)}:
        # The three of a triplet, one of them in two: a 3 says so sooner than a 6.
        return [_Leaf(start, length, 6, 4, 3)]
    if parts % 2 == 0:
        halves = _split(start, [length / 2] * 2, marks)
        if parts > 7 or any(not leaf.normal for leaf in halves):
            return halves
    normal = 1 << (parts.bit_length() - 1)
    if length / normal not in TYPE_NAMES:
        raise _TooFine(f"a {parts}th part of a beat")
    return [_Leaf(start, length, parts, normal)]


def _split(start: Fraction, lengths: Sequence[Fraction], marks: Sequence[Fraction]) -> list[_Leaf]:
    out = []
    for length in lengths:
        out += _leaves(start, length, [p for p in marks if start <= p < start + length])
        start += length
    return out


def _fill(leaf: _Leaf, onsets: Mapping[Fraction, tuple], begin: Fraction) -> Iterator[tuple[Fraction, NoteValue]]:
    """(position, value) of all notes and rests of a leaf from ``begin`` on."""
    unit = leaf.unit
    if leaf.value(1) is None:
        raise _TooFine(f"a note of {unit}")
    end = leaf.start + leaf.length
    hits = sorted((p - leaf.start) / unit for p in onsets if begin <= p < end)
    at = (begin - leaf.start) / unit
    for k, hit in enumerate(hits):
        yield from _rests(leaf, int(at), int(hit))
        until = hits[k + 1] if k + 1 < len(hits) else Fraction(leaf.parts)
        if onsets[leaf.start + hit * unit] is _DOUBLED:
            until = min(until, hit + max(1, _LONGEST_DOUBLE // unit))
        units, value = _longest(leaf, int(hit), int(until))
        yield leaf.start + hit * unit, value
        at = hit + units
    yield from _rests(leaf, int(at), leaf.parts)


def _longest(leaf: _Leaf, at: int, until: int) -> tuple[int, NoteValue]:
    """Units that a hit is written to last, and their value: up to the next hit or the beat, but
    not over an inner beat that a reader needs to see."""
    step = 1
    while at % (2 * step) == 0 and 2 * step <= leaf.parts:
        step *= 2
    if not leaf.normal and at:
        # From an off-16th up to the next eighth or beat; 3-part beats by their thirds.
        reach = 2 * step if leaf.parts % 3 == 0 and leaf.unit * step < Fraction(1, 8) else 4 * step
        until = min(until, (at // reach + 1) * reach)
    return max((n, value) for n in range(1, until - at + 1) if (value := leaf.value(n)))


def _rests(leaf: _Leaf, at: int, until: int) -> Iterator[tuple[Fraction, NoteValue]]:
    while at < until:
        n = until - at
        while not (value := leaf.value(n)) or n != leaf.parts and (n & (n - 1) or (at % n and leaf.parts != 3)):
            n -= 1
        yield leaf.start + at * leaf.unit, value
        at += n


_ROLL_VALUES = {
    Fraction(1, 2): NoteValue(Fraction(1, 2)),
    Fraction(3, 4): NoteValue(Fraction(1, 2), 1),
    Fraction(1): NoteValue(Fraction(1)),
}


def _lengthen_rolls(events: tuple[VoiceElement, ...], shape: _Shape) -> tuple[VoiceElement, ...]:
    """Let a roll last over the silent beats after it, to the next hit."""
    out: list[VoiceElement] = []
    for event in events:
        last = out[-1] if out else None
        if (
            last
            and last.notes is _ROLLED
            and not event.notes
            and last.tuplet is None
            and event.tuplet is None
            and (last.position + shape.missing) % Fraction(1, 2) == 0
        ):
            longer = _ROLL_VALUES.get(last.value.length + event.value.length)
            if longer:
                out[-1] = replace(last, value=longer)
                continue
        out.append(event)
    return tuple(out)


# -- rests -------------------------------------------------------------------------


def _hide_needless_rests(hands: Voice, feet: Voice, rests: frozenset[FigureRest]) -> list[Voice]:
    """Hide the rests whose place the other voice already shows, but for those of figures that need them elsewhere."""
    return [
        replace(voice, events=tuple(_without_rests(voice, other, rests)))
        for voice, other in ((hands, feet), (feet, hands))
    ]


@lru_cache(maxsize=2048)
def _needed_rests(shape: _Shape, hands: _Onsets, feet: _Onsets) -> frozenset[FigureRest]:
    """Rests inside figures that this bar needs."""
    voices = [Voice(stem, _write_voice(shape, dict(part))) for stem, part in (("up", hands), ("down", feet))]
    return frozenset(
        rest
        for voice, other in (voices, voices[::-1])
        for e, rest in zip(_without_rests(voice, other, frozenset()), _rests_of_figures(voice))
        if rest and e.shown
    )


def _rests_of_figures(voice: Voice) -> list[FigureRest | None]:
    """For each event of a voice, which rest of which figure it is; None for notes and in silent beats."""
    groups = grouped((e.group, e) for e in voice.events)
    figures = {
        group: (members[0].position, members[-1].end, tuple(e.position for e in members if e.notes))
        for group, members in groups.items()
    }
    out: list[FigureRest | None] = []
    for e in voice.events:
        start, end, own = figures[e.group]
        rest = FigureRest(voice.stem, end - start, tuple(p - start for p in own), e.position - start)
        out.append(rest if own and not e.notes else None)
    return out


def _without_rests(voice: Voice, other: Voice, rests: frozenset[FigureRest]) -> Iterator[VoiceElement]:
    leads = voice.stem == "up"
    onsets = {v.stem: grouped((e.group, e.position) for e in v.events if e.notes) for v in (voice, other)}
    starts: dict[int, Fraction] = {}
    for e in voice.events:
        starts.setdefault(e.group, e.position)
    for e, rest in zip(voice.events, _rests_of_figures(voice)):
        own, others = onsets[voice.stem].get(e.group, []), onsets[other.stem].get(e.group, [])
        if e.notes:
            yield e
        elif not own:
            # Silent beat: the other voice shows it, or the hands' rest does.
            yield replace(e, shown=not others and leads)
        elif rest in rests:
            yield e
        elif e.position < own[0]:
            begins = starts[e.group] in others
            aligned = own[0] in others and (begins or not leads)
            yield replace(e, shown=not aligned)
        else:
            # After the last hit: needed only before further hits of this voice.
            later = any(p > e.position for p in own)
            yield replace(e, shown=later and e.end not in others)


def _join_rests(shape: _Shape, events: tuple[VoiceElement, ...]) -> tuple[VoiceElement, ...]:
    """Two quarter rests on beats 1–2 or 3–4 become a half rest."""
    out: list[VoiceElement] = []
    for e in events:
        last = out[-1] if out else None
        if (
            last
            and not last.notes
            and not e.notes
            and last.shown == e.shown
            and last.tuplet is None
            and e.tuplet is None
            and last.value == e.value == NoteValue(Fraction(1, 4))
            and (last.position + shape.missing) % Fraction(1, 2) == 0
            and shape.meter.unit <= 4
            and shape.meter.beats % 3
        ):
            out[-1] = replace(last, value=NoteValue(Fraction(1, 2)))
        else:
            out.append(e)
    return tuple(out)


# -- beams -------------------------------------------------------------------------


def _beam(events: tuple[VoiceElement, ...]) -> tuple[VoiceElement, ...]:
    """Join the flagged notes of each beat group, over rests between them."""
    out = list(events)
    run: list[int] = []
    for k, e in enumerate(events):
        if run and (e.group != events[run[0]].group or _silent_edge(events, run[-1], k)):
            _join(out, run)
            run = []
        if e.notes and e.value.flags:
            run.append(k)
        elif e.value.flags == 0:
            _join(out, run)
            run = []
    _join(out, run)
    return tuple(out)


def _silent_edge(events: Sequence[VoiceElement], before: int, after: int) -> bool:
    """Whether a beam from one note to the next would leave or enter a tuplet that a rest stands at the outer end of:
    it would have to reach over that rest."""
    own, other = events[before].tuplet, events[after].tuplet
    if own == other:
        return False
    first = next((e for e in events if own is not None and e.tuplet == own), None)
    last = next((e for e in reversed(events) if other is not None and e.tuplet == other), None)
    return any(edge is not None and not edge.notes for edge in (first, last))


def _join(events: list[VoiceElement], run: list[int]) -> None:
    if len(run) < 2:
        return
    flags = [events[k].value.flags for k in run]
    for j, k in enumerate(run):
        beams = []
        for level in range(1, flags[j] + 1):
            before = j > 0 and flags[j - 1] >= level
            after = j + 1 < len(run) and flags[j + 1] >= level
            if before and after:
                beams.append("continue")
            elif before or after:
                beams.append("end" if before else "begin")
            else:
                beams.append("forward hook" if j == 0 else "backward hook")
        events[k] = replace(events[k], beams=tuple(beams))
