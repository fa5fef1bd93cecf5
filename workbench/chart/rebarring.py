"""Other bars over the same recording: the 1 shifted, another tempo level or meter, lines moved or tapped.

Every function takes a time map and gives a :class:`Rebarring`: the new time map and where every written place
of the old one lies in it.  What was heard is not touched here; :func:`workbench.chart.rewriting.rewrite` writes
the strokes on the new bars, each where it was heard.

Distances are counted in whole notes from the old map's first bar line, as exact fractions; half a beat is the
finest step by which a line moves, what is left is a bend of the beats around it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache
from itertools import pairwise
from math import floor
from typing import NamedTuple

import numpy as np

from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import ChartError

#: Neighbours on either side by which the usual length and meter of a bar are told.
NEIGHBOURS = 4
#: A moved line draws so many beats on either side along, fading out (common practice, no source).
DRAWN_BEATS = 4
#: A line this near to a beat, in beats, means the beat and not the half beat beside it (own choice: a tap is rarely
#: further off).
BEAT_REACH = 0.35
#: A line or beat of other bars this near to a beat of these, seconds, is that beat (twice the tolerance of an onset in
#: mir_eval.onset would pass for the next one).
SAME_PULSE_S = 0.05
#: Other bars keep a fixed line that lies no further from one of theirs than this, in beats; else they contradict it.
HELD_WITHIN_BEATS = 0.3
#: Two taps nearer than this are one (a bounced key), seconds; no bar or beat of music is shorter.
SHORTEST_TAP_S = 0.2
#: Ratios at which listeners, and trackers, mistake a tempo: half, double, thirds (common practice, no source).
TEMPO_RATIOS = tuple(map(Fraction, ("1/4", "1/3", "1/2", "2/3", "1", "3/2", "2", "3", "4")))


class _NewBar(NamedTuple):
    """A new bar over the stretch ``at … until`` of the old map, whole notes; ``times_s`` where tapped."""

    meter: Meter
    at: Fraction
    until: Fraction
    length: Fraction
    times_s: tuple[float, ...] = ()


@dataclass(frozen=True)
class Rebarring:
    """New bars, and where the old places lie in them.

    Attributes
    ----------
    time_map : TimeMap
    place : function (bar_index, position) → (bar_index, position)
        Of a written place, exact; None where the new bars do not reach.
    keeps_rhythm : bool
        Whether every beat, or half or double of it, is a beat again: note values then stay readable as written.
    keeps_end : bool
        Whether the last bars stay although they hold nothing.
    """

    time_map: TimeMap
    place: Callable[[int, Fraction], tuple[int, Fraction] | None]
    keeps_rhythm: bool = True
    keeps_end: bool = False


# -- what a user does -----------------------------------------------------------------------------


def shift_one(time_map: TimeMap, beats: Fraction | float, first_bar: int = 0, last_bar: int | None = None) -> Rebarring:
    """Begin every bar of a stretch so many counted beats later (negative: earlier); each keeps its meter.

    Examples
    --------
    >>> late = shift_one(TimeMap.steady(2, 120), 1)
    >>> [(str(b.length), b.beat_times_s[0]) for b in late.time_map.bars]
    [('1/4', 0.0), ('1', 0.5), ('1', 2.5)]
    """
    last_bar = _checked_stretch(time_map, first_bar, last_bar)
    full = _first_full(time_map, first_bar)
    meter = time_map.bars[full].meter
    step = _half_beats(beats) * meter.beat_length
    meters = {time_map.starts[k] + step: time_map.bars[k].meter for k in range(full, last_bar + 1)}
    if len(set(meters.values())) == 1:
        return _recut(time_map, first_bar, last_bar, [time_map.starts[full] + step], meter)
    # What would lie before the song or after the stretch is no line; a pick-up is the rest of the bar it is cut from.
    lines = [line for line in meters if (first_bar or line >= 0) and line < time_map.starts[last_bar + 1]]
    if not lines:
        raise ChartError("The 1 cannot move so far.")
    cut = [own for line, own in meters.items() if line < lines[0]]
    return _recut(time_map, first_bar, last_bar, lines, cut[-1] if cut else meter, meters=meters)


def change_level(
    time_map: TimeMap, factor: Fraction | float, first_bar: int = 0, last_bar: int | None = None
) -> Rebarring:
    """Count a stretch ``factor`` times as fast: 2 double tempo, 1/2 half tempo, 3/2 three beats for two; bars keep
    their meters.

    Examples
    --------
    >>> change_level(TimeMap.steady(4, 200), Fraction(1, 2)).time_map
    <TimeMap 2 bars, 0.00–4.80 s>
    """
    last_bar = _checked_stretch(time_map, first_bar, last_bar)
    scale = Fraction(factor).limit_denominator(4)
    if scale not in TEMPO_RATIOS:
        raise ChartError(f"A tempo is read {', '.join(map(str, TEMPO_RATIOS))} times as fast, not {factor!r} times.")
    full = _first_full(time_map, first_bar)
    bars, starts = time_map.bars, time_map.starts
    # Where the meter changes a line stays; after a pick-up by itself comes the line at its end.
    of_meter = range(full, max(full, last_bar) + 1)
    meters = {starts[k]: bars[k].meter for k in of_meter if k == full or bars[k].meter != bars[k - 1].meter}
    return _recut(time_map, first_bar, last_bar, list(meters), bars[full].meter, scale, meters=meters)


def set_meter(time_map: TimeMap, meter: Meter, first_bar: int = 0, last_bar: int | None = None) -> Rebarring:
    """Lay a stretch anew in bars of another meter, from its first line and from every fixed line in it.

    A beat stays a beat where one meter counts quarters and the other as many dotted quarters (2/4 and 6/8,
    4/4 and 12/8); otherwise a quarter stays a quarter.  Where the stretch holds no whole number of such bars,
    the bars after it follow, up to the next fixed line.

    Examples
    --------
    >>> [str(b.meter) for b in set_meter(TimeMap.steady(4, 120), Meter(3, 4), 1, 1).time_map.bars]
    ['4/4', '3/4', '4/4', '4/4', '4/4']
    """
    last_bar = _checked_stretch(time_map, first_bar, last_bar)
    full = _first_full(time_map, first_bar)
    scale = _scale(time_map, meter, full)
    starts = time_map.starts
    lines = _kept_lines(time_map, full, last_bar)
    end = starts[last_bar + 1]
    line = bars_end_at(time_map, meter, first_bar, last_bar)
    if last_bar + 1 == len(time_map) or time_map.bars[last_bar + 1].fixed or line == end:
        return _recut(time_map, first_bar, last_bar, lines, meter, scale)
    held = next((k for k in range(last_bar + 1, len(time_map)) if time_map.bars[k].fixed), len(time_map))
    spans = _as_spans(time_map, 0, first_bar)
    if first_bar == 0 and full:
        spans.append(_NewBar(meter, Fraction(0), starts[1], starts[1] * scale))
    for at, until in pairwise([*lines, line]):
        spans += _cut(meter, scale, at, until, overshoot=False)
    for bar in time_map.bars[last_bar + 1 : held]:  # these follow
        if line + bar.length <= starts[held]:
            spans.append(_NewBar(bar.meter, line, line + bar.length, bar.length))
            line += bar.length
    if line < starts[held]:
        spans += _cut(time_map.bars[held - 1].meter, Fraction(1), line, starts[held], held == len(time_map))
    return _assembled(time_map, spans + _as_spans(time_map, held, len(time_map)))


def bars_end_at(time_map: TimeMap, meter: Meter, first_bar: int, last_bar: int) -> Fraction:
    """Where whole bars of a meter end that are laid over a stretch as :func:`set_meter` does, whole notes from the old
    map's first line."""
    full = _first_full(time_map, first_bar)
    length = meter.bar_length / _scale(time_map, meter, full)
    line = _kept_lines(time_map, full, last_bar)[-1]
    return line + max((time_map.starts[last_bar + 1] - line) // length, 1) * length


def _scale(time_map: TimeMap, meter: Meter, bar_index: int) -> Fraction:
    return meter.beat_length / kept_beat(time_map.bars[bar_index].meter, meter)


def _kept_lines(time_map: TimeMap, first: int, last: int) -> list[Fraction]:
    """The first line of a stretch and those in it that are fixed."""
    if first > last:
        raise ChartError("A pick-up has the meter of the bars after it: set theirs.")
    return [time_map.starts[k] for k in range(first, last + 1) if k == first or time_map.bars[k].fixed]


def kept_beat(old: Meter, new: Meter) -> Fraction:
    """What a beat of the new meter is in the old one, whole notes: a beat where one counts quarters and the other as
    many dotted quarters, else its own length."""
    as_many = old.counted_beats == new.counted_beats and old.is_compound != new.is_compound
    return old.beat_length if as_many else new.beat_length


def set_pickup(time_map: TimeMap, length: Fraction) -> Rebarring:
    """Let the song begin with a pick-up bar of so many whole notes (0: with a full bar)."""
    meter = time_map.bars[_first_full(time_map, 0)].meter
    if not 0 <= length < meter.bar_length:
        beats = float(length / meter.beat_length)
        raise ChartError(f"A pick-up is shorter than a bar of {meter}: {beats:g} beats are no pick-up.")
    return _recut(time_map, 0, len(time_map) - 1, [Fraction(length)], meter)


def move_line(time_map: TimeMap, bar_index: int, time_s: float) -> Rebarring:
    """Move the line that opens a bar (``len(time_map)``: the end) and fix it there.

    The beats around are bent; a line moved by half a beat or more takes all bars up to the next fixed lines
    along, so that one line in its right place puts a song right whose 1 was elsewhere.
    """
    if bar_index == len(time_map):
        if time_s <= time_map.bars[-1].beat_times_s[-1]:
            raise ChartError("The end lies after the last beat.")
        return _bent(time_map, [(time_map.starts[-1], time_s)], [])
    time_map.check_bar(bar_index)
    old, line = time_map.starts[bar_index], _near(time_map, time_s)
    low = max((k for k in range(bar_index) if time_map.bars[k].fixed), default=None)
    high = min((k for k in range(bar_index + 1, len(time_map)) if time_map.bars[k].fixed), default=len(time_map))
    held = [(time_map.starts[k], time_map.bar_start_s(k)) for k in range(len(time_map)) if time_map.bars[k].fixed]
    held = [h for h in held if h[0] != old]
    below = low is not None and line <= time_map.starts[low]
    if below or (high < len(time_map) and line >= time_map.starts[high]):
        raise ChartError("The line would pass a fixed line; let go of that one first.")
    if not 0 <= line < time_map.starts[-1]:
        raise ChartError(f"There is no music to bar at {time_s:.2f} s; the song runs to {time_map.end_s:.2f} s.")
    if line == old:
        return _bent(time_map, [*held, (old, time_s)], [old])
    meter = _usual_meter(time_map, bar_index)
    bent = _bent_times(time_map, [*held, (line, time_s)])
    starts = [line] if low is None else [time_map.starts[low], line]
    return _recut(bent, low or 0, high - 1, starts, meter, fixed=[line])


def tapped_lines(time_map: TimeMap, taps_s: Sequence[float], meter: Meter | None = None) -> Rebarring:
    """Bars from tap to tap; the rest of the song is laid anew at the tempo level and from the 1 so tapped.

    A single tap moves the nearest line.
    """
    return _tapped(time_map, taps_s, meter, beats_too=False)


def tapped_beats(time_map: TimeMap, taps_s: Sequence[float], meter: Meter | None = None) -> Rebarring:
    """The same from a tap on every beat, the first on a 1."""
    return _tapped(time_map, taps_s, meter, beats_too=True)


def split_bar(time_map: TimeMap, bar_index: int, position: Fraction) -> Rebarring:
    """Two bars instead of one: a new line at a position inside it."""
    time_map.check_bar(bar_index)
    bar, at = time_map.bars[bar_index], time_map.starts[bar_index]
    if not 0 < position < bar.length:
        raise ChartError("A bar is split at a place inside it.")
    first = _NewBar(_meter_of(position, bar.meter), at, at + position, position)
    rest = bar.length - position
    second = _NewBar(_meter_of(rest, bar.meter), at + position, at + bar.length, rest)
    return _assembled(time_map, [*_as_spans(time_map, 0, bar_index), first, second,
                                 *_as_spans(time_map, bar_index + 1, len(time_map))])  # fmt: skip


def join_bars(time_map: TimeMap, bar_index: int) -> Rebarring:
    """One bar instead of a bar and the next: the line between them goes."""
    time_map.check_bar(bar_index)
    if bar_index + 1 >= len(time_map):
        raise ChartError("The last bar has no next one to join.")
    a, b = time_map.bars[bar_index : bar_index + 2]
    at, length = time_map.starts[bar_index], a.length + b.length
    joined = _NewBar(_meter_of(length, a.meter, _usual_meter(time_map, bar_index)), at, at + length, length)
    return _assembled(time_map, [*_as_spans(time_map, 0, bar_index), joined,
                                 *_as_spans(time_map, bar_index + 2, len(time_map))])  # fmt: skip


def lay(time_map: TimeMap, other: TimeMap, holding_s: Sequence[float] = ()) -> Rebarring:
    """Any other bars over the recording, such as another reading of it; lines that are fixed stay where they are.

    Where the other bars have the same beats, or their halves or doubles, the written rhythm stays; between eighths
    counted singly and quarters it is quantized anew.  They go on at
    either end until they hold the moments ``holding_s``, seconds: however often bars are laid over each other, none
    are left behind.

    Raises
    ------
    ChartError
        If a fixed line would have to go.
    """
    if len(holding_s):
        other = _reaching(other, min(holding_s), max(holding_s))
    other = _holding(other, [b.beat_times_s[0] for b in time_map.bars if b.fixed])
    half = time_map.bars[_first_full(time_map, 0)].meter.beat_length / 2
    edges = np.array([*(b.beat_times_s[0] for b in other.bars), other.end_s])
    at = [int(k) * half for k in np.round(time_map.whole_notes_at(edges) / float(half))]
    spans = [_NewBar(b.meter, *where, b.length, b.beat_times_s) for b, where in zip(other.bars, pairwise(at))]
    if all(s.until > s.at for s in spans):
        beats = [float(s.at + p * (s.until - s.at) / s.length) for s in spans for p in s.meter.beat_positions(s.length)]
        if np.abs(time_map.seconds_at(np.array([*beats, float(at[-1])])) - other.anchor_times_s).max() < SAME_PULSE_S:
            keeps = _keeps_rhythm(time_map, [s._replace(times_s=()) for s in spans])
            return Rebarring(other, _placing(time_map, spans), keeps, keeps_end=True)
    return Rebarring(other, lambda bar_index, position: None, keeps_rhythm=False, keeps_end=True)


def _reaching(other: TimeMap, begin_s: float, end_s: float) -> TimeMap:
    """Bars that go on at either end until they hold all from one moment to another, but for less than half a beat."""
    bars, last = list(other.bars), other.end_s

    def more(bar: Bar, begin_s: float, bar_s: float) -> Bar:
        n = bar.meter.counted_beats
        return Bar(bar.meter, tuple(begin_s + bar_s * k / n for k in range(n)))

    beat_s = 60.0 / other.tempo_bpm(len(bars) - 1)
    after_s = beat_s * bars[-1].meter.counted_beats
    while last < end_s - beat_s / 2:
        bars.append(more(bars[-1], last, after_s))
        last += after_s
    beat_s = 60.0 / other.tempo_bpm(0)
    before_s = beat_s * bars[0].meter.counted_beats
    if len(bars) > 1 and bars[0].is_pickup and bars[0].beat_times_s[0] > begin_s + beat_s / 2:
        bars[0] = more(bars[0], bars[1].beat_times_s[0] - before_s, before_s)
    while bars[0].beat_times_s[0] > begin_s + beat_s / 2:
        bars.insert(0, more(bars[0], bars[0].beat_times_s[0] - before_s, before_s))
    return TimeMap(bars, last)


def _holding(other: TimeMap, lines_s: Sequence[float]) -> TimeMap:
    """Bars drawn onto lines that are fixed."""
    if not lines_s:
        return other
    starts = np.array([b.beat_times_s[0] for b in other.bars])
    knots, fixed = [], set()
    for t in lines_s:
        k = int(np.abs(starts - t).argmin())
        if abs(starts[k] - t) > HELD_WITHIN_BEATS * 60.0 / other.tempo_bpm(k) or k in fixed:
            raise ChartError(f"The line fixed at {t:.2f} s would go; let go of it first.")
        knots.append((other.starts[k], t))
        fixed.add(k)
    bent = _bent_times(other, knots)
    return TimeMap([replace(b, fixed=b.fixed or k in fixed) for k, b in enumerate(bent.bars)], bent.end_s)


# -- how ------------------------------------------------------------------------------------------


def _checked_stretch(time_map: TimeMap, first_bar: int, last_bar: int | None) -> int:
    last_bar = len(time_map) - 1 if last_bar is None else last_bar
    time_map.check_bar(first_bar)
    time_map.check_bar(last_bar)
    return last_bar


def _half_beats(beats: Fraction | float) -> Fraction:
    return Fraction(round(float(beats) * 2), 2)


def _first_full(time_map: TimeMap, first_bar: int) -> int:
    """A pick-up bar has no 1; the bar after it has."""
    return first_bar + 1 if time_map.bars[first_bar].is_pickup and first_bar + 1 < len(time_map) else first_bar


def _usual_meter(time_map: TimeMap, bar_index: int) -> Meter:
    """The meter of most bars about one: a stray bar is no reason to lay a song in its meter."""
    own = time_map.bars[_first_full(time_map, bar_index)].meter
    near = [b.meter for b in time_map.bars[max(bar_index - NEIGHBOURS, 0) : bar_index + NEIGHBOURS + 1]]
    return max([own, *near], key=near.count)


def _near(time_map: TimeMap, time_s: float) -> Fraction:
    """The beat of the old map nearest to a moment, or the half beat where none is near."""
    bar_index, _ = time_map.place(time_s)
    bar = time_map.bars[bar_index]
    beat = bar.meter.beat_length
    begin = time_map.starts[bar_index] - bar.missing  # beats of a pick-up are counted from its end
    at = float(time_map.whole_notes_at(time_s))
    beats = (at - float(begin)) / float(beat)
    whole = round(beats)
    line = begin + beat * (whole if abs(beats - whole) < BEAT_REACH else Fraction(floor(beats)) + Fraction(1, 2))
    # A pick-up need not open on a beat; its own line may be the nearest.
    return min(time_map.starts[bar_index], line, key=lambda p: abs(float(p) - at)) if bar.is_pickup else line


def _bent_times(time_map: TimeMap, knots: Sequence[tuple[Fraction, float]]) -> TimeMap:
    """The same bars with their beats drawn so that each knot (whole notes) falls on its moment (seconds)."""
    knots = sorted(knots)
    beat = float(time_map.bars[0].meter.beat_length)
    at = np.array([float(k) for k, _ in knots])
    shift = np.array([t for _, t in knots]) - time_map.seconds_at(at)
    at = np.concatenate([[at[0] - DRAWN_BEATS * beat], at, [at[-1] + DRAWN_BEATS * beat]])
    shift = np.concatenate([[0.0], shift, [0.0]])
    bars = []
    for start, bar in zip(time_map.starts, time_map.bars):
        where = np.array([float(start + p) for p in bar.beat_positions()])
        times = time_map.seconds_at(where) + np.interp(where, at, shift)
        bars.append(replace(bar, beat_times_s=tuple(times.tolist())))
    total = float(time_map.starts[-1])
    return TimeMap(bars, float(time_map.end_s + np.interp(total, at, shift)))


def _bent(time_map: TimeMap, knots: Sequence[tuple[Fraction, float]], fixed: Sequence[Fraction]) -> Rebarring:
    bent = _bent_times(time_map, knots)
    return _assembled(bent, _as_spans(bent, 0, len(bent)), fixed)


def _as_spans(time_map: TimeMap, first: int, end: int) -> list[_NewBar]:
    starts = time_map.starts
    return [_NewBar(b.meter, starts[k], starts[k + 1], b.length)
            for k, b in enumerate(time_map.bars[first:end], first)]  # fmt: skip


def _recut(
    time_map: TimeMap, first_bar: int, last_bar: int, lines: Sequence[Fraction], meter: Meter,
    scale: Fraction = Fraction(1), fixed: Sequence[Fraction] = (), meters: Mapping[Fraction, Meter] | None = None,
) -> Rebarring:  # fmt: skip
    """Bars of one meter over a stretch, opening at each of ``lines``, old whole notes ``scale`` times as long.

    From a line on that ``meters`` names, bars are of the meter there.

    At the ends of the song the stretch begins with a pick-up and ends with a whole bar; inside it the bar
    before the stretch takes what lies before the first line, and what is left over at a line makes a bar of
    its own, or lengthens the one before if it is less than half a bar.
    """
    starts, spans = time_map.starts, []
    full = meter.bar_length / scale
    begin, end = starts[first_bar], starts[last_bar + 1]
    lines = sorted(lines)
    if first_bar == 0:
        first = min(lines[0] - (lines[0] // full) * full, end)  # a song of a beat or two is a pick-up and no more
        if first > 0:
            spans.append(_NewBar(meter, Fraction(0), first, first * scale))
        lines = [first, *(line for line in lines if first < line < end)]
    else:
        if lines[0] != begin:
            first_bar -= 1
            lines = [starts[first_bar], *lines]
            if lines[1] <= lines[0]:
                raise ChartError("The 1 cannot move past the bar line before it.")
        spans += _as_spans(time_map, 0, first_bar)
    whole_song = last_bar == len(time_map) - 1
    usual = _usual_meter(time_map, first_bar)
    for at, until in pairwise([*dict.fromkeys(lines), end]):
        own = (meters or {}).get(at, meter)
        spans += _cut(own, scale, at, until, whole_song and until == end, usual)
    return _assembled(time_map, spans + _as_spans(time_map, last_bar + 1, len(time_map)), fixed)


def _cut(
    meter: Meter, scale: Fraction, at: Fraction, until: Fraction, overshoot: bool, usual: Meter | None = None
) -> list[_NewBar]:
    """Bars of a meter, and what is left over; that is in the ``usual`` meter if it is as long as its bars."""
    full = meter.bar_length / scale
    count = (until - at) // full
    rest = until - at - count * full
    out = [_NewBar(meter, at + k * full, at + (k + 1) * full, meter.bar_length) for k in range(count)]
    if not rest:
        return out
    if overshoot:  # the song's last bar is a whole one
        return [*out, _NewBar(meter, until - rest, until - rest + full, meter.bar_length)]
    if rest < full / 2 and out:
        rest += full
        out.pop()
    length = rest * scale
    try:
        own = _meter_of(length, meter, usual)
    except ChartError:  # no meter is so long: a bar of whole beats, a little slower or faster
        beats = max(1, round(length / meter.beat_length))
        own = Meter(beats * (3 if meter.is_compound else 1), meter.unit)
    return [*out, _NewBar(own, until - rest, until, own.bar_length)]


def _meter_of(length: Fraction, like: Meter, usual: Meter | None = None) -> Meter:
    """The meter whose bar is so long: the usual one, or one in the unit of another if that can be."""
    if usual is not None and usual.bar_length == length:
        return usual
    for unit in dict.fromkeys((like.unit, 4, 8, 16, 32)):
        if (length * unit).denominator == 1 and 1 <= length * unit <= 32:
            return Meter(int(length * unit), unit)
    raise ChartError(f"No meter has bars of {length} whole notes.")


def _tapped(time_map: TimeMap, taps_s: Sequence[float], meter: Meter | None, beats_too: bool) -> Rebarring:
    taps: list[float] = []
    for t in sorted(float(t) for t in taps_s):
        if not taps or t - taps[-1] >= SHORTEST_TAP_S:
            taps.append(t)
    if not taps:
        raise ChartError("Nothing was tapped: play the recording and tap as it goes.")
    here = time_map.place(taps[0]).bar_index
    meter = meter or _usual_meter(time_map, here)
    beats = meter.counted_beats
    if len(taps) < (beats + 1 if beats_too else 2):
        nearest = int(np.argmin([abs(t - taps[0]) for t in [b.beat_times_s[0] for b in time_map.bars]]))
        return move_line(time_map, nearest, taps[0])
    lines = taps[::beats] if beats_too else taps
    inner = [tuple(taps[k * beats : (k + 1) * beats]) for k in range(len(lines) - 1)] if beats_too else [
        tuple(a + (b - a) * k / beats for k in range(beats)) for a, b in pairwise(taps)]  # fmt: skip
    old_bar = float(time_map.whole_notes_at(lines[-1]) - time_map.whole_notes_at(lines[0])) / (len(lines) - 1)
    scale = min(TEMPO_RATIOS, key=lambda r: abs(np.log(float(meter.bar_length / r) / old_bar)))
    full = meter.bar_length / scale
    at = [_near(time_map, t) for t in lines]
    if not all(a < b for a, b in pairwise(at)):
        at = [at[0] + k * full for k in range(len(lines))]
    start = at[0] - (at[0] // full) * full
    spans = [_NewBar(meter, Fraction(0), start, start * scale)] if start > 0 else []
    spans += _cut(meter, scale, start, at[0], overshoot=False)
    spans += [_NewBar(meter, a, b, meter.bar_length, times) for (a, b), times in zip(pairwise(at), inner)]
    if at[-1] < time_map.starts[-1]:
        spans += _cut(meter, scale, at[-1], time_map.starts[-1], overshoot=True)
    return _assembled(_bent_times(time_map, [(at[0], lines[0]), (at[-1], lines[-1])]), spans, at)


def _assembled(time_map: TimeMap, spans: Sequence[_NewBar], fixed: Sequence[Fraction] = ()) -> Rebarring:
    """The time map of new bars over an old one, lines fixed that were or are to be."""
    held = {time_map.starts[k] for k, b in enumerate(time_map.bars) if b.fixed} | set(fixed)
    bars = []
    for s in spans:
        stretch = (s.until - s.at) / s.length
        at = np.array([float(s.at + p * stretch) for p in s.meter.beat_positions(s.length)])
        times = s.times_s or tuple(time_map.seconds_at(at).tolist())
        bars.append(Bar(s.meter, times, s.length, fixed=s.at in held))
    end_s = float(time_map.seconds_at(float(spans[-1].until)))
    return Rebarring(TimeMap(bars, end_s), _placing(time_map, spans), _keeps_rhythm(time_map, spans))


def _placing(time_map: TimeMap, spans: Sequence[_NewBar]) -> Callable[[int, Fraction], tuple[int, Fraction] | None]:
    """Where the places of an old time map lie in new bars."""
    begins = [s.at for s in spans]

    @cache  # several drums are struck at one place
    def place(bar_index: int, position: Fraction) -> tuple[int, Fraction] | None:
        where = time_map.starts[bar_index] + position
        k = bisect_right(begins, where) - 1
        if k < 0 or where >= spans[k].until:
            return None
        return k, (where - spans[k].at) * spans[k].length / (spans[k].until - spans[k].at)

    return place


def _keeps_rhythm(time_map: TimeMap, spans: Sequence[_NewBar]) -> bool:
    beats = {
        start + p: _counted(b.meter) for start, b in zip(time_map.starts, time_map.bars) for p in b.beat_positions()
    }
    for s in spans:
        stretch = (s.until - s.at) / s.length
        if s.times_s or stretch not in (1, 2, Fraction(1, 2)):
            return False
        old = [s.at + p * stretch for p in s.meter.beat_positions(s.length)]
        if any(beats.get(w, _counted(s.meter)) != _counted(s.meter) for w in old):
            return False
        # Halves of beats are new lines only where the tempo is read twice as fast.
        if stretch >= 1 and any(0 < w < time_map.starts[-1] and w not in beats for w in old):
            return False
    return True


def _counted(meter: Meter) -> tuple[bool, Fraction]:
    """What rhythms are written in: beats in three, quarters, or what is shorter; a swung pair of eighths, say, is not
    written alike over quarters and over eighths that are counted singly."""
    return meter.is_compound, min(meter.beat_length, Fraction(1, 4))
