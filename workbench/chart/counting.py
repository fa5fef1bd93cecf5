"""Counting as drummers count: syllables for positions, words for bars.

What the lower number of the meter names is counted "1, 2, 3 …": quarters in 4/4,
eighths in 6/8, 7/8, 9/8 and 12/8.  Between counts stand "e & a", "trip let" in
threes, and "ta" wherever else something is struck: sextuplets are
"1 ta trip & let ta", thirty-seconds "1 ta e ta & ta a ta", quintuplets
"1 ta ta ta ta".  Within a sentence a place is named in plain words: "the & of 2",
"the last triplet of 4", "the 2nd 16th-triplet note of beat 2".  Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from functools import lru_cache
from itertools import groupby
from math import gcd, lcm, log

from workbench.chart.meter import TEMPO_JUMP, Bar, Meter, TimeMap

#: Of bars of so many meters and tempi only the most usual is named; tempi as near as this (natural logarithm) are one.
MOST_KINDS, SAME_COUNT = 4, 0.05

#: Syllables with a place of their own in a count; common practice, no source.
SYLLABLES: dict[Fraction, str] = {
    Fraction(1, 4): "e",
    Fraction(1, 2): "&",
    Fraction(3, 4): "a",
    Fraction(1, 3): "trip",
    Fraction(2, 3): "let",
}

#: Said on any other place between two counts; common practice, no source.
OTHER_SYLLABLE = "ta"

#: Other ways to count, by how sixteenths are said: with another sign or word for "and", and one whose syllables
#: tell halves ("te") from quarters ("ta") and thirds ("la li"); from memory.
COUNT_SYSTEMS: dict[str, dict[Fraction, str]] = {
    "1 e & a": SYLLABLES,
    "1 e + a": {**SYLLABLES, Fraction(1, 2): "+"},
    "1 e y a": {**SYLLABLES, Fraction(1, 2): "y"},
    "1 ta te ta": {
        Fraction(1, 4): "ta",
        Fraction(1, 2): "te",
        Fraction(3, 4): "ta",
        Fraction(1, 3): "la",
        Fraction(2, 3): "li",
    },
}
USUAL_COUNT = "1 e & a"

#: What a number in brackets means in a row of counts.
SILENT_COUNT = "A number in brackets is counted but not played."

# Numbers whose origin is not named: chosen by eye, no source.
#: Places beyond this number are counted out instead of listed.
LONGEST_LIST = 4

#: Notes of which a beat holds another number than the usual, by that number: ``n`` is the count, ``quarter`` the
#: note value of a quarter of it; common practice, no source.
TUPLETS: dict[int, str] = {
    3: "triplet{s} of {n}",
    5: "quintuplet note{s} of beat {n}",
    6: "{quarter}-triplet note{s} of beat {n}",
    7: "septuplet note{s} of beat {n}",
}

ORDINALS = {1: "st", 2: "nd", 3: "rd"}


def ordinal(number: int) -> str:
    """A number as it counts: "1st", "12th", "32nd"."""
    return f"{number}{'th' if number // 10 % 10 == 1 else ORDINALS.get(number % 10, 'th')}"


def _which(note: int, of: int) -> str:
    """Which note of a tuplet: "2nd", "last"; ``note`` from 0."""
    return "last" if note == of - 1 else "middle" if of == 3 else ordinal(note + 1)


#: A place between two counts in words, by the part of the count that is past; ``eighth`` is the note value of an
#: eighth of it, the others as in :data:`TUPLETS`.
PLACE_WORDS: dict[Fraction, str] = {
    **{Fraction(k, 4): f"{SYLLABLES[Fraction(k, 4)]} of {{n}}" for k in (1, 2, 3)},
    Fraction(1, 8): "{eighth} after {n}",
    **{Fraction(2 * k + 1, 8): f"{{eighth}} after the {SYLLABLES[Fraction(k, 4)]} of {{n}}" for k in (1, 2, 3)},
    **{
        Fraction(k, of): f"{_which(k, of)} {words.replace('{s}', '')}"
        for of, words in TUPLETS.items()
        for k in range(1, of)
        if gcd(k, of) == 1
    },
}


@lru_cache(maxsize=65536)
def split_count(meter: Meter, missing: Fraction, position: Fraction) -> tuple[int, Fraction]:
    """Count number (from 1) and the part of a count past it, 0 ≤ part < 1."""
    counts = (position + missing) * meter.unit
    number = counts.numerator // counts.denominator
    return number + 1, counts - number


def count_syllable(bar: Bar, position: Fraction, system: str = USUAL_COUNT) -> str:
    """What is said aloud on a position: "2", "e", "&", "trip" …, in one of :data:`COUNT_SYSTEMS`.

    Examples
    --------
    >>> bar = Bar(Meter(), (0.0, 0.5, 1.0, 1.5))
    >>> [count_syllable(bar, Fraction(k, 16)) for k in range(5)]
    ['1', 'e', '&', 'a', '2']
    >>> [count_syllable(bar, Fraction(k, 16), "1 ta te ta") for k in range(5)]
    ['1', 'ta', 'te', 'ta', '2']
    """
    number, part = split_count(bar.meter, bar.missing, position)
    return str(number) if part == 0 else COUNT_SYSTEMS[system].get(part, OTHER_SYLLABLE)


def counts_said(bar: Bar, positions: Iterable[Fraction], system: str = USUAL_COUNT) -> dict[Fraction, str]:
    """What is said on each of some positions; the first of a beat names the beat's number before it, in brackets, where
    the beat itself is not among them (:data:`SILENT_COUNT` tells a student so).

    Examples
    --------
    >>> bar = Bar(Meter(), (0.0, 0.5, 1.0, 1.5))
    >>> list(counts_said(bar, [Fraction(5, 8), Fraction(11, 16), Fraction(3, 4), Fraction(7, 8)]).values())
    ['(3) &', 'a', '4', '&']
    """
    said, last = {}, 0
    for position in sorted(set(positions)):
        number, part = split_count(bar.meter, bar.missing, position)
        before = f"({number}) " if part and number != last else ""
        said[position], last = before + count_syllable(bar, position, system), number
    return said


def count_row(bar: Bar, positions: Iterable[Fraction]) -> str:
    """The count through some positions: "(3) & a 4 &"."""
    return " ".join(counts_said(bar, positions).values())


def count_rows(time_map: TimeMap, places: Iterable[tuple[int, Fraction]]) -> str:
    """:func:`count_row` of each bar among some (bar index, position), bars parted by strokes: "1 & 2 | (1) &"."""
    bars = groupby(places, key=lambda place: place[0])
    return " | ".join(count_row(time_map.bars[k], [position for _, position in group]) for k, group in bars)


def place_name(bar: Bar, position: Fraction) -> str:
    """A position in words: "2", "& of 2", "last triplet of 4".

    Examples
    --------
    >>> place_name(Bar(Meter(), (0.0, 0.5, 1.0, 1.5)), Fraction(3, 8))
    '& of 2'
    """
    number, part = split_count(bar.meter, bar.missing, position)
    if part == 0:
        return str(number)
    if part in PLACE_WORDS:
        return PLACE_WORDS[part].format(n=number, **_values(bar.meter))
    nearest = min((Fraction(k, 4) for k in range(5)), key=lambda p: abs(p - part))
    whole = nearest.denominator == 1
    named = f"{number + nearest.numerator}" if whole else f"the {SYLLABLES[nearest]} of {number}"
    if named == f"{number + 1}" and number == bar.meter.beats:
        named = "the next 1"
    return f"just {'after' if part > nearest else 'before'} {named}"


def the_place(bar: Bar, position: Fraction) -> str:
    """Like :func:`place_name` with its article: "2", "the & of 2"."""
    name = place_name(bar, position)
    return name if name.isdigit() or name.startswith("just ") else f"the {name}"


def place_in_bar(time_map: TimeMap, bar_index: int, position: Fraction) -> str:
    """A place in the song in words.

    Examples
    --------
    >>> place_in_bar(TimeMap.steady(8, 120), 4, Fraction(3, 8))
    'the & of 2 in bar 5'
    """
    return f"{the_place(time_map.bars[bar_index], position)} in {the_bar(time_map.bar_number(bar_index))}"


def place_list(bar: Bar, positions: Iterable[Fraction]) -> str:
    """Positions in words, the shortest way players say them; more than
    :data:`LONGEST_LIST` are counted out beat by beat.

    Examples
    --------
    >>> bar = Bar(Meter(), (0.0, 0.5, 1.0, 1.5))
    >>> place_list(bar, [Fraction(0), Fraction(3, 8), Fraction(1, 2)])
    '1, the & of 2, 3'
    >>> place_list(bar, [Fraction(k, 4) for k in range(4)])
    'every beat'
    >>> place_list(bar, [Fraction(2 * k + 1, 8) for k in range(4)])
    'every &'
    >>> place_list(bar, [Fraction(k, 8) for k in (0, 1, 3, 5, 7)])
    '1 and every &'
    >>> place_list(bar, [Fraction(k, 16) for k in range(16)])
    'all 16ths'
    >>> place_list(bar, [Fraction(k, 8) for k in (0, 1, 3, 4, 5)])
    '1, the & of 1, the & of 2, 3, the & of 3'
    >>> place_list(bar, [Fraction(k, 8) for k in (0, 1, 4, 5, 6)])
    '1 &, 3 &, 4'
    >>> place_list(bar, [Fraction(k, 16) for k in (13, 14, 15)])
    'the e, & and a of 4'
    >>> place_list(bar, [Fraction(k, 24) for k in (0, 7, 10, 11, 20)])
    '1, the 2nd, 5th and last 16th-triplet notes of beat 2, the middle triplet of 4'
    """
    wanted = sorted(set(positions))
    if len(wanted) > 2:
        for name, places in _whole_sets(bar.meter, bar.length).items():
            more = [p for p in wanted if p not in places]
            if wanted == places:
                return name
            if len(more) == 1 and len(wanted) == len(places) + 1 > 3 and name.startswith("every "):
                said = [the_place(bar, more[0]), name]
                return " and ".join(said if more[0] == wanted[0] else reversed(said))
    # Rows of syllables and places by name do not stand side by side.
    counts = [split_count(bar.meter, bar.missing, p) for p in wanted]
    rows = len(wanted) > LONGEST_LIST and {n for n, _ in counts} == {n for n, part in counts if part == 0}
    said = list(_counted_out(bar, wanted, rows))
    if len(said) != 2 or len(wanted) > LONGEST_LIST or " and " in said[0]:
        return ", ".join(said)
    # "The & of 1 and 3" would be two places off the beat.
    return (" and on " if said[0].startswith("the ") and said[1].isdigit() else " and ").join(said)


def _counted_out(bar: Bar, positions: Sequence[Fraction], rows: bool) -> Iterator[str]:
    """Places beat by beat: "the e, & and a of 2", and in rows "1 & a" where the beat itself is struck."""

    def number(position: Fraction) -> int:
        return split_count(bar.meter, bar.missing, position)[0]

    for beat, group in groupby(positions, key=number):
        places = list(group)
        parts = [split_count(bar.meter, bar.missing, p)[1] for p in places]
        if parts[0] == 0 and rows:
            yield " ".join(count_syllable(bar, p) for p in places)
            continue
        if parts[0] == 0:
            yield str(beat)
            places, parts = places[1:], parts[1:]
        together = _together(parts, beat, bar.meter) if len(parts) > 1 else ""
        yield from [f"the {together}"] if together else (the_place(bar, p) for p in places)


def _together(parts: Sequence[Fraction], beat: int, meter: Meter) -> str:
    """Several places of one beat in one name, if they are of one kind: "e, & and a of 2", "last two triplets of 2"."""
    finest = max(p.denominator for p in parts)
    if finest <= 4 and all(p.denominator != 3 for p in parts):
        return f"{and_list([SYLLABLES[p] for p in parts])} of {beat}"
    if finest not in TUPLETS or lcm(*(p.denominator for p in parts)) != finest:
        return ""
    which = "last two" if finest == 3 else and_list([_which(int(p * finest), finest) for p in parts])
    return f"{which} {TUPLETS[finest].format(s='s', n=beat, **_values(meter))}"


def _values(meter: Meter) -> dict[str, str]:
    """Note values of parts of a count, by the words in :data:`PLACE_WORDS`."""
    return {"quarter": ordinal(4 * meter.unit), "eighth": ordinal(8 * meter.unit)}


@lru_cache(maxsize=64)
def _whole_sets(meter: Meter, length: Fraction) -> dict[str, list[Fraction]]:
    """Regular sets of positions in a full bar that have a name of their own."""
    if length != meter.bar_length:
        return {}
    step = Fraction(1, meter.unit)
    starts = [k * step for k in range(meter.beats)]
    return {
        "every beat": [k * meter.beat_length for k in range(meter.counted_beats)],
        f"all {note_value(step)}": starts,
        "every &": [s + step / 2 for s in starts],
        "every e": [s + step / 4 for s in starts],
        "every a": [s + step * 3 / 4 for s in starts],
        "the last triplet of every beat": [s + step * 2 / 3 for s in starts],
        "every e and a": sorted(s + step * f for s in starts for f in (Fraction(1, 4), Fraction(3, 4))),
        f"all {note_value(step / 2)}": sorted(s + step * f for s in starts for f in (0, Fraction(1, 2))),
        f"all {note_value(step / 4)}": sorted(s + step * Fraction(k, 4) for s in starts for k in range(4)),
    }


def bar_list(time_map: TimeMap, bar_indices: Iterable[int]) -> str:
    """Bars as players name them: "bar 4", "bars 1–4, 7".

    Examples
    --------
    >>> bar_list(TimeMap.steady(8, 120), [0, 1, 2, 3, 6])
    'bars 1–4, 7'
    """
    return bar_words(time_map.bar_number(k) for k in bar_indices)


def bar_words(bar_numbers: Iterable[int], most_runs: int | None = None) -> str:
    """Like :func:`bar_list`, of bar numbers; 0 is the pick-up.  Beyond ``most_runs`` runs stands "…".

    Examples
    --------
    >>> bar_words(range(9)), bar_words([4]), bar_words([1, 3, 5], most_runs=2)
    ('pick-up + bars 1–8', 'bar 4', 'bars 1, 3 …')
    """
    numbers = sorted(set(bar_numbers))
    words = ["pick-up"] if 0 in numbers else []
    if full := [n for n in numbers if n]:
        runs = [str(a) if a == b else f"{a}–{b}" for a, b in number_runs(full)]
        more = " …" if most_runs and len(runs) > most_runs else ""
        words.append(f"bar{'s' * (len(full) > 1)} {', '.join(runs[:most_runs])}{more}")
    return " + ".join(words)


def the_bar(bar_number: int) -> str:
    """A bar within a sentence: "bar 4", "the pick-up"."""
    return f"bar {bar_number}" if bar_number else "the pick-up"


def bar_name(bar_number: int) -> str:
    """A bar by itself: "Bar 4", "Pick-up"."""
    return capital(bar_words([bar_number]))


def length_words(time_map: TimeMap, bar_indices: Sequence[int]) -> str:
    """How long a run of bars is: "8 bars", "pick-up + 8 bars"."""
    full = sum(time_map.bar_number(k) > 0 for k in bar_indices)
    words = ["pick-up"] * (full < len(bar_indices)) + [f"{full} bar{'s' * (full != 1)}"] * (full > 0)
    return " + ".join(words)


def clock(time_s: float) -> str:
    """A time as players read it.

    Examples
    --------
    >>> clock(67.53)
    '1:07.5'
    """
    tenths = round(max(0.0, time_s) * 10)
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def bars_told(time_map: TimeMap) -> str:
    """Meter and counted tempo of the bars, and where they are others.

    Examples
    --------
    >>> from workbench.chart.rebarring import change_level, set_meter
    >>> four = TimeMap.steady(12, 110)
    >>> bars_told(four), bars_told(set_meter(four, Meter(3, 4), 4).time_map)
    ('4/4 at 110', '4/4 at 110, 3/4 from bar 5')
    >>> bars_told(change_level(four, Fraction(1, 2), 4, 7).time_map)
    '4/4 at 110, 4/4 at 55 in bars 5–6'
    """
    kinds: list[list[int]] = []
    pickup = time_map.bars[0].is_pickup and len(time_map) > 1
    for first, last in time_map.runs:
        bars = list(range(max(first, int(pickup)), last + 1))
        kind = next((k for k in kinds if bars and _alike(time_map, k[0], bars[0])), None)
        if kind is not None:
            kind += bars
        elif bars:
            kinds.append(bars)
    if len(kinds) > MOST_KINDS:
        return "mostly " + _kind_words(time_map, max(kinds, key=len))
    out = [_kind_words(time_map, kinds[0])]
    for bars in kinds[1:]:
        to_end = bars == list(range(bars[0], len(time_map)))
        where = f"from {bar_list(time_map, bars[:1])}" if to_end else f"in {bar_list(time_map, bars)}"
        same_tempo = abs(log(_tempo_bpm(time_map, bars) / _tempo_bpm(time_map, kinds[0]))) < SAME_COUNT
        meter = time_map.bars[bars[0]].meter
        same_tempo = same_tempo and meter != time_map.bars[kinds[0][0]].meter
        out.append(f"{meter if same_tempo else _kind_words(time_map, bars)} {where}")
    return ", ".join(out)


def _alike(time_map: TimeMap, one: int, other: int) -> bool:
    same_meter = time_map.bars[one].meter == time_map.bars[other].meter
    return same_meter and abs(log(time_map.tempo_bpm(one) / time_map.tempo_bpm(other))) <= TEMPO_JUMP


def _kind_words(time_map: TimeMap, bars: Sequence[int]) -> str:
    return f"{time_map.bars[bars[0]].meter} at {_tempo_bpm(time_map, bars):.0f}"


def _tempo_bpm(time_map: TimeMap, bars: Sequence[int]) -> float:
    """Counted beats of bars by the minutes they take."""
    lasts_s = [time_map.bar_end_s(k) - time_map.bar_start_s(k) for k in bars]
    return sum(time_map.tempo_bpm(k) * s for k, s in zip(bars, lasts_s)) / sum(lasts_s)


def beats_said(beats: Fraction) -> str:
    """A number of beats in words.

    Examples
    --------
    >>> [beats_said(Fraction(k, 2)) for k in (1, 2, 3, 4, 5)]
    ['half a beat', 'a beat', 'a beat and a half', 'two beats', '2.5 beats']
    """
    said: dict[Fraction | int, str] = {1: "half a beat", 2: "a beat", 3: "a beat and a half", 4: "two beats"}
    return said.get(2 * beats, f"{float(beats):g} beats")


def percent_said(share: float) -> str:
    """A share in words; 100 % is said of all, and not of nearly all.

    Examples
    --------
    >>> percent_said(0.997), percent_said(1.0), percent_said(0.05)
    ('99 %', '100 %', '5 %')
    """
    nearest = round(100 * share)
    return f"{min(nearest, 99) if share < 1 else nearest} %"


def and_list(words: Sequence[str]) -> str:
    """Words in a row: "kick", "kick and snare", "kick, snare and ride"."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def capital(text: str) -> str:
    """Words as they begin a sentence."""
    return text[:1].upper() + text[1:]


def number_runs(numbers: Sequence[int]) -> list[tuple[int, int]]:
    """Runs of consecutive numbers as (first, last); input increasing."""
    runs: list[tuple[int, int]] = []
    for n in numbers:
        if runs and n == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], n)
        else:
            runs.append((n, n))
    return runs


#: Names of note values by length in whole notes.
_VALUES: dict[Fraction, str] = {
    Fraction(1): "whole notes",
    Fraction(1, 2): "half notes",
    Fraction(1, 4): "quarters",
    Fraction(1, 8): "8ths",
    Fraction(1, 16): "16ths",
    Fraction(1, 32): "32nds",
    Fraction(1, 6): "quarter triplets",
    Fraction(1, 12): "8th triplets",
    Fraction(1, 24): "16th triplets",
    Fraction(3, 8): "dotted quarters",
    Fraction(3, 16): "dotted 8ths",
    Fraction(1, 20): "quintuplets",
    Fraction(1, 48): "32nd triplets",
    Fraction(1, 28): "septuplets",
}

#: All of these names.
VALUE_NAMES: tuple[str, ...] = tuple(_VALUES.values())


def note_value(length: Fraction) -> str:
    """Name of a note value in the plural: "16ths", "8th triplets".

    Examples
    --------
    >>> note_value(Fraction(1, 12))
    '8th triplets'
    """
    return _VALUES.get(length, f"notes of {length} of a whole note")
