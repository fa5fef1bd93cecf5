"""From played strokes to written positions.

No stroke is rounded alone.  Every beat gets one subdivision, and the sequence
of subdivisions over the song is found by dynamic programming: strokes off the
grid, fine or odd subdivisions, and changes of subdivision all cost (in the
spirit of E. Cambouropoulos, *From MIDI to traditional musical notation*, AAAI
workshop 2000, and C. Raphael, *A hybrid graphical model for rhythmic parsing*,
Artificial Intelligence 137, 2002).  What a beat has in common with the same
beat of neighbouring bars is heard as played several times: deviations are
averaged before anything is decided.

A song that swings is written straight under the feel 'swing 8ths' (or
'16ths'), each note keeping its deviation, as charts do (common practice, no
source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.edits import SetTimeMap
from workbench.chart.events import Stroke
from workbench.chart.meter import TimeMap
from workbench.chart.ornaments import GraceGroup, join_grace_strokes

#: How far strokes scatter about their place: seconds, and parts of the beat.
SCATTER_S, SCATTER_BEATS = 0.014, 0.022

#: No stroke costs more than this, so that a false one cannot bend the grid.
WORST_MISFIT = 6.0

#: What it costs to divide a beat in so many parts.
SIMPLE_COSTS = {1: 0.0, 2: 0.4, 4: 1.0, 3: 1.8, 6: 5.0, 8: 6.5}
COMPOUND_COSTS = {1: 0.0, 3: 0.3, 6: 1.0, 2: 3.2, 4: 3.8, 12: 6.5}

#: What sixteenths and thirty-seconds cost more where eighths swing.
SWUNG_DUPLE = {4: 2.0, 8: 2.0}

#: What it costs to go from duple to triple division or back, and to change otherwise.
CHANGE_KIND, CHANGE = 1.2, 0.15

#: What it costs that two strokes of an instrument fall on one place.
COLLISION = 4.0

#: Bars on either side in which repetitions of a beat are looked for.
REPEATS_WITHIN_BARS = 16

#: Where the second eighth of a swung beat is looked for, in parts of the beat.
SWING_RATIOS = (0.58, 0.60, 0.62, 0.64, 0.66, 0.68, 0.70, 0.72, 0.74)

#: Beyond this ratio it is a dotted rhythm, or no swing at all.
MOST_SWUNG = {"swing 8ths": 0.72, "swing 16ths": 0.68}

#: Beyond this tempo (quarters a minute) eighths or sixteenths can't be told as swung
#: (common practice, no source).
FASTEST_SWING_BPM = {"swing 8ths": 300.0, "swing 16ths": 140.0}

#: How much better a swung reading must fit, a beat with off-beats.
SWING_MARGIN = 0.25


@dataclass(frozen=True)
class Quantized:
    """Written bars of a song.

    Attributes
    ----------
    bars : tuple of WrittenBar
        One for each bar of the time map.
    feel : str
        From :data:`workbench.chart.FEELS`.
    swing_ratio : float
        Where the off-beat eighth (or sixteenth) is played, in parts of the
        beat (or eighth); 0.5 is straight.
    """

    bars: tuple[WrittenBar, ...]
    feel: str
    swing_ratio: float


@dataclass(frozen=True)
class _Span:
    """One counted beat of the song."""

    bar_index: int
    start: Fraction  # from the bar line
    length: Fraction  # shorter than the beat in a pick-up bar
    beat: Fraction
    compound: bool
    seconds: float

    @property
    def cut(self) -> float:
        """Part of the beat that a pick-up bar lacks."""
        return float(1 - self.length / self.beat)


def quantize(strokes: Sequence[Stroke], time_map: TimeMap, feel: str | None = None) -> Quantized:
    """Written positions of played strokes.

    Parameters
    ----------
    strokes : sequence of Stroke
    time_map : TimeMap
        Strokes further than half a beat outside it are left out.
    feel : str, optional
        From :data:`workbench.chart.FEELS`; found from the strokes if left out.

    Returns
    -------
    Quantized
        No bar holds two notes of an instrument at one position: flams and drags
        become one note (:mod:`workbench.chart.ornaments`), others go to neighbouring places.

    Examples
    --------
    >>> from workbench.chart.meter import TimeMap
    >>> played = [Stroke(0.01, "kick"), Stroke(0.26, "kick"), Stroke(0.49, "snare")]
    >>> bars = quantize(played, TimeMap.steady(1, 120)).bars
    >>> [(str(n.position), n.instrument) for n in bars[0].notes]
    [('0', 'kick'), ('1/8', 'kick'), ('1/4', 'snare')]
    """
    spans = _spans(time_map)
    events = join_grace_strokes(strokes, time_map)
    beats = _place(events, spans, time_map)
    smooth = _average_repeats(beats, events, spans)
    readings = {}
    if feel in (None, "straight"):
        readings["straight", 0.5] = None
    for swung in ("swing 8ths", "swing 16ths"):
        if feel == swung or (feel is None and _may_swing(smooth, spans, swung)):
            for ratio in SWING_RATIOS:
                readings[swung, ratio] = None
    for name, ratio in readings:
        readings[name, ratio] = _divide(beats, smooth, events, spans, name, ratio)
    margin = {"straight": 0.0}
    margin |= {swung: SWING_MARGIN * _offbeats(smooth, swung) for swung in ("swing 8ths", "swing 16ths")}

    def cost(reading):
        return readings[reading][0] + margin[reading[0]]

    fitting = [
        min((r for r in readings if r[0] == name), key=cost) for name in dict.fromkeys(name for name, _ in readings)
    ]
    if feel is None:
        fitting = [r for r in fitting if r[1] <= MOST_SWUNG.get(r[0], 0.5)]
    best = min(fitting, key=cost)
    divisions = readings[best][1]
    bars = _write(beats, smooth, events, spans, divisions, best, time_map)
    return Quantized(tuple(bars), best[0], best[1])


def _spans(time_map: TimeMap) -> list[_Span]:
    out = []
    for k, bar in enumerate(time_map.bars):
        ends = (*bar.beat_times_s[1:], time_map.bar_end_s(k))
        for (start, length), a, b in zip(bar.beat_spans(), bar.beat_times_s, ends):
            out.append(
                _Span(
                    k,
                    start,
                    length,
                    bar.meter.beat_length,
                    bar.meter.is_compound,
                    (b - a) / float(length / bar.meter.beat_length),
                )
            )
    return out


def _place(events: Sequence[GraceGroup], spans: Sequence[_Span], time_map: TimeMap) -> list[list[tuple[int, float]]]:
    """For each beat, its events with their place in it (0 to 1, in parts of the beat)."""
    beats: list[list[tuple[int, float]]] = [[] for _ in spans]
    if not events:
        return beats
    starts = np.array([float(time_map.starts[s.bar_index] + s.start) for s in spans])
    at = time_map.whole_notes_at(np.array([e.stroke.time_s for e in events]))
    index = np.clip(np.searchsorted(starts, at, side="right") - 1, 0, len(spans) - 1)
    for k, (i, notes) in enumerate(zip(index, at)):
        span = spans[i]
        place = (notes - starts[i]) / float(span.beat) + span.cut
        if -0.5 < place - span.cut and place < 1.5:
            beats[i].append((k, float(np.clip(place, span.cut, 1.0))))
    return beats


def _average_repeats(beats, events, spans) -> list[list[float]]:
    """Place of each event averaged with its repetitions in neighbouring bars.

    A repetition is a stroke of the same instrument on the same beat of another
    bar, less than a twelfth of a beat away.
    """
    near: dict[tuple, list[tuple[int, float]]] = {}
    for i, inside in enumerate(beats):
        for k, place in inside:
            key = (spans[i].start, spans[i].beat, events[k].stroke.instrument)
            near.setdefault(key, []).append((spans[i].bar_index, place))
    arrays = {key: np.array(sorted(values)) for key, values in near.items()}
    out = []
    for i, inside in enumerate(beats):
        row = []
        for k, place in inside:
            values = arrays[(spans[i].start, spans[i].beat, events[k].stroke.instrument)]
            bar = spans[i].bar_index
            a, b = np.searchsorted(values[:, 0], (bar - REPEATS_WITHIN_BARS, bar + REPEATS_WITHIN_BARS + 1))
            close = values[a:b, 1]
            close = close[np.abs(close - place) < 1 / 12]
            # The stroke itself weighs as much as all its repetitions.
            row.append(0.5 * place + 0.5 * float(close.mean()))
        out.append(row)
    return out


def _targets(parts: int, feel: str, ratio: float) -> np.ndarray:
    """Where the grid places of a beat are played, in parts of the beat, end included."""
    grid = np.arange(parts + 1) / parts
    if feel == "swing 8ths" and parts in (2, 4):
        return np.interp(grid, (0.0, 0.5, 1.0), (0.0, ratio, 1.0))
    if feel == "swing 16ths" and parts == 4:
        return np.interp(grid, (0.0, 0.25, 0.5, 0.75, 1.0), (0.0, ratio / 2, 0.5, 0.5 + ratio / 2, 1.0))
    return grid


def _costs(compound: bool, feel: str) -> dict[int, float]:
    if compound:
        return COMPOUND_COSTS
    if feel == "swing 8ths":
        return {parts: cost + SWUNG_DUPLE.get(parts, 0.0) for parts, cost in SIMPLE_COSTS.items()}
    return SIMPLE_COSTS


def _is_triple(parts: int, compound: bool) -> bool:
    return parts in (2, 4) if compound else parts in (3, 6)


def _divide(beats, smooth, events, spans, feel: str, ratio: float) -> tuple[float, list[int]]:
    """Cheapest sequence of subdivisions: total cost and one subdivision a beat."""
    total: dict[int, float] = {}
    back: list[dict[int, int]] = []
    compound_before = False
    for i, inside in enumerate(beats):
        span = spans[i]
        costs = _costs(span.compound, feel)
        scatter = np.hypot(SCATTER_S / max(span.seconds, 0.05), SCATTER_BEATS)
        places = np.array(smooth[i])
        raw = np.array([p for _, p in inside])
        names = [events[k].stroke.instrument for k, _ in inside]
        trust = np.array([events[k].stroke.confidence for k, _ in inside])
        now: dict[int, float] = {}
        steps: dict[int, int] = {}
        for parts, price in costs.items():
            own = 0.0
            if len(places):
                targets = _targets(parts, feel, ratio)
                column = np.abs(places[:, None] - targets).argmin(axis=1)
                misfit = np.square((places - targets[column]) / scatter) / 2
                own = price + float((trust * np.minimum(misfit, WORST_MISFIT)).sum())
                pairs = list(zip(names, column.tolist()))
                own += COLLISION * (len(pairs) - len(set(pairs)))
            elif parts > 1:
                continue
            if not total:
                now[parts] = own
                continue
            triple = _is_triple(parts, span.compound)
            best, source = np.inf, 1
            for before, so_far in total.items():
                change = 0.0
                if before != parts and before != 1 and parts != 1:
                    odd = triple != _is_triple(before, compound_before)
                    change = CHANGE_KIND if odd else CHANGE
                if so_far + change < best:
                    best, source = so_far + change, before
            now[parts], steps[parts] = best + own, source
        total = now
        back.append(steps)
        compound_before = span.compound
        del raw
    parts = min(total, key=total.get)
    cost = total[parts]
    out = [parts]
    for steps in reversed(back[1:]):
        parts = steps[parts]
        out.append(parts)
    return cost, out[::-1]


def _offbeats(smooth, feel: str) -> int:
    """Number of beats with a stroke where this feel would move it."""

    def moved(place: float) -> bool:
        if feel == "swing 8ths":
            return 0.4 < place < 0.8
        return 0.15 < place < 0.45 or 0.65 < place < 0.95

    return sum(any(moved(p) for p in row) for row in smooth)


def _may_swing(smooth, spans, feel: str) -> bool:
    """Whether a song has the off-beats, and the tempo, to swing so."""
    simple = [s.seconds for s in spans if not s.compound]
    if not simple:
        return False
    fast = 60.0 / float(np.median(simple)) > FASTEST_SWING_BPM[feel]
    return not fast and _offbeats(smooth, feel) >= max(6, 0.15 * len(spans))


#: Grid columns a beat is shown with, for each subdivision it needs.
_SHOWN = {False: {1: 4, 2: 4, 4: 4, 3: 3, 6: 6, 8: 8}, True: {1: 6, 3: 6, 6: 6, 2: 2, 4: 4, 12: 12}}


def _write(beats, smooth, events, spans, divisions, reading, time_map) -> list[WrittenBar]:
    """Notes at the grid places nearest to their strokes, none on another."""
    count = len(time_map.bars)
    notes: list[dict[tuple[Fraction, str], Note]] = [{} for _ in range(count)]
    shown: list[list[int]] = [[] for _ in range(count)]
    for i, parts in enumerate(divisions):
        shown[spans[i].bar_index].append(_SHOWN[spans[i].compound][parts])
    # Strokes nearest to their place choose first.
    wishes = []
    for i, inside in enumerate(beats):
        targets = _targets(divisions[i], *reading)
        for (k, _), place in zip(inside, smooth[i]):
            distance = np.abs(targets - place)
            wishes.append((float(distance.min()), i, k, np.argsort(distance)[:3]))
    wishes.sort(key=lambda w: (w[0], w[1], w[2]))
    for _, i, k, columns in wishes:
        event = events[k]
        stroke = event.stroke
        for column in columns:
            where = _position(spans, i, int(column), divisions[i], time_map)
            if where is None:
                continue
            bar_index, position = where
            key = (position, stroke.instrument)
            if key in notes[bar_index]:
                continue
            written_s = time_map.seconds(bar_index, position)
            notes[bar_index][key] = Note(
                position,
                stroke.instrument,
                stroke.velocity,
                frozenset({event.sign}) if event.sign else frozenset(),
                deviation_s=stroke.time_s - written_s,
                confidence=stroke.confidence,
            )
            break
    out = []
    for k in range(count):
        default = 6 if time_map.bars[k].meter.is_compound else 4
        divided = tuple(shown[k]) if any(s != default for s in shown[k]) else ()
        out.append(WrittenBar(tuple(notes[k].values()), divided))
    return out


def _position(spans, i: int, column: int, parts: int, time_map: TimeMap) -> tuple[int, Fraction] | None:
    """Bar and exact position of a grid column; None outside the song."""
    span = spans[i]
    if column == parts:
        if i + 1 == len(spans):
            return None
        return spans[i + 1].bar_index, spans[i + 1].start
    inside = Fraction(column, parts) * span.beat - (span.beat - span.length)
    if inside < 0:
        return None
    return span.bar_index, span.start + inside


def requantize(chart: Chart, time_map: TimeMap, feel: str | None = None) -> SetTimeMap:
    """The edit that lays a chart on a corrected time map.

    Notes that no user has confirmed are quantized anew from when they were
    heard.  Confirmed notes keep everything a user may have set, and their
    written place in time; bars that the new map leaves as they were are kept
    as written.

    Parameters
    ----------
    chart : Chart
    time_map : TimeMap
    feel : str, optional
        As in :func:`quantize`; the chart's own if left out.
    """
    kept = _unchanged_bars(chart.time_map, time_map)
    taken_old = set(kept.values())
    free: list[Stroke] = []
    attributes: dict[tuple[float, str], Note] = {}
    confirmed: list[tuple[float, Note]] = []
    for bar_index, note in chart.notes():
        if bar_index in taken_old:
            continue
        if note.confirmed:
            confirmed.append((chart.time_map.seconds(bar_index, note.position), note))
            continue
        heard = Stroke(chart.note_time_s(bar_index, note), note.instrument, note.velocity, note.confidence)
        free.append(heard)
        attributes[heard.time_s, note.instrument] = note
    laid = quantize(free, time_map, feel or chart.feel)
    bars = []
    for k, bar in enumerate(laid.bars):
        if k in kept:
            bars.append(chart.bars[kept[k]])
            continue
        notes = []
        for note in bar.notes:
            heard_s = time_map.seconds(k, note.position) + note.deviation_s
            before = attributes.get((heard_s, note.instrument)) or _nearest(attributes, heard_s, note.instrument)
            notes.append(
                replace(note, articulations=before.articulations | note.articulations, sticking=before.sticking)
            )
        bars.append(replace(bar, notes=tuple(notes)))
    for written_s, note in confirmed:
        bar_index, position = _exact_place(time_map, written_s, bars)
        heard_s = written_s + note.deviation_s
        moved = replace(note, position=position, deviation_s=heard_s - time_map.seconds(bar_index, position))
        bars[bar_index] = bars[bar_index].with_note(moved)
    return SetTimeMap(time_map, tuple(bars))


def _nearest(attributes, heard_s: float, name: str) -> Note:
    key = min((k for k in attributes if k[1] == name), key=lambda k: abs(k[0] - heard_s))
    return attributes[key]


def _unchanged_bars(old: TimeMap, new: TimeMap) -> dict[int, int]:
    """New bar index → old bar index, for bars that begin, beat and end alike."""

    def shape(time_map: TimeMap, k: int):
        bar = time_map.bars[k]
        return (bar.meter, bar.length, bar.beat_times_s, time_map.bar_end_s(k))

    before = {shape(old, k): k for k in range(len(old))}
    return {k: before[shape(new, k)] for k in range(len(new)) if shape(new, k) in before}


def _exact_place(time_map: TimeMap, time_s: float, bars) -> tuple[int, Fraction]:
    """Bar and exact position of a written moment on another time map."""
    place = time_map.place(time_s)
    k, position = place.bar_index, max(place.position, 0.0)
    beat = time_map.bars[k].meter.beat_length
    exact = Fraction(position / float(beat)).limit_denominator(24) * beat
    if abs(float(exact) - position) > 1e-4:
        grid = Chart(time_map, tuple(bars)).grid_positions(k)
        exact = min((*grid, time_map.bars[k].length), key=lambda p: abs(float(p) - position))
    if exact >= time_map.bars[k].length:
        if k + 1 < len(time_map.bars):
            return k + 1, Fraction(0)
        exact = Chart(time_map, tuple(bars)).grid_positions(k)[-1]
    return k, exact
