"""Alignment a chart on a recording: which bar is played when.

Nothing is assumed about offset, tempo, repeats or the number of bars; they
are found by dynamic programming over bars, as an edit distance between what is
written and what is heard (after R. A. Wagner, M. J. Fischer, *The
string-to-string correction problem*, J. ACM 1974):

* the recording is cut into half beats, once by the beats tracked in it and
  once by the chart's own bars at the offset where the two agree best, and
  either may run at half, double or triple the written pulse;
* every written bar is tried at every half beat; each stroke without a note and
  each note without a stroke costs one, a note that falls on another drum's
  stroke costs less;
* between bars the reader may jump (a repeat, a bar left out) and the recording
  may go on without the chart (an extra bar, a count-in), each at a price.

Then the time of each bar is fitted to the strokes that agree, robustly, so
that a few wrong notes do not bend it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from workbench.alignment.alignedbars import AlignedBar, Alignment, aligned_time_s, bar_span, fit_times
from workbench.alignment.barpath import COARSE, DRUM_FAMILIES, FINE, find_path
from workbench.alignment.comparison import compare_strokes
from workbench.chart import Chart
from workbench.chart.drumkit import instrument
from workbench.chart.events import Stroke
from workbench.chart.excerpts import excerpt_chart
from workbench.errors import AnalysisError

# Numbers whose origin is not named: chosen by trial, no source.
#: Grid steps of the recording that a written beat may span; two is the tracked pulse.
STEPS_A_BEAT = (2, 1, 4, 3, 6)
#: Beats by which the grid reaches beyond the last stroke.
LONGEST_BAR_BEATS = 8
#: Smallest advantage of another pulse or grid over the one tried before it.
BETTER_BY = 1.02
#: A grid on which the differences are fewer than this share of the strokes needs no other.
SETTLED = 0.1
#: Passes on the fine resolution, at most.
FINE_PASSES = 4


def align_chart(
    chart: Chart,
    strokes: Sequence[Stroke],
    beat_times_s: Sequence[float],
    duration_s: float | None = None,
    only_bars: tuple[int, int] | None = None,
) -> Alignment:
    """Find which written bar is played when.

    Parameters
    ----------
    chart : Chart
    strokes : sequence of Stroke
        As heard in the recording.
    beat_times_s : sequence of float, seconds, increasing
        Beats tracked in the recording; may be empty, then only the chart's own
        tempo is tried.
    duration_s : float, optional
        Length of the recording; the last stroke's time by default.
    only_bars : (int, int), optional
        First and last index of the only bars to look for, played once or
        round and round.

    Raises
    ------
    AnalysisError
        If the chart has no notes or no strokes were heard.
    """
    if only_bars is not None:
        first, last = only_bars
        alignment = _lay(excerpt_chart(chart, first, last), strokes, beat_times_s, duration_s, True)
        return Alignment(
            tuple(b if b.chart_bar is None else replace(b, chart_bar=b.chart_bar + first) for b in alignment.bars),
            alignment.agreement,
            first,
        )
    return _lay(chart, strokes, beat_times_s, duration_s, False)


def _lay(
    chart: Chart,
    strokes: Sequence[Stroke],
    beat_times_s: Sequence[float],
    duration_s: float | None,
    round_and_round: bool,
) -> Alignment:
    if not any(b.notes for b in chart.bars):
        raise AnalysisError("The chart has no notes there, so it cannot be lined up with a recording.")
    if not strokes:
        raise AnalysisError("No drum strokes were heard in the recording, so no chart can be aligned on it.")
    heard = sorted(strokes)
    end_s = max(duration_s or 0.0, heard[-1].time_s + 0.5)
    best: tuple[float, list[AlignedBar]] | None = None
    for grid_s, steps_a_beat in _grids(chart, heard, np.asarray(beat_times_s, float), end_s):
        for steps in steps_a_beat:
            cost, bars = find_path(chart, heard, grid_s, steps, COARSE, round_and_round)
            if best is None or cost * BETTER_BY < best[0]:
                best = cost, bars
        # Where bars are left out or come again, the chart's own beats may lie badly on the other side.
        if (
            best is not None
            and best[0] < SETTLED * len(heard)
            and [b.chart_bar for b in best[1]] == list(range(len(chart)))
        ):
            break
    assert best is not None
    bars = fit_times(chart, best[1], heard)
    for _ in range(FINE_PASSES if bars else 0):
        grid_s = _halves(_extended(_beats_of(chart, bars), end_s))
        cost, finer = find_path(chart, heard, grid_s, 2, FINE, round_and_round)
        if not finer:
            break
        finer = fit_times(chart, finer, heard)
        settled = [b.chart_bar for b in finer] == [b.chart_bar for b in bars]
        best, bars = (cost, finer), finer
        if settled:
            break
    return Alignment(tuple(bars), _agreement(chart, bars, heard))


def _agreement(chart: Chart, bars: Sequence[AlignedBar], heard: Sequence[Stroke]) -> float:
    """Notes and strokes that agree, another drum at the right time counting a third, over all."""
    if not bars:
        return 0.0
    aligned = [(b.chart_bar, b) for b in bars if b.chart_bar is not None]
    notes = [
        Stroke(aligned_time_s(chart.note_time_s(k, n), bar_span(chart, k), b), n.instrument)
        for k, b in aligned
        for n in chart.bars[k].notes
    ]
    inside = [s for s in heard if bars[0].start_s - 0.05 <= s.time_s < bars[-1].end_s]
    found = compare_strokes(notes, inside)
    return (2 * len(found.same) + 2 / 3 * len(found.renamed)) / max(1, len(notes) + len(inside))


# -- grids -------------------------------------------------------------------------------


def _grids(
    chart: Chart, heard: Sequence[Stroke], beats_s: np.ndarray, end_s: float
) -> Iterator[tuple[np.ndarray, Sequence[int]]]:
    """Candidate cuts of the recording into half beats, with the pulses to try on each."""
    own = chart.time_map.anchor_times_s
    own = own + _best_offset(chart, heard)
    yield _halves(_extended(own, end_s)), STEPS_A_BEAT[:1]
    beats_s = beats_s[np.concatenate([[True], np.diff(beats_s) > 0])] if len(beats_s) else beats_s
    if len(beats_s) >= 4:
        yield _halves(_extended(beats_s, end_s)), STEPS_A_BEAT


def _extended(beats_s: np.ndarray, end_s: float) -> np.ndarray:
    """Beats continued evenly from before the recording's start to past its end."""
    gaps = np.diff(beats_s)
    first, last = (float(np.median(g)) for g in (gaps[:8], gaps[-8:]))
    before = np.arange(int(np.ceil(beats_s[0] / first)) + 1, 0, -1) if beats_s[0] > 0 else np.array([])
    # The last bar may end after the last stroke.
    after = np.arange(1, max(0, int(np.ceil((end_s - beats_s[-1]) / last))) + LONGEST_BAR_BEATS + 1)
    out = np.concatenate([beats_s[0] - first * before, beats_s, beats_s[-1] + last * after])
    return out[(out > -2 * first) & (out < end_s + (LONGEST_BAR_BEATS + 1) * last)]


def _halves(beats_s: np.ndarray) -> np.ndarray:
    return np.interp(np.arange(2 * len(beats_s) - 1) / 2, np.arange(len(beats_s)), beats_s)


def _beats_of(chart: Chart, bars: Sequence[AlignedBar]) -> np.ndarray:
    """Beats of the recording that the aligned bars imply."""
    beats: list[float] = []
    last_s = 0.5
    for bar in bars:
        if bar.chart_bar is None:
            count = max(1, round((bar.end_s - bar.start_s) / last_s))
            own = [bar.start_s + k * (bar.end_s - bar.start_s) / count for k in range(count)]
        else:
            span = bar_span(chart, bar.chart_bar)
            own = [aligned_time_s(t, span, bar) for t in chart.time_map.bars[bar.chart_bar].beat_times_s]
            last_s = (bar.end_s - bar.start_s) / len(own)
        beats += [t for t in own if not beats or t > beats[-1] + last_s / 4]
    if bars[-1].end_s > beats[-1]:
        beats.append(bars[-1].end_s)
    return np.array(beats)


def _best_offset(chart: Chart, heard: Sequence[Stroke], frame_s: float = 0.01) -> float:
    """Seconds to add to the chart's own times so that most notes meet strokes."""
    written = [(chart.note_time_s(k, n), n.instrument) for k, n in chart.notes()]
    low = min(t for t, _ in written)
    played_low = heard[0].time_s
    length = int((max(max(t for t, _ in written) - low, heard[-1].time_s - played_low)) / frame_s) + 20
    size = 1 << (2 * length - 1).bit_length()
    total = np.zeros(size)
    for name in DRUM_FAMILIES:
        a, b = np.zeros(size), np.zeros(size)
        a[[int((t - low) / frame_s) for t, i in written if instrument(i).family == name]] = 1.0
        b[[int((s.time_s - played_low) / frame_s) for s in heard if instrument(s.instrument).family == name]] = 1.0
        total += np.fft.irfft(np.fft.rfft(b) * np.conj(np.fft.rfft(a)), size)
    smooth = total + np.roll(total, 1) + np.roll(total, -1) + 0.5 * (np.roll(total, 2) + np.roll(total, -2))
    lag = int(np.argmax(smooth))
    lag = lag - size if lag > size // 2 else lag
    return lag * frame_s + played_low - low
