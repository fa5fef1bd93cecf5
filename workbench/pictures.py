"""A picture of some bars: waveform (drawn by librosa), beats and hits.

Instruments are told apart by row, name and notehead, as in the hit grid.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import librosa.display

from workbench.chart import Chart
from workbench.chart.counting import bar_list, count_syllable
from workbench.chart.drumkit import Notehead, instrument
from workbench.files.audio import Audio

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Matplotlib markers that look like the noteheads of the drum key.
MARKERS: dict[Notehead, str] = {
    Notehead.NORMAL: "o",
    Notehead.X: "x",
    Notehead.CIRCLE_X: "x",
    Notehead.DIAMOND: "D",
    Notehead.TRIANGLE: "^",
}
_RING: dict[str, Any] = {"marker": "o", "facecolors": "none", "edgecolors": "0.1", "linewidths": 1}
#: A figure's width, and its height for each row of hits and for the waveform, inches.
_WIDTH, _ROW, _WAVE = 11.0, 0.3, 1.4
#: Room for a letter of a name, for seconds below and bar numbers above, inches; between rows and waveform, a
#: share of the rows.
_NAME_LETTER, _SECONDS, _NUMBERS, _ROWS_TO_WAVE = 0.09, 0.5, 0.35, 0.06


def draw_bars(
    chart: Chart,
    audio: Audio | None = None,
    axes: Axes | None = None,
    bars: tuple[int, int] | None = None,
    doubt_below: float | None = None,
) -> Axes:
    """Draw bars as they sound; see :func:`workbench.plot`.

    Parameters
    ----------
    bars : (int, int), optional
        Bar indices, both included; by default the whole chart.
    doubt_below : float, optional
        Hits no one has confirmed and less sure than this are ringed; by default the chart's own limit.

    Returns
    -------
    matplotlib Axes
        The rows of hits; the waveform lies in ``axes.child_axes[0]``.
    """
    first, last = bars or (0, len(chart) - 1)
    chart.time_map.check_bar(first)
    chart.time_map.check_bar(last)
    span_s = (chart.time_map.bar_start_s(first), chart.time_map.bar_end_s(last))
    names = chart.instruments_used() or chart.kit
    if axes is None:
        axes = _own_axes(names)
    share = _WAVE / (_ROW * len(names))
    above = axes.inset_axes((0, 1 + _ROWS_TO_WAVE, 1, share if audio is not None else 0.01), sharex=axes)
    above.set_axis_off()
    if audio is not None:
        sound = audio.excerpt(*span_s)
        librosa.display.waveshow(
            sound.mono(), sr=sound.sample_rate, offset=max(span_s[0], 0.0), axis="s", color="0.45", ax=above
        )
    _draw_beats((above, axes), chart, first, last)
    _draw_hits(axes, chart, names, range(first, last + 1), chart.doubt_below if doubt_below is None else doubt_below)
    axes.set_xlim(span_s[0] - 0.05, span_s[1] + 0.05)
    of = bar_list(chart.time_map, range(first, last + 1)) + f" of {chart.time_map.bar_number(len(chart) - 1)}"
    axes.set_xlabel(f"seconds ({of})" if last - first + 1 < len(chart) else "seconds")
    return axes


def _own_axes(names: Sequence[str]) -> Axes:
    """Rows in a figure of their own, laid out by hand: the waveform is an inset above them, which no layout engine of
    matplotlib makes room for."""
    import matplotlib.pyplot as plt

    rows, left = _ROW * len(names), 0.2 + _NAME_LETTER * max(map(len, names))
    height = _SECONDS + rows * (1 + _ROWS_TO_WAVE) + _WAVE + _NUMBERS
    figure = plt.figure(figsize=(_WIDTH, height))
    return figure.add_axes((left / _WIDTH, _SECONDS / height, 1 - (left + 0.1) / _WIDTH, rows / height))


def _draw_beats(all_axes: tuple[Axes, Axes], chart: Chart, first_bar: int, last_bar: int) -> None:
    time_map = chart.time_map
    top, rows = all_axes
    words: dict[str, Any] = {"xycoords": ("data", "axes fraction"), "textcoords": "offset points"}
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


def _draw_hits(axes: Axes, chart: Chart, names: Sequence[str], bars: range, doubt_below: float) -> None:
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
            axes.scatter(times_s, [row] * len(notes), s=[2.2 * x for x in sizes], **_RING)
        unsure = [t for t, n in notes if not n.confirmed and n.confidence < doubt_below]
        axes.scatter(unsure, [row] * len(unsure), s=150, linestyles="dashed", **_RING)
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(len(names) - 0.5, -0.6)
    axes.tick_params(left=False)
    axes.spines[["left", "right", "top"]].set_visible(False)
