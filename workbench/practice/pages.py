"""Pages of a practice pack: ``index.html`` for the browser, a booklet to print.

The page needs no network and no server: code, style and engraved bars lie
beside it, and sound comes in scripts, which a page opened from disk may load.
Text from charts is only ever set as text, never as markup or typst code.
"""

from __future__ import annotations

import html
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from importlib import resources
from pathlib import Path

from workbench.cautions import COPYRIGHT, HEARING, HEARING_SOURCE, STRAIN
from workbench.chart import Chart
from workbench.chart.counting import SILENT_COUNT
from workbench.chart.drumkit import instrument
from workbench.engraving.engrave import engrave_svg
from workbench.engraving.pages import PageStyle
from workbench.engraving.typeset import typeset
from workbench.files.safefile import write_whole
from workbench.notation.scoresigns import ScoreOptions, clean_text
from workbench.practice.stages import Exercise, Stage
from workbench.practice.tempi import tempo_explained
from workbench.progress import Progress, silent

#: What a tempo counts, as engraved scores sign it, by length in whole notes.
BEAT_SIGNS: dict[Fraction, str] = {
    Fraction(1, 4): "♩",
    Fraction(3, 8): "♩.",
    Fraction(1, 8): "♪",
    Fraction(3, 16): "♪.",
    Fraction(1, 2): "half note",
    Fraction(3, 4): "dotted half note",
}

#: What a student must know to read the bars, each said where it occurs.
HANDS_SHOWN = "R, L: suggested sticking; use your own if it suits you better."
HANDS_TOGETHER = (
    "R and L one over the other: both hands together, the upper letter for the upper note, the lower for the lower."
)
HANDS_MISSING = "No letter under a note of the hands: no two hands can play it as it is written."
TEMPI_DIFFER = (
    "The last tempo of an exercise is that of its own bars as played. A band rushes and drags, so it may "
    "differ a little from the one tempo that the score prints for all of them."
)


@dataclass(frozen=True)
class PlayableStage:
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
    song : str
        Sound file of the whole song to play along to, if there is one.
    """

    paper: str = "A4"
    click: str = "quarter"
    places: Mapping[str, float] = field(default_factory=lambda: {"kit": 0.0, "click": 0.0, "record": 0.0})
    notes: tuple[str, ...] = ()
    song: str = ""


@dataclass(frozen=True)
class PageStage:
    """A stage with the bars to engrave and its takes."""

    stage: Stage
    chart: Chart
    takes: tuple[PlayableStage, ...]


#: What is shown and played of each stage, and its bars as SVG, by the names of exercise and stage.
Stages = Mapping[tuple[str, str], PageStage]
Drawings = Mapping[tuple[str, str], str]


def write_pages(
    folder: Path,
    chart: Chart,
    exercises: Sequence[Exercise],
    stages: Stages,
    tracks: Mapping[str, str],
    settings: PageSettings = PageSettings(),
    progress: Progress | None = None,
) -> tuple[Path, Path]:
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
    booklet = write_whole(folder / "booklet.pdf", booklet_pdf(chart, exercises, stages, drawn, tracks, settings.paper))
    tell(1.0, "Writing the booklet")
    return index, booklet


def _look(chart: Chart) -> tuple:
    """What an engraving depends on."""
    return chart.bars, tuple(b.meter for b in chart.time_map.bars), chart.marks


def engrave_bars(chart: Chart, paper: str = "A4") -> str:
    """The bars of a stage with count syllables and sticking, one SVG."""
    options = ScoreOptions(
        similes=False,
        multirests=False,
        counts=True,
        sticking=True,
        bars_per_line=2 if len(chart) % 2 == 0 else min(3, len(chart)),
    )
    style = PageStyle(paper=paper, heading=False, legend=False, bar_numbers=False)
    return engrave_svg(chart, (0, len(chart) - 1), options, style)[0]


def tempi_words(chart: Chart, exercise: Exercise, tempi_bpm: Iterable[float] | None = None) -> str:
    """Tempi with the sign of the beat they count: "♩ = 60, 80, 110"; by default the exercise's.

    Examples
    --------
    >>> from workbench.chart.meter import Meter, TimeMap
    >>> tempi_words(Chart.empty(TimeMap.steady(1, 60, Meter(6, 8))), Exercise("x", "X", "groove", "", 0, (), (50.0,)))
    '♩. = 50'
    """
    beat = chart.time_map.bars[exercise.first_bar].meter.beat_length
    tempi = exercise.tempi_bpm if tempi_bpm is None else tempi_bpm
    return f"{BEAT_SIGNS.get(beat, 'beat')} = {', '.join(f'{t:g}' for t in tempi)}"


def _where(exercise: Exercise) -> str:
    """Its bars, unless its title names them."""
    return "" if exercise.where.casefold() in exercise.title.casefold() else exercise.where


def how_to_read(chart: Chart, exercise: Exercise, shown: Iterable[Chart]) -> tuple[str, ...]:
    """What needs explaining in an exercise, a sentence each."""
    moments: list[list[str]] = []
    for own in shown:
        for bar in own.bars:
            at: dict[Fraction, list[str]] = {}
            for n in bar.notes:
                if not instrument(n.instrument).is_foot:
                    at.setdefault(n.position, []).append(n.sticking)
            moments += at.values()
    letters = [[h for h in hands if h] for hands in moments]
    told = [
        (any(letters), HANDS_SHOWN),
        (any(len(h) > 1 for h in letters), HANDS_TOGETHER),
        (any(letters) and not all(letters), HANDS_MISSING),
        ("(" in exercise.count, SILENT_COUNT),
        (bool(tempo_explained(chart, exercise)), TEMPI_DIFFER),
    ]
    return tuple(sentence for occurs, sentence in told if occurs)


def _shown(exercise: Exercise, stages: Stages) -> list[Chart]:
    return [stages[exercise.name, s.name].chart for s in exercise.stages]


_CAUTIONS = [
    {"name": "Hearing", "text": HEARING, "source": HEARING_SOURCE},
    {"name": "Strain", "text": STRAIN, "source": ""},
    {"name": "Rights", "text": COPYRIGHT, "source": ""},
]


# -- page ------------------------------------------------------------------------------


def _write_index(
    folder: Path,
    chart: Chart,
    exercises: Sequence[Exercise],
    stages: Stages,
    drawn: Drawings,
    tracks: Mapping[str, str],
    settings: PageSettings,
) -> Path:
    shipped = resources.files("workbench.practice") / "page"
    for name in ("player.js", "style.css"):
        write_whole(folder / "page" / name, (shipped / name).read_bytes())
    pack = {
        "title": chart.title or "Practice",
        "artist": chart.artist,
        "notes": list(settings.notes),
        "song": settings.song,
        "click": settings.click,
        "places": dict(settings.places),
        "cautions": _CAUTIONS,
        "exercises": [_exercise_data(chart, e, stages, drawn, tracks) for e in exercises],
    }
    code = json.dumps(pack, ensure_ascii=True, separators=(",", ":"))
    write_whole(folder / "page" / "pack.js", f"window.practicePack = {code};\n".encode("ascii"))
    page = (shipped / "index.html").read_text(encoding="utf-8")
    title = html.escape(f"{chart.title or 'Practice'}: practice pack")
    return write_whole(folder / "index.html", page.replace("{{title}}", title).encode())


def _told(chart: Chart, exercise: Exercise, tracks: Mapping[str, str]) -> dict:
    """What page and booklet say of an exercise."""
    return {
        "title": clean_text(exercise.title),
        "where": _where(exercise),
        "count": exercise.count,
        "listen": [clean_text(t) for t in exercise.listen_for],
        "cautions": list(exercise.cautions),
        "warnings": list(exercise.warnings),
        "tempi": tempi_words(chart, exercise),
        "tempoNote": tempo_explained(chart, exercise),
        "track": tracks.get(exercise.name, ""),
    }


def _exercise_data(
    chart: Chart, exercise: Exercise, stages: Stages, drawn: Drawings, tracks: Mapping[str, str]
) -> dict:
    return {
        **_told(chart, exercise, tracks),
        "name": exercise.name,
        "kind": exercise.kind,
        "beat": tempi_words(chart, exercise, ()),
        "read": list(how_to_read(chart, exercise, _shown(exercise, stages))),
        "stages": [
            _stage_data(exercise, stages[exercise.name, s.name], drawn[exercise.name, s.name]) for s in exercise.stages
        ],
    }


def _stage_data(exercise: Exercise, page: PageStage, svg: str) -> dict:
    return {
        "name": page.stage.name,
        "title": page.stage.title,
        "loop": page.stage.loop,
        "svg": svg,
        "takes": [
            {
                "tempo": t.tempo_bpm,
                "length": t.length_s,
                "lead": t.lead_s,
                "countIn": {
                    "length": t.count_in_s,
                    "clicks": [[round(at, 5), int(accented)] for at, accented in t.count_in],
                },
                "clicks": {
                    kind: [[round(at, 5), int(accented)] for at, accented in places]
                    for kind, places in t.clicks.items()
                },
                "sounds": {
                    name: {"key": f"{exercise.name}/{page.stage.name}-{t.tempo_bpm:g}bpm-{name}", "script": script}
                    for name, script in t.sounds.items()
                },
                "files": [{"what": what, "href": href} for what, href in t.files],
            }
            for t in page.takes
        ],
    }


# -- booklet ---------------------------------------------------------------------------

_BOOKLET = r"""
#let pack = data
#let one = pack.exercises.len() == 1
#set document(title: pack.title, author: pack.artist, date: none)
#set page(paper: pack.paper, margin: (x: 18mm, top: 18mm, bottom: 20mm),
  footer: context align(center, text(9pt, fill: luma(90), counter(page).display())))
#set text(font: ("STIXGeneral", "DejaVu Sans"), size: 11pt, lang: "en")
#set par(leading: 0.6em, justify: false)
#show link: it => text(fill: rgb("#1d4f7c"), it)
#let remark(c) = block(above: 3mm, stroke: (left: 2pt + luma(120)), inset: (left: 7pt, y: 2pt), text(10pt, c))
#let reading = if pack.read.len() > 0 [
  #set text(9.5pt)
  #set list(spacing: 0.6em)
  #for r in pack.read [- #r]
]
#let cautions = block(stroke: 0.6pt + luma(120), inset: 9pt, radius: 2pt, width: 100%)[
  #set text(9.5pt)
  #for c in pack.cautions [
    *#c.name.* #c.text #if c.source != "" [#emph(c.source)] \
  ]
]
#let exercise(e) = {
  heading(level: 1, e.title)
  v(1mm)
  text(10.5pt, fill: luma(70), {
    if e.where != "" [#e.where #h(1em)]
    e.tempi
    if e.tempoNote != "" [ (#e.tempoNote)]
    if e.count != "" [#h(1em) count: #e.count]
  })
  if e.warnings.len() > 0 { remark[*Check first.* #e.warnings.join(linebreak())] }
  v(1mm)
  for s in e.drawn {
    block(breakable: false, width: 100%, above: 4mm)[
      #text(11pt, weight: "bold", s.title) \
      #v(-1mm)
      #image(s.image, width: 100%)
    ]
  }
  if e.listen.len() > 0 {
    block(above: 4mm, breakable: false)[
      #text(weight: "bold", "Listen for") \
      #for l in e.listen [- #l]
    ]
  }
  for c in e.cautions { remark(c) }
  block(above: 4mm)[
    #set text(9.5pt)
    #table(columns: (auto,) + e.heads.map(h => 1fr), stroke: 0.4pt + luma(160), inset: 4pt,
      text(weight: "bold", pack.format), ..e.heads.map(h => text(weight: "bold", h)),
      ..e.rows.map(r => (r.title, ..r.cells.map(c => [
        #c.map(f => link(f.href, f.what)).join(" · ")
      ]))).flatten())
    #if e.track != "" [Through the tempi, with count-ins (MP3): #link(e.track, e.track)]
  ]
}
#if one {
  text(10.5pt, fill: luma(70), pack.title + if pack.artist != "" [, #pack.artist] + [: practice sheet, drums])
  v(2mm)
  exercise(pack.exercises.first())
  v(2mm)
  reading
  v(1fr)
  cautions
} else {
  align(center)[
    #v(22mm)
    #text(26pt, weight: "bold", pack.title)
    #if pack.artist != "" [ \ #v(1mm) #text(14pt, pack.artist) ]
    #v(2mm)
    #text(12pt, fill: luma(80), "Practice booklet, drums")
  ]
  v(8mm)
  outline(title: text(14pt, "Exercises"), indent: 0pt)
  v(1fr)
  if pack.read.len() > 0 { text(14pt, weight: "bold", "How to read it"); reading; v(4mm) }
  cautions
  pagebreak()
  // Short exercises share a page; one is parted only where it is longer than a page.
  layout(page => {
    for e in pack.exercises {
      let long = measure(block(width: page.width, exercise(e))).height > page.height
      block(width: 100%, breakable: long, above: 0pt, below: 9mm, exercise(e))
    }
  })
}
"""


def booklet_pdf(
    chart: Chart, exercises: Sequence[Exercise], stages: Stages, drawn: Drawings, tracks: Mapping[str, str], paper: str
) -> bytes:
    """The booklet: contents, how to read it, cautions, and the exercises with links to their
    sound; of a single exercise one sheet."""
    return typeset(_BOOKLET, *booklet_data(chart, exercises, stages, drawn, tracks, paper))


def booklet_data(
    chart: Chart, exercises: Sequence[Exercise], stages: Stages, drawn: Drawings, tracks: Mapping[str, str], paper: str
) -> tuple[dict, dict[str, str]]:
    """What the booklet says, as plain data; and the bars it shows, SVG → file name."""
    shown = (how_to_read(chart, e, _shown(e, stages)) for e in exercises)
    first = exercises[0]
    sound = stages[first.name, first.stages[0].name].takes[0].files[0][1]
    images: dict[str, str] = {}
    return {
        "title": clean_text(chart.title or "Practice"),
        "artist": clean_text(chart.artist),
        "paper": {"A4": "a4", "Letter": "us-letter"}[paper],
        "read": list(dict.fromkeys(sentence for told in shown for sentence in told)),
        "format": sound.rpartition(".")[2].upper(),
        "cautions": _CAUTIONS,
        "exercises": [_booklet_exercise(chart, e, stages, drawn, tracks, images) for e in exercises],
    }, images


def _booklet_exercise(
    chart: Chart, exercise: Exercise, stages: Stages, drawn: Drawings, tracks: Mapping[str, str], images: dict[str, str]
) -> dict:
    rows = [
        {
            "title": s.title,
            "cells": [
                [{"what": what, "href": href} for what, href in take.files]
                for take in stages[exercise.name, s.name].takes
            ],
        }
        for s in exercise.stages
    ]
    shown = []
    for titles, svg in drawn_steps(exercise, {s.name: drawn[exercise.name, s.name] for s in exercise.stages}):
        images.setdefault(svg, f"{len(images)}.svg")
        shown.append({"title": titles, "image": images[svg]})
    return {
        **_told(chart, exercise, tracks),
        "drawn": shown,
        "heads": [tempi_words(chart, exercise, (t,)) for t in exercise.tempi_bpm],
        "rows": rows,
    }


def drawn_steps(exercise: Exercise, drawn: Mapping[str, str]) -> list[tuple[str, str]]:
    """What the booklet draws of an exercise: titles of the steps and their bars, nothing twice.

    Layers of the same bars share one picture; around a fill and in a variation the
    longest step shows the bars of the shorter ones too.
    """
    whole = [s for s in exercise.stages if s.instruments is None]
    titles: dict[str, list[str]] = {}
    for s in whole:
        holders = [
            t
            for t in whole
            if exercise.kind != "groove" and s.only is None and t.only is None and set(s.bars) < set(t.bars)
        ]
        longest = max(holders, key=lambda t: len(t.bars), default=s)
        titles.setdefault(drawn[longest.name], []).append(s.title)
    return [("; ".join(said), svg) for svg, said in titles.items()]
