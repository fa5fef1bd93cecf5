"""Exercises drawn from a fill: its hands on one drum, accents, without the feet, doubled, displaced.

What they train is what a fill asks for (hands, dynamics, place in the bar), away from its moves round the kit.  All
are common practice of teaching, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import chain

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.drumkit import instrument
from workbench.chart.meter import Bar
from workbench.grouping import grouped
from workbench.practice.easier import ORNAMENTS, Rule, ruled

#: Velocities of accents and of the strokes between them, dynamics wide apart (chosen by ear, no source).
ACCENTED, BETWEEN = 115, 55

#: The shortest notes that a student reads, in whole notes: thirty-seconds, and sixteenths where sixteenths swing.
SHORTEST, SHORTEST_SWUNG = Fraction(1, 32), Fraction(1, 16)


def hands_only(chart: Chart, bar_index: int, notes: tuple[Note, ...]) -> tuple[Note, ...]:
    """Without the feet."""
    return tuple(n for n in notes if not instrument(n.instrument).is_foot)


def on_one_drum(chart: Chart, bar_index: int, notes: tuple[Note, ...]) -> tuple[Note, ...]:
    """All strokes of the hands on the snare, each by its hand; both hands together are one stroke."""
    moments = grouped((n.position, n) for n in hands_only(chart, bar_index, notes))
    return tuple(
        replace(max(struck, key=lambda n: n.velocity), instrument="snare") for _, struck in sorted(moments.items())
    )


def accents_on_the_beats(chart: Chart, bar_index: int, notes: tuple[Note, ...]) -> tuple[Note, ...]:
    """Strokes on the beats accented, those between them soft."""
    beats = chart.time_map.bars[bar_index].beat_positions()
    plain = frozenset({"accent", "ghost"}) | ORNAMENTS
    return tuple(
        replace(
            n,
            articulations=n.articulations - plain | ({"accent"} if n.position in beats else set()),
            velocity=ACCENTED if n.position in beats else BETWEEN,
        )
        for n in notes
    )


def doubled(chart: Chart, bar_index: int, notes: tuple[Note, ...]) -> tuple[Note, ...]:
    """Every stroke of the hands twice in its own note value, by the same hand; the feet as they are.

    Nothing where a student could not read it.  Swung eighths, of which no half can be written, become triplets first:
    two for the long one, two of half their value for the short one.
    """
    bar = chart.time_map.bars[bar_index]
    spelt = tuple(note for _, beat in _beats(bar, notes) for note in _as_triplets(chart, bar, beat))
    again = []
    for start, beat in _beats(bar, spelt):
        hands = hands_only(chart, bar_index, beat)
        moments = sorted({n.position - start for n in hands})
        grid = _grid(chart, bar, moments)
        if grid is None:
            return ()
        for moment, until in zip(moments, [*moments[1:], bar.meter.beat_length]):
            # Half of the longest plain value that fits: of a dotted eighth, a sixteenth.
            half = grid * (1 << (int((until - moment) / grid).bit_length() - 1)) / 2
            if half < (SHORTEST_SWUNG if chart.feel == "swing 16ths" else SHORTEST):
                return ()
            again += [
                replace(n, position=n.position + half, articulations=n.articulations - ORNAMENTS, deviation_s=0.0)
                for n in hands
                if n.position - start == moment
            ]
    return tuple(sorted((*spelt, *again), key=lambda n: n.position))


def _beats(bar: Bar, notes: Sequence[Note]) -> list[tuple[Fraction, tuple[Note, ...]]]:
    """The beats that hold notes: where they start in the bar, and their notes."""
    length, missing = bar.meter.beat_length, bar.missing
    found = grouped(((n.position + missing) // length * length - missing, n) for n in notes)
    return [(start, tuple(found[start])) for start in sorted(found)]


def _grid(chart: Chart, bar: Bar, moments: Sequence[Fraction]) -> Fraction | None:
    """The step, in whole notes, of the coarsest grid that holds moments of a beat; None if halves of its notes could
    not be read."""
    beat = bar.meter.beat_length
    plain = (3, 6, 12) if bar.meter.is_compound else (1, 3, 6) if chart.feel == "swing 8ths" else (1, 2, 4, 8, 3, 6)
    parts = math.lcm(plain[0], *((m / beat).denominator for m in moments))
    return beat / parts if parts in plain else None


def _as_triplets(chart: Chart, bar: Bar, beat: tuple[Note, ...]) -> tuple[Note, ...]:
    """Notes of one beat whose swung eighths, if it has them, are written as the outer two of a triplet."""
    length = bar.meter.beat_length
    share = lambda n: (n.position + bar.missing) / length % 1
    off_beat = any(share(n) == Fraction(1, 2) and not instrument(n.instrument).is_foot for n in beat)
    if chart.feel != "swing 8ths" or bar.meter.is_compound or not off_beat:
        return beat
    third = length / 6
    return tuple(
        replace(n, position=n.position + third, deviation_s=0.0) if share(n) == Fraction(1, 2) else n for n in beat
    )


#: By how many parts of the beat notes may be displaced, and the finest grid on which they must lie then, of simple
#: and of compound beats.
_DISPLACED_ON = ({2: 8, 3: 3}, {3: 12})


def _displaced(parts: int) -> Rule:
    """Everything later by one of so many parts of the beat; what passes the bar line comes in at its beginning.

    Nothing where notes would fall between those of their own grid: by half a beat on triplets, by a third on 16ths.
    """

    def rule(chart: Chart, bar_index: int, notes: tuple[Note, ...]) -> tuple[Note, ...]:
        bar = chart.time_map.bars[bar_index]
        beat = bar.meter.beat_length
        grid = _DISPLACED_ON[bar.meter.is_compound].get(parts)
        on_grid = grid and not any(grid % ((n.position + bar.missing) / beat).denominator for n in notes)
        if parts > 1 and not on_grid:
            return ()
        moved = (replace(n, position=(n.position + beat / parts) % bar.length, deviation_s=0.0) for n in notes)
        return tuple(sorted(moved, key=lambda n: n.position))

    return rule


#: Drills before the fill itself and after it: name, title, rules in order.
BEFORE: tuple[tuple[str, str, tuple[Rule, ...]], ...] = (
    ("one-drum", "its hands on one drum", (on_one_drum,)),
    ("accents", "on one drum, beats accented", (on_one_drum, accents_on_the_beats)),
    ("hands", "hands alone", (hands_only,)),
)
#: After it, each in the first way that can be read.
AFTER: tuple[tuple[tuple[str, str, tuple[Rule, ...]], ...], ...] = (
    (("doubled", "every stroke doubled", (doubled,)),),
    (
        ("displaced", "displaced by half a beat", (_displaced(2),)),
        ("displaced-third", "displaced by a third of a beat", (_displaced(3),)),
        ("displaced-beat", "displaced by a beat", (_displaced(1),)),
    ),
)
DRILLS = {name: rules for name, _, rules in (*BEFORE, *chain(*AFTER))}


def drills_of(chart: Chart, bars: Sequence[tuple[int, tuple[Note, ...]]], after: bool) -> list[tuple[str, str]]:
    """Names and titles of the drills that make something new of a fill's bars and their notes.

    Examples
    --------
    >>> from workbench.chart.meter import TimeMap
    >>> fill = WrittenBar(tuple(Note(Fraction(k, 16), "snare" if k < 8 else "high tom") for k in range(16)))
    >>> chart = Chart(TimeMap.steady(1, 100), (fill,))
    >>> [name for name, _ in drills_of(chart, [(0, fill.notes)], after=False)]
    ['one-drum', 'accents']
    """
    look = lambda rules: tuple(WrittenBar(ruled(chart, k, notes, rules)).content for k, notes in bars)
    seen, out = [look(())], []
    for ways in AFTER if after else ((drill,) for drill in BEFORE):
        for name, title, rules in ways:
            made = look(rules)
            if any(made) and all(bar or not notes for bar, (_, notes) in zip(made, bars)) and made not in seen:
                seen.append(made)
                out.append((name, title))
                break
    return out
