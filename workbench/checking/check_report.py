"""The check as a page to read and listen through, worst bars first.

The HTML page plays each bar as written and as recorded and carries the sound of
both, so it can be handed over by itself; the PDF is for paper.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from workbench.cautions import COPYRIGHT, HEARING, HEARING_SOURCE
from workbench.chart.counting import bar_list, bar_name, capital, clock, percent_said, place_list, the_place
from workbench.chart.drumkit import drum_key_order
from workbench.checking.check import FAINT_BELOW, FEWEST_LAID, BarCheck, Check, Pattern, worst_first
from workbench.checking.findings import Finding, said_of
from workbench.checking.pagesound import carried_sound, with_sounds
from workbench.checking.reportpage import BLUE, VERMILION, Line, Report, ShownBar, write_report
from workbench.checking.shownbar import Difference, engraved_bar
from workbench.grouping import grouped
from workbench.templates import filled

# Numbers whose origin is not named: chosen by eye, no source.
#: Bars shown with their notes; the others are listed.
MOST_BARS_SHOWN = 24
#: Findings listed for one bar, patterns listed in all; of each kind, lines in a terminal.
MOST_IN_A_BAR, MOST_PATTERNS, MOST_IN_SHORT = 10, 12, 8

#: What is said of notes not heard of which no finding speaks.
UNHEARD = "not heard, but probably played"
HOW_SURE = (
    "“Wrong” means that the recording contradicts the chart. “Listen” means that it may: a note written but not heard "
    "may be soft, covered by another one, or of a drum that is hard to hear in this recording; in place of a stroke "
    "heard but not written, however loud and clear, the ear may have heard something else. "
    "“Chart wrong: 80%” means that of ten such findings about eight are mistakes of the chart; in the other two "
    "the workbench has misheard. A stroke early or late by "
    "less than half the finest step of its bar is feel, and never called wrong. The worst bars come first: "
    "bars left out or added, then those with the most to correct, kick and snare weighing more than cymbals. "
    "The staves show every difference in these colours, “as recorded” as the workbench hears it. Your ear decides."
)


def write_check(check: Check, path: str | os.PathLike, recording: str | os.PathLike | None = None) -> Path:
    """Write a check as ``.html``, ``.pdf`` or ``.json``, by the name's ending.

    ``recording`` lets the HTML page play the bars; it carries the sound, so that the page alone can be handed over.
    """
    page: Callable[[], Report] = partial(check_page, check)
    if recording and str(path).endswith(".html"):
        page = partial(with_sounds, page, partial(carried_sound, recording, path), check.chart, check.alignment)
    return write_report(path, check.to_data, page)


def summary_of(check: Check) -> str:
    """The check in one sentence."""
    wrong = sum(f.verdict == "wrong" for f in check.findings)
    listen = len(check.findings) - wrong
    if not check.bars:
        return "Nothing was checked: no bar of the chart is found in the recording."
    if not check.findings:
        return f"Nothing to correct was found; {_heard_words(check)}."
    shifted = {k for s in check.shifts for k in range(s.first, s.last + 1)}
    bars = len(shifted | {f.bar_index for f in check.findings})
    parts = [f"{wrong} {'place is' if wrong == 1 else 'places are'} wrong"] if wrong else []
    places = f"{listen} place{'s' * (listen != 1)}" if not wrong else f"{listen}"
    parts += [f"{places} {'is' if listen == 1 else 'are'} worth a listen"] if listen else []
    return (
        f"{' and '.join(parts)}, in {bars} of {len(check.chart)} bar{'s' * (len(check.chart) > 1)}; "
        f"{_heard_words(check)}."
    )


def _heard_words(check: Check) -> str:
    """How much of what is written is heard: a share of what was found only, and of most of the chart."""
    found, bars = len(check.alignment.played), len(check.chart)
    if not check.notes_aligned or found < FEWEST_LAID * bars:
        return f"only {found} of {bars} bars {'was' if found == 1 else 'were'} found in the recording"
    of = f", of the {found} bars found," if found < bars else ""
    return (
        f"{percent_said(check.notes_heard / check.notes_aligned)} of the written notes{of} are heard in the recording"
    )


def lines_of(check: Check, bar: BarCheck) -> list[Line]:
    """What to read about a bar: worst first, the same said once for all its places."""
    return [line for line, _ in said_once(check, bar)]


def said_once(check: Check, bar: BarCheck) -> list[tuple[Line, tuple[Finding, ...]]]:
    """The lines about a bar with the findings of which each speaks."""

    def alike(k: int, f: Finding) -> tuple:
        return (f.kind, f.instrument, f.heard_instrument, f.verdict) if f.position is not None else (k,)

    out = []
    for found in grouped((alike(k, f), f) for k, f in enumerate(bar.findings)).values():
        first = found[0]
        probability = sum(f.probability for f in found) / len(found)
        if first.position is None:
            out.append((Line(first.verdict, first.text, probability), tuple(found)))
            continue
        timed = check.chart.time_map.bars[bar.bar_index]
        places = place_list(timed, [f.position for f in found if f.position is not None])
        text = said_of(first.kind, first.instrument, first.heard_instrument)
        there = [f.heard_at[1] for f in found if f.heard_at is not None and f.heard_at[0] == bar.bar_index]
        if len(there) == len(found):
            text = f"{first.instrument} is written, but heard on {place_list(timed, there)}"
        if first.kind in ("early", "late"):
            mean = sum(abs(f.deviation_s) for f in found) / len(found)
            text = text.replace("heard", f"heard {1000 * mean:.0f} ms")
        if len(found) == 1:
            text = first.text.split(": ", 1)[1].removesuffix(".")
        out.append((Line(first.verdict, f"On {places}: {text}.", probability), tuple(found)))
    return out


def single_findings(check: Check, patterns: int = MOST_PATTERNS) -> tuple[list[BarCheck], list[BarCheck]]:
    """Bars with what is not told among the first patterns, the worst first; and those with nothing but minor doubts."""
    told = {f for p in check.patterns[:patterns] for f in p.findings}
    bars = worst_first([replace(b, findings=tuple(f for f in b.findings if f not in told)) for b in check.bars])
    faint = [b for b in bars if max(f.probability for f in b.findings) < FAINT_BELOW]
    return [b for b in bars if b not in faint], sorted(faint, key=lambda b: b.start_s)


def short_lines(check: Check) -> list[str]:
    """The findings for a terminal, a line each: what is the same in several bars, then bar by bar.

    Wrong ones come first, minor doubts last.
    """
    single, faint = single_findings(check, MOST_IN_SHORT)
    lines = [(bar, line) for bar in (*single, *faint) for line in lines_of(check, bar)]
    lines.sort(key=lambda found: (found[1].verdict != "wrong", found[1].probability < FAINT_BELOW))
    told = [(p.verdict, p.text) for p in check.patterns[:MOST_IN_SHORT]]
    for bar, line in lines[:MOST_IN_SHORT]:
        names_bars = any(f.position is None and f.text == line.text for f in bar.findings)
        told.append((line.verdict, line.text if names_bars else f"{bar_name(bar.bar_number)}: {line.text}"))
    told.sort(key=lambda line: line[0] != "wrong")
    more = [f"and {len(lines) - MOST_IN_SHORT} more: see the report."] * (len(lines) > MOST_IN_SHORT)
    return [
        *(f"{verdict}: {text}" for verdict, text in told),
        *more,
        *(f"{UNHEARD}: {t}" for t in unheard_lines(check)),
    ]


def unheard_lines(check: Check) -> list[str]:
    """Notes not heard of which no finding speaks, a line for each drum."""
    out = []
    by_name = grouped((n.instrument, (k, n)) for k, n in check.unheard)
    for name in sorted(by_name, key=drum_key_order):
        found = by_name[name]
        bars = bar_list(check.chart.time_map, (k for k, _ in found))
        if len({n.position for _, n in found}) == 1:
            out.append(
                f"{name} on {the_place(check.chart.time_map.bars[found[0][0]], found[0][1].position)} in {bars}."
            )
        else:
            out.append(f"{name}, {len(found)} notes in {bars}.")
    return out


def overview_svg(check: Check, a_row: int = 16) -> str:
    """All played bars as squares in rows, coloured by what was found in them."""
    squares = []
    runs = {bar: of for of in check.bars for bar in _rest_of_run(check, of)}
    for bar in check.bars:
        of = runs.get(bar, bar)
        verdicts = {f.verdict for f in (*bar.findings, *of.findings)}
        fill = VERMILION if "wrong" in verdicts else BLUE if verdicts else "#E6F4EF"
        name = bar_name(bar.bar_number)
        label = [str(bar.bar_number)] if bar.bar_number else ["Pick-", "up"]
        squares.append((name, label, len(bar.findings or of.findings), fill, "#fff" if verdicts else "#3b4249"))
    return filled("checking/page/overview.svg", squares=squares, a_row=a_row)


def check_page(check: Check, sound: str = "", written_sound: str = "") -> Report:
    """The check as a page; with links to the recording, and to what is written, it plays the bars."""
    worst, faint = single_findings(check)
    blocks: list[tuple[str, Any]] = [("warning", text) for text in check.first]
    blocks += [("lead", capital(summary_of(check)))]
    blocks += [("quiet", f"{check.draft} against {os.path.basename(check.recording)}")] if check.draft else []
    blocks += [("text", remark) for remark in check.remarks]
    blocks += [("picture", overview_svg(check))] if check.bars else []
    blocks += [("verdicts", HOW_SURE)]
    shown, patterns = worst[:MOST_BARS_SHOWN], check.patterns[:MOST_PATTERNS]
    for verdict, said in (("wrong", "Wrong"), ("listen", "Worth a listen")):
        alike = [_pattern(check, p) for p in patterns if p.verdict == verdict]
        found = [b for b in shown if any(f.verdict == "wrong" for f in b.findings) is (verdict == "wrong")]
        own = {b.start_s for b in shown}
        runs = [[b, *(rest for rest in _rest_of_run(check, b) if rest.start_s not in own)] for b in found]
        single = [_bar(check, b) for run in runs for b in run]
        blocks += [("head", f"{said}, the same in several bars"), *(("bar", bar) for bar in alike)] if alike else []
        blocks += [("head", f"{said}, bar by bar, worst first"), *(("bar", bar) for bar in single)] if single else []
    for head, bars, most in (("Further bars", worst[MOST_BARS_SHOWN:], MOST_IN_A_BAR), ("Minor doubts", faint, None)):
        lines = [
            replace(line, text=f"{bar_name(bar.bar_number)}: {line.text}", stretch=_stretch(bar))
            for bar in bars
            for line in lines_of(check, bar)[:most]
        ]
        blocks += [("head", head), ("lines", lines)] if bars else []
    if check.unheard:
        why = "The ear most likely missed these: they are soft, covered, or written and played alike all around."
        blocks += [("head", capital(UNHEARD)), ("quiet", why), ("list", unheard_lines(check))]
    blocks += [("head", "Before you go on"), ("quiet", f"{HEARING} {HEARING_SOURCE}"), ("quiet", COPYRIGHT)]
    return Report(f"Check of {check.chart.title or 'a chart'}", tuple(blocks), sound, written_sound)


def _bar(check: Check, found: BarCheck) -> ShownBar:
    """A bar with all that was found in it, told among the patterns or not, so that its staves are true."""
    bar = next(b for b in check.bars if b.start_s == found.start_s)
    lines = lines_of(check, bar)
    return ShownBar(
        bar_name(bar.bar_number),
        clock(bar.start_s),
        _stretch(bar),
        *engraved_bar(check.chart, bar.bar_index, _differences(check, bar)),
        tuple(lines[:MOST_IN_A_BAR]),
        len(lines) - MOST_IN_A_BAR,
    )


def _pattern(check: Check, pattern: Pattern) -> ShownBar:
    """The bar in which a pattern is surest, and the others to be played."""
    surest = max(pattern.findings, key=lambda f: f.probability)
    bars = [b for b in check.bars if not set(pattern.findings).isdisjoint(b.findings)]
    shown = next(b for b in bars if surest in b.findings)
    line = Line(pattern.verdict, pattern.text, pattern.probability)
    alike = tuple((bar_name(b.bar_number), (b.start_s, b.end_s)) for b in bars if b is not shown)
    return replace(_bar(check, shown), lines=(line,), more=0, alike=alike)


def _rest_of_run(check: Check, bar: BarCheck) -> list[BarCheck]:
    """The bars after one of which the same finding speaks: those of a run written too early or too late."""
    last = next((s.last for s in check.shifts if s.first == bar.bar_index), -1)
    return [b for b in check.bars if bar.bar_index < b.bar_index <= last]


def _stretch(bar: BarCheck) -> tuple[float, float]:
    """From when to when to play a bar, with all that its findings point at, seconds."""
    return min([bar.start_s, *(f.start_s for f in bar.findings)]), max([bar.end_s, *(f.end_s for f in bar.findings)])


def _shifted_notes(check: Check, bar: BarCheck) -> Iterator[Difference]:
    """The notes of a bar written too early or too late, where they are heard; those that fell out of it, too."""
    time_map, k = check.chart.time_map, bar.bar_index
    for shift in check.shifts:
        if shift.first <= k <= shift.last:
            inner = [(j, n) for j in range(shift.first, shift.last + 1) for n in check.chart.bars[j].notes]
            for j, note in (*inner, *shift.spilled):
                at = time_map.starts[j] + note.position - shift.by - time_map.starts[k]
                played = note.instrument if 0 <= at < time_map.bars[k].length else ""
                if played or j == k:
                    written = note.instrument if j == k else ""
                    yield Difference(note.position, written, played, VERMILION, at if played else None)


def _copied_notes(check: Check, bar: BarCheck) -> Iterator[Difference]:
    """The notes of a bar written like the one beside it that are not heard, and what is heard instead."""
    for copy in check.copies:
        if copy.bar == bar.bar_index:
            written, heard = check.chart.bars[copy.bar], copy.heard
            for position, name in sorted(written.pattern - heard.pattern):
                yield Difference(position, name, "", VERMILION)
            for position, name in sorted(heard.pattern - written.pattern):
                yield Difference(position, "", name, VERMILION)


def _differences(check: Check, bar: BarCheck) -> Iterator[Difference]:
    """What findings change in a bar, to be shown in colour."""
    yield from _shifted_notes(check, bar)
    yield from _copied_notes(check, bar)
    for f in check.findings:
        colour = VERMILION if f.verdict == "wrong" else BLUE
        heard_bar, at = f.heard_at or (f.bar_index, None)
        if f.position is not None and f in bar.findings:
            played = {"extra": "", "missing": f.heard_instrument, "wrong drum": f.heard_instrument}
            here = heard_bar == f.bar_index
            yield Difference(
                f.position, f.instrument, played.get(f.kind, f.instrument) if here else "", colour, at if here else None
            )
        elif at is not None and heard_bar == bar.bar_index != f.bar_index:
            yield Difference(at, "", f.instrument, colour)
