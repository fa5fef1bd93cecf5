"""Pages of a practice pack: ``index.html`` for the browser, a booklet to print.

The page needs no network and no server: code, style and engraved bars lie
beside it, and sound comes in scripts, which a page opened from disk may load.
Text from charts is only ever set as text, never as markup or typst code.
"""

from __future__ import annotations

import html
import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path

from workbench.cautions import COPYRIGHT, HEARING, HEARING_SOURCE, STRAIN
from workbench.chart import Chart
from workbench.engraving.drawing import font_folder
from workbench.engraving.engrave import engrave_svg
from workbench.engraving.pages import PageStyle
from workbench.files.safefile import write_whole
from workbench.notation.scoresigns import ScoreOptions, clean_text
from workbench.practice.exercises import Exercise, Stage
from workbench.progress import Progress, silent


@dataclass(frozen=True)
class Take:
    """A stage at one tempo, as the page plays it.

    Attributes
    ----------
    tempo_bpm : float
    length_s : float
        Of the sound; of a loop exactly one round.
    count_in : tuple of (time_s, accented)
    count_in_s : float
        From the first click of the count-in to the music.
    lead_s : float
        What page sounds carry before their beginning.
    clicks : dict of kind → list of (time_s, accented)
    sounds : dict of name ('kit', 'back', 'out') → script with it
    files : tuple of (what, href)
    """

    tempo_bpm: float
    length_s: float
    count_in: tuple[tuple[float, bool], ...]
    count_in_s: float
    lead_s: float
    clicks: Mapping[str, Sequence[tuple[float, bool]]]
    sounds: Mapping[str, str]
    files: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class PageSettings:
    """How the page begins and what the booklet is printed on.

    Attributes
    ----------
    paper : str
        'A4' or 'Letter'.
    click : str
        Where the click falls at first, or 'none'.
    places : dict of 'kit', 'click', 'record' → float
        Between left (−1) and right (1).
    notes : tuple of str
        Shown above the cautions.
    """

    paper: str = "A4"
    click: str = "quarter"
    places: Mapping[str, float] = field(default_factory=lambda: {"kit": 0.0, "click": 0.0, "record": 0.0})
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class PageStage:
    """A stage with the bars to engrave and its takes."""

    stage: Stage
    chart: Chart
    takes: tuple[Take, ...]


def write_pages(folder: Path, chart: Chart, exercises: Sequence[Exercise],
                stages: Mapping[tuple[str, str], PageStage], tracks: Mapping[str, str],
                settings: PageSettings = PageSettings(),
                progress: Progress | None = None) -> tuple[Path, Path]:
    """Write ``index.html`` with what it needs, and ``booklet.pdf``; returns both."""
    tell = progress or silent
    engraved: dict[tuple, str] = {}
    for k, page in enumerate(stages.values()):
        tell(0.7 * k / len(stages), "Engraving the exercises")
        key = _look(page.chart)
        if key not in engraved:
            engraved[key] = engrave_bars(page.chart, settings.paper)
    drawn = {where: engraved[_look(page.chart)] for where, page in stages.items()}
    index = _write_index(folder, chart, exercises, stages, drawn, tracks, settings)
    tell(0.8, "Writing the booklet")
    booklet = write_whole(folder / "booklet.pdf",
                          booklet_pdf(chart, exercises, stages, drawn, tracks, settings.paper))
    tell(1.0, "Writing the booklet")
    return index, booklet


def _look(chart: Chart) -> tuple:
    """What an engraving depends on."""
    return chart.bars, tuple(b.meter for b in chart.time_map.bars)


def engrave_bars(chart: Chart, paper: str = "A4") -> str:
    """The bars of a stage with count syllables and sticking, one SVG."""
    options = ScoreOptions(similes=False, multirests=False, counts=True, sticking=True,
                           bars_per_line=2 if len(chart) % 2 == 0 else min(3, len(chart)))
    style = PageStyle(paper=paper, heading=False, legend=False, bar_numbers=False)
    return engrave_svg(chart, (0, len(chart) - 1), options, style)[0]


# -- page ------------------------------------------------------------------------------

def _write_index(folder: Path, chart: Chart, exercises: Sequence[Exercise], stages, drawn, tracks,
                 settings: PageSettings) -> Path:
    shipped = resources.files("workbench.practice") / "page"
    for name in ("player.js", "style.css"):
        write_whole(folder / "page" / name, (shipped / name).read_bytes())
    pack = {"title": chart.title or "Practice", "artist": chart.artist, "notes": list(settings.notes),
            "click": settings.click, "places": dict(settings.places),
            "cautions": [{"name": "Hearing", "text": HEARING, "source": HEARING_SOURCE},
                         {"name": "Strain", "text": STRAIN, "source": ""},
                         {"name": "Rights", "text": COPYRIGHT, "source": ""}],
            "exercises": [_exercise_data(e, stages, drawn, tracks) for e in exercises]}
    code = json.dumps(pack, ensure_ascii=True, separators=(",", ":"))
    write_whole(folder / "page" / "pack.js", f"window.practicePack = {code};\n".encode("ascii"))
    page = (shipped / "index.html").read_text(encoding="utf-8")
    title = html.escape(f"{chart.title or 'Practice'}: practice pack")
    return write_whole(folder / "index.html", page.replace("{{title}}", title).encode())


def _exercise_data(exercise: Exercise, stages, drawn, tracks) -> dict:
    return {
        "name": exercise.name, "title": exercise.title, "kind": exercise.kind, "where": exercise.where,
        "count": exercise.count, "listen": list(exercise.listen_for), "cautions": list(exercise.cautions),
        "track": tracks.get(exercise.name, ""),
        "stages": [_stage_data(exercise, stages[exercise.name, s.name], drawn[exercise.name, s.name])
                   for s in exercise.stages]}


def _stage_data(exercise: Exercise, page: PageStage, svg: str) -> dict:
    return {
        "name": page.stage.name, "title": page.stage.title, "loop": page.stage.loop, "svg": svg,
        "takes": [{
            "tempo": t.tempo_bpm, "length": t.length_s, "lead": t.lead_s,
            "countIn": {"length": t.count_in_s,
                        "clicks": [[round(at, 5), int(accented)] for at, accented in t.count_in]},
            "clicks": {kind: [[round(at, 5), int(accented)] for at, accented in places]
                       for kind, places in t.clicks.items()},
            "sounds": {name: {"key": f"{exercise.name}/{page.stage.name}-{t.tempo_bpm:g}bpm-{name}",
                              "script": script} for name, script in t.sounds.items()},
            "files": [{"what": what, "href": href} for what, href in t.files],
        } for t in page.takes]}


# -- booklet ---------------------------------------------------------------------------

_BOOKLET = r"""
#let pack = json("pack.json")
#set document(title: pack.title, author: pack.artist, date: none)
#set page(paper: pack.paper, margin: (x: 18mm, top: 18mm, bottom: 20mm),
  footer: context align(center, text(9pt, fill: luma(90), counter(page).display())))
#set text(font: ("STIXGeneral", "DejaVu Sans"), size: 11pt, lang: "en")
#set par(leading: 0.6em, justify: false)
#show link: it => text(fill: rgb("#1d4f7c"), it)
#align(center)[
  #v(22mm)
  #text(26pt, weight: "bold", pack.title)
  #if pack.artist != "" [ \ #v(1mm) #text(14pt, pack.artist) ]
  #v(2mm)
  #text(12pt, fill: luma(80), "Practice booklet, drums")
]
#v(8mm)
#outline(title: text(14pt, "Exercises"), indent: 0pt)
#v(1fr)
#block(stroke: 0.6pt + luma(120), inset: 9pt, radius: 2pt, width: 100%)[
  #set text(9.5pt)
  #for c in pack.cautions [
    *#c.name.* #c.text #if c.source != "" [#emph(c.source)] \
  ]
]
#for e in pack.exercises {
  pagebreak()
  heading(level: 1, e.title)
  v(1mm)
  text(10.5pt, fill: luma(70), [#e.where #h(1em) beat = #e.tempi #h(1em) #if e.count != "" [count: #e.count]])
  v(2mm)
  for s in e.drawn {
    block(breakable: false, width: 100%, above: 5mm)[
      #text(11pt, weight: "bold", s.title) \
      #v(-1mm)
      #image(s.image, width: 100%)
    ]
  }
  if e.listen.len() > 0 {
    block(above: 5mm, breakable: false)[
      #text(weight: "bold", "Listen for") \
      #for l in e.listen [- #l]
    ]
  }
  for c in e.cautions {
    block(above: 4mm, stroke: (left: 2pt + luma(120)), inset: (left: 7pt, y: 2pt), text(10pt, c))
  }
  block(above: 5mm)[
    #set text(9.5pt)
    #table(columns: (auto,) + e.heads.map(h => 1fr), stroke: 0.4pt + luma(160), inset: 5pt,
      [], ..e.heads.map(h => text(weight: "bold", h)),
      ..e.rows.map(r => (r.title, ..r.cells.map(c => [
        #c.map(f => link(f.href, f.what)).join(" · ")
      ]))).flatten())
    #if e.track != "" [Through the tempi, with count-ins: #link(e.track, e.track)]
  ]
}
"""


def booklet_pdf(chart: Chart, exercises: Sequence[Exercise], stages, drawn, tracks, paper: str) -> bytes:
    """The booklet: contents, cautions, a page for each exercise with links to its sound."""
    import typst

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        images: dict[str, str] = {}
        data = {
            "title": clean_text(chart.title or "Practice"), "artist": clean_text(chart.artist),
            "paper": {"A4": "a4", "Letter": "us-letter"}[paper],
            "cautions": [{"name": "Hearing", "text": HEARING, "source": HEARING_SOURCE},
                         {"name": "Strain", "text": STRAIN, "source": ""},
                         {"name": "Rights", "text": COPYRIGHT, "source": ""}],
            "exercises": [_booklet_exercise(e, stages, drawn, tracks, images) for e in exercises]}
        for svg, image in images.items():
            (folder / image).write_text(svg, encoding="utf-8")
        (folder / "pack.json").write_text(json.dumps(data), encoding="utf-8")
        (folder / "main.typ").write_text(_BOOKLET, encoding="utf-8")
        return typst.compile(str(folder / "main.typ"), root=str(folder), font_paths=[str(font_folder())],
                             ignore_system_fonts=True)


def _booklet_exercise(exercise: Exercise, stages, drawn, tracks, images: dict[str, str]) -> dict:
    shown, seen = [], set()
    for s in exercise.stages:
        svg = drawn[exercise.name, s.name]
        # Layers of the same bars are not drawn apart; a stage in the song is long.
        if svg in seen or s.instruments is not None or (s.record and not s.loop):
            continue
        seen.add(svg)
        images.setdefault(svg, f"{len(images)}.svg")
        shown.append({"title": s.title, "image": images[svg]})
    rows = [{"title": s.title, "cells": [[{"what": what, "href": href} for what, href in take.files]
                                        for take in stages[exercise.name, s.name].takes]}
            for s in exercise.stages]
    return {
        "title": clean_text(exercise.title), "where": exercise.where, "count": exercise.count,
        "tempi": ", ".join(f"{t:g}" for t in exercise.tempi_bpm), "drawn": shown,
        "listen": [clean_text(t) for t in exercise.listen_for],
        "cautions": list(exercise.cautions), "heads": [f"{t:g}" for t in exercise.tempi_bpm], "rows": rows,
        "track": tracks.get(exercise.name, "")}
