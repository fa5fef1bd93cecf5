"""A picture of some bars: waveform, beats and hits, for READMEs and notebooks.

Instruments are told apart by row, name and notehead, as in the hit grid.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from workbench.chart import Chart
from workbench.chart.counting import count_syllable
from workbench.chart.drumkit import Notehead, instrument
from workbench.files.audio import Audio

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Matplotlib markers that look like the noteheads of the drum key.
MARKERS: dict[Notehead, str] = {
    Notehead.NORMAL: "o",
    Notehead.X: "x",
    Notehead.CIRCLE_X: "x",
    Notehead.DIAMOND: "D",
    Notehead.TRIANGLE: "^",
}
#: Waveform points drawn for each second.
_POINTS_PER_S = 400


def draw_bars(
    chart: Chart, audio: Audio | None = None, first_bar: int = 0, last_bar: int | None = None, doubt_below: float = 0.65
) -> Figure:
    """Draw bars as they sound: the waveform over beats, and every hit where it was heard.

    Parameters
    ----------
    chart : Chart
    audio : Audio, optional
        The chart's recording; without it only the hits are drawn.
    first_bar, last_bar : int
        Bar indices, both included; by default the whole chart.
    doubt_below : float
        Hits no one has confirmed and less sure than this are ringed.

    Returns
    -------
    matplotlib.figure.Figure
        Not shown: ``figure.savefig(path)`` keeps it; a notebook shows it.

    Raises
    ------
    ChartError
        If the chart has no such bars.
    """
    # Drawing needs no window: a figure of its own stays out of pyplot's hands.
    from matplotlib.figure import Figure

    last_bar = len(chart) - 1 if last_bar is None else last_bar
    chart.time_map.check_bar(first_bar)
    chart.time_map.check_bar(last_bar)
    span_s = (chart.time_map.bar_start_s(first_bar), chart.time_map.bar_end_s(last_bar))
    names = chart.instruments_used() or chart.kit
    heights = [1.1, 0.28 * len(names) + 0.3] if audio is not None else [0.01, 0.28 * len(names) + 0.3]
    figure = Figure(figsize=(11, sum(heights) + 0.7), layout="constrained")
    top, rows = figure.subplots(2, 1, sharex=True, height_ratios=heights)
    _draw_wave(top, audio, span_s)
    _draw_beats((top, rows), chart, first_bar, last_bar)
    _draw_hits(rows, chart, names, range(first_bar, last_bar + 1), doubt_below)
    rows.set_xlim(span_s[0] - 0.05, span_s[1] + 0.05)
    rows.set_xlabel("seconds")
    return figure


def _draw_wave(axes, audio: Audio | None, span_s: tuple[float, float]) -> None:
    axes.set_yticks([])
    axes.spines[["left", "right", "top", "bottom"]].set_visible(False)
    axes.tick_params(bottom=False)
    if audio is None:
        return
    rate = audio.sample_rate
    low, high = max(round(span_s[0] * rate), 0), min(round(span_s[1] * rate), len(audio.samples))
    if high <= low:
        return
    mono = audio.mono()[low:high]
    edges = np.arange(0, len(mono), max(rate // _POINTS_PER_S, 1))
    times_s = (low + edges) / rate
    axes.fill_between(
        times_s,
        np.minimum.reduceat(mono, edges),
        np.maximum.reduceat(mono, edges),
        step="post",
        color="0.45",
        linewidth=0,
    )


def _draw_beats(all_axes, chart: Chart, first_bar: int, last_bar: int) -> None:
    time_map = chart.time_map
    top, rows = all_axes
    words = {"xycoords": ("data", "axes fraction"), "textcoords": "offset points"}
    for k in range(first_bar, last_bar + 1):
        bar = time_map.bars[k]
        for j, (time_s, position) in enumerate(zip(bar.beat_times_s, bar.beat_positions())):
            colour, width = ("0.1", 1.2) if j == 0 else ("0.75", 0.7)
            for axes in all_axes:
                axes.axvline(time_s, color=colour, linewidth=width, zorder=0)
            rows.annotate(count_syllable(bar, position), (time_s, 1), xytext=(0, 2), ha="center", fontsize=8, **words)
        section = next((s for s in chart.sections if s.bar_index == k), None)
        title = f"{time_map.bar_number(k)}" + (f"  {section.name}" if section else "")
        top.annotate(
            title,
            (bar.beat_times_s[0], 1),
            xytext=(2, 2),
            fontsize=9,
            fontweight="bold" if section else "normal",
            parse_math=False,
            **words,
        )
    for axes in all_axes:
        axes.axvline(time_map.bar_end_s(last_bar), color="0.1", linewidth=1.2, zorder=0)


def _draw_hits(axes, chart: Chart, names, bars: range, doubt_below: float) -> None:
    for row, name in enumerate(names):
        axes.axhline(row, color="0.88", linewidth=0.7, zorder=0)
        notes = [(chart.note_time_s(k, n), n) for k in bars for n in chart.bars[k].notes if n.instrument == name]
        if not notes:
            continue
        times_s = [t for t, _ in notes]
        sizes = [14 + 30 * n.velocity / 127 for _, n in notes]
        head = instrument(name).notehead
        axes.scatter(times_s, [row] * len(notes), s=sizes, marker=MARKERS[head], color="0.1", linewidths=1.2)
        if head is Notehead.CIRCLE_X:
            axes.scatter(
                times_s,
                [row] * len(notes),
                s=[2.2 * x for x in sizes],
                marker="o",
                facecolors="none",
                edgecolors="0.1",
                linewidths=1,
            )
        unsure = [t for t, n in notes if not n.confirmed and n.confidence < doubt_below]
        axes.scatter(
            unsure,
            [row] * len(unsure),
            s=150,
            marker="o",
            facecolors="none",
            edgecolors="0.1",
            linewidths=1,
            linestyles="dashed",
        )
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.5, -0.6)
    axes.tick_params(left=False)
    axes.spines[["left", "right", "top"]].set_visible(False)
