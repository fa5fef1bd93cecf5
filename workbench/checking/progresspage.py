"""A student's diary as a page: what has grown, drum by drum, fills and tempo, and what may come next.

Only takes of the same song and bars are set beside each other: the latest and the first of them.  Every step forward
is told before what has slipped, and of that no more than one thing a song (common practice of teachers, no source).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date as Date

import numpy as np

from workbench.chart.counting import and_list, percent_said
from workbench.chart.drumkit import drum_key_order
from workbench.checking.diary import Diary, KeptTake
from workbench.checking.playing import WORKING_DRUMMERS_SPREAD_MS
from workbench.checking.reportpage import GREEN, GREY, Report
from workbench.reading.plot import Picture

# Numbers whose origin is not named: chosen by eye, no source.
#: Changes that are worth a word: of a spread or an average (ms), of the share of strokes played, of fills' tempo, and
#: of the tempo (a share).
SPREAD_MS, MEAN_MS, SHARE, FILL_TEMPO, TEMPO = 2.0, 5.0, 0.02, 0.01, 0.02
#: Most steps forward told of a song.
MOST_FORWARD = 4
#: Drums drawn: those struck most often.
MOST_DRUMS = 5
#: Behind the spread of most working drummers.
BAND = "#E6F4EF"
#: Colours that stay apart for the colour-blind (M. Okabe, K. Ito, *Color Universal Design*, 2008), one a drum.
DRUM_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00")

#: A change: how much it is worth, better or not, and the sentence.
Step = tuple[float, bool, str]


def day(date: Date) -> str:
    """A date as it is said: "3 November 2026"."""
    return f"{date.day} {date:%B %Y}"


def steps_of(takes: Sequence[KeptTake]) -> list[Step]:
    """What has changed from the first of some takes to the latest, the most worthwhile first."""
    first, last = takes[0], takes[-1]
    out: list[Step] = []
    if abs(change := last.tempo_bpm / first.tempo_bpm - 1) >= TEMPO:
        # Faster is forward only on the way to the part's tempo.
        nearer = abs(last.tempo_bpm - last.part_bpm) < abs(first.tempo_bpm - first.part_bpm)
        of = f"the part is at {last.part_bpm:.0f}"
        if nearer:
            text = f"You play at {last.tempo_bpm:.0f} now; it was {first.tempo_bpm:.0f}, and {of}."
            out.append((20 * abs(change), True, text))
    if abs(change := last.share - first.share) >= SHARE:
        better = change > 0
        text = f"You play {percent_said(last.share)} of the written strokes; it was {percent_said(first.share)}."
        out.append((15 * abs(change), better, text))
    for name in sorted(first.drums.keys() & last.drums.keys(), key=drum_key_order):
        old, new = first.drums[name], last.drums[name]
        if old.spread_ms is not None and new.spread_ms is not None:
            change = old.spread_ms - new.spread_ms
            if abs(change) >= SPREAD_MS:
                word = "steadier" if change > 0 else "looser"
                text = f"Your {name} is {word}: its strokes vary by {new.spread_ms:.0f} ms; it was {old.spread_ms:.0f}."
                out.append((abs(change) / 4, change > 0, text))
        if old.mean_ms is not None and new.mean_ms is not None:
            change = abs(old.mean_ms) - abs(new.mean_ms)
            if change >= MEAN_MS:
                text = f"Your {name} lies {_beside(new.mean_ms)}; it was {_beside(old.mean_ms)}."
                out.append((change / 6, True, text))
    if first.fills_off is not None and last.fills_off is not None:
        change = first.fills_off - last.fills_off
        if abs(change) >= FILL_TEMPO:
            text = (
                f"Your fills {'keep the tempo better' if change > 0 else 'leave the tempo more'}: they lie "
                f"{percent_said(last.fills_off)} off it on average; it was {percent_said(first.fills_off)}."
            )
            out.append((60 * abs(change), change > 0, text))
    return sorted(out, key=lambda step: -step[0])


def _beside(mean_ms: float) -> str:
    if abs(mean_ms) < 1:
        return "on the beat"
    return f"{abs(mean_ms):.0f} ms {'early' if mean_ms < 0 else 'late'}"


def progress_words(takes: Sequence[KeptTake]) -> tuple[list[str], list[str]]:
    """What has grown over takes of one song, and at most one thing that has slipped."""
    steps = steps_of(takes)
    faster = takes[-1].tempo_bpm > (1 + TEMPO) * takes[0].tempo_bpm
    slipped = [text for _, better, text in steps if not better][:1]
    if slipped and faster:
        slipped = [f"{slipped[0]} At a faster tempo that is usual: it comes back."]
    return [text for _, better, text in steps if better][:MOST_FORWARD], slipped


def draw_progress(takes: Sequence[KeptTake]) -> Picture:
    """Tempo, strokes played, spread by drum and fills, take by take."""
    struck: Counter[str] = Counter()
    for take in takes:
        struck.update({name: d.written for name, d in take.drums.items()})
    names = sorted((name for name, _ in struck.most_common(MOST_DRUMS)), key=drum_key_order)
    figure = Picture(figsize=(6.7, 4.6), layout="constrained")
    tempo, played, spread, fills = figure.subplots(2, 2).ravel()
    at = np.arange(len(takes))
    tempo.plot(at, [t.tempo_bpm for t in takes], "o-", color=GREEN)
    tempo.plot(at, [t.part_bpm for t in takes], "--", color=GREY, lw=1)
    tempo.set_title("tempo (dashed: the part's)", fontsize=8, loc="left")
    played.set_title("written strokes played, %", fontsize=8, loc="left")
    spread.set_title("spread, ms (green: most working drummers)", fontsize=8, loc="left")
    spread.axhspan(WORKING_DRUMMERS_SPREAD_MS[0], WORKING_DRUMMERS_SPREAD_MS[2], color=BAND)
    for name, colour in zip(names, DRUM_COLOURS):
        drums = [t.drums.get(name) for t in takes]
        shares = [100 * d.played / max(1, d.written) if d else np.nan for d in drums]
        played.plot(at, shares, "o-", color=colour, ms=3, label=name)
        known = [d.spread_ms if d and d.spread_ms is not None else np.nan for d in drums]
        spread.plot(at, known, "o-", color=colour, ms=3)
    played.legend(fontsize=6, frameon=False)
    fills.set_title("fills off the tempo, %", fontsize=8, loc="left")
    fills.plot(at, [np.nan if t.fills_off is None else 100 * t.fills_off for t in takes], "o-", color=GREEN)
    for axes in (spread, fills):
        axes.set_ylim(bottom=0)
    shown = at[:: -(-len(at) // 6)]
    for axes in figure.axes:
        dates = [f"{takes[k].date.day} {takes[k].date:%b}" for k in shown]
        axes.set(xticks=shown, xticklabels=dates, xlim=(-0.3, len(at) - 0.7))
        axes.spines[["top", "right"]].set_visible(False)
        axes.tick_params(labelsize=7)
        axes.grid(axis="y", color="#e6e9eb")
    return figure


def progress_page(diary: Diary) -> Report:
    """A diary as a page."""
    blocks: list[tuple[str, object]] = []
    if not diary.takes:
        blocks.append(("lead", "No takes yet."))
    for (song, bars), takes in sorted(diary.songs.items(), key=lambda found: found[1][-1].date, reverse=True):
        blocks.append(("head", " – ".join(x for x in (song or "A part without a title", bars) if x)))
        blocks += _said(takes)
        if len(takes) > 1:
            blocks.append(("picture", draw_progress(takes).svg("Tempo, strokes, spread and fills, take by take")))
        heads = ("take", "tempo", "strokes", "steadiest", "recording")
        blocks.append(("table", [heads, *map(_row, reversed(takes))]))
    blocks += [("quiet", f"Not read: {and_list(list(diary.unread))}.")] if diary.unread else []
    return Report("Your takes", tuple(blocks))


def _said(takes: Sequence[KeptTake]) -> Iterable[tuple[str, object]]:
    if len(takes) == 1:
        return [
            ("lead", f"Your first take, {day(takes[0].date)}. From the next one on, this page tells what has grown.")
        ]
    grown, slipped = progress_words(takes)
    lead = f"{len(takes)} takes from {day(takes[0].date)} to {day(takes[-1].date)}."
    if not grown:
        lead += " You hold what you had." if not slipped else ""
    blocks: list[tuple[str, object]] = [("lead", lead)]
    blocks += [("list", grown)] if grown else []
    blocks += [("text", f"To look at next: {slipped[0]}")] if slipped else []
    return blocks


def _row(take: KeptTake) -> tuple[str, ...]:
    told = {n: d.spread_ms for n, d in take.drums.items() if d.spread_ms is not None}
    best = min(told, key=lambda n: told[n], default="")
    steadiest = f"{best}, {told[best]:.0f} ms" if best else "–"
    return day(take.date), f"{take.tempo_bpm:.0f}", f"{take.played} of {take.written}", steadiest, take.recording
