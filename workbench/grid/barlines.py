"""Bar lines tapped by a user while listening, as an edit."""

from __future__ import annotations

from collections.abc import Sequence

from workbench.chart import Chart
from workbench.chart.edits import CompositeEdit, Edit, MoveBarLine
from workbench.chart.meter import Bar
from workbench.errors import ChartError
from workbench.listening.quantize import requantize

#: A tap this near to a stroke means the stroke: fingers are less exact than the
#: drummer (spread of tapping to a beat some 20–40 ms; from memory).
TAP_MEANS_STROKE_S = 0.06
#: Two taps nearer than this are one (a bounced key), seconds.
SHORTEST_BAR_S = 0.25


def tapped_bars(chart: Chart, taps_s: Sequence[float]) -> Edit:
    """The edit that puts bar lines where a user tapped every "1".

    Where there are as many bar lines as taps, the lines move.  Where not (the
    draft counted in half or double time, or in another meter), the stretch is
    laid anew with one bar from tap to tap, in the meter of its first bar, and
    the strokes heard there are written on the new bars.

    Parameters
    ----------
    taps_s : sequence of float
        Moments of the recording, seconds.

    Raises
    ------
    ChartError
        If there is no tap, or a tap lies outside the chart.
    """
    taps = _cleaned(taps_s)
    if not taps:
        raise ChartError("Nothing was tapped: play the recording and press t on every “1”.")
    strokes = [chart.note_time_s(k, n) for k, n in chart.notes()]
    taps = [_meant(t, strokes) for t in taps]
    lines = [b.beat_times_s[0] for b in chart.time_map.bars] + [chart.time_map.end_s]
    nearest = [min(range(len(lines)), key=lambda k: abs(lines[k] - t)) for t in taps]
    if nearest == list(range(nearest[0], nearest[0] + len(taps))):
        moved = _moved_lines(chart, list(zip(nearest, taps)), lines)
        if moved is not None:
            return moved
    if len(taps) < 2:
        raise ChartError(f"No bar line can move to {taps[0]:.2f} s; tap two bars or more.")
    return _laid_anew(chart, taps, nearest[0], nearest[-1])


def _cleaned(taps_s: Sequence[float]) -> list[float]:
    out: list[float] = []
    for t in sorted(float(t) for t in taps_s):
        if not out or t - out[-1] >= SHORTEST_BAR_S:
            out.append(t)
    return out


def _meant(tap_s: float, strokes: list[float]) -> float:
    nearest = min(strokes, key=lambda s: abs(s - tap_s), default=tap_s)
    return nearest if abs(nearest - tap_s) <= TAP_MEANS_STROKE_S else tap_s


def _moved_lines(chart: Chart, moves: list[tuple[int, float]], lines: list[float]) -> Edit | None:
    """Moves of single lines; None where they would cross each other."""
    # Lines that go later move last first, so that none meets its neighbour on the way.
    later = [m for m in moves if m[1] > lines[m[0]]]
    earlier = [m for m in moves if m[1] < lines[m[0]]]
    edits = [MoveBarLine(*m) for m in (*reversed(later), *earlier)]
    if not edits:
        raise ChartError("The bar lines lie where you tapped them already.")
    together = edits[0] if len(edits) == 1 else CompositeEdit(tuple(edits), "tap bars")
    try:
        together.apply(chart)
    except ChartError:
        return None
    return together


def _laid_anew(chart: Chart, taps: list[float], first: int, last: int) -> Edit:
    old = chart.time_map
    if last <= first:
        raise ChartError("The taps lie within one bar; tap the “1” of two bars or more.")
    meter = old.bars[min(first, len(old) - 1)].meter
    beats = meter.counted_beats
    new = [Bar(meter, tuple(a + (b - a) * k / beats for k in range(beats)), fixed=True) for a, b in zip(taps, taps[1:])]
    moved = old.with_bar_line(first, taps[0]).with_bar_line(last, taps[-1])
    return requantize(chart, moved.with_bars_replaced(first, last - 1, new))
