"""A chart written on other bars: what was heard stays where it was heard.

Every stroke of the recording keeps its time; only its written place changes.  Notes that were never heard
(written by hand in silence, imported) keep their place from the lines.  Confirmed notes stay confirmed.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache

import numpy as np

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.chart import ON_TIME_S
from workbench.chart.events import Stroke
from workbench.chart.meter import Meter, TimeMap
from workbench.chart.quantizer import written_places
from workbench.chart.rebarring import Rebarring

#: Steps of a beat at which a note is written whose own place is taken: eighths of it, and thirds of those.
FINEST_STEPS = 24
#: Two ends as near as this are one, seconds.
SAME_END_S = 1e-3
#: Grids of a beat, coarsest first, in the order in which a beat of notes is tried on them; simple and compound.
_BEAT_GRIDS = {False: (4, 3, 6, 8, 12, 24), True: (6, 4, 12, 24)}


def is_heard(chart: Chart, note: Note) -> bool:
    """Whether a note is a stroke of the recording, and not only written."""
    return chart.recording is not None and (not note.confirmed or note.deviation_s != 0.0)


def rewrite(chart: Chart, new: Rebarring) -> tuple[TimeMap, tuple[WrittenBar, ...]]:
    """A chart's notes written on other bars: the time map and the bars.

    Where the new bars keep the beats (``new.keeps_rhythm``) the written rhythm stays and only the bar lines are
    others; where they do not, what was heard is quantized anew.
    """
    time_map = new.time_map
    same = _unchanged_bars(chart.time_map, time_map)
    kept = {} if new.keeps_rhythm else same
    stays = {old: k for k, old in kept.items()}
    notes = list(chart.notes())
    moments = chart.time_map.seconds_of([(k, n.position) for k, n in notes])
    times_s: list[float] = (moments + np.array([n.deviation_s for _, n in notes])).tolist()
    heard = [is_heard(chart, n) for _, n in notes]
    anew = [h and k not in stays and not new.keeps_rhythm for h, (k, _) in zip(heard, notes)]
    wished = {} if new.keeps_rhythm else _quantized(chart, time_map, notes, times_s, heard)
    places: list[tuple[int, Fraction]] = [(0, Fraction(0))] * len(notes)
    taken: list[set[tuple[Fraction, str]]] = [set() for _ in time_map.bars]
    # Those that keep a place of their own first: only who comes to a taken one has to move.
    for i in sorted(range(len(notes)), key=lambda i: (notes[i][0] not in stays, not heard[i], i not in wished)):
        k, note = notes[i]
        here = (stays[k], note.position) if k in stays else new.place(k, note.position)
        place = wished.get(i) if anew[i] else here
        bar_index, position = _free(time_map, taken, note.instrument, place or _nearest(time_map, times_s[i]))
        places[i] = bar_index, position
        taken[bar_index].add((position, note.instrument))
    own: list[list[Note]] = [[] for _ in time_map.bars]
    for (k, note), (bar_index, position), time_s, at_s, h in zip(
        notes, places, times_s, time_map.seconds_of(places).tolist(), heard
    ):
        deviation_s = note.deviation_s if k in stays else (time_s - at_s or ON_TIME_S) if h else 0.0
        own[bar_index].append(note.placed(position, deviation_s))
    sound_s = chart.time_map.end_s if chart.recording is None else chart.recording.duration_s
    end_s = np.inf if new.keeps_end else min(chart.time_map.end_s, sound_s)
    ended = bool(chart.bars[-1].notes)
    while (
        len(own) > 1
        and not own[-1]
        and (
            _middle_s(time_map, len(time_map) - 1) > end_s
            or ended
            and not new.keeps_end
            and time_map.end_s > chart.time_map.end_s + SAME_END_S
        )
    ):
        own.pop()  # what the song's end left over is no bar
        time_map = TimeMap(time_map.bars[:-1], time_map.bars[-1].beat_times_s[0])
    bars = []
    for k, (written, timed) in enumerate(zip(own, time_map.bars)):
        positions = frozenset(n.position for n in written)
        shown = chart.bars[kept[k]].subdivisions if k in kept else _shown(timed.meter, timed.length, positions)
        bars.append(WrittenBar(tuple(written), shown, done=k in same and chart.bars[same[k]].done))
    return time_map, tuple(bars)


def _quantized(
    chart: Chart, time_map: TimeMap, notes: Sequence[tuple[int, Note]], times_s: Sequence[float], heard: Sequence[bool]
) -> dict[int, tuple[int, Fraction]]:
    """Place of each heard note by its number in ``notes``, those left out that the quantizer joined to others."""
    in_order = sorted((times_s[i], notes[i][1].instrument, i) for i in range(len(notes)) if heard[i])
    number = {Stroke(t, name, notes[i][1].velocity, notes[i][1].confidence): i for t, name, i in in_order}
    found: dict[int, tuple[int, Fraction]] = {}
    feel = chart.feel if time_map.swings(chart.feel) else "straight"
    for group, k, position in written_places(list(number), time_map, feel) if number else ():
        stroke = next(s for s in group.strokes if s.time_s == group.stroke.time_s)
        found[number[stroke]] = (k, position)
    return found


def _middle_s(time_map: TimeMap, bar_index: int) -> float:
    return (time_map.bar_start_s(bar_index) + time_map.bar_end_s(bar_index)) / 2


def _unchanged_bars(old: TimeMap, new: TimeMap) -> dict[int, int]:
    """New bar index → old bar index, for bars that begin, beat and end alike."""

    def shape(time_map: TimeMap, k: int) -> tuple:
        bar = time_map.bars[k]
        return (bar.meter, bar.length, *(round(t, 6) for t in (*bar.beat_times_s, time_map.bar_end_s(k))))

    before = {shape(old, k): k for k in range(len(old))}
    return {k: before[shape(new, k)] for k in range(len(new)) if shape(new, k) in before}


def _nearest(time_map: TimeMap, time_s: float) -> tuple[int, Fraction]:
    """The place at a moment, on the finest grid."""
    place = time_map.place(time_s)
    bar = time_map.bars[place.bar_index]
    step = bar.meter.beat_length / FINEST_STEPS
    return place.bar_index, min(max(round(place.position / float(step)), 0) * step, bar.length - step)


def _free(
    time_map: TimeMap, taken: Sequence[set[tuple[Fraction, str]]], name: str, place: tuple[int, Fraction]
) -> tuple[int, Fraction]:
    """The place itself, or the nearest free one of its bar on the finest grid: no note is lost to another."""
    k, wished = place
    if (wished, name) not in taken[k]:
        return place
    bar = time_map.bars[k]
    step = bar.meter.beat_length / FINEST_STEPS
    places = (n * step for n in range(int(bar.length / step)))
    return k, min((p for p in places if (p, name) not in taken[k]), key=lambda p: abs(p - wished))


@lru_cache(maxsize=4096)
def _shown(meter: Meter, length: Fraction, places: frozenset[Fraction]) -> tuple[int, ...]:
    """Subdivision of each beat of a bar: the coarsest grid that holds its notes."""
    beat, grids = meter.beat_length, _BEAT_GRIDS[meter.is_compound]
    starts = meter.beat_positions(length)
    out = []
    for start, end in zip(starts, (*starts[1:], length)):
        # A beat cut short by a pick-up ends with the beat.
        from_end = [(end - p) / beat for p in places if start <= p < end]
        out.append(next((g for g in grids if all((f * g).denominator == 1 for f in from_end)), FINEST_STEPS))
    return tuple(out) if any(g != grids[0] for g in out) else ()
