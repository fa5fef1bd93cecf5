"""Abbreviations: simile signs, multi-bar rests, repeats, voltas, slashes.

A chart holds every bar as it is heard; a printed part does not.  This module
decides what stands for what, so that the MusicXML file and the engraved page
shorten a part the same way.  Nothing here changes the chart.

Two bars are *written alike* if a reader could not tell them apart on paper:
same meter, same hits, same articulations, same sticking.  Velocities, played
deviations and confidences do not show on paper and do not count.

One rule for simile signs (common practice, no source): a bar that is written
like the one before it is a sign, always.  Where two (or four) bars come again
at an even place of their section, and no bar in or after them is like the one
before it, they are a sign of two (or four).  Notes open every section, repeat,
ending and line, so that nobody has to look back across one of these (but a sign
of four may fill a line), and the bar after a rest or slashes.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from fractions import Fraction

from workbench.chart import Chart
from workbench.chart.meter import Meter
from workbench.grouping import grouped
from workbench.notation.notevalues import place_key
from workbench.notation.roadsigns import Repeats, is_layout, kept_repeats, repeats_by_hand, slashed_bars

# Numbers whose origin is not named: chosen by eye, no source.
#: A repeat must save at least so many bars, and an ending may differ by so many.
_SHORTEST_REPEAT = 4
_LONGEST_ENDING = 2
_MOST_PASSES = 4


class BarKind(Enum):
    """How a bar is printed."""

    NOTES = "notes"
    SIMILE = "simile"
    SIMILE_OF_TWO = "simile of two"
    SIMILE_OF_TWO_END = "second bar of a simile of two"
    SIMILE_OF_FOUR = "simile of four"
    SIMILE_OF_FOUR_ON = "further bar of a simile of four"
    REST = "rest"
    SLASHES = "slashes"


@dataclass(frozen=True)
class PrintedBar:
    """A bar on paper and the bars of the chart that it stands for.

    Attributes
    ----------
    bar_index : int
        Bar whose notes are shown.
    heard : tuple of int
        All bars of the chart it stands for: later passes of a repeat, further
        bars of a multi-bar rest.
    kind : BarKind
    rest_bars : int
        Bars of a multi-bar rest; 1 otherwise.
    opens_repeat, closes_repeat : bool
    passes : int
        How often a repeat that closes here is played in all.
    ending : tuple of int
        Passes for which this bar is played (volta); empty outside endings.
    opens_ending, closes_ending : bool
    in_a_row : int
        How many times running the bar has been played, this time included.
    """

    bar_index: int
    heard: tuple[int, ...]
    kind: BarKind = BarKind.NOTES
    rest_bars: int = 1
    opens_repeat: bool = False
    closes_repeat: bool = False
    passes: int = 2
    ending: tuple[int, ...] = ()
    opens_ending: bool = False
    closes_ending: bool = False
    in_a_row: int = 1

    @property
    def shown(self) -> tuple[int, ...]:
        """Bars that it stands for in the first pass: one, or those of a gathered rest."""
        return self.heard[:: len(self.heard) // self.rest_bars]


#: Bars for which a sign that stands before them stands too.
CARRIED_ON = (BarKind.SIMILE_OF_TWO_END, BarKind.SIMILE_OF_FOUR_ON)
#: How the bars of similes of two and of four are printed, the first and the others.
_LONG_SIMILES = {
    2: (BarKind.SIMILE_OF_TWO, BarKind.SIMILE_OF_TWO_END),
    4: (BarKind.SIMILE_OF_FOUR, BarKind.SIMILE_OF_FOUR_ON),
}

#: What a simile of so many bars may repeat.
_BEFORE = {
    2: (BarKind.NOTES, BarKind.SIMILE_OF_TWO, BarKind.SIMILE_OF_TWO_END),
    4: tuple(kind for kind in BarKind if kind not in (BarKind.REST, BarKind.SLASHES)),
}

#: What of a bar shows on paper: meter, length, notes.
WrittenKey = tuple[Meter, Fraction, tuple]
#: The same with the bar's texts and its kind.
_Shown = tuple[WrittenKey, tuple, BarKind]


def written_key(chart: Chart, bar_index: int) -> WrittenKey:
    """What of a bar shows on paper; equal for bars that are written alike."""
    timed = chart.time_map.bars[bar_index]
    notes = tuple((n.position, n.instrument, n.articulations, n.sticking) for n in chart.bars[bar_index].notes)
    return (timed.meter, timed.length, notes)


def abbreviate(
    chart: Chart,
    *,
    first_bar: int = 0,
    last_bar: int | None = None,
    repeats: bool = False,
    similes: bool = True,
    multirests: bool = True,
    slashes: Sequence[int] = (),
    longest_simile: int = 2,
) -> tuple[PrintedBar, ...]:
    """Decide how bars ``first_bar … last_bar`` are printed.

    Parameters
    ----------
    chart : Chart
    first_bar, last_bar : int
        Bar indices, both included; by default the whole chart.
    repeats : bool
        Fold what is played twice or more into repeats with endings: as cues say ("repeat 8",
        :func:`workbench.notation.roadsigns.repeats_by_hand`), elsewhere by the sections; a chart that keeps its
        repeats shows those.
    similes, multirests : bool
        Use simile signs for bars written like the one or two before; gather
        bars without drums into one rest.
    slashes : sequence of int
        Indices of bars that only say "play time", beside those that a cue such as "play 8" covers.
    longest_simile : int
        Of 1, 2 or 4 bars.
    """
    last_bar = len(chart) - 1 if last_bar is None else last_bar
    chart.time_map.check_bar(first_bar)
    chart.time_map.check_bar(last_bar)
    keys = [written_key(chart, k) for k in range(len(chart))]
    texts = _texts_by_bar(chart)
    slashed = frozenset(slashes) | slashed_bars(chart)
    bars = [
        PrintedBar(k, (k,), BarKind.SLASHES if k in slashed else BarKind.NOTES) for k in range(first_bar, last_bar + 1)
    ]
    if kept := kept_repeats(chart):
        bars = _kept(bars, kept)
    elif repeats:
        bars = _fold_repeats(chart, bars, keys, texts)
    if multirests:
        bars = _gather_rests(chart, bars, texts)
    if similes:
        bars = _use_similes(chart, bars, keys, longest_simile)
    return tuple(bars)


def _texts_by_bar(chart: Chart) -> dict[int, tuple]:
    out: dict[int, tuple] = {}
    for t in chart.texts:
        if not is_layout(t.text):
            out[t.bar_index] = (*out.get(t.bar_index, ()), (t.position, t.text))
    return out


# -- repeats -----------------------------------------------------------------------


def _kept(bars: Sequence[PrintedBar], kept: Repeats) -> list[PrintedBar]:
    """Bars with the repeats and endings that the chart keeps."""
    out = []
    for k, b in enumerate(bars):
        before, after = (bars[j].bar_index if 0 <= j < len(bars) else -1 for j in (k - 1, k + 1))
        ending, closes = kept.endings.get(b.bar_index, ()), kept.closes.get(b.bar_index, 0)
        out.append(
            replace(
                b,
                opens_repeat=b.bar_index in kept.opens,
                closes_repeat=bool(closes),
                passes=closes or 2,
                ending=ending,
                opens_ending=bool(ending) and (kept.endings.get(before) != ending or before in kept.closes),
                closes_ending=bool(ending) and (kept.endings.get(after) != ending or bool(closes)),
            )
        )
    return out


def _fold_repeats(
    chart: Chart, bars: list[PrintedBar], keys: Sequence[WrittenKey], texts: dict[int, tuple]
) -> list[PrintedBar]:
    sections = {s.bar_index: (s.label, s.name) for s in chart.sections}
    shown = [(keys[b.bar_index], texts.get(b.bar_index, ()), b.kind) for b in bars]
    by_hand = {k: repeat for k, b in enumerate(bars) if (repeat := repeats_by_hand(chart).get(b.bar_index))}
    edges = {edge for k, (n, passes) in by_hand.items() for edge in (k, k + n * passes) if edge < len(bars)}
    starts = sorted({0, *edges, *(k for k, b in enumerate(bars) if b.bar_index in sections)})
    ends = [*starts[1:], len(bars)]
    out: list[PrintedBar] = []
    k = 0
    while k < len(bars):
        if k in by_hand and (block := _folded_by_hand(bars, shown, k, *by_hand[k])):
            out += block
            k += by_hand[k][0] * by_hand[k][1]
            continue
        if k not in starts:
            out.append(bars[k])
            k += 1
            continue
        end = ends[starts.index(k)]
        # The same section again, and again …
        reach = end
        title = sections.get(bars[k].bar_index)
        while title and reach in starts and reach not in by_hand and sections.get(bars[reach].bar_index) == title:
            reach = ends[starts.index(reach)]
        folded = _fold_block(bars, shown, k, reach, end - k if reach > end else None)
        if folded is None and reach > end:
            folded = _fold_block(bars, shown, k, end, None)
        if folded:
            block, k = folded
            out += block
        else:
            out += bars[k:end]
            k = end
    return out


def _folded_by_hand(
    bars: Sequence[PrintedBar], shown: Sequence[_Shown], start: int, n: int, count: int
) -> list[PrintedBar]:
    """So many passes of ``n`` bars with repeat signs, as a user has set them, whatever the length of the endings; empty
    where they begin differently or the chart ends before."""
    if start + n * count > len(bars):
        return []
    if count == 1:
        return list(bars[start : start + n])
    passes = [shown[start + p * n : start + (p + 1) * n] for p in range(count)]
    body = next((m for m in range(n) if any(p[m] != passes[0][m] for p in passes)), n)
    return _folded(bars, passes, start, n, body, count) if body else []


def _fold_block(
    bars: Sequence[PrintedBar], shown: Sequence[_Shown], start: int, end: int, length: int | None
) -> tuple[list[PrintedBar], int] | None:
    """Bars ``start … end`` as a repeated block (of ``length`` bars), if they are one."""
    total = end - start
    lengths = [length] if length else [n for n in range(_SHORTEST_REPEAT, total // 2 + 1) if total % n == 0]
    for n in lengths:
        if total % n or not 2 <= total // n <= _MOST_PASSES or n < _SHORTEST_REPEAT:
            continue
        count = total // n
        passes = [shown[start + p * n : start + (p + 1) * n] for p in range(count)]
        body = next((m for m in range(n) if any(p[m] != passes[0][m] for p in passes)), n)
        ending = n - body
        # Bars that are all alike are better read as similes.
        if ending > _LONGEST_ENDING or body < ending + 2 or len({s[0] for s in passes[0]}) < 2:
            continue
        return _folded(bars, passes, start, n, body, count), end
    return None


def _folded(
    bars: Sequence[PrintedBar], passes: Sequence[Sequence[_Shown]], start: int, n: int, body: int, count: int
) -> list[PrintedBar]:
    out = []
    for m in range(body):
        heard = tuple(bars[start + p * n + m].bar_index for p in range(count))
        out.append(replace(bars[start + m], heard=heard, opens_repeat=m == 0))
    if body == n:
        out[-1] = replace(out[-1], closes_repeat=True, passes=count)
        return out
    groups = list(grouped((tuple(passes[p][body:]), p) for p in range(count)).values())
    if groups[-1] != [count - 1]:
        # The last pass ends like an earlier one: written again, to lead out.
        groups = [[p for p in g if p != count - 1] for g in groups] + [[count - 1]]
    for g in groups:
        for m in range(body, n):
            heard = tuple(bars[start + p * n + m].bar_index for p in g)
            out.append(
                replace(
                    bars[start + g[0] * n + m],
                    heard=heard,
                    ending=tuple(p + 1 for p in g),
                    opens_ending=m == body,
                    closes_ending=m == n - 1,
                    closes_repeat=m == n - 1 and g is not groups[-1],
                    passes=len(g) + 1,
                )
            )
    return out


# -- rests and similes -----------------------------------------------------------------


def _starts_section(chart: Chart) -> frozenset[int]:
    return frozenset(s.bar_index for s in chart.sections)


def _gather_rests(chart: Chart, bars: list[PrintedBar], texts: dict[int, tuple]) -> list[PrintedBar]:
    sections = _starts_section(chart)
    out: list[PrintedBar] = []
    for b in bars:
        timed = chart.time_map.bars[b.bar_index]
        silent = not chart.bars[b.bar_index].notes and b.kind is BarKind.NOTES and not timed.is_pickup
        if not silent:
            out.append(b)
            continue
        b = replace(b, kind=BarKind.REST)
        last = out[-1] if out else None
        if (
            last is not None
            and last.kind is BarKind.REST
            and not (last.closes_repeat or b.opens_repeat)
            and last.ending == b.ending
            and not b.opens_ending
            and len(last.heard) // last.rest_bars == len(b.heard)
            and b.bar_index not in sections
            and b.bar_index not in texts
            and chart.time_map.bars[last.bar_index].meter == timed.meter
        ):
            out[-1] = replace(
                last,
                rest_bars=last.rest_bars + 1,
                heard=last.heard + b.heard,
                closes_repeat=b.closes_repeat,
                passes=b.passes,
                closes_ending=b.closes_ending,
            )
        else:
            out.append(b)
    return out


def _use_similes(chart: Chart, bars: list[PrintedBar], keys: Sequence[WrittenKey], longest: int) -> list[PrintedBar]:
    sections = _starts_section(chart)
    out = list(bars)
    since = 0  # first bar of the current section or repeat
    k = 0
    while k < len(out):
        b = out[k]
        if b.bar_index in sections or b.opens_repeat or b.opens_ending or (k and out[k - 1].closes_repeat):
            since = k
        if b.kind is BarKind.NOTES and chart.bars[b.bar_index].notes:
            if k > since and _alike(out, keys, k, k - 1) and out[k - 1].kind in (BarKind.NOTES, BarKind.SIMILE):
                out[k] = replace(b, kind=BarKind.SIMILE, in_a_row=out[k - 1].in_a_row + 1)
            else:
                count = next((n for n in (2, 4) if n <= longest and _repeats(out, keys, k, since, sections, n)), 1)
                for j in range(k, k + count if count > 1 else k):
                    out[j] = replace(out[j], kind=_LONG_SIMILES[count][j > k])
                k += count - 1
        k += 1
    return out


def _alike(bars: Sequence[PrintedBar], keys: Sequence[WrittenKey], a: int, b: int) -> bool:
    return keys[bars[a].bar_index] == keys[bars[b].bar_index]


def _repeats(
    bars: Sequence[PrintedBar], keys: Sequence[WrittenKey], k: int, since: int, sections: Collection[int], count: int
) -> bool:
    """Whether bars k, k+1 … repeat as many before, at an even place of the section, and no shorter run."""
    if k - count < since or (k - since) % count or k + count > len(bars):
        return False
    own, before = bars[k : k + count], bars[k - count : k]
    opens = lambda b: b.bar_index in sections or b.opens_repeat or b.opens_ending
    cut = any(b.closes_repeat or b.closes_ending for b in own[:-1])
    after = k + count
    goes_on = after < len(bars) and not (opens(bars[after]) or own[-1].closes_repeat)
    return (
        not (any(map(opens, own[1:])) or cut)
        and not (goes_on and _alike(bars, keys, after, after - 1))
        and all(b.kind is BarKind.NOTES for b in own)
        and all(b.kind in _BEFORE[count] for b in before)
        and all(_alike(bars, keys, j, j - count) for j in range(k, k + count))
        and any(not _alike(bars, keys, j, j + count // 2) for j in range(k, k + count // 2))
    )


def bar_numbers(chart: Chart, bars: Sequence[PrintedBar], numbers: str, first: int | None = None) -> dict[int, str]:
    """Number of each bar that is shown, by its index; ``numbers`` from
    :data:`workbench.notation.scoresigns.NUMBERED`, ``first`` that of the first bar.  Bars numbered as printed have
    the numbers of the pages they were read from, if these have their own."""
    shown = [k for b in bars for k in b.shown]
    if numbers == "printed" and chart.printed_numbers:
        return {k: chart.printed_numbers[k] for k in shown}
    begin = chart.time_map.bar_number(shown[0]) if first is None else first
    return {k: str(begin + (place if numbers == "printed" else k - shown[0])) for place, k in enumerate(shown)}


# -- lines -------------------------------------------------------------------------


def lay_lines(
    chart: Chart,
    bars: Sequence[PrintedBar],
    bars_per_line: int = 4,
    most_weight: float = 50.0,
    breaks: Collection[int] = (),
) -> list[list[PrintedBar]]:
    """Gather printed bars into lines: ``bars_per_line`` where it fits, sections
    at line starts (short ones share a line), no lone bar on a last line if it can be helped.  A simile of
    a bar or two that would open a line is written out, so that no line must be read
    together with the one before.

    ``most_weight`` is how many moments (see :func:`bar_weight`) one line holds, ``breaks`` are indices of bars that
    begin a line.
    """
    sections = _starts_section(chart)
    blocks: list[list[PrintedBar]] = []
    for k, b in enumerate(bars):
        # A pick-up goes on the line of the bar it leads to.
        after_pickup = k == 1 and chart.time_map.bars[bars[0].bar_index].is_pickup
        if not blocks or b.bar_index in breaks or (b.bar_index in sections and not after_pickup):
            blocks.append([])
        blocks[-1].append(b)
    for k in range(len(blocks) - 1, 0, -1):
        both = blocks[k - 1] + blocks[k]
        if (
            max(len(blocks[k - 1]), len(blocks[k])) <= bars_per_line // 2
            and blocks[k][0].bar_index not in breaks
            and sum(bar_weight(chart, b) for b in both) <= most_weight
        ):
            blocks[k - 1 : k + 1] = [both]
    lines = []
    for block in blocks:
        for shared in _parted(chart, block, most_weight):
            lines += _block_lines(chart, shared, bars_per_line, most_weight)
    return [_open_with_notes(line) for line in lines]


def _open_with_notes(line: list[PrintedBar]) -> list[PrintedBar]:
    first = {BarKind.SIMILE: 1, BarKind.SIMILE_OF_TWO: 2}.get(line[0].kind, 0)
    return [replace(b, kind=BarKind.NOTES) for b in line[:first]] + line[first:]


#: Room beside a notehead: grace notes, parentheses (in moments), and that of a bar's line; chosen with
#: ``tests/test_clearing.py`` in view.
_EXTRA_WEIGHT = {"flam": 1.2, "drag": 2.0, "ghost": 0.7, "double": 0.7, "roll": 0.7}
_EXTRA_WEIGHT_EVENLY = _EXTRA_WEIGHT | {"ghost": 0.3, "double": 0.3, "roll": 0.3}
_BAR_LINE, _HEAD_BESIDE = 0.8, 0.7
#: What the emptiest bar weighs.
_LEAST_WEIGHT = 4.0
#: A bar is full of sixteenths that has so many of them (no source).
_EVENLY_FULL = Fraction(3, 4)


def bar_weight(chart: Chart, bar: PrintedBar) -> float:
    """Room a bar needs, in moments at which something is written."""
    if bar.kind is BarKind.NOTES:
        notes = chart.bars[bar.bar_index].notes
        places = {place_key(n.position) for n in notes}
        # Where sixteenths fill a bar, all stand evenly: signs need less room there, but for grace notes.
        even = len(places) >= _EVENLY_FULL * 16 * chart.time_map.bars[bar.bar_index].length
        even = even and all(16 * p % 1 == 0 for p in places)
        extra = _EXTRA_WEIGHT_EVENLY if even else _EXTRA_WEIGHT
        wide = sum(extra.get(sign, 0.0) for n in notes for sign in n.articulations)
        beside = _HEAD_BESIDE * _heads_beside(chart, bar.bar_index)
        return max(_LEAST_WEIGHT, len(places) + wide + beside + _BAR_LINE)
    return _LEAST_WEIGHT


def _heads_beside(chart: Chart, bar_index: int) -> int:
    """How many heads of a bar stand beside another of their chord, being on its place or next to it."""
    at: dict[tuple[float, bool], list[int]] = {}
    for n in chart.bars[bar_index].notes:
        own = chart.instrument(n.instrument)
        at.setdefault((place_key(n.position), own.is_foot), []).append(
            7 * own.staff_octave + "CDEFGAB".index(own.staff_step)
        )
    chords = (sorted(places) for places in at.values() if len(places) > 1)
    return sum(b - a <= 1 for places in chords for a, b in zip(places, places[1:]))


def _parted(chart: Chart, block: list[PrintedBar], most: float) -> Iterator[list[PrintedBar]]:
    """A block of bars, parted at those that share a line with none, so that the bars between share theirs evenly."""
    shared: list[PrintedBar] = []
    for b in block:
        if bar_weight(chart, b) + _LEAST_WEIGHT > most:
            yield shared
            yield [b]
            shared = []
        else:
            shared.append(b)
    yield shared


def _block_lines(chart: Chart, block: list[PrintedBar], per_line: int, most: float) -> list[list[PrintedBar]]:
    lines: list[list[PrintedBar]] = []
    rest = list(block)

    def weight(take: int) -> float:
        # A simile that opens the line is written out there, and takes the room of its notes.
        return sum(bar_weight(chart, b) for b in _open_with_notes(rest[:take]))

    while rest:
        pickup = int(chart.time_map.bars[rest[0].bar_index].is_pickup)
        take = min(per_line + pickup, len(rest))
        if len(rest) == per_line + pickup + 1 and weight(len(rest)) <= most * 0.8:
            take = len(rest)
        elif len(rest) == per_line + pickup + 1 and per_line > 2:
            take = (len(rest) + 1) // 2
        while take > 1 and weight(take) > most:
            take -= 1
            if take - pickup == 3 and per_line == 4 and len(rest) > 3:
                take = 2 + pickup  # two and two rather than three and one
        begun = take
        while begun and begun < len(rest) and rest[begun].kind in CARRIED_ON:
            begun -= 1
        while not begun and take < len(rest) and rest[take].kind in CARRIED_ON:
            take += 1
        take = begun or take
        lines.append(rest[:take])
        rest = rest[take:]
    return lines
