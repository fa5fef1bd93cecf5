"""Swing on paper: straight eighths under a swing mark, or triplets written out."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from workbench.chart import Chart, Note, WrittenBar
from workbench.grouping import grouped


def write_out_swing(chart: Chart) -> Chart:
    """The same part with its swing written as triplets, to be read straight.

    In every stretch (a beat for swung eighths, an eighth for swung
    sixteenths) that holds nothing but its halves and thirds, the second half
    moves to the last third.  Strokes stay where they were heard.  In 6/8 or 7/8
    eighths do not swing.

    Examples
    --------
    >>> from workbench.chart.meter import TimeMap
    >>> bar = WrittenBar((Note(Fraction(0), "ride"), Note(Fraction(1, 8), "ride")))
    >>> swung = Chart(TimeMap.steady(1, 120), (bar,), feel="swing 8ths")
    >>> [str(n.position) for n in write_out_swing(swung).bars[0].notes]
    ['0', '1/6']
    """
    if chart.feel == "straight":
        return chart
    bars = tuple(_write_out(chart, k) for k in range(len(chart)))
    return replace(chart, bars=bars, feel="straight")


def _write_out(chart: Chart, bar_index: int) -> WrittenBar:
    timed, written = chart.time_map.bars[bar_index], chart.bars[bar_index]
    length = timed.meter.beat_length * timed.meter.swung_pair(chart.feel)
    if not length:
        return written
    stretches = grouped(((n.position + timed.missing) // length, n) for n in written.notes)
    notes: list[Note] = []
    for number, inside in stretches.items():
        start = number * length - timed.missing
        parts = {(n.position - start) / length for n in inside}
        swings = parts <= {Fraction(0), Fraction(1, 3), Fraction(1, 2), Fraction(2, 3)}
        halves, thirds = Fraction(1, 2) in parts, Fraction(2, 3) in parts
        for n in inside:
            if swings and halves and not thirds and (n.position - start) / length == Fraction(1, 2):
                n = _moved(chart, bar_index, n, start + length * Fraction(2, 3))
            notes.append(n)
    parts_of_beats = tuple(
        _grid(parts, [n.position - start for n in notes if start <= n.position < start + span], timed.meter.beat_length)
        for parts, (start, span) in zip(chart.subdivisions(bar_index), timed.beat_spans())
    )
    if {n.position for n in notes} == {n.position for n in written.notes}:
        return written
    return replace(written, notes=tuple(notes), subdivisions=parts_of_beats)


def _moved(chart: Chart, bar_index: int, n: Note, position: Fraction) -> Note:
    heard_s = chart.note_time_s(bar_index, n)
    return replace(n, position=position, deviation_s=heard_s - chart.time_map.seconds(bar_index, position))


def _grid(parts: int, offsets: list[Fraction], beat: Fraction) -> int:
    """Grid parts of a beat that hold its notes, the given ones if they do."""
    for candidate in (parts, 3, 6, 9, 12):
        if all((x / beat * candidate).denominator == 1 for x in offsets):
            return candidate
    return parts
