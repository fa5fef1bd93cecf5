"""Report pages: what is to be told, block after block, as one HTML page that needs nothing else or as a PDF.

Text from charts and files is only ever set as text: escaped in HTML, passed to
typst as data, never as markup or code.
"""

from __future__ import annotations

import html
import json
import os
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from workbench.engraving.typeset import typeset
from workbench.errors import WorkbenchError
from workbench.files.safefile import write_whole

#: Colours that stay apart for the colour-blind (M. Okabe, K. Ito, *Color
#: Universal Design*, 2008): wrong, doubtful, fine, neutral.
VERMILION, BLUE, GREEN, GREY = "#D55E00", "#0072B2", "#009E73", "#98a1a9"

_STYLE = """
:root { color-scheme: light; }
body { font: 16px/1.5 Georgia, "Times New Roman", serif; color: #22262b; background: #fbfaf7; margin: 0 auto;
       max-width: 60rem; padding: 1.5rem; }
h1 { font-size: 1.7rem; margin: 0 0 .2rem; } h2 { font-size: 1.2rem; margin: 2rem 0 .6rem; }
p.lead { font-size: 1.1rem; margin: .3rem 0 1rem; } .quiet { color: #5d666f; font-size: .92rem; }
section.bar { border: 1px solid #d5d9dd; background: #fff; padding: .8rem 1rem; margin: 0 0 1rem; }
section.bar h3 { margin: 0 0 .4rem; font-size: 1.05rem; }
ul { margin: .4rem 0; padding-left: 1.2rem; } li { margin: .15rem 0; }
.tag { display: inline-block; min-width: 3.6rem; text-align: center; border-radius: 2px; color: #fff;
       font-size: .8rem; padding: 0 .4rem; margin-right: .5rem; }
.wrong { background: #B34E00; } .listen { background: #0072B2; }
button { font: inherit; border: 1px solid #5d666f; border-radius: 3px; background: #fff; padding: .1rem .7rem;
         cursor: pointer; } button:focus-visible, a:focus-visible { outline: 3px solid #0072B2; }
table { border-collapse: collapse; } th, td { text-align: right; padding: .2rem .7rem;
        border-bottom: 1px solid #e6e9eb; white-space: nowrap; }
th:first-child, td:first-child, th:last-child, td:last-child { text-align: left; }
.warning { border-left: 4px solid #B34E00; padding-left: .8rem; }
.columns { display: flex; flex-wrap: wrap; gap: 1.5rem; } .columns > div { flex: 1 1 14rem; }
.columns h3 { font-size: 1rem; margin: .3rem 0; }
svg { max-width: 100%; height: auto; } audio { width: 100%; margin: .5rem 0; }
@media print { button, audio { display: none; } section.bar { break-inside: avoid; } }
"""


#: Plays from a button's data-from to its data-to, in seconds.
_PLAY = """
const audio = document.querySelector('audio'); let stop = 0;
audio.addEventListener('timeupdate', () => {
  if (stop && audio.currentTime >= stop) { audio.pause(); stop = 0; } });
document.querySelectorAll('button[data-from]').forEach(b => b.addEventListener('click', () => {
  audio.currentTime = Number(b.dataset.from); stop = Number(b.dataset.to); audio.play(); }));
"""

_PAPER = r"""
#let small = data.one_page
#let sized(a, b) = if small { a } else { b }
#set document(title: data.title, date: none)
#set page(paper: "a4", margin: sized((x: 17mm, y: 12mm), (x: 18mm, y: 16mm)), numbering: sized(none, "1 / 1"))
#set text(font: "DejaVu Sans", size: sized(8.5pt, 9pt), lang: "en")
#set par(leading: sized(0.5em, 0.55em))
#let quiet(body) = text(fill: rgb("#5d666f"), size: sized(6.5pt, 8pt), body)
#let tag(verdict) = box(fill: if verdict == "wrong" { rgb("#B34E00") } else { rgb("#0072B2") },
  inset: (x: 4pt, y: 1.5pt), radius: 2pt, text(fill: white, size: 7pt, verdict))
#let listed(texts) = for t in texts [- #t]
#let lines(all) = for f in all [#tag(f.verdict) #f.text #quiet[(#f.sure sure)] \ ]
#let shown = (
  lead: t => text(size: 11pt, t),
  warning: t => block(stroke: (left: 2pt + rgb("#B34E00")), inset: (left: 6pt, y: 2pt), t),
  text: t => par(t),
  quiet: t => quiet[#t \ ],
  head: t => block(above: sized(9pt, 14pt), below: sized(5pt, 7pt), text(size: sized(11pt, 12pt), weight: "bold", t)),
  list: listed,
  picture: file => image(file, width: sized(84%, 100%)),
  table: rows => table(columns: rows.first().len(), stroke: none, inset: (x: 4pt, y: 1.6pt),
    align: (col, _) => if col in (0, rows.first().len() - 1) { left } else { right },
    ..rows.first().map(h => strong(h)), ..rows.slice(1).flatten()),
  columns: all => grid(columns: all.len() * (1fr,), gutter: 8pt, ..all.map(((head, texts)) => [
    #set text(size: 7pt)
    #set par(leading: 0.4em)
    *#head*
    #listed(texts)
  ])),
  verdicts: t => quiet[#tag("wrong") #tag("listen") #t],
  lines: lines,
  bar: bar => block(breakable: false, width: 100%, stroke: 0.5pt + rgb("#d5d9dd"), radius: 3pt, inset: 7pt, below: 6pt)[
    #text(weight: "bold")[Bar #bar.number] #quiet[at #bar.at]
    #if bar.picture != "" { align(left, image(bar.picture, width: bar.width_mm * 1mm)) }
    #lines(bar.lines)
    #if bar.more > 0 { quiet[and #bar.more more] }
  ],
)
#text(size: sized(16pt, 17pt), weight: "bold", data.title)
#v(2pt)
#for (kind, content) in data.blocks { (shown.at(kind))(content) }
"""


@dataclass(frozen=True)
class Line:
    """What is found of one bar, at one or several places.

    Attributes
    ----------
    verdict : str
        'wrong' or 'listen'.
    text : str
    probability : float
        That the chart is wrong, and not the ear.
    bar_number : int, optional
    stretch : (start_s, end_s), optional
        What to play of it.
    """

    verdict: str
    text: str
    probability: float
    bar_number: int | None = None
    stretch: tuple[float, float] | None = None

    @property
    def sure(self) -> str:
        return f"{self.probability:.0%}"


@dataclass(frozen=True)
class ShownBar:
    """A bar with its notes as an SVG (or none) and what is found in it; ``more`` counts what is not listed."""

    number: int
    at: str
    stretch: tuple[float, float]
    picture: str
    lines: tuple[Line, ...]
    more: int = 0


@dataclass(frozen=True)
class Report:
    """A page to read.

    Attributes
    ----------
    title : str
    blocks : tuple of (kind, content)
        "lead", "warning", "text", "quiet", "head" and "verdicts" hold a text, "list" texts, "picture" an SVG,
        "table" rows with their heads first, "columns" pairs of a head and texts, "lines" :class:`Line`, "bar" a
        :class:`ShownBar`.
    sound : str
        Link to the recording, for the buttons that play a stretch of it.
    one_page : bool
        Paper is set small, to fit on one page.
    """

    title: str
    blocks: tuple[tuple[str, Any], ...]
    sound: str = ""
    one_page: bool = False

    def html(self) -> str:
        """The report as a page for the browser."""
        sound = f'<audio controls preload="metadata" src="{escape(self.sound)}"></audio>' if self.sound else ""
        code = f"<script>{_PLAY}</script>" if self.sound else ""
        blocks = "\n".join(_block(kind, content, bool(self.sound)) for kind, content in self.blocks)
        return (
            f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
            f'<meta name="viewport" content="width=device-width, initial-scale=1">'
            f"<title>{escape(self.title)}</title><style>{_STYLE}</style></head>\n<body>\n"
            f"<h1>{escape(self.title)}</h1>{sound}\n{blocks}\n{code}</body></html>\n"
        )

    def pdf(self) -> bytes:
        """The report on paper."""
        files: dict[str, str] = {}

        def named(svg: str) -> str:
            return files.setdefault(svg, f"{len(files)}.svg") if svg else ""

        def plain(kind: str, content: Any) -> Any:
            if kind == "picture":
                return named(content)
            if kind == "lines":
                return [{"verdict": f.verdict, "text": f.text, "sure": f.sure} for f in content]
            if kind == "bar":
                return {
                    "number": str(content.number),
                    "at": content.at,
                    "picture": named(content.picture),
                    "width_mm": _width_mm(content.picture),
                    "lines": plain("lines", content.lines),
                    "more": content.more,
                }
            return content

        data = {
            "title": self.title,
            "one_page": self.one_page,
            "blocks": [(kind, plain(kind, content)) for kind, content in self.blocks],
        }
        return typeset(_PAPER, data, files)


def write_report(path: str | os.PathLike, to_data: Callable[[], dict], report: Callable[[], Report]) -> Path:
    """Write what was found as ``.html``, ``.pdf`` or ``.json``, by the name's ending."""
    ending = Path(path).suffix.lower()
    if ending == ".json":
        return write_whole(path, (json.dumps(to_data(), indent=1, ensure_ascii=False) + "\n").encode())
    if ending == ".pdf":
        return write_whole(path, report().pdf())
    if ending in (".html", ".htm"):
        return write_whole(path, report().html().encode())
    raise WorkbenchError(f"A report is written as .html, .pdf or .json, not as {Path(path).name}.")


def _block(kind: str, content: Any, plays: bool) -> str:
    """A block of a report as HTML."""
    match kind:
        case "head":
            return f"<h2>{escape(content)}</h2>"
        case "lead" | "warning" | "text" | "quiet":
            return f'<p class="{kind}">{escape(content)}</p>'
        case "verdicts":
            tags = "".join(f'<span class="tag {v}">{v}</span>' for v in ("wrong", "listen"))
            return f'<p class="quiet">{tags}{escape(content)}</p>'
        case "list":
            return _items(map(escape, content))
        case "picture":
            return content
        case "table":
            rows = ["".join(f"<{cell}>{escape(text)}</{cell}>" for text in row) for cell, row in _cells(content)]
            return "<table>" + "".join(f"<tr>{row}</tr>" for row in rows) + "</table>"
        case "columns":
            columns = (f"<div><h3>{escape(head)}</h3>{_items(map(escape, texts))}</div>" for head, texts in content)
            return f'<div class="columns">{"".join(columns)}</div>'
        case "lines":
            return _items(_line(line) + _button(plays, line.bar_number, line.stretch) for line in content)
        case "bar":
            more = [f'<span class="quiet">and {content.more} more</span>'] if content.more > 0 else []
            at = f'<span class="quiet">at {content.at}</span>'
            head = f"<h3>Bar {content.number} {at}{_button(plays, content.number, content.stretch)}</h3>"
            items = _items([*map(_line, content.lines), *more])
            return f'<section class="bar">{head}{content.picture}{items}</section>'
    raise ValueError(kind)


def _cells(rows: Iterable[Iterable[str]]) -> Iterable[tuple[str, Iterable[str]]]:
    return (("td" if k else "th", row) for k, row in enumerate(rows))


def _items(marked: Iterable[str]) -> str:
    return "<ul>" + "".join(f"<li>{item}</li>" for item in marked) + "</ul>"


def _line(line: Line) -> str:
    return (
        f'<span class="tag {line.verdict}">{line.verdict}</span>{escape(line.text)}'
        f' <span class="quiet">({line.sure} sure)</span>'
    )


def _button(plays: bool, bar_number: int | None, stretch: tuple[float, float] | None) -> str:
    if not plays or stretch is None:
        return ""
    return f' <button data-from="{stretch[0]:.3f}" data-to="{stretch[1]:.3f}">Play bar {bar_number}</button>'


def _width_mm(svg: str) -> float:
    """How wide one of our engraved pictures is set, whose unit is a tenth of a millimetre."""
    box = re.search(r'viewBox="\S+ \S+ (\S+)', svg)
    return min(170.0, float(box[1]) / 10) if box else 0.0


def escape(text: object) -> str:
    """Text as HTML shows it."""
    return html.escape(str(text))


def clock(time_s: float) -> str:
    """A time as players read it: ``1:07.5``."""
    tenths = round(max(0.0, time_s) * 10)
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def relative_link(target: str | os.PathLike, page: str | os.PathLike) -> str:
    """A link from a page to a file near it, quoted for HTML's ``src``."""
    from urllib.parse import quote

    path = os.path.relpath(Path(target).resolve(), Path(page).resolve().parent)
    return quote(path.replace(os.sep, "/"))
