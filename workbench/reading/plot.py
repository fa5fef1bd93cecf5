"""Pictures of a reading: the form, a groove or a fill, the feel.

Every function returns a matplotlib figure.  Colours are the eight of Okabe and
Ito, told apart by colour-blind readers too (M. Okabe, K. Ito, Color Universal
Design, 2008).
"""

from __future__ import annotations

import html
import io
import textwrap
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import ArrayLike

from workbench.chart.counting import bar_name, count_syllable
from workbench.chart.drumkit import Notehead, drum_key_order, instrument
from workbench.reading.feel import even_notes
from workbench.reading.fill_reading import Fill
from workbench.reading.part_reading import PartReading
from workbench.reading.variations import instrument_word
from workbench.reading.wording import grid_places, groove_title, section_name

PALETTE = ("#0072B2", "#E69F00", "#009E73", "#CC79A7", "#56B4E9", "#D55E00", "#F0E442", "#999999")
SILENT = "#DDDDDD"
# Numbers whose origin is not named: chosen by eye, no source.
#: Width that a notebook page takes without shrinking, inches.
WIDEST = 11.0
INK = "#222222"


class Picture(Figure):
    """A figure that a notebook shows, also where nothing has set matplotlib up for it."""

    def _repr_png_(self) -> bytes:
        out = io.BytesIO()
        self.savefig(out, format="png")
        return out.getvalue()

    def svg(self, label: str) -> str:
        """The picture as part of a page; ``label`` tells those who cannot see it what it shows."""
        out = io.StringIO()
        nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        with rc_context({"svg.fonttype": "none", "svg.hashsalt": label}):
            self.savefig(out, format="svg", metadata=nothing, transparent=True)
        page = out.getvalue()
        return page[page.index("<svg") :].replace("<svg ", f'<svg role="img" aria-label="{html.escape(label)}" ', 1)


def draw_form(reading: PartReading) -> Figure:
    """Draw the song as a row of sections with their parts, crashes, fills and variations.

    Parameters
    ----------
    reading : Reading

    Returns
    -------
    matplotlib Figure
        A notebook shows it; ``figure.savefig(name)`` keeps it.

    Examples
    --------
    >>> import workbench as wb
    >>> reading = wb.read_part(wb.demo_song(what="chart"))
    >>> figure = wb.draw_form(reading)
    """
    chart = reading.chart
    figure = Picture(figsize=(11, 2.9), layout="constrained")
    axes = figure.subplots()
    titles = list(dict.fromkeys(s.label or s.name for s in reading.form if s.has_drums))
    for section in reading.form:
        colour, ink = SILENT, INK
        if section.has_drums:
            colour, ink = PALETTE[titles.index(section.label or section.name) % len(PALETTE)], "white"
        first, length, name = section.bars.start, len(section.bars), section_name(section)
        axes.barh(0, length, left=first, height=0.9, color=colour, edgecolor="white")
        fits = length >= 0.16 * len(name) * len(chart) / 16
        words: dict[str, Any] = {"ha": "center", "va": "center", "fontweight": "bold", "parse_math": False}
        axes.text(first + length / 2, 0, name if fits else section.label, color=ink, **words)
        for part in section.parts:
            middle, turned = part.bars.start + len(part.bars) / 2, 0 if len(part.bars) * 24 > len(chart) else 90
            axes.text(middle, -0.62, part.timekeeper or "no cymbal", ha="center", va="top", fontsize=7, rotation=turned)
            if part.bars.start > section.bars.start:
                axes.plot([part.bars.start] * 2, [-0.45, 0.45], color="white", lw=1, ls=":")
    crashes = [k for s in reading.form for k in s.crash_bars]
    axes.plot(crashes, [0.62] * len(crashes), "x", color=INK, ms=5, label="crash on 1")
    for n, fill in enumerate(reading.fills):
        start, end = (
            k + float(p / chart.time_map.bars[min(k, len(chart) - 1)].length)
            for k, p in (fill.span.start, fill.span.end)
        )
        axes.barh(0.85, end - start, left=start, height=0.16, color=PALETTE[5], label="fill" if n == 0 else None)
    changed = sorted({k for v in reading.variations for k in v.bars})
    axes.plot([k + 0.5 for k in changed], [1.08] * len(changed), ".", color=PALETTE[7], ms=4, label="variation")
    axes.set(xlim=(0, len(chart)), ylim=(-1.25, 1.25), yticks=[], xlabel="bar")
    step = next(s for s in (1, 2, 4, 8, 16, 32) if len(chart) / s <= 40)
    first = chart.time_map.bar_number(0)
    ticks = [k for k in range(len(chart)) if (k + first - 1) % step == 0]
    axes.set_xticks([k + 0.5 for k in ticks], [str(chart.time_map.bar_number(k)) for k in ticks])
    axes.spines[["top", "left", "right"]].set_visible(False)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, 1.22), ncols=3, frameon=False, fontsize=8)
    return figure


def draw_groove(reading: PartReading, index: int = 0) -> Figure:
    """Draw the base of a groove: the bar, or the phrase, that the others differ from least.

    Parameters
    ----------
    reading : Reading
    index : int
        Of ``reading.grooves``.

    Returns
    -------
    matplotlib Figure
        A notebook shows it; ``figure.savefig(name)`` keeps it.

    Raises
    ------
    IndexError
        If the reading has no such groove.

    Examples
    --------
    >>> import workbench as wb
    >>> reading = wb.read_part(wb.demo_song(what="chart"))
    >>> figure = wb.draw_groove(reading, 0)
    """
    own = reading.grooves[index]
    width = min(1.5 + 4.2 * own.groove.phrase_bars, WIDEST)
    figure = Picture(figsize=(width, 2.6), layout="constrained")
    axes = figure.subplots()
    _draw_bars(axes, reading, [(k, Fraction(0), reading.chart.time_map.bars[k].length) for k in own.groove.base_bars])
    _entitle(axes, groove_title(own.label, own.part) + own.text, width)
    return figure


def draw_fill(reading: PartReading, fill: Fill) -> Figure:
    """Draw a fill with count, groups (in note values) and the proposed hands.

    Parameters
    ----------
    reading : Reading
    fill : Fill
        One of ``reading.fills``.

    Returns
    -------
    matplotlib Figure
        A notebook shows it; ``figure.savefig(name)`` keeps it.

    Examples
    --------
    >>> import workbench as wb
    >>> reading = wb.read_part(wb.demo_song(what="chart"))
    >>> figure = wb.draw_fill(reading, reading.fills[0])
    """
    chart = reading.chart
    pieces = fill.span.pieces(chart.time_map)
    width = min(1.5 + 5.5 * max(len(pieces), 1), WIDEST)
    figure = Picture(figsize=(width, 2.9), layout="constrained")
    axes = figure.subplots()
    places = _draw_bars(axes, reading, pieces, hands=True)
    if fill.grouping and places:
        origin = chart.time_map.starts[fill.span.start[0]] + fill.span.start[1]
        steps = [(float(x - origin) / float(fill.grouping_value), column) for x, column in places]
        at = np.interp(
            np.cumsum([0, *fill.grouping]),
            [s for s, _ in steps] + [sum(fill.grouping)],
            [c for _, c in steps] + [steps[-1][1] + 1],
        )
        top = axes.get_ylim()[1] - 0.35
        for a, b, size in zip(at, at[1:], fill.grouping):
            axes.annotate(
                "", (a - 0.35, top), (b - 0.65, top), arrowprops={"arrowstyle": "-", "lw": 2, "color": PALETTE[5]}
            )
            axes.text((a + b - 1) / 2, top + 0.05, str(size), ha="center", va="bottom", fontsize=9, color=PALETTE[5])
    _entitle(axes, f"{bar_name(chart.time_map.bar_number(fill.span.start[0]))}: {fill.text}", width)
    return figure


def _draw_bars(
    axes: Axes, reading: PartReading, pieces: list[tuple[int, Fraction, Fraction]], hands: bool = False
) -> list[tuple[Fraction, int]]:
    """Strokes as dots (size: loudness) by instrument and count; returns the columns."""
    chart = reading.chart
    names = sorted(
        {n.instrument for k, a, b in pieces for n in chart.bars[k].notes if a <= n.position < b}, key=drum_key_order
    )
    row = {name: len(names) - 1 - i for i, name in enumerate(names)}
    counts, columns, column = [], [], 0
    for k, start, end in pieces:
        timed = chart.time_map.bars[k]
        axes.axvline(column - 0.5, color=INK, lw=1.2)
        for place in grid_places(chart, k):
            if not start <= place < end:
                continue
            if place in timed.beat_positions():
                axes.axvline(column, color="#EEEEEE", lw=8, zorder=0)
            counts.append(count_syllable(timed, place))
            columns.append((chart.time_map.starts[k] + place, column))
            for n in chart.bars[k].notes:
                if n.position != place:
                    continue
                size = 18 + 0.9 * n.velocity
                hollow = n.instrument == "open hi-hat" or "ghost" in n.articulations
                crossed = instrument(n.instrument).notehead is Notehead.X
                head: dict[str, Any] = {"marker": "x"} if crossed else {"marker": "o", "edgecolors": INK}
                colour = "white" if hollow and not crossed else INK
                axes.scatter(column, row[n.instrument], s=size, color=colour, lw=1.6, **head)
                if hands:
                    hand = reading.sticking.hands.get((k, place, n.instrument), "")
                    axes.text(column + 0.18, row[n.instrument] + 0.12, hand, fontsize=7, color=PALETTE[0])
            column += 1
    axes.axvline(column - 0.5, color=INK, lw=1.2)
    axes.set_xticks(range(column), counts)
    axes.set_yticks([row[n] for n in names], [instrument_word(n) for n in names])
    axes.set(xlim=(-0.6, column - 0.4), ylim=(-0.6, len(names) + (0.4 if hands else -0.3)))
    axes.tick_params(length=0)
    axes.spines[:].set_visible(False)
    return columns


def draw_feel(reading: PartReading) -> Figure:
    """Draw the feel: before or behind the grid, loudness of each limb, the tempo through the song.

    Parameters
    ----------
    reading : Reading

    Returns
    -------
    matplotlib Figure
        A notebook shows it; ``figure.savefig(name)`` keeps it.

    Examples
    --------
    >>> import workbench as wb
    >>> reading = wb.read_part(wb.demo_song(what="chart"))
    >>> figure = wb.draw_feel(reading)
    """
    feel, chart = reading.feel, reading.chart
    figure = Picture(figsize=(11, 2.9), layout="constrained")
    places, limbs, tempo = figure.subplots(1, 3, width_ratios=(1.2, 1, 1.6))
    by_name: dict[str, list[float]] = {p.instrument: [] for p in feel.placements}
    for _, n in even_notes(chart):
        if n.instrument in by_name:
            by_name[n.instrument].append(1000 * n.deviation_s)
    means = {instrument_word(x.instrument): (x.mean_ms, x.spread_ms) for x in feel.placements}
    draw_deviations(places, {instrument_word(name): ms for name, ms in by_name.items()}, means)
    widest = max([40.0] + [abs(p.mean_ms) + 2 * p.spread_ms for p in feel.placements])
    places.set(xlim=(-widest, widest), title="against the grid", xlabel="ms (right: behind)")
    for i, d in enumerate(reversed(feel.dynamics)):
        limbs.plot([d.soft, d.loud], [i, i], color=PALETTE[2], lw=6, solid_capstyle="butt", alpha=0.6)
        limbs.plot(d.median, i, "o", color=INK, ms=5)
    limbs.set_yticks(range(len(feel.dynamics)), [d.limb for d in reversed(feel.dynamics)], fontsize=8)
    limbs.set(xlim=(0, 127), title="loudness", xlabel="MIDI velocity")
    numbers = [chart.time_map.bar_number(int(k)) for k in feel.tempo_bars]
    tempo.plot(numbers, feel.tempo_bpm, ".-", color=PALETTE[5], lw=1, ms=4)
    if len(feel.tempo_bpm):
        middle = float(np.median(feel.tempo_bpm))
        reach = max(float(np.abs(feel.tempo_bpm - middle).max()) * 1.2, 0.03 * middle)
        tempo.set_ylim(middle - reach, middle + reach)
    tempo.set(title="tempo", xlabel="bar", ylabel="bpm")
    tempo.xaxis.get_major_locator().set_params(integer=True)
    if feel.swings:
        swing = ", ".join(f"{s.value} {s.ratio:.2f} : 1" for s in feel.swings)
        tempo.annotate(f"swing ratio of {swing}", (1, 1), xycoords="axes fraction", ha="right", va="top", fontsize=8)
    for empty, axes in ((not feel.placements, places), (not feel.dynamics, limbs)):
        if empty:
            axes.text(
                0.5, 0.5, "tacet to measure", ha="center", va="center", color=PALETTE[7], transform=axes.transAxes
            )
    for axes in (places, limbs, tempo):
        axes.spines[["top", "right"]].set_visible(False)
    return figure


def draw_deviations(
    axes: Axes,
    played_ms: Mapping[str, ArrayLike],
    told: Mapping[str, tuple[float, float]],
    colours: tuple[str, str] = (PALETTE[4], PALETTE[0]),
) -> None:
    """Strokes before (left) and behind the grid, a row for each instrument: dots, and mean ± spread where told."""
    rng = np.random.default_rng(0)  # spreads the dots, nothing else
    for row, (name, ms) in enumerate(played_ms.items()):
        axes.plot(ms, row + rng.uniform(-0.2, 0.2, np.size(ms)), ".", ms=2, color=colours[0], alpha=0.5)
        if name in told:
            mean, spread = told[name]
            axes.errorbar(mean, row, xerr=spread, fmt="o", ms=4, color=colours[1])
    axes.set_yticks(range(len(played_ms)), list(played_ms), fontsize=8)
    axes.set_ylim(max(len(played_ms), 1) - 0.5, -0.5)
    axes.axvline(0, color=INK, lw=0.8)


def _entitle(axes: Axes, text: str, width: float) -> None:
    """Write above a picture so many inches wide."""
    axes.set_title("\n".join(textwrap.wrap(text, int(12 * width))), fontsize=9, loc="left", parse_math=False)
