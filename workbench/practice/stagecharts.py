"""The notes of a stage, as a chart of its own."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.drumkit import instrument
from workbench.chart.meter import Bar, TimeMap
from workbench.errors import ChartError
from workbench.practice.drills import DRILLS
from workbench.practice.easier import EASIER, Rule, ruled
from workbench.practice.stages import Stage
from workbench.practice.tempi import original_tempo_bpm
from workbench.reading.part_reading import PartReading
from workbench.reading.sticking import sticking_edit

#: What a stage makes of its bars, by name; "" is the bars themselves.
VERSIONS: dict[str, tuple[Rule, ...]] = {"": (), **EASIER, **DRILLS}


def stage_chart(chart: Chart, stage: Stage, tempo_bpm: float, crash_every: int = 0) -> Chart:
    """A stage as a chart of its own at a steady tempo.

    The feel (deviations) is kept in proportion to the tempo.  A pick-up at the
    beginning becomes a full bar whose beginning rests.

    Parameters
    ----------
    tempo_bpm : float
        Counted beats a minute.
    crash_every : int, bars
        A crash on 1 marks the phrase; the bars are repeated to fill it.
    """
    original = original_tempo_bpm(chart, stage.bars)
    bars = stage.bars
    if crash_every and stage.loop:
        bars = bars * (int(np.lcm(len(bars), crash_every)) // len(bars))
    timed, written, now_s = [], [], 0.0
    for place, k in enumerate(bars):
        meter = chart.time_map.bars[k].meter
        beat_s = 60.0 / tempo_bpm
        full = Bar(meter, tuple(now_s + b * beat_s for b in range(-(-meter.bar_length // meter.beat_length))))
        timed.append(full)
        bar_s = float(meter.bar_length / meter.beat_length) * beat_s
        written.append(
            _stage_bar(chart, stage, k, original / tempo_bpm, crash=bool(crash_every) and place % crash_every == 0)
        )
        now_s += bar_s
    pocket = chart.pocket.at_speed(tempo_bpm / original)
    return Chart(
        TimeMap(timed, now_s), tuple(written), chart.title, chart.artist, kit=chart.kit, feel=chart.feel, pocket=pocket
    )


def _stage_bar(chart: Chart, stage: Stage, bar_index: int, slower: float, crash: bool) -> WrittenBar:
    own, timed = chart.bars[bar_index], chart.time_map.bars[bar_index]
    notes = [
        replace(n, position=n.position + timed.missing, deviation_s=n.deviation_s * slower)
        for n in stage_notes(chart, stage, bar_index)
    ]
    if crash and not any(n.instrument == "crash" and n.position == 0 for n in notes):
        notes = [
            n
            for n in notes
            if n.position > 0 or instrument(n.instrument).family != "hi-hat" or instrument(n.instrument).is_foot
        ]
        notes.append(Note(Fraction(0), "crash", 105))
    beats = int(timed.missing // timed.meter.beat_length)
    subdivisions = (4,) * beats + own.subdivisions if own.subdivisions and beats else own.subdivisions
    return WrittenBar(tuple(notes), subdivisions)


def recorded_stage_chart(chart: Chart, stage: Stage, speed: float) -> Chart:
    """A stage as a chart that lies on its excerpt of the recording at another speed."""
    first, last = stage.bars[0], stage.bars[-1]
    if stage.bars != tuple(range(first, last + 1)):
        raise ChartError("Only consecutive bars lie on the recording.")
    origin_s = chart.time_map.bar_start_s(first)
    timed = [
        replace(b, beat_times_s=tuple((t - origin_s) / speed for t in b.beat_times_s))
        for b in chart.time_map.bars[first : last + 1]
    ]
    written = tuple(
        WrittenBar(
            tuple(replace(n, deviation_s=n.deviation_s / speed) for n in stage_notes(chart, stage, k)),
            chart.bars[k].subdivisions,
        )
        for k in stage.bars
    )
    end_s = (chart.time_map.bar_end_s(last) - origin_s) / speed
    pocket = chart.pocket.at_speed(speed)
    return Chart(
        TimeMap(timed, end_s), written, chart.title, chart.artist, kit=chart.kit, feel=chart.feel, pocket=pocket
    )


def stage_notes(chart: Chart, stage: Stage, bar_index: int) -> list[Note]:
    """The notes of one bar that a stage plays."""
    own = chart.bars[bar_index].notes
    if stage.only is not None:
        own = tuple(n for n in own if stage.only.covers(bar_index, n.position))
    made = ruled(chart, bar_index, own, VERSIONS[stage.version])
    return [n for n in made if stage.instruments is None or n.instrument in stage.instruments]


def with_sticking(reading: PartReading) -> Chart:
    """The chart with the sticking of its reading written in, where it has none."""
    return sticking_edit(reading.chart, reading.sticking).apply(reading.chart)
