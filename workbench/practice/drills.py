"""Exercises drawn from a fill: its hands on one drum, accents, without the feet, doubled, displaced.

What they train is what a fill asks for (hands, dynamics, place in the bar), away from its moves round the kit.  All
are common practice of teaching, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.drumkit import instrument
from workbench.grouping import grouped
from workbench.practice.easier import ORNAMENTS, Rule, ruled

#: Velocities of accents and of the strokes between them, dynamics wide apart (chosen by ear, no source).
ACCENTED, BETWEEN = 115, 55

#: The shortest note that a doubled stroke makes, in whole notes.
SHORTEST = Fraction(1, 64)


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
    """Every stroke of the hands twice in its time, by the same hand; the feet as they are."""
    hands = hands_only(chart, bar_index, notes)
    moments = sorted({n.position for n in hands})
    gaps = [b - a for a, b in zip(moments, moments[1:])]
    ends = dict(zip(moments, [*gaps, gaps[-1] if gaps else Fraction(1, 8)]))
    length = chart.time_map.bars[bar_index].length
    again = tuple(
        replace(n, position=n.position + half, articulations=n.articulations - ORNAMENTS)
        for n in hands
        if (half := ends[n.position] / 2) >= SHORTEST and n.position + half < length
    )
    return tuple(sorted((*notes, *again), key=lambda n: n.position))


def displaced(chart: Chart, bar_index: int, notes: tuple[Note, ...]) -> tuple[Note, ...]:
    """Half a beat later (of three parts, one); what passes the bar line comes in at its beginning."""
    bar = chart.time_map.bars[bar_index]
    step = bar.meter.beat_length / (3 if bar.meter.is_compound else 2)
    moved = (replace(n, position=(n.position + step) % bar.length) for n in notes)
    return tuple(sorted(moved, key=lambda n: n.position))


#: Drills before the fill itself and after it: name, title, rules in order.
BEFORE: tuple[tuple[str, str, tuple[Rule, ...]], ...] = (
    ("one-drum", "its hands on one drum", (on_one_drum,)),
    ("accents", "on one drum, beats accented", (on_one_drum, accents_on_the_beats)),
    ("hands", "hands alone", (hands_only,)),
)
AFTER: tuple[tuple[str, str, tuple[Rule, ...]], ...] = (
    ("doubled", "every stroke doubled", (doubled,)),
    ("displaced", "displaced by half a beat", (displaced,)),
)
DRILLS = {name: rules for name, _, rules in (*BEFORE, *AFTER)}


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
    for name, title, rules in AFTER if after else BEFORE:
        made = look(rules)
        if any(made) and made not in seen:
            seen.append(made)
            out.append((name, title))
    return out
