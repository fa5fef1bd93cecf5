"""What a user does to the bars of a chart, said in words: the edit that does it.

An act has a name, for some an amount ("later", by "1/2" beats), and the bars it is for, by the numbers players use:
all, those from one on, or a stretch.  The grid's buttons do the same edits.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from fractions import Fraction
from typing import Any, NamedTuple

from workbench.chart import edits
from workbench.chart.barcount import has_room, may_go
from workbench.chart.chart import Chart
from workbench.chart.counting import bar_list, beats_said, capital, the_place
from workbench.chart.excerpts import read_bar_span
from workbench.chart.meter import Meter, TimeMap
from workbench.chart.rebarring import bars_end_at
from workbench.errors import ChartError

#: How many beats are counted for one.
TEMPO_LEVELS = {"half": Fraction(1, 2), "double": Fraction(2), "3:2": Fraction(3, 2), "2:3": Fraction(2, 3)}
#: A number of beats as users write it: "2", "1/2", "1.5".
_BEATS = re.compile(r"\d{1,3}(\.\d{1,3}|/[1-9]\d?)?")

#: A line that was moved by no more than this is where it was, seconds.
STAYS_S = 0.001

Amount = str | float | Fraction | Iterable[float] | None


class BarAct(NamedTuple):
    """An act on bars: one edit, so that one step takes it back, and what it does in a sentence."""

    edit: edits.Edit
    words: str

    def changes(self, chart: Chart) -> bool:
        """Whether the bars of a chart are others after it."""
        return self.edit.apply(chart).time_map != chart.time_map


#: Said of an act after which they are not.
NOTHING_CHANGED = "The bars are so already; nothing was changed."


def bars_meant(chart: Chart, bars: str | int | None = None, from_bar: int | None = None) -> list[int]:
    """Indices of the bars that are named as for :func:`bar_act`."""
    return _where(chart, bars, from_bar).indices


class _Where(NamedTuple):
    """The bars of an act: stretches of bar indices, both ends included, and how they are said."""

    spans: tuple[tuple[int, int], ...]
    words: str
    is_song: bool = False
    to_end: bool = False

    @property
    def indices(self) -> list[int]:
        return [k for first, last in self.spans for k in range(first, last + 1)]

    @property
    def stretch(self) -> tuple[int, int | None]:
        """First and last bar for edits that go on to the end where no last is named."""
        first, last = self.span
        return first, None if self.is_song or self.to_end else last

    @property
    def span(self) -> tuple[int, int]:
        if len(self.spans) > 1:
            raise ChartError("This is done to one stretch of bars at a time, as 9 or 9-12.")
        return self.spans[0]

    def named(self, done: str) -> tuple[int, int]:
        """The stretch, where a user must name it; ``done`` is what happens to it."""
        if self.is_song:
            raise ChartError(f"Bars are {done} by their numbers: name them, as 9 or 9-12.")
        return self.span


def bar_act(
    chart: Chart, act: str, amount: Amount = None, *, bars: str | int | None = None, from_bar: int | None = None
) -> BarAct:
    """The edit of an act on bars.

    Parameters
    ----------
    chart : Chart
    act : str
        One of :data:`ACTS`.
    amount : str or number, optional
        What the act takes: beats, a level, a meter, a beat of the bar, seconds.
    bars : str, optional
        As "9" or "9-12", lines that are fixed or let go as "9-12,17" too; by default all.
    from_bar : int, optional
        All bars from this one on.

    Raises
    ------
    ChartError
        If there is no such act, amount or bar.

    Examples
    --------
    >>> from workbench.chart.meter import TimeMap
    >>> bar_act(Chart.empty(TimeMap.steady(8, 120)), "later", "1/2", from_bar=5).words
    'The 1 half a beat later from bar 5 on.'
    """
    if act not in ACTS:
        raise ChartError(f"Bars know no act {act!r:.40}; there are {', '.join(ACTS)}.")
    return BarAct(*ACTS[act](chart, amount, _where(chart, bars, from_bar)))


def lines_taken_along(chart: Chart, edit: edits.Edit) -> str:
    """What lines besides those it is for an act moves, and what its bars are called then, in a sentence; nothing
    where it moves none and all keep their numbers.

    Examples
    --------
    >>> from workbench.chart.meter import TimeMap
    >>> lines_taken_along(Chart.empty(TimeMap.steady(8, 120)), edits.SetMeter(Meter(3, 4), 2, 3))
    'Bars of 3/4 in bars 3–4; the lines after that lie two beats earlier.'
    """
    time_map = chart.time_map
    if isinstance(edit, edits.SetMeter) and edit.last_bar is not None:
        follows = _what_follows(chart, edit, edit.first_bar, edit.last_bar)
        here = bar_list(time_map, range(edit.first_bar, edit.last_bar + 1))
        return follows and f"Bars of {edit.meter} in {here}{follows}.{_one_alone(chart, edit)}"
    if isinstance(edit, edits.TapLines) and len(edit.times_s) == 1:  # it moves the line that is nearest
        nearest = min(range(len(time_map)), key=lambda k: abs(time_map.bar_start_s(k) - edit.times_s[0]))
        return _beside_a_line(time_map, edit.rebarring(chart).time_map, nearest, edit.times_s[0])
    if isinstance(edit, edits.MoveBarLine) and edit.bar_index < len(time_map):
        return _beside_a_line(time_map, edit.rebarring(chart).time_map, edit.bar_index, edit.time_s)
    return ""


def _beside_a_line(before: TimeMap, after: TimeMap, k: int, time_s: float) -> str:
    """What the line of a bar has taken along that was moved to a moment half a beat or more away."""
    lines_s = [b.beat_times_s[0] for b in after.bars]
    moved = [j for j in range(len(before)) if min(abs(before.bar_start_s(j) - t) for t in lines_s) > STAYS_S]
    beats = _beats_later(before, k, time_s)
    if moved in ([], [k]) or not beats:
        return ""
    return f"The lines of {bar_list(before, moved)} lie {_later(beats)} now."


def _beats_later(before: TimeMap, k: int, time_s: float) -> Fraction:
    """By how many beats, to half a beat, a moment lies behind the line of a bar."""
    by = Fraction(float(before.whole_notes_at(time_s))) - before.starts[k]
    return Fraction(round(2 * by / before.bars[k].meter.beat_length), 2)


def _later(beats: Fraction) -> str:
    return f"{beats_said(abs(beats))} {'later' if beats > 0 else 'earlier'}"


def _where(chart: Chart, bars: str | int | None, from_bar: int | None) -> _Where:
    last = len(chart) - 1
    if bars is not None and from_bar is not None:
        raise ChartError("Name bars, or the one from which on all are meant, not both.")
    if from_bar is not None:
        first = chart.time_map.bar_index(from_bar)
        return _Where(((first, last),), f"from {bar_list(chart.time_map, [first])} on", to_end=True)
    if bars is None:
        return _Where(((0, last),), "in the whole song", is_song=True)
    found = _Where(tuple(read_bar_span(chart, piece) for piece in str(bars).split(",")), "")
    return found._replace(words=f"in {bar_list(chart.time_map, found.indices)}")


def _beats(amount: Amount) -> Fraction:
    text = str(amount).strip()
    if not _BEATS.fullmatch(text):
        raise ChartError(f"Write beats as 2, 1/2 or 1.5, not {text!r:.40}.")
    return Fraction(text)


_Said = tuple[edits.Edit, str]


def _shift(sign: int, words: str) -> Callable[[Chart, Amount, _Where], _Said]:
    def act(chart: Chart, amount: Amount, where: _Where) -> _Said:
        beats = _beats(amount)
        if not beats or (2 * beats).denominator > 1:
            raise ChartError(f"The 1 moves by beats and half beats, such as 1/2 or 1, not by {amount}.")
        return edits.ShiftOne(sign * beats, *where.stretch), f"The 1 {beats_said(beats)} {words} {where.words}."

    return act


def _level(chart: Chart, amount: Amount, where: _Where) -> _Said:
    if str(amount) not in TEMPO_LEVELS:
        raise ChartError(f"Levels are {', '.join(TEMPO_LEVELS)}, not {str(amount)!r:.40}.")
    factor = TEMPO_LEVELS[str(amount)]
    words = capital(edits.LEVELS_SAID[factor])
    return edits.ChangeLevel(factor, *where.stretch), f"{words} {where.words}."


def _meter(chart: Chart, amount: Amount, where: _Where) -> _Said:
    edit = edits.SetMeter(Meter.parse(str(amount)), *where.stretch)
    return edit, lines_taken_along(chart, edit) or f"Bars of {edit.meter} {where.words}."


def _what_follows(chart: Chart, edit: edits.SetMeter, first: int, last: int) -> str:
    """What a stretch is now, and by how much the lines after it lie elsewhere, in words."""
    before, after = chart.time_map, edit.rebarring(chart).time_map
    if last + 1 == len(before) or before.bars[last + 1].fixed:
        return ""
    line_s = float(before.seconds_at(float(bars_end_at(before, edit.meter, first, last))))
    beats = _beats_later(before, last + 1, line_s)
    k = min(range(len(after)), key=lambda k: abs(after.bar_start_s(k) - line_s))
    now = "" if k == last + 1 else f", now {bar_list(after, range(first, k))}"
    if not beats:
        return now
    fixed = " up to the next that is fixed" if any(b.fixed for b in before.bars[last + 1 :]) else ""
    return f"{now}; the lines after that lie {_later(beats)}{fixed}"


def _one_alone(chart: Chart, edit: edits.SetMeter) -> str:
    """How a single shorter bar is got where a bar has become several: a song's odd 2/4 moves all lines after it."""
    k, after = edit.first_bar, edit.rebarring(chart).time_map
    if edit.last_bar != k or k + 1 >= len(after) or after.bars[k + 1].meter != edit.meter:
        return ""
    rest, old = bar_list(after, [k + 1]), chart.time_map.bars[k].meter
    return f" For one bar of {edit.meter} alone set {old} from {rest} on."


def _pickup(chart: Chart, amount: Amount, where: _Where) -> _Said:
    _only_song(where, "A pick-up")
    beats = _beats(amount)
    first_full = chart.time_map.bars[chart.time_map.bars[0].is_pickup and len(chart) > 1]
    length = beats * first_full.meter.beat_length
    return edits.SetPickup(length), f"A pick-up of {beats_said(beats)}." if beats else "No pick-up."


def _one(chart: Chart, amount: Amount, where: _Where) -> _Said:
    _only_song(where, "A 1 at a second of the recording")
    given: Any = amount if isinstance(amount, Iterable) and not isinstance(amount, str) else (amount,)
    try:
        times_s = tuple(sorted(map(float, given)))
    except (TypeError, ValueError):
        times_s = ()
    if not times_s or not all(map(math.isfinite, times_s)):
        raise ChartError(f"A 1 is named by its second, such as 12.34, not {str(amount)!r:.40}.")
    said = ", ".join(f"{t:g} s" for t in times_s)
    edit = edits.TapLines(times_s)
    words = f"{'A bar begins' if len(times_s) == 1 else 'Bars begin'} at {said}."
    return edit, f"{words} {lines_taken_along(chart, edit)}".rstrip()


def _insert(chart: Chart, amount: Amount, where: _Where) -> _Said:
    first, last = where.named("inserted")
    count, here = last - first + 1, bar_list(chart.time_map, [first])
    if has_room(chart, first):
        return edits.InsertBars(first, count), f"Inserted: {count} bar{'s' * (count > 1)} before {here}."
    if count > 1:
        raise ChartError("Inside a recording bars are inserted one at a time, where a line was missed.")
    return edits.InsertBars(first), f"{capital(here)} is two bars: a line was missed."


def _delete(chart: Chart, amount: Amount, where: _Where) -> _Said:
    first, last = where.named("deleted")
    here = bar_list(chart.time_map, range(first, last + 1))
    words = (
        f"Deleted: {here}."
        if may_go(chart, first, last)
        else f"A line too many is gone at {here}: two bars are one now."
    )
    return edits.DeleteBars(first, last), words


def _split(chart: Chart, amount: Amount, where: _Where) -> _Said:
    first, last = where.named("split")
    if first != last:
        raise ChartError("One bar is split at a time; a meter for several is set.")
    bar = chart.time_map.bars[first]
    position = (_beats(amount) - 1) * bar.meter.beat_length - bar.missing
    if not 0 < position < bar.length:
        raise ChartError(f"A bar is split at a beat inside it, such as 3, not {amount}.")
    here = bar_list(chart.time_map, [first])
    words = f"{capital(here)} is two bars, the second from {the_place(bar, position)} on."
    return edits.SplitBar(first, position), words


def _join(chart: Chart, amount: Amount, where: _Where) -> _Said:
    first, last = where.named("joined")
    last = max(last, first + 1)
    made = tuple(edits.JoinBars(first) for _ in range(last - first))
    words = capital(f"{bar_list(chart.time_map, range(first, last + 1))} are one bar.")
    return made[0] if len(made) == 1 else edits.CompositeEdit(made, "join bars"), words


def _fix(fixed: bool, words: str) -> Callable[[Chart, Amount, _Where], _Said]:
    def act(chart: Chart, amount: Amount, where: _Where) -> _Said:
        lines = tuple(edits.FixLine(k, fixed) for k in where.indices)
        return edits.CompositeEdit(lines, words.lower()), f"{words} {where.words}."

    return act


def _only_song(where: _Where, what: str) -> None:
    if not where.is_song:
        raise ChartError(f"{what} is set for the whole song: name no bars.")


#: Every act by its name.
ACTS: dict[str, Callable[[Chart, Amount, _Where], _Said]] = {
    "earlier": _shift(-1, "earlier"),
    "later": _shift(1, "later"),
    "level": _level,
    "meter": _meter,
    "pick-up": _pickup,
    "one": _one,
    "insert": _insert,
    "delete": _delete,
    "split": _split,
    "join": _join,
    "fix": _fix(True, "Lines fixed"),
    "let-go": _fix(False, "Lines let go"),
}
