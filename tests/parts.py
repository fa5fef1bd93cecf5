"""Drum parts for tests, written as rows of signs, one row for each instrument.

``x`` a stroke, ``X`` an accent, ``o`` an open hi-hat or a ghost note, ``f`` a
flam, ``.`` nothing; a row divides its bar evenly.
"""

import random
from dataclasses import replace
from fractions import Fraction

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import Meter, TimeMap
from workbench.reading.grooves import base_written
from workbench.reading.part_reading import outside_fills

ROWS = {
    "C": "crash",
    "R": "ride",
    "B": "ride bell",
    "H": "closed hi-hat",
    "T": "high tom",
    "M": "mid tom",
    "F": "floor tom",
    "S": "snare",
    "X": "side stick",
    "K": "kick",
    "P": "pedal hi-hat",
}


FOUR_FOUR = Meter()


def bar(meter=FOUR_FOUR, **rows) -> WrittenBar:
    notes = []
    for row, signs in rows.items():
        for k, sign in enumerate(signs):
            if sign == ".":
                continue
            name = "open hi-hat" if row == "H" and sign == "o" else ROWS[row]
            said = {"X": {"accent"}, "f": {"flam"}, "o": {"ghost"} if row == "S" else set()}.get(sign, set())
            velocity = {"X": 115, "o": 35 if row == "S" else 80}.get(sign, 80)
            notes.append(Note(meter.bar_length * Fraction(k, len(signs)), name, velocity, frozenset(said)))
    return WrittenBar(tuple(notes))


def part(*bars, tempo_bpm=110.0, meter=FOUR_FOUR, **heading) -> Chart:
    """A chart of bars at one tempo."""
    return Chart(TimeMap.steady(len(bars), tempo_bpm, meter), tuple(bars), **heading)


def drummed(chart: Chart) -> Chart:
    """A part whose beats scatter as a drummer's do: of music of machines nothing drafted is told plainly."""
    rng, old = random.Random(3), chart.time_map
    bars = [replace(b, beat_times_s=tuple(t + rng.uniform(-0.015, 0.015) for t in b.beat_times_s)) for b in old.bars]
    return replace(chart, time_map=TimeMap(bars, old.end_s))


ROCK = bar(H="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x.......x.x.....")
RIDE = bar(R="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x.......x.x.....")
HALF = bar(R="x...x...x...x...", S="........x.......", K="x.....x....x..x.")
FILL = bar(H="x.x.............", S="....xxxx........", T="........xxxx....", F="............xxxx", K="x...............")
CRASHED = bar(C="x...............", H="..x.x.x.x.x.x.x.", S="....x.......x...", K="x.......x.x.....")
EMPTY = WrittenBar()


def rebuild(base, changes):
    """The bar that a base and its changes make."""
    for change in changes:
        base = (base - change.removed) | change.added
    return base


def rebuilt(reading, bar_index):
    """A bar from what a reading says of it: base, variations and fills."""
    own, content = reading.groove_at(bar_index), reading.chart.bars[bar_index].content
    base = base_written(reading.chart, own.groove.base_of(bar_index), bar_index) if own else frozenset()
    spans = [f.span for f in reading.fills]
    base = outside_fills(base, spans, bar_index)
    for variation in reading.variations:
        if bar_index in variation.bars:
            base = rebuild(base, variation.changes)
    return base | content - outside_fills(content, spans, bar_index)
