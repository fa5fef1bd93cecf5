"""The check as a page to read and listen through, worst bars first.

The HTML page plays each bar from the recording where it lies (the recording
itself is not copied into the page); the PDF is for paper.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from workbench.cautions import COPYRIGHT, HEARING, HEARING_SOURCE
from workbench.chart.counting import bar_words, capital, place_list
from workbench.checking.check import FAINT_BELOW, BarCheck, Check, Pattern, worst_first
from workbench.checking.findings import Finding, said_of
from workbench.checking.reportpage import BLUE, VERMILION, clock, escape, html_page, pdf_page, relative_link
from workbench.engraving.engrave import engrave_svg
from workbench.errors import WorkbenchError
from workbench.files.safefile import write_whole

# Numbers whose origin is not named: chosen by eye, no source.
#: Bars shown with their notes; the others are listed.
MOST_BARS_SHOWN = 24
#: Findings listed for one bar, patterns listed in all.
MOST_IN_A_BAR, MOST_PATTERNS = 10, 12

HOW_SURE = (
    "“Wrong” means that the recording contradicts the chart. “Listen” means that it may: the stroke "
    "is soft, covered by another one, or of a drum that is hard to hear in this recording. The per cent "
    "say how likely it is the chart that is wrong, and not the workbench's ear. Your ear decides."
)

#: Plays from a button's data-from to its data-to, in seconds.
_PLAY = """
const audio = document.querySelector('audio'); let stop = 0;
if (audio) {
  audio.addEventListener('timeupdate', () => {
    if (stop && audio.currentTime >= stop) { audio.pause(); stop = 0; } });
  document.querySelectorAll('button[data-from]').forEach(b => b.addEventListener('click', () => {
    audio.currentTime = Number(b.dataset.from); stop = Number(b.dataset.to); audio.play(); }));
}
"""


def write_check(check: Check, path: str | os.PathLike, recording: str | os.PathLike | None = None) -> Path:
    """Write a check as ``.html``, ``.pdf`` or ``.json``, by the name's ending.

    ``recording`` lets the HTML page play the bars; the file is linked, not copied.
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending == ".json":
        return write_whole(path, (json.dumps(check.to_data(), indent=1, ensure_ascii=False) + "\n").encode())
    if ending == ".pdf":
        return write_whole(path, check_pdf(check))
    if ending in (".html", ".htm"):
        link = relative_link(recording, path) if recording else ""
        return write_whole(path, check_html(check, link).encode())
    raise WorkbenchError(f"A check is written as .html, .pdf or .json, not as {path.name}.")


def summary_of(check: Check) -> str:
    """The check in one sentence."""
    wrong = sum(f.verdict == "wrong" for f in check.findings)
    listen = len(check.findings) - wrong
    share = check.notes_heard / max(1, check.notes_aligned)
    if not check.findings:
        return f"Nothing to correct was found; {share:.0%} of the written notes are heard in the recording."
    bars = len({f.bar_index for f in check.findings})
    parts = [f"{wrong} {'place is' if wrong == 1 else 'places are'} wrong"] if wrong else []
    parts += [f"{listen} {'is' if listen == 1 else 'are'} worth a listen"] if listen else []
    return (
        f"{' and '.join(parts)}, in {bars} of {len(check.chart)} bars; "
        f"{share:.0%} of the written notes are heard in the recording."
    )


@dataclass(frozen=True)
class Line:
    """Findings of one bar that say the same of several places."""

    verdict: str
    text: str
    probability: float


def lines_of(check: Check, bar: BarCheck) -> list[Line]:
    """What to read about a bar: worst first, the same said once for all its places."""
    groups: dict[tuple, list[Finding]] = {}
    for k, f in enumerate(bar.findings):
        alike = (f.kind, f.instrument, f.heard_instrument, f.verdict) if f.position is not None else (k,)
        groups.setdefault(alike, []).append(f)
    out = []
    for found in groups.values():
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


def _single(check: Check) -> tuple[list[BarCheck], list[BarCheck]]:
    """Bars with what is not told among the patterns, the worst first; and those with nothing but minor doubts."""
    told = {f for p in check.patterns[:MOST_PATTERNS] for f in p.findings}
    bars = worst_first([replace(b, findings=tuple(f for f in b.findings if f not in told)) for b in check.bars])
    faint = [b for b in bars if max(f.probability for f in b.findings) < FAINT_BELOW]
    return [b for b in bars if b not in faint], sorted(faint, key=lambda b: b.start_s)


def overview_svg(check: Check, a_row: int = 16) -> str:
    """All played bars as squares in rows, coloured by what was found in them."""
    bars, size, gap = check.bars, 30, 4
    rows = -(-max(1, len(bars)) // a_row)
    parts = []
    for k, bar in enumerate(bars):
        x, y = (k % a_row) * (size + gap), (k // a_row) * (size + gap)
        verdicts = {f.verdict for f in bar.findings}
        fill = VERMILION if "wrong" in verdicts else BLUE if verdicts else "#E6F4EF"
        ink = "#fff" if verdicts else "#3b4249"
        words = f"Bar {bar.bar_number}: {len(bar.findings)} found"
        parts.append(
            f'<g><title>{words}</title><rect x="{x}" y="{y}" width="{size}" height="{size}" rx="4" '
            f'fill="{fill}"/><text x="{x + size / 2}" y="{y + size / 2 + 4}" font-size="12" '
            f'fill="{ink}" text-anchor="middle" font-family="DejaVu Sans, sans-serif">'
            f"{bar.bar_number}</text></g>"
        )
    width, height = a_row * (size + gap) - gap, rows * (size + gap) - gap
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" '
        f'role="img" aria-label="Bars of the recording, coloured by findings">{"".join(parts)}</svg>'
    )


def check_html(check: Check, audio_link: str = "") -> str:
    """The check as a page."""
    title = f"Check of {check.chart.title or 'a chart'}"
    body = [f"<h1>{escape(title)}</h1>", f'<p class="lead">{escape(capital(summary_of(check)))}</p>']
    body += [f"<p>{escape(r)}</p>" for r in check.remarks]
    if audio_link:
        body.append(f'<audio controls preload="metadata" src="{escape(audio_link)}"></audio>')
    body.append(
        f'{overview_svg(check)}<p class="quiet"><span class="tag wrong">wrong</span>'
        f'<span class="tag listen">listen</span>{escape(HOW_SURE)}</p>'
    )
    if check.patterns:
        body.append("<h2>The same in several bars</h2><ul>")
        body += [f"<li>{_pattern_html(p, bool(audio_link))}</li>" for p in check.patterns[:MOST_PATTERNS]]
        body.append("</ul>")
    worst, faint = _single(check)
    if worst:
        body.append(f"<h2>{'Everything else, bar by bar' if check.patterns else 'Bar by bar'}, worst first</h2>")
    for bar in worst[:MOST_BARS_SHOWN]:
        body.append(_bar_html(check, bar, bool(audio_link)))
    rest = worst[MOST_BARS_SHOWN:]
    if rest:
        body.append("<h2>Further bars</h2><ul>")
        body += [
            f"<li>Bar {b.bar_number}: {_line_html(line)}</li>"
            for b in rest
            for line in lines_of(check, b)[:MOST_IN_A_BAR]
        ]
        body.append("</ul>")
    if faint:
        body.append("<h2>Minor doubts</h2><ul>")
        body += [f"<li>Bar {b.bar_number}: {_line_html(line)}</li>" for b in faint for line in lines_of(check, b)]
        body.append("</ul>")
    body.append(
        f'<h2>Before you go on</h2><p class="quiet">{escape(HEARING)} {escape(HEARING_SOURCE)}</p>'
        f'<p class="quiet">{escape(COPYRIGHT)}</p>'
    )
    return html_page(title, "\n".join(body), _PLAY if audio_link else "")


def _bar_html(check: Check, bar: BarCheck, plays: bool) -> str:
    start, end = _stretch(bar)
    play = f' <button data-from="{start:.3f}" data-to="{end:.3f}">Play bar {bar.bar_number}</button>' if plays else ""
    picture = _picture(check, bar.bar_index) or ""
    lines = lines_of(check, bar)
    items = "".join(f"<li>{_line_html(line)}</li>" for line in lines[:MOST_IN_A_BAR])
    more = len(lines) - MOST_IN_A_BAR
    items += f'<li class="quiet">and {more} more</li>' if more > 0 else ""
    at = f'<span class="quiet">at {clock(bar.start_s)}</span>'
    return f'<section class="bar"><h3>Bar {bar.bar_number} {at}{play}</h3>{picture}<ul>{items}</ul></section>'


def _line_html(line: Line) -> str:
    return (
        f'<span class="tag {line.verdict}">{line.verdict}</span>{escape(line.text)}'
        f' <span class="quiet">({line.probability:.0%} sure)</span>'
    )


def _pattern_html(pattern: Pattern, plays: bool) -> str:
    line = _line_html(Line(pattern.verdict, pattern.text, pattern.probability))
    surest = max(pattern.findings, key=lambda f: f.probability)
    return line + (
        f' <button data-from="{surest.start_s:.3f}" data-to="{surest.end_s:.3f}">Play bar {surest.bar_number}</button>'
        if plays
        else ""
    )


def _stretch(bar: BarCheck) -> tuple[float, float]:
    """What to play for a bar: all that its findings point at."""
    return (min([bar.start_s, *(f.start_s for f in bar.findings)]), max([bar.end_s, *(f.end_s for f in bar.findings)]))


def _picture(check: Check, bar_index: int) -> str | None:
    try:
        return engrave_svg(check.chart, (bar_index, bar_index))[0].removeprefix('<?xml version="1.0"?>')
    except WorkbenchError:
        return None  # a chart by others may hold what cannot be engraved; its findings still count


_CHECK_PDF = r"""
#set document(title: data.title, date: none)
#set page(paper: "a4", margin: (x: 18mm, y: 16mm), numbering: "1 / 1")
#set text(font: "DejaVu Sans", size: 9pt, lang: "en")
#set par(leading: 0.55em)
#let tag(verdict) = box(fill: if verdict == "wrong" { rgb("#B34E00") } else { rgb("#0072B2") },
  inset: (x: 4pt, y: 1.5pt), radius: 2pt, text(fill: white, size: 7pt, verdict))
#let quiet(body) = text(fill: rgb("#5d666f"), size: 8pt, body)
#let head(body) = block(above: 14pt, below: 7pt, text(size: 12pt, weight: "bold", body))
#text(size: 17pt, weight: "bold", data.title)
#v(2pt)
#text(size: 11pt, data.summary)
#for remark in data.remarks [#par(remark)]
#image("overview.svg", width: 100%)
#quiet[#tag("wrong") #tag("listen") #data.how_sure]
#if data.patterns.len() > 0 [
  #head[The same in several bars]
  #for f in data.patterns [#tag(f.verdict) #f.text #quiet[(#f.sure sure)] \ ]
]
#if data.bars.len() > 0 [#head[#data.bars_head]]
#for bar in data.bars {
  block(breakable: false, width: 100%, stroke: 0.5pt + rgb("#d5d9dd"), radius: 3pt, inset: 7pt, below: 6pt)[
    #text(weight: "bold")[Bar #bar.number] #quiet[at #bar.at]
    #if bar.image != none { align(left, image(bar.image, width: bar.width * 1mm)) }
    #for f in bar.findings [#tag(f.verdict) #f.text #quiet[(#f.sure sure)] \ ]
  ]
}
#if data.further != "" [#par(data.further)]
#if data.faint != "" [#par(data.faint)]
#v(6pt)
#block(breakable: false, quiet(data.caution))
"""


def check_pdf(check: Check) -> bytes:
    """The check as a PDF."""
    images = {"overview.svg": overview_svg(check)}
    bars = []
    worst, faint = _single(check)
    for bar in worst[:MOST_BARS_SHOWN]:
        svg, name = _picture(check, bar.bar_index), None
        if svg:
            name = f"bar{len(images)}.svg"
            images[name] = svg
        bars.append(
            {
                "number": str(bar.bar_number),
                "at": clock(bar.start_s),
                "image": name,
                "width": min(170.0, _width_mm(svg)) if svg else 0,
                "findings": [_line_data(x) for x in lines_of(check, bar)[:MOST_IN_A_BAR]],
            }
        )
    return pdf_page(
        _CHECK_PDF,
        {
            "title": f"Check of {check.chart.title or 'a chart'}",
            "summary": capital(summary_of(check)),
            "remarks": list(check.remarks),
            "how_sure": HOW_SURE,
            "patterns": [_line_data(Line(p.verdict, p.text, p.probability)) for p in check.patterns[:MOST_PATTERNS]],
            "bars_head": f"{'Everything else, bar by bar' if check.patterns else 'Bar by bar'}, worst first",
            "bars": bars,
            "further": _listed("Minor", worst[MOST_BARS_SHOWN:]),
            "faint": _listed("Minor doubts only", faint),
            "caution": f"{HEARING} {HEARING_SOURCE} {COPYRIGHT}",
        },
        images,
    )


def _width_mm(svg: str) -> float:
    """Width of one of our engraved pictures, whose unit is a tenth of a millimetre."""
    return float(svg.split('viewBox="', 1)[1].split()[2]) / 10


def _line_data(line: Line) -> dict[str, str]:
    return {"verdict": line.verdict, "text": line.text, "sure": f"{line.probability:.0%}"}


def _listed(head: str, bars: Sequence[BarCheck]) -> str:
    return f"{head}: {bar_words(b.bar_number for b in bars)}." if bars else ""
