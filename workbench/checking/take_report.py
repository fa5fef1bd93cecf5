"""The take as one page: what goes well, what to work on, two pictures, a table.

The first picture shows every stroke early or late, instrument by instrument;
the second goes through the take bar by bar: tempo, fills, strokes missed and
added.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np

from workbench.cautions import COPYRIGHT, HEARING, HEARING_SOURCE, STRAIN
from workbench.chart.drumkit import drum_key_order
from workbench.checking.differing import stroke_lines
from workbench.checking.playing import FEWEST_STROKES, InstrumentTiming
from workbench.checking.reportpage import BLUE, GREEN, GREY, VERMILION, Report, escape, write_report
from workbench.checking.take import Take
from workbench.checking.take_words import is_rough, spread_in_words

# Numbers whose origin is not named: chosen by eye, no source.
#: Deviations are drawn up to this, milliseconds.
REACH_MS = 60.0
#: Most lines of strokes listed one by one, of each kind.
MOST_LINES = 6
#: Most strokes drawn of one instrument.
MOST_DOTS = 400

_FONT = 'font-family="DejaVu Sans, sans-serif"'


def write_take(take: Take, path: str | os.PathLike) -> Path:
    """Write a take as ``.html``, ``.pdf`` or ``.json``, by the name's ending."""
    return write_report(path, take.to_data, lambda: take_page(take))


# -- pictures ----------------------------------------------------------------------------


def strokes_svg(take: Take, width: int = 640) -> str:
    """Every written stroke that was played, early to the left, late to the right; bar: mean ± spread."""
    by_name: dict[str, list[float]] = {}
    for name, _, ms in take.playing.deviations:
        by_name.setdefault(name, []).append(ms)
    timing = {i.instrument: i for i in take.playing.instruments}
    names = sorted((n for n in by_name if len(by_name[n]) >= FEWEST_STROKES), key=drum_key_order)
    row, top, left = 22, 22, 110
    height = top + row * len(names) + 24
    x = lambda ms: left + (ms + REACH_MS) / (2 * REACH_MS) * (width - left - 10)
    out = [
        _text(x(-REACH_MS), 12, "early", GREY, "start"),
        _text(x(REACH_MS), 12, "late", GREY, "end"),
        _text(x(0), 12, f"on {take.playing.zero or take.playing.against}", "#3b4249", "middle"),
    ]
    for ms in range(-60, 61, 20):
        out.append(
            f'<line x1="{x(ms):.1f}" x2="{x(ms):.1f}" y1="{top - 4}" y2="{height - 20}" '
            f'stroke="{"#3b4249" if ms == 0 else "#d5d9dd"}" stroke-width="1"/>'
        )
        out.append(_text(x(ms), height - 6, f"{ms:+d} ms" if ms else "0", GREY, "end" if ms == REACH_MS else "middle"))
    rng = np.random.default_rng(0)
    for k, name in enumerate(names):
        y = top + row * (k + 0.5)
        out.append(_text(left - 8, y + 4, name, "#22262b", "end"))
        values = np.array(by_name[name])
        if len(values) > MOST_DOTS:
            values = rng.choice(values, MOST_DOTS, replace=False)
        for ms, shake in zip(values, rng.uniform(-6, 6, len(values))):
            if abs(ms) <= REACH_MS:
                out.append(f'<circle cx="{x(ms):.1f}" cy="{y + shake:.1f}" r="2" fill="{BLUE}" fill-opacity="0.3"/>')
        t = timing.get(name)
        if t is not None and t.mean_ms is not None and t.spread_ms is not None and abs(t.mean_ms) < REACH_MS:
            low, high = max(t.mean_ms - t.spread_ms, -REACH_MS), min(t.mean_ms + t.spread_ms, REACH_MS)
            out.append(
                f'<line x1="{x(low):.1f}" x2="{x(high):.1f}" y1="{y}" y2="{y}" '
                f'stroke="{VERMILION}" stroke-width="2.5"/>'
            )
            out.append(f'<rect x="{x(t.mean_ms) - 2:.1f}" y="{y - 8}" width="4" height="16" fill="{VERMILION}"/>')
    return _svg(width, height, out, "Strokes early and late, by instrument")


def bars_svg(take: Take, width: int = 640) -> str:
    """Tempo bar by bar with the fills shaded; below, strokes missed and added."""
    bars = take.playing.bars
    left, right, top, middle, height = 46, 10, 18, 110, 168
    step = (width - left - right) / max(1, len(bars))
    tempi = np.array([np.nan if b.tempo_bpm is None else b.tempo_bpm for b in bars])
    centre = take.playing.tempo_bpm
    reach = max(3.0, 1.1 * float(np.nanmax(np.abs(tempi - centre), initial=0.0)))
    reach = min(reach, 0.6 * centre)
    y = lambda bpm: top + (middle - top) * (0.5 - np.clip((bpm - centre) / reach, -1, 1) / 2)
    out = [_text(left, 11, "tempo, beats a minute (shaded: fills)", "#3b4249", "start")]
    for f in take.playing.fills:
        # By number: a fill that is played early begins before its bar does.
        k = min(range(len(bars)), key=lambda j: (bars[j].bar_number != f.bar_number, abs(bars[j].start_s - f.start_s)))
        out.append(
            f'<rect x="{left + k * step:.1f}" y="{top}" width="{step:.1f}" height="{middle - top}" fill="#F3E5C3"/>'
        )
    for bpm in (centre - reach, centre, centre + reach):
        out.append(f'<line x1="{left}" x2="{width - right}" y1="{y(bpm):.1f}" y2="{y(bpm):.1f}" stroke="#d5d9dd"/>')
        out.append(_text(left - 6, y(bpm) + 4, f"{bpm:.0f}", GREY, "end"))
    points = [(left + (k + 0.5) * step, y(t)) for k, t in enumerate(tempi) if np.isfinite(t)]
    if points:
        path = " ".join(f"{a:.1f},{b:.1f}" for a, b in points)
        out.append(f'<polyline points="{path}" fill="none" stroke="{GREEN}" stroke-width="2"/>')
    most = max([1, *(max(b.missed, b.added) for b in bars)])
    base, room = 134, 16
    out.append(f'<line x1="{left}" x2="{width - right}" y1="{base}" y2="{base}" stroke="{GREY}"/>')
    for k, b in enumerate(bars):
        for count, colour, up in ((b.missed, VERMILION, True), (b.added, BLUE, False)):
            size = room * count / most
            if count:
                edge = base - size if up else base
                out.append(
                    f'<rect x="{left + (k + 0.15) * step:.1f}" y="{edge:.1f}" '
                    f'width="{0.7 * step:.1f}" height="{size:.1f}" fill="{colour}"/>'
                )
        every = max(1, -(-len(bars) // 16))
        if k % every == 0:
            out.append(_text(left + (k + 0.5) * step, height - 4, str(b.bar_number), GREY, "middle"))
    out.append(_text(left - 6, base - 4, "missed", VERMILION, "end"))
    out.append(_text(left - 6, base + 10, "added", BLUE, "end"))
    return _svg(width, height, out, "Tempo, fills, strokes missed and added, bar by bar")


def _text(x: float, y: float, words: str, colour: str, anchor: str) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="10" fill="{colour}" text-anchor="{anchor}" {_FONT}>'
        f"{escape(words)}</text>"
    )


def _svg(width: int, height: float, parts: list[str], label: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height:.0f}" width="{width}" '
        f'role="img" aria-label="{escape(label)}"><title>{escape(label)}</title>{"".join(parts)}</svg>'
    )


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
            out.append((head, lines[:MOST_LINES] + ([f"and {more} more, in the JSON file"] if more > 0 else [])))
    return out


def _rows(take: Take) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for i in take.playing.instruments:
        spread = "–" if i.spread_ms is None else f"{i.spread_ms:.0f} ms"
        counts = (f"{i.played} of {i.written}", str(i.missed), str(i.unsure), str(i.added))
        rows.append((i.instrument, *counts, _on_average(i), spread, spread_in_words(i)))
    return rows


def take_page(take: Take) -> Report:
    """The take as a page."""
    blocks: list[tuple[str, Any]] = [("quiet", take.recording), *(("warning", w) for w in take.warnings)]
    for head, said in (("What goes well", take.strengths), ("What to work on next", take.advice)):
        blocks += [("head", head), ("list", said)] if said else []
    blocks += [("head", "Early and late"), ("picture", strokes_svg(take)), ("head", "Bar by bar")]
    blocks += [("picture", bars_svg(take)), ("head", "In figures"), ("table", [_TABLE_HEADS, *_rows(take)])]
    strokes = _listed_strokes(take)
    blocks += [("head", "Stroke by stroke"), ("columns", strokes)] if strokes else []
    blocks += [("quiet", text) for text in (*take.remarks, f"{STRAIN} {HEARING} {HEARING_SOURCE} {COPYRIGHT}")]
    return Report(f"Your take of {take.playing.chart.title or 'the part'}", tuple(blocks), one_page=True)
