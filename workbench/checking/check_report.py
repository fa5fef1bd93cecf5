"""The check as a page to read and listen through, worst bars first.

The HTML page plays each bar as written and as recorded and carries the sound of
both, so it can be handed over by itself; the PDF is for paper.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from workbench.cautions import COPYRIGHT, HEARING, HEARING_SOURCE
from workbench.chart.counting import capital, place_list
from workbench.checking.check import FAINT_BELOW, BarCheck, Check, worst_first
from workbench.checking.findings import Finding, said_of
from workbench.checking.pagesound import carried, carried_sound, sound_strokes, written_strokes
from workbench.checking.reportpage import BLUE, VERMILION, Line, Report, ShownBar, clock, write_report
from workbench.checking.shownbar import Difference, engraved_bar
from workbench.grouping import grouped
from workbench.templates import filled

# Numbers whose origin is not named: chosen by eye, no source.
#: Bars shown with their notes; the others are listed.
MOST_BARS_SHOWN = 24
#: The staff as recorded has what is at least so likely.
LIKELY = 0.5
#: Findings listed for one bar, patterns listed in all; of each kind, lines in a terminal.
MOST_IN_A_BAR, MOST_PATTERNS, MOST_IN_SHORT = 10, 12, 8

HOW_SURE = (
    "“Wrong” means that the recording contradicts the chart. “Listen” means that it may: the stroke "
    "is soft, covered by another one, or of a drum that is hard to hear in this recording. The "
    "percentages say how likely it is that the chart is wrong, and not the workbench's ear. What is early or late by "
    "less than half the finest step that its bar writes is feel, and never called wrong. On the staff what differs is "
    "in these colours. Your ear decides."
)


def write_check(check: Check, path: str | os.PathLike, recording: str | os.PathLike | None = None) -> Path:
    """Write a check as ``.html``, ``.pdf`` or ``.json``, by the name's ending.

    ``recording`` lets the HTML page play the bars; it carries the sound, so that the page alone can be handed over.
    """
    sounds = ("", "")
    if recording and str(path).endswith(".html"):
        sounds = carried_sound(recording, path), carried(sound_strokes(written_strokes(check.chart, check.alignment)))
    return write_report(path, check.to_data, lambda: check_page(check, *sounds))


def summary_of(check: Check) -> str:
    """The check in one sentence."""
    wrong = sum(f.verdict == "wrong" for f in check.findings)
    listen = len(check.findings) - wrong
    share = check.notes_heard / max(1, check.notes_aligned)
    if not check.bars:
        return "Nothing was checked: no bar of the chart is found in the recording."
    if not check.findings:
        return f"Nothing to correct was found; {share:.0%} of the written notes are heard in the recording."
    bars = len({f.bar_index for f in check.findings})
    parts = [f"{wrong} {'place is' if wrong == 1 else 'places are'} wrong"] if wrong else []
    parts += [f"{listen} {'is' if listen == 1 else 'are'} worth a listen"] if listen else []
    return (
        f"{' and '.join(parts)}, in {bars} of {len(check.chart)} bars; "
        f"{share:.0%} of the written notes are heard in the recording."
    )


def lines_of(check: Check, bar: BarCheck) -> list[Line]:
    """What to read about a bar: worst first, the same said once for all its places."""

    def alike(k: int, f: Finding) -> tuple:
        return (f.kind, f.instrument, f.heard_instrument, f.verdict) if f.position is not None else (k,)

    out = []
    for found in grouped((alike(k, f), f) for k, f in enumerate(bar.findings)).values():
        first = found[0]
        probability = sum(f.probability for f in found) / len(found)
        if first.position is None:
            out.append(Line(first.verdict, first.text, probability))
            continue
        timed = check.chart.time_map.bars[bar.bar_index]
        places = place_list(timed, [f.position for f in found if f.position is not None])
        text = said_of(first.kind, first.instrument, first.heard_instrument)
        if first.kind in ("early", "late"):
            mean = sum(abs(f.deviation_s) for f in found) / len(found)
            text = text.replace("heard", f"heard {1000 * mean:.0f} ms")
        if len(found) == 1:
            text = first.text.split(": ", 1)[1].removesuffix(".")
        out.append(Line(first.verdict, f"On {places}: {text}.", probability))
    return out


def single_findings(check: Check, patterns: int = MOST_PATTERNS) -> tuple[list[BarCheck], list[BarCheck]]:
    """Bars with what is not told among the first patterns, the worst first; and those with nothing but minor doubts."""
    told = {f for p in check.patterns[:patterns] for f in p.findings}
    bars = worst_first([replace(b, findings=tuple(f for f in b.findings if f not in told)) for b in check.bars])
    faint = [b for b in bars if max(f.probability for f in b.findings) < FAINT_BELOW]
    return [b for b in bars if b not in faint], sorted(faint, key=lambda b: b.start_s)


def short_lines(check: Check) -> list[str]:
    """The findings for a terminal, a line each: first what is the same in several bars, then bar by bar."""
    told = [f"{p.verdict}: {p.text}" for p in check.patterns[:MOST_IN_SHORT]]
    single, faint = single_findings(check, MOST_IN_SHORT)
    lines = [(bar, line) for bar in (*single, *faint) for line in lines_of(check, bar)]
    for bar, line in lines[:MOST_IN_SHORT]:
        names_bars = any(f.position is None and f.text == line.text for f in bar.findings)
        told.append(f"{line.verdict}: {line.text if names_bars else f'Bar {bar.bar_number}: {line.text}'}")
    return told + [f"and {len(lines) - MOST_IN_SHORT} more: see the report."] * (len(lines) > MOST_IN_SHORT)


def overview_svg(check: Check, a_row: int = 16) -> str:
    """All played bars as squares in rows, coloured by what was found in them."""
    squares = []
    for bar in check.bars:
        verdicts = {f.verdict for f in bar.findings}
        fill = VERMILION if "wrong" in verdicts else BLUE if verdicts else "#E6F4EF"
        squares.append((bar.bar_number, len(bar.findings), fill, "#fff" if verdicts else "#3b4249"))
    return filled("checking/page/overview.svg", squares=squares, a_row=a_row)


def check_page(check: Check, sound: str = "", written_sound: str = "") -> Report:
    """The check as a page; with links to the recording, and to what is written in its time, it plays the bars."""
    worst, faint = single_findings(check)
    blocks: list[tuple[str, Any]] = [("warning", text) for text in check.first]
    blocks += [("lead", capital(summary_of(check)))]
    blocks += [("quiet", f"{check.draft} against {os.path.basename(check.recording)}")] if check.draft else []
    blocks += [("text", remark) for remark in check.remarks]
    blocks += [("picture", overview_svg(check))] if check.bars else []
    blocks += [("verdicts", HOW_SURE)]
    if check.patterns:
        surest = [(p, max(p.findings, key=lambda f: f.probability)) for p in check.patterns[:MOST_PATTERNS]]
        lines = [Line(p.verdict, p.text, p.probability, f.bar_number, (f.start_s, f.end_s)) for p, f in surest]
        blocks += [("head", "The same in several bars"), ("lines", lines)]
    if worst:
        blocks += [("head", f"{'Everything else, bar by bar' if check.patterns else 'Bar by bar'}, worst first")]
        blocks += [("bar", _bar(check, bar)) for bar in worst[:MOST_BARS_SHOWN]]
    for head, bars, most in (("Further bars", worst[MOST_BARS_SHOWN:], MOST_IN_A_BAR), ("Minor doubts", faint, None)):
        lines = [
            replace(line, text=f"Bar {bar.bar_number}: {line.text}")
            for bar in bars
            for line in lines_of(check, bar)[:most]
        ]
        blocks += [("head", head), ("lines", lines)] if bars else []
    blocks += [("head", "Before you go on"), ("quiet", f"{HEARING} {HEARING_SOURCE}"), ("quiet", COPYRIGHT)]
    return Report(f"Check of {check.chart.title or 'a chart'}", tuple(blocks), sound, written_sound)


def _bar(check: Check, bar: BarCheck) -> ShownBar:
    """A bar with all that its findings point at to be played."""
    lines = lines_of(check, bar)
    starts, ends = [f.start_s for f in bar.findings], [f.end_s for f in bar.findings]
    return ShownBar(
        bar.bar_number,
        clock(bar.start_s),
        (min([bar.start_s, *starts]), max([bar.end_s, *ends])),
        *engraved_bar(check.chart, bar.bar_index, [d for f in bar.findings for d in _differences(check, f)]),
        tuple(lines[:MOST_IN_A_BAR]),
        len(lines) - MOST_IN_A_BAR,
    )


def _differences(check: Check, finding: Finding) -> Iterator[Difference]:
    """What a finding changes in its bar, to be shown in colour."""
    if finding.position is None or (finding.kind == "missing" and finding.probability < LIKELY):
        return
    at, played = None, finding.instrument
    if finding.probability >= LIKELY:
        elsewhere = {"extra": "", "missing": finding.heard_instrument, "wrong drum": finding.heard_instrument}
        played = elsewhere.get(finding.kind, played)
        if finding.heard_at is not None:
            bar_index, place = finding.heard_at
            at, played = (place, played) if bar_index == finding.bar_index else (None, "")
    colour = VERMILION if finding.verdict == "wrong" else BLUE
    yield Difference(finding.position, finding.instrument, played, colour, at)
