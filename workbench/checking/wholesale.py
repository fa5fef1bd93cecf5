"""What is wrong with a chart as a whole, which one correction mends: its tempo, level, meter, or where its 1 lies."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from workbench.alignment.alignedbars import Alignment
from workbench.alignment.alignedchart import write_on_recording
from workbench.chart import Chart
from workbench.listening.readings import BarReading

# Numbers whose origin is not named: chosen by eye, no source.
#: The bars of a recording are told against a chart's if they are at least so likely, and the chart's at most so.
SURE_BARS, UNLIKELY_BARS = 0.6, 0.1
#: Fewest bars found in the recording from which a chart as a whole is judged.
FEWEST_BARS = 4
#: A tempo further from the recording's than this share is another; from the second on it is told first.
OTHER_TEMPO, QUITE_OTHER_TEMPO = 0.03, 0.2
#: Two tempi are at one level within this share.
SAME_LEVEL = 0.08


def wrong_as_a_whole(chart: Chart, alignment: Alignment, readings: Sequence[BarReading]) -> tuple[str, ...]:
    """What to know before any single note: none where the bars of chart and recording are the same.

    Parameters
    ----------
    chart : Chart
    alignment : Alignment
    readings : sequence of BarReading
        Ways to read the bars of the recording, the likeliest first.
    """
    if len(alignment.played) < FEWEST_BARS:
        return ()
    heard = write_on_recording(chart, alignment)
    played_bpm, written_bpm = (_tempo_bpm(c) for c in (heard, chart))
    said = []
    if abs(played_bpm / written_bpm - 1) > QUITE_OTHER_TEMPO:
        said.append(tempo_words(written_bpm, played_bpm))
    own = BarReading(heard.time_map, 1.0)
    if not readings or readings[0].probability < SURE_BARS:
        return tuple(said)
    if sum(r.probability for r in readings if _same_bars(own, r)) > UNLIKELY_BARS:
        return tuple(said)
    first = readings[0]
    ratio = first.tempo_bpm / own.tempo_bpm
    if first.meter == own.meter and abs(ratio - 1) <= SAME_LEVEL:
        return (*said, _shift_words(first.shift_from(own), own.meter.counted_beats))
    if first.meter == own.meter and min(abs(ratio / 2 - 1), abs(2 * ratio - 1)) <= SAME_LEVEL:
        how = "half" if ratio > 1 else "twice"
        return (
            *said,
            f"The chart counts {how} as fast as the recording is heard: {own.tempo_bpm:.0f} beats a minute, not "
            f"{first.tempo_bpm:.0f}. If you hear it so, too, {'halve' if ratio > 1 else 'double'} its bars first.",
        )
    return (
        *said,
        f"The chart is written in {own.meter} at {own.tempo_bpm:.0f} beats a minute; the recording is heard in "
        f"{first.meter} at {first.tempo_bpm:.0f}. Settle the meter first: all that is said of places hangs on it.",
    )


def tempo_words(written_bpm: float, played_bpm: float) -> str:
    """That the recording is at another tempo than the chart says."""
    return f"The chart is marked {written_bpm:.0f} beats a minute; the recording plays it at {played_bpm:.0f}."


def other_tempo(chart: Chart, alignment: Alignment) -> tuple[str, ...]:
    """A tempo that is somewhat another than the recording's: for the remarks."""
    if len(alignment.played) < FEWEST_BARS:
        return ()
    played_bpm, written_bpm = _tempo_bpm(write_on_recording(chart, alignment)), _tempo_bpm(chart)
    small = OTHER_TEMPO < abs(played_bpm / written_bpm - 1) <= QUITE_OTHER_TEMPO
    return (tempo_words(written_bpm, played_bpm),) if small else ()


def _tempo_bpm(chart: Chart) -> float:
    return float(np.median([chart.time_map.tempo_bpm(k) for k in range(len(chart))]))


def _same_bars(own: BarReading, other: BarReading) -> bool:
    """Whether two readings are one to a user: meter, level, and where the 1 lies."""
    level = abs(np.log(other.tempo_bpm / own.tempo_bpm)) <= SAME_LEVEL
    return other.meter == own.meter and bool(level) and other.shift_from(own) == 0


def _shift_words(halves: int, beats: int) -> str:
    """What it means that the 1 heard lies so many half beats after the chart's."""
    late = halves <= beats
    halves = halves if late else 2 * beats - halves
    amount = {1: "half a beat", 2: "a beat"}.get(halves, f"{halves / 2:g} beats")
    return (
        f"Everything is written {amount} too {'late' if late else 'early'}: the 1 is heard {amount} "
        f"{'after' if late else 'before'} the chart's bar lines. Move the bar lines first, then look at the notes."
    )
