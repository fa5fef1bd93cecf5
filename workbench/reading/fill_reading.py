"""What a teacher says about a fill: values, counts, groupings, hands and feet.

All words are common practice, no source; the grouping of a fill is the series
of lengths between the strokes that stand out in it: a new drum, an accent, or
the first hand after the foot.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby

import numpy as np

from workbench.chart import Chart, Mark, Note
from workbench.chart.counting import and_list, count_rows, note_value, place_list, the_place
from workbench.chart.drumkit import HAND_DRUMS, drum_key_order, instrument
from workbench.reading.doubts import (
    CERTAIN,
    LISTEN_FIRST,
    NO_OTHER_KICK,
    SAID_FROM,
    Grounds,
    HeardBars,
    heard_confidence,
)
from workbench.reading.fills import notes_between
from workbench.reading.patterns import busiest_per_s
from workbench.reading.sticking import too_many_for_two_hands
from workbench.reading.variations import instrument_word

# Numbers whose origin is not named: chosen by eye, no source.
#: Fills that share this much of their strokes (Jaccard) are versions of one.
VERSION_LIKENESS = 0.7

#: A stroke is an accent by itself if this much louder than the fill's median.
ACCENT_VELOCITY = 22

#: Share of a fill's gaps that must be its step for groups to be counted in it.
EVEN_RUN = 0.7

#: Difficulty 1–5 in words.
DIFFICULTY = ("", "easy", "fairly easy", "medium", "hard", "very hard")

#: The word of a fill in which more is struck at once than two hands can.
UNPLAYABLE = "not playable as written"

#: How a group of strokes is told from the one before it.
_MARKED = {
    "drums": "each on a new drum",
    "accents": "an accent opens each",
    "hands and feet": "hands first in each, then the kick",
}

#: Ways between drums that are told one by one; a longer way is told by its drums.
LONGEST_WAY = 6


@dataclass(frozen=True)
class Fill:
    """A fill, read.

    Attributes
    ----------
    span : Mark
        Where it lies; ``span.confirmed`` if the user confirmed it.
    values : str
        Note values: "16ths", "8th triplets and 16ths".
    count : str
        Count syllables of all its strokes, bar by bar.
    grouping : tuple of int
        Lengths of its groups in ``grouping_value`` steps; empty if it has none.
    grouping_value : Fraction
        Note value the groups are counted in, whole notes.
    grouping_by : str
        'drums', 'accents' or 'hands and feet'.
    drums : tuple of str
        Drums of the hands in the order they come.
    linear : bool
        No two instruments together.
    feet : str
        What the feet do.
    syncopated : bool
    difficulty : int
        1 (easy) to 5 (very hard), at the chart's tempo.
    words : tuple of str
        What a teacher says of it, each thing by itself and marked where it is doubtful; its count apart.
    text : str
        All of it in one line, or the user's own words.
    grounds : Grounds
        What its strokes, all together, rest on.
    clauses : tuple of (str, Grounds)
        Rhythm, grouping, way and feet before they are marked or left out, and what each rests on.
    kind : int
        The same number for fills that are the same or versions of one.
    version_of : int or None
        Index of the first fill of that kind, where it is not exactly the same.
    setup_bar : int
        Bar index before it (its own bar where it begins inside).
    lands_on : int or None
        Bar index it leads into.
    landing : str
        What is played there on 1.
    """

    span: Mark
    values: str
    count: str
    grouping: tuple[int, ...]
    grouping_value: Fraction
    grouping_by: str
    drums: tuple[str, ...]
    linear: bool
    feet: str
    syncopated: bool
    difficulty: int
    words: tuple[str, ...]
    text: str
    kind: int
    version_of: int | None
    setup_bar: int
    lands_on: int | None
    landing: str
    grounds: Grounds = CERTAIN
    clauses: tuple[tuple[str, Grounds], ...] = ()

    @property
    def hands_told(self) -> bool:
        """Whether nothing but its feet is too unsure to be told."""
        return not any(own.is_left_out for text, own in self.clauses if text != self.feet)


@dataclass(frozen=True)
class _Moment:
    """All strokes at one place of a fill; ``at`` is whole notes from its beginning."""

    at: Fraction
    notes: tuple[Note, ...]

    @property
    def hands(self) -> tuple[Note, ...]:
        return tuple(n for n in self.notes if not instrument(n.instrument).is_foot)

    @property
    def lead(self) -> str:
        """The instrument that names the event: a drum before a cymbal before a foot."""

        def rank(name: str) -> int:
            order = {"tom": 0, "snare": 1, "cymbal": 2, "hi-hat": 3, "percussion": 3}
            return order.get(instrument(name).family, 5)

        return min((n.instrument for n in self.notes), key=lambda i: (rank(i), drum_key_order(i)))


def _events(chart: Chart, span: Mark) -> list[_Moment]:
    starts = chart.time_map.starts
    origin = starts[span.start[0]] + span.start[1]
    placed = [(starts[k] + n.position - origin, n) for k, n in notes_between(chart, span.start, span.end)]
    return [_Moment(at, tuple(n for _, n in group)) for at, group in groupby(placed, key=lambda x: x[0])]


def read_fills(chart: Chart, spans: Sequence[Mark]) -> tuple[Fill, ...]:
    """Read every fill, in order, and recognise those that return."""
    out: list[Fill] = []
    heard = HeardBars(chart, range(len(chart)))
    shapes: list[frozenset] = []
    kinds: list[int] = []
    for span in spans:
        events = _events(chart, span)
        shape = frozenset((e.at, n.instrument) for e in events for n in e.notes)
        start = span.start[1]
        twin = next((i for i, s in enumerate(shapes) if _alike(s, shape) and out[i].span.start[1] == start), None)
        exact = next((i for i, s in enumerate(shapes) if s == shape and out[i].span.start[1] == start), None)
        first = exact if exact is not None else twin
        kind = kinds[first] if first is not None else max(kinds, default=-1) + 1
        shapes.append(shape)
        kinds.append(kind)
        # Exactly like a version is to be that version again.
        version = out[exact].version_of if exact is not None else twin
        out.append(_read_fill(chart, span, events, kind, version, heard))
    return tuple(out)


def _alike(a: frozenset, b: frozenset) -> bool:
    return len(a & b) >= VERSION_LIKENESS * max(len(a | b), 1)


def _read_fill(
    chart: Chart, span: Mark, events: list[_Moment], kind: int, version_of: int | None, heard: HeardBars
) -> Fill:
    length = span.length(chart.time_map)
    values = _values(events, length)
    grouping, step, by = _grouping(events, length)
    drums = tuple(name for name, _ in groupby(filter(None, (_drums_struck(e) for e in events))))
    if by == "drums" and len(drums) > len(grouping):
        grouping = ()  # groups that hold more than one drum are not "each on a new drum"
    linear = all(len(e.notes) == 1 for e in events)
    difficulty, why = _difficulty(chart, span, events)
    syncopated = _is_syncopated(chart, span, events)
    lands_on = span.end[0] if span.end[1] == 0 and span.end[0] < len(chart) else None
    feet = _feet(chart, span, events)
    landing = _landing(chart, lands_on)
    bar = chart.time_map.bars[span.start[0]]
    count = count_rows(chart.time_map, ((k, n.position) for k, n in notes_between(chart, span.start, span.end)))
    rhythm = f"{values} from {the_place(bar, span.start[1])}" if events else "tacet"
    placed = notes_between(chart, span.start, span.end)
    on_drums = [(k, n) for k, n in placed if n.instrument in HAND_DRUMS]
    by_foot = [(k, n) for k, n in placed if instrument(n.instrument).is_foot]
    grounds = _grounds(heard, placed)
    clauses = [(rhythm, _rhythm_grounds(heard, placed, grounds))]
    if grouping:
        counted = "" if note_value(step) in values else f"{note_value(step)}, "
        groups = f"in groups of {' + '.join(map(str, grouping))} ({counted}{_MARKED[by]})"
        # Which strokes stand out rests on all of them, and not on the rhythm alone.
        clauses = [(f"{rhythm} {groups}", grounds)] if grounds.is_plain else [*clauses, (groups, grounds)]
    if syncopated:
        clauses[0] = (f"{clauses[0][0]}, syncopated", clauses[0][1])
    if drums:
        clauses.append((_way(drums), _grounds(heard, on_drums)))
    on_foot = _grounds(heard, by_foot)
    if grounds.certainty < 1:
        on_foot = replace(on_foot, certainty=on_foot.certainty * NO_OTHER_KICK)
    clauses.append((feet, on_foot))
    # Nothing is surer of a fill than its rhythm, which is true far oftener than all its strokes together: it is told.
    (rhythm, on_rhythm), *others = clauses
    others = [(text, replace(e, certainty=min(e.certainty, on_rhythm.certainty))) for text, e in others]
    clauses = [(rhythm, replace(on_rhythm, certainty=max(on_rhythm.certainty, SAID_FROM))), *others]
    words = [text for text, e in clauses if e.is_plain]
    if grounds.is_plain:
        if linear and len({n.instrument for e in events for n in e.notes}) > 1:
            words.append("linear: no two things at once")
        grade = UNPLAYABLE if any(too_many_for_two_hands(e.notes) for e in events) else DIFFICULTY[difficulty]
        words.append(f"{grade} ({why})" if why else grade)
    doubtful = [text for text, e in clauses if not e.is_plain and not e.is_left_out]
    if doubtful:
        words.append(f"{LISTEN_FIRST}: {', '.join(doubtful)}")
    text = span.text if span.confirmed and span.text else "; ".join(words)
    return Fill(
        span,
        values,
        count,
        grouping,
        step,
        by,
        drums,
        linear,
        feet,
        syncopated,
        difficulty,
        tuple(words),
        text,
        kind,
        version_of,
        span.start[0] - 1 if span.start[1] == 0 and span.start[0] else span.start[0],
        lands_on,
        landing,
        grounds,
        tuple(clauses),
    )


def _grounds(heard: HeardBars, placed: Sequence[tuple[int, Note]]) -> Grounds:
    """That all of some hits were played."""
    certainty = math.prod(heard.played(k, n.key) for k, n in placed)
    least = min((heard_confidence(n) for _, n in placed), default=1.0)
    return Grounds(len(placed), least, len({k for k, _ in placed}), heard.certainty(certainty))


def _rhythm_grounds(heard: HeardBars, placed: Sequence[tuple[int, Note]], whole: Grounds) -> Grounds:
    """That something was played at each moment of a fill, whatever it was."""
    missing: dict[tuple[int, Fraction], float] = {}
    for k, n in placed:
        there = heard.played(k, n.key) * heard.placed(k, n.key)
        missing[k, n.position] = missing.get((k, n.position), 1.0) * (1 - there)
    return replace(whole, certainty=heard.certainty(math.prod(1 - p for p in missing.values())))


def _gaps(events: Sequence[_Moment], length: Fraction) -> list[Fraction]:
    places = [e.at for e in events]
    return [b - a for a, b in zip(places, [*places[1:], length])]


def _drums_struck(event: _Moment) -> str:
    names = sorted({n.instrument for n in event.hands if n.instrument in HAND_DRUMS}, key=drum_key_order)
    return " + ".join(instrument_word(n) for n in names)


def _values(events: Sequence[_Moment], length: Fraction) -> str:
    """Note values between the strokes, the most common first."""
    gaps = _gaps(events, length)[:-1] or _gaps(events, length)
    counts = Counter(gaps)
    common = sorted(counts, key=lambda g: (-counts[g], g))
    named = [g for g in common if not note_value(g).startswith("notes of")]
    if not named:
        return "free rhythm"
    if len(counts) == 1 or counts[named[0]] >= 0.85 * len(gaps):
        return note_value(named[0]) if len(counts) == 1 else f"mostly {note_value(named[0])}"
    return " and ".join(note_value(g) for g in sorted(named[:2], reverse=True))


def _way(drums: Sequence[str]) -> str:
    """How the hands get around: drum after drum, or among which drums."""
    if len(drums) == 1:
        return f"on the {drums[0]}"
    if len(drums) <= LONGEST_WAY:
        return " → ".join(drums)
    single = dict.fromkeys(name for struck in drums for name in struck.split(" + "))
    together = ", at times together" if any(" + " in struck for struck in drums) else ""
    return f"back and forth between {and_list(list(single))}{together}"


# -- groupings ------------------------------------------------------------------------


def _grouping(events: Sequence[_Moment], length: Fraction) -> tuple[tuple[int, ...], Fraction, str]:
    """Group lengths in steps of the finest common note value, and what marks them."""
    gaps = _gaps(events, length)
    step = _step(gaps)
    none: tuple[tuple[int, ...], Fraction, str] = ((), step, "")
    # Groups are heard in an even run; a free rhythm has none.
    if step == 0 or len(events) < 4 or gaps.count(step) < EVEN_RUN * len(gaps):
        return none
    found = []
    for by, begins in (
        ("hands and feet", _after_feet(events)),
        ("drums", _new_drums(events)),
        ("accents", _accents(events)),
    ):
        places = [events[i].at for i in begins]
        if not places or places[0] != 0:
            places = [Fraction(0), *places]
        lengths = [(b - a) / step for a, b in zip(places, [*places[1:], length])]
        if len(lengths) < 2 or any(n.denominator != 1 for n in lengths):
            continue
        sizes = tuple(int(n) for n in lengths)
        # Groups of one or two throughout are no groups but single strokes.
        if min(sizes) >= 2 and max(sizes) <= 12 and sum(sizes) / len(sizes) >= 2.5:
            found.append((sizes, step, by))
    if not found:
        return none
    return found[0]


def _step(gaps: Sequence[Fraction]) -> Fraction:
    """The finest note value that makes up a fair share of the gaps."""
    counts = Counter(gaps)
    fair = [g for g in counts if counts[g] >= max(len(gaps) / 4, 2)]
    return min(fair, default=Fraction(0))


def _after_feet(events: Sequence[_Moment]) -> list[int]:
    """Hands that follow the foot, where feet and hands take turns."""
    alone = [not e.hands for e in events]
    if sum(alone) < 2:
        return []
    return [i for i in range(len(events)) if not alone[i] and (i == 0 or alone[i - 1])]


def _new_drums(events: Sequence[_Moment]) -> list[int]:
    leads: list[str] = []
    for e in events:
        # A foot alone goes on with the drum before it.
        leads.append(e.lead if e.hands or not leads else leads[-1])
    return [i for i in range(len(events)) if i == 0 or leads[i] != leads[i - 1]]


def _accents(events: Sequence[_Moment]) -> list[int]:
    loud = [max(n.velocity for n in e.hands) if e.hands else 0 for e in events]
    hands = [v for v in loud if v]
    usual = float(np.median(hands)) if hands else 0.0
    marked = [i for i, e in enumerate(events) if any("accent" in n.articulations for n in e.hands)]
    return marked or [i for i, v in enumerate(loud) if v >= usual + ACCENT_VELOCITY]


# -- hands, feet, difficulty -----------------------------------------------------------


def _feet(chart: Chart, span: Mark, events: Sequence[_Moment]) -> str:
    kicks = [(k, n.position) for k, n in notes_between(chart, span.start, span.end) if n.instrument == "kick"]
    pedal = any(n.instrument == "pedal hi-hat" for e in events for n in e.notes)
    foot = " and hi-hat foot" if pedal else ""
    if not kicks:
        return "hi-hat foot only" if pedal else "no kick"
    alone = sum(all(n.instrument == "kick" for n in e.notes) for e in events)
    if len(kicks) == len(events):
        return f"kick with every stroke{foot}"
    places = []
    for k, group in groupby(kicks, key=lambda x: x[0]):
        places.append(place_list(chart.time_map.bars[k], (p for _, p in group)))
    where = " | ".join(places)
    if alone == len(kicks):
        return f"kick between the hands on {where}{foot}"
    return f"kick on {where}{foot}"


def _is_syncopated(chart: Chart, span: Mark, events: Sequence[_Moment]) -> bool:
    """Strokes off the beat that are held over it: a beat inside the fill is
    silent and the stroke before it lies off the beat."""
    starts = chart.time_map.starts
    origin = starts[span.start[0]] + span.start[1]
    places = [origin + e.at for e in events]
    struck = set(places)
    if len(places) < 2:
        return False
    over = 0
    for k in span.bars:
        if k >= len(chart):
            continue
        for p in chart.time_map.bars[k].beat_positions():
            beat = starts[k] + p
            before = [x for x in places if x < beat]
            if places[0] < beat < places[-1] and beat not in struck and before:
                gap = beat - before[-1]
                over += gap < chart.time_map.bars[k].meter.beat_length
    return over > 0


def _difficulty(chart: Chart, span: Mark, events: Sequence[_Moment]) -> tuple[int, str]:
    """1–5 from notes per second, ways between drums, feet between the hands; 5 where two hands are too few."""
    times = [chart.time_map.seconds(span.start[0], span.start[1] + e.at) for e in events]
    if len(times) < 2:
        return 1, ""
    # To the microsecond, so that the last binary digits of a time decide nothing.
    gaps = np.round(np.diff(times), 6)
    rate = 1.0 / max(float(np.quantile(gaps, 0.25)), 1e-3)
    busiest = busiest_per_s([t for t, e in zip(times, events) if e.hands])
    hands = [e for e in events if e.hands]
    changes = sum(a.lead != b.lead for a, b in zip(hands, hands[1:])) / max(len(hands) - 1, 1)
    feet_alone = sum(not e.hands for e in events)
    ornaments = sum(bool(n.articulations & {"flam", "drag", "roll"}) for e in events for n in e.notes)
    score = difficulty_of_rate(rate) + 1.2 * changes * min(rate / 6.0, 1.5)
    reasons = []
    if any(too_many_for_two_hands(e.notes) for e in events):
        return 5, "more at once than two hands can strike"
    if busiest > 7:
        reasons.append(f"the hands play up to {busiest:.0f} notes a second")
    if changes > 0.4 and rate > 4:
        reasons.append("the hands change places often")
    if feet_alone >= 2:
        score += 0.8
        reasons.append("feet between the hands")
    if ornaments:
        score += 0.4
        reasons.append("flams or drags")
    return int(min(max(round(score), 1), 5)), ", ".join(reasons)


def difficulty_of_rate(strokes_per_s: float) -> float:
    """What so many strokes a second alone are on the scale of :data:`DIFFICULTY`, not rounded."""
    return 1.0 + max(strokes_per_s - 4.0, 0.0) / 3.0


def _landing(chart: Chart, bar_index: int | None) -> str:
    if bar_index is None:
        return ""
    names = [instrument_word(n.instrument) for n in chart.bars[bar_index].notes if n.position == 0]
    if not names:
        return "nothing on 1" if chart.bars[bar_index].notes else "a bar of silence"
    return f"{and_list(names)} on 1"
