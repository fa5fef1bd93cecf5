"""The take as one page: what goes well, what to work on, two pictures, a table.

The page plays the bars that differ most, as written and as recorded, and carries
both sounds.  The first picture shows every stroke early or late, instrument by instrument;
the second goes through the take bar by bar: tempo, fills, strokes missed and
added.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from workbench.cautions import COPYRIGHT, HEARING, HEARING_SOURCE, STRAIN
from workbench.chart.counting import bar_name, clock
from workbench.chart.drumkit import drum_key_order
from workbench.checking.differing import DifferingStroke, stroke_lines
from workbench.checking.electronic import is_midi, played_strokes
from workbench.checking.findings import BEFORE_LINE_S
from workbench.checking.pagesound import carried, carried_sound, sound_strokes, with_sounds
from workbench.checking.playing import FEWEST_STROKES, InstrumentTiming
from workbench.checking.reportpage import BLUE, GREEN, GREY, VERMILION, Report, ShownBar, write_report
from workbench.checking.shownbar import Difference, engraved_bar
from workbench.checking.take import Take
from workbench.checking.take_words import is_rough, spread_in_words
from workbench.reading.plot import Picture, draw_deviations

# Numbers whose origin is not named: chosen by eye, no source.
#: Deviations are drawn up to this, milliseconds.
REACH_MS = 60.0
#: Most lines of strokes listed one by one, of each kind.
MOST_LINES = 6
#: Most bars shown with their notes.
MOST_SHOWN_BARS = 8
#: What stands before them.
ABOUT_BARS = "Missed strokes are orange on the staff as written, strokes that are not in the part blue as recorded."
#: Most strokes drawn of one instrument.
MOST_DOTS = 400

#: Colour behind the fills.
SHADE = "#F3E5C3"


def write_take(take: Take, path: str | os.PathLike) -> Path:
    """Write a take as ``.html``, ``.pdf`` or ``.json``, by the name's ending; the page carries its sound."""
    page: Callable[[], Report] = partial(take_page, take)
    if str(path).endswith(".html") and os.path.exists(take.recording):
        page = partial(with_sounds, page, partial(_recorded, take, path), take.playing.chart, take.playing.alignment)
    return write_report(path, take.to_data, page)


def _recorded(take: Take, path: str | os.PathLike) -> str:
    if is_midi(take.recording):
        return carried(sound_strokes(played_strokes(take.playing.chart, take.recording)))
    return carried_sound(take.recording, path)


# -- pictures ----------------------------------------------------------------------------


def draw_strokes(take: Take) -> Picture:
    """Every written stroke that was played, early to the left, late to the right; bar: mean ± spread."""
    found = pd.DataFrame(take.playing.deviations, columns=["name", "time_s", "ms"]).groupby("name")["ms"]
    often = {str(name): ms for name, ms in found if len(ms) >= FEWEST_STROKES}
    played = {
        n: often[n].sample(min(MOST_DOTS, len(often[n])), random_state=0) for n in sorted(often, key=drum_key_order)
    }
    told = {
        i.instrument: (i.mean_ms, i.spread_ms)
        for i in take.playing.instruments
        if i.mean_ms is not None and i.spread_ms is not None
    }
    figure = Picture(figsize=(6.7, 0.5 + 0.23 * len(played)), layout="constrained")
    axes = figure.subplots()
    draw_deviations(axes, played, told, (BLUE, VERMILION))
    ticks = range(-60, 61, 20)
    axes.set(xlim=(-REACH_MS, REACH_MS), xticks=ticks, xticklabels=[f"{ms:+d} ms" if ms else "0" for ms in ticks])
    axes.set_title("early", fontsize=8, color=GREY, loc="left")
    axes.set_title(f"on {take.playing.zero or take.playing.against}", fontsize=8)
    axes.set_title("late", fontsize=8, color=GREY, loc="right")
    axes.grid(axis="x", color="#d5d9dd")
    return _plain(figure)


def draw_bars(take: Take) -> Picture:
    """Tempo bar by bar with the fills shaded; below, strokes missed and added."""
    bars = pd.DataFrame(list(take.playing.bars))
    figure = Picture(figsize=(6.7, 1.9), layout="constrained")
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
    centre = take.playing.tempo_bpm
    tempi = bars["tempo_bpm"].dropna().astype(float)
    reach = min(max(3.0, 1.1 * float((tempi - centre).abs().max() if len(tempi) else 0)), 0.6 * centre)
    above.set_title("tempo, beats a minute (shaded: fills)", fontsize=8, loc="left")
    for f in take.playing.fills:
        # By number: a fill that is played early begins before its bar does.
        own = bars[bars["bar_number"] == f.bar_number] if f.bar_number in set(bars["bar_number"]) else bars
        k = (own["start_s"] - f.start_s).abs().idxmin()
        above.axvspan(k - 0.5, k + f.bar_count - 0.5, color=SHADE)
    above.plot(tempi.index, tempi, color=GREEN, lw=1.5)
    above.set(ylim=(centre - reach, centre + reach), yticks=np.round(centre + reach * np.array([-1, 0, 1])))
    above.grid(axis="y", color="#d5d9dd")
    below.bar(bars.index, bars["missed"], width=0.7, color=VERMILION)
    below.bar(bars.index, -bars["added"], width=0.7, color=BLUE)
    most = max(1, bars[["missed", "added"]].to_numpy().max())
    below.axhline(0, color=GREY, lw=0.8)
    below.set(ylim=(-most, most), yticks=(most / 2, -most / 2), yticklabels=("missed", "added"))
    shown = bars["bar_number"][:: -(-len(bars) // 16)]
    below.set(xlim=(-0.5, len(bars) - 0.5), xticks=shown.index, xticklabels=shown)
    return _plain(figure)


def _plain(figure: Picture) -> Picture:
    """A picture without frames, its marks in small letters."""
    for axes in figure.axes:
        axes.spines[:].set_visible(False)
        axes.tick_params(length=0, labelsize=8)
    return figure


# -- pages --------------------------------------------------------------------------------

_TABLE_HEADS = ("", "played", "missed", "unsure", "added", "on average", "spread", "that is")


def _on_average(timing: InstrumentTiming) -> str:
    """Early or late in words; less than half a millisecond is neither."""
    if timing.mean_ms is None:
        return "–"
    about = "about " if is_rough(timing) else ""
    if abs(timing.mean_ms) < 0.5:
        return f"{about}on time"
    return f"{about}{abs(timing.mean_ms):.0f} ms {'early' if timing.mean_ms < 0 else 'late'}"


#: Kinds of strokes listed one by one, with their headings.
_LISTED = {"missed": "Missed", "added": "Not in the part", "unsure": "Cannot be told – listen"}


def _listed_strokes(take: Take) -> list[tuple[str, list[str]]]:
    """Headings and lines of the strokes in which take and chart differ."""
    out = []
    for what, head in _LISTED.items():
        lines = stroke_lines(take.playing.chart, take.playing.strokes, what)
        if lines:
            more = len(lines) - MOST_LINES
            out.append((head, lines[:MOST_LINES] + ([f"and {more} more"] if more > 0 else [])))
    return out


def _rows(take: Take) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for i in take.playing.instruments:
        spread = "–" if i.spread_ms is None else f"{i.spread_ms:.0f} ms"
        counts = (f"{i.played} of {i.written}", str(i.missed), str(i.unsure), str(i.added))
        rows.append((i.instrument, *counts, _on_average(i), spread, spread_in_words(i)))
    return rows


def _shown_bars(take: Take) -> list[ShownBar]:
    """Bars in which most strokes are missed or added, on the staff as written and as played, in order of time."""
    playing, found = take.playing, []
    for bar in playing.bars:
        here = [
            s
            for s in playing.strokes
            if s.bar_index == bar.bar_index
            and s.what != "unsure"
            and bar.start_s - BEFORE_LINE_S <= s.time_s < bar.end_s - BEFORE_LINE_S
        ]
        if here:
            found.append((bar, here))
    worst = sorted(found, key=lambda f: -len(f[1]))[:MOST_SHOWN_BARS]
    return [
        ShownBar(
            bar_name(bar.bar_number),
            clock(bar.start_s),
            (bar.start_s, bar.end_s),
            *engraved_bar(playing.chart, bar.bar_index, map(_difference, strokes)),
            (),
        )
        for bar, strokes in sorted(worst, key=lambda f: f[0].start_s)
    ]


def _difference(stroke: DifferingStroke) -> Difference:
    if stroke.what == "added":
        return Difference(stroke.position, "", stroke.instrument, BLUE)
    return Difference(stroke.position, stroke.instrument, stroke.instead, VERMILION)


def take_page(take: Take, sound: str = "", written_sound: str = "") -> Report:
    """The take as a page; with links to the recording, and to what is written, it plays bars."""
    blocks: list[tuple[str, Any]] = [("quiet", os.path.basename(take.recording))]
    blocks += [("warning", w) for w in take.warnings]
    for head, said in (("What goes well", take.strengths), ("What to work on next", take.advice)):
        blocks += [("head", head), ("list", said)] if said else []
    blocks += [
        ("head", "Early and late"),
        ("picture", draw_strokes(take).svg("Strokes early and late, by instrument")),
        ("head", "Bar by bar"),
    ]
    blocks += [("picture", draw_bars(take).svg("Tempo, fills, strokes missed and added, bar by bar"))]
    if bars := _shown_bars(take):
        blocks += [("screen", ABOUT_BARS), *(("bar", bar) for bar in bars)]
    blocks += [("head", "In figures"), ("table", [_TABLE_HEADS, *_rows(take)])]
    strokes = _listed_strokes(take)
    blocks += [("head", "Stroke by stroke"), ("columns", strokes)] if strokes else []
    blocks += [("quiet", text) for text in (*take.remarks, f"{STRAIN} {HEARING} {HEARING_SOURCE} {COPYRIGHT}")]
    title = f"Your take of {take.playing.chart.title or 'the part'}"
    return Report(title, tuple(blocks), sound, written_sound, one_page=True)
