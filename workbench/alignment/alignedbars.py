"""Bars of a chart as they lie in a recording, and their times fitted to the strokes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from workbench.chart import Chart
from workbench.chart.events import Stroke

# Numbers whose origin is not named: chosen by trial, no source.
#: Bars on each side whose strokes help to place a bar in time.
FIT_BARS = 2
#: Strokes further from their note than this do not count in the fit, seconds.
FIT_WITHIN_S = 0.09
#: Finest spread of strokes about the fitted time, seconds.
FIT_SPREAD_S = 0.008
#: How far the tempo of a bar may lie from that of its run, as a share.
FIT_TEMPO = 0.03


@dataclass(frozen=True)
class AlignedBar:
    """One bar as the recording plays it.

    Attributes
    ----------
    chart_bar : int or None
        Index of the written bar; None for a stretch that the chart lacks.
    start_s, end_s : float
        Where it lies in the recording, seconds.
    """

    chart_bar: int | None
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Alignment:
    """A chart lined up with a recording.

    Attributes
    ----------
    bars : tuple of AlignedBar
        In order of the recording; written bars may come again or be left out.
    agreement : float
        Share of notes and strokes that agree, 0–1: below about a half the
        recording may be of something else.
    first_bar : int
        Index of the first written bar that was looked for.
    """

    bars: tuple[AlignedBar, ...]
    agreement: float
    first_bar: int = 0

    @cached_property
    def played(self) -> frozenset[int]:
        """Written bars that the recording plays."""
        return frozenset(b.chart_bar for b in self.bars if b.chart_bar is not None)

    @cached_property
    def left_out(self) -> frozenset[int]:
        """Written bars before the last one aligned that the recording never plays."""
        return frozenset(range(self.first_bar, max(self.played, default=self.first_bar - 1))) - self.played


def fit_times(chart: Chart, bars: Sequence[AlignedBar], heard: Sequence[Stroke]) -> list[AlignedBar]:
    """Place each aligned bar by the strokes that agree with its notes and its neighbours'.

    Within a run of bars that follow each other in chart and recording, the
    recording's time is a straight line over the chart's time, fitted bar by
    bar to the strokes of :data:`FIT_BARS` bars on each side with Tukey's
    biweight, so that strokes played or written wrongly do not count.
    """
    by_name = {
        name: np.sort([s.time_s for s in heard if s.instrument == name]) for name in {s.instrument for s in heard}
    }
    out = list(bars)
    for run in runs_of(bars):
        written = [b for k in run if (b := bars[k].chart_bar) is not None]
        spans = [bar_span(chart, b) for b in written]
        notes = [[(chart.note_time_s(b, n), n.instrument) for n in chart.bars[b].notes] for b in written]
        tempo = (bars[run[-1]].end_s - bars[run[0]].start_s) / (spans[-1][1] - spans[0][0])
        for _ in range(3):
            pairs = [_pairs(notes[j], spans[j], out[k], by_name) for j, k in enumerate(run)]
            fitted = []
            for j, k in enumerate(run):
                near = np.concatenate(pairs[max(0, j - FIT_BARS) : j + FIT_BARS + 1])
                fitted.append(_fit(near, spans[j], out[k], tempo))
            for j, k in enumerate(run):
                # Neighbouring fits meet in the middle of their difference.
                start = fitted[j][0] if j == 0 else (fitted[j - 1][1] + fitted[j][0]) / 2
                end = fitted[j][1] if j + 1 == len(run) else (fitted[j][1] + fitted[j + 1][0]) / 2
                if end > start:
                    out[k] = replace(out[k], start_s=start, end_s=end)
    for k, bar in enumerate(out):  # what the chart lacks lies from the bar before to the one after
        if bar.chart_bar is None:
            start = out[k - 1].end_s if k else bar.start_s
            end = out[k + 1].start_s if k + 1 < len(out) else bar.end_s
            out[k] = replace(bar, start_s=start, end_s=end) if end > start else bar
    return out


def runs_of(bars: Sequence[AlignedBar]) -> list[list[int]]:
    """Indices of aligned bars in runs that follow each other in the chart without a jump."""
    runs: list[list[int]] = []
    for k, bar in enumerate(bars):
        if bar.chart_bar is None:
            continue
        before = bars[k - 1].chart_bar if k else None
        if before is not None and runs and before + 1 == bar.chart_bar:
            runs[-1].append(k)
        else:
            runs.append([k])
    return runs


def _pairs(
    notes: Sequence[tuple[float, str]], span: tuple[float, float], bar: AlignedBar, by_name: dict[str, np.ndarray]
) -> np.ndarray:
    """(chart time, stroke time) of a bar's notes and the nearest strokes of their instruments."""
    found = []
    for chart_s, name in notes:
        times = by_name.get(name)
        if times is None:
            continue
        expected = aligned_time_s(chart_s, span, bar)
        k = int(np.searchsorted(times, expected))
        nearest = min((times[j] for j in (k - 1, k) if 0 <= j < len(times)), key=lambda t: abs(t - expected))
        if abs(nearest - expected) <= FIT_WITHIN_S:
            found.append((chart_s, nearest))
    return np.array(found).reshape(-1, 2)


def bar_span(chart: Chart, bar_index: int) -> tuple[float, float]:
    """Start and end of a written bar in the chart's own seconds."""
    return chart.time_map.bar_start_s(bar_index), chart.time_map.bar_end_s(bar_index)


def aligned_time_s(chart_s: float, span: tuple[float, float], bar: AlignedBar) -> float:
    """Recording time of a chart time, given the bar's span in both."""
    return bar.start_s + (chart_s - span[0]) * (bar.end_s - bar.start_s) / (span[1] - span[0])


def _fit(pairs: np.ndarray, span: tuple[float, float], bar: AlignedBar, tempo: float) -> tuple[float, float]:
    middle, length = (span[0] + span[1]) / 2, span[1] - span[0]
    if len(pairs) < 3:
        return bar.start_s, bar.end_s
    x, y = pairs[:, 0] - middle, pairs[:, 1]
    # Start from the bar as aligned; the line is y = offset + slope x.
    slope = tempo
    offset = float(np.median(y - slope * x))
    for _ in range(8):
        rest = y - offset - slope * x
        spread = max(FIT_SPREAD_S, 1.4826 * float(np.median(np.abs(rest))))
        weight = np.clip(1 - (rest / (4.685 * spread)) ** 2, 0, None) ** 2
        total = weight.sum()
        if total <= 0:
            break
        centre = (weight @ x) / total
        prior = (spread / FIT_TEMPO) ** 2
        residual = y - tempo * x
        slope = tempo + (weight * (x - centre)) @ residual / ((weight * (x - centre) ** 2).sum() + prior)
        offset = float((weight @ (y - slope * x)) / total)
    return float(offset - slope * length / 2), float(offset + slope * length / 2)
