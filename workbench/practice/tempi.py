"""The tempi of an exercise: slow, medium and original, by the density of its strokes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from workbench.chart import Chart
from workbench.chart.drumkit import instrument
from workbench.errors import ChartError
from workbench.grouping import grouped
from workbench.notation.scoresigns import tempo_marks
from workbench.reading.patterns import busiest_per_s

#: Marks of a metronome, beats a minute: the scale of the pendulum kind (from memory).
METRONOME_MARKS = (
    *range(40, 60, 2), *range(60, 72, 3), *range(72, 120, 4), *range(120, 144, 6), *range(144, 209, 8)
)  # fmt: skip

# Numbers whose origin is not named: chosen by ear, no source.
#: Tempi may be asked for between these shares of the original.
SLOWEST_ASKED, FASTEST_ASKED = 0.25, 2.0

#: Hands' notes per second at which every stroke can still be watched, and the
#: rate above which a caution is given (common practice, no source).
WATCHABLE_PER_S = 4.0
STRAINING_PER_S = 9.0
#: The slow tempo lies between these shares of the original.
SLOWEST_SHARE, LEAST_SLOWING = 0.5, 0.8


def metronome_mark(tempo_bpm: float) -> int:
    """The mark nearest to a tempo; beyond the scale the tempo itself.

    Examples
    --------
    >>> metronome_mark(110.4), metronome_mark(117), metronome_mark(230)
    (112, 116, 230)
    """
    if not METRONOME_MARKS[0] <= tempo_bpm <= METRONOME_MARKS[-1]:
        return round(tempo_bpm)
    return min(METRONOME_MARKS, key=lambda mark: abs(mark - tempo_bpm))


def original_tempo_bpm(chart: Chart, bars: Sequence[int]) -> float:
    """Median tempo of some bars as played, counted beats a minute: what their feel is measured at."""
    return float(np.median([chart.time_map.tempo_bpm(k) for k in bars]))


def printed_tempi_bpm(chart: Chart) -> list[int]:
    """The tempo that the score prints for each bar, in the bar's own counted beats: the one to arrive at.

    A band rushes and drags; what is practised of one tempo has one number.
    """
    marks, tempi = tempo_marks(chart), list[int]()
    mark = marks[0]
    for k, bar in enumerate(chart.time_map.bars):
        mark = marks.get(k, mark)
        tempi.append(max(1, round(mark.tempo_bpm * mark.beat / bar.meter.beat_length)))
    return tempi


def song_tempo_bpm(chart: Chart) -> int:
    """The tempo that the score prints for most bars."""
    return Counter(printed_tempi_bpm(chart)).most_common(1)[0][0]


def strokes_per_s(chart: Chart, bars: Sequence[int]) -> float:
    """Strokes of the hands a second in their busiest half second, at the
    original tempo (both hands together, chords counted once)."""
    seconds = chart.time_map.seconds
    return max(
        busiest_per_s([seconds(k, n.position) for n in chart.bars[k].notes if not instrument(n.instrument).is_foot])
        for k in bars
    )


def watched_per_s(chart: Chart, bars: Sequence[int]) -> float:
    """Strokes a second that a learner has to watch in their busiest half second: those of the hands, and in a bar in
    which no foot falls together with a hand, those of the feet between them, too."""
    seconds, linear = chart.time_map.seconds, []
    for k in bars:
        struck = grouped((instrument(n.instrument).is_foot, n.position) for n in chart.bars[k].notes)
        if not set(struck.get(True, ())) & set(struck.get(False, ())):
            linear.append(busiest_per_s([seconds(k, n.position) for n in chart.bars[k].notes]))
    return max(strokes_per_s(chart, bars), *linear, 0.0)


def default_tempi_bpm(chart: Chart, bars: Sequence[int]) -> tuple[float, float, float]:
    """Slow, medium and original tempo, by density; whole beats a minute, the first two marks of a metronome."""
    original = printed_tempi_bpm(chart)[bars[0]]
    share = WATCHABLE_PER_S / max(watched_per_s(chart, bars), 1e-9)
    slow = min(max(share, SLOWEST_SHARE), LEAST_SLOWING) * original
    medium = float(np.sqrt(slow * original))
    return float(metronome_mark(slow)), float(metronome_mark(medium)), float(original)


def check_tempi(tempi: Sequence[float] | None) -> None:
    """Refuse tempi, in parts of the original, that no exercise is made at."""
    wrong = [t for t in tempi or () if not SLOWEST_ASKED <= t <= FASTEST_ASKED]
    if wrong or tempi is not None and not tempi:
        given = f", not {wrong[0] * 100:g}" if wrong else "; name at least one"
        raise ChartError(
            f"Tempi are given in per cent of the original, from {SLOWEST_ASKED * 100:g} to "
            f"{FASTEST_ASKED * 100:g}{given}."
        )
