"""Pages of a practice pack: ``index.html`` for the browser, a booklet to print.

The page needs no network and no server: code, style and engraved bars lie
beside it, and sound comes in scripts, which a page opened from disk may load.
Text from charts is only ever set as text, never as markup or typst code.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from fractions import Fraction
from pathlib import Path

from workbench.cautions import COPYRIGHT, HEARING, HEARING_SOURCE, STRAIN
from workbench.chart import Chart
from workbench.chart.counting import SILENT_COUNT, USUAL_COUNT, capital, count_row
from workbench.chart.drumkit import instrument
from workbench.engraving.engrave import engrave_svg
from workbench.engraving.pages import PageStyle
from workbench.engraving.typeset import typeset
from workbench.files.safefile import write_whole
from workbench.grouping import grouped
from workbench.notation.scoresigns import ScoreOptions, clean_text
from workbench.practice.exercises import doubts_told
from workbench.practice.stages import Exercise, Stage
from workbench.progress import Progress, silent
from workbench.templates import filled

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


Clicks = Sequence[tuple[float, bool]]


@dataclass(frozen=True)
class PlayableStage:
    """A stage at one tempo, as the page plays it.

    Attributes
    ----------
    tempo_bpm : float
    length_s : float
        Of the sound; of a loop exactly one round.
    count_in : list of (time_s, accented)
    count_in_s : float
        From the first click of the count-in to the music.
    lead_s : float
        What page sounds carry before their beginning.
    clicks : dict of kind → list of (time_s, accented)
    sounds : dict of name ('kit', 'back', 'out') → {"key": …, "script": …}
        By what the page calls a sound, and the script that has it.
    files : list of (what, href)
    """

    tempo_bpm: float
    length_s: float
    count_in: Clicks
    count_in_s: float
    lead_s: float
    clicks: Mapping[str, Clicks]
    sounds: Mapping[str, Mapping[str, str]]
    files: Sequence[tuple[str, str]]


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
    left_out : str
        What the pack does not teach; the booklet says it, too.
    song : str
        Sound file of the whole song to play along to, if there is one.
    dispute : str
        That the bars are not settled, if they are not; stands before everything.
    """

    paper: str = "A4"
    click: str = "quarter"
    places: Mapping[str, float] = field(default_factory=lambda: {"kit": 0.0, "click": 0.0, "record": 0.0})
    notes: tuple[str, ...] = ()
    left_out: str = ""
    song: str = ""
    dispute: str = ""


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
    drawn: Drawings,
    tracks: Mapping[str, str],
    settings: PageSettings = PageSettings(),
    progress: Progress | None = None,
) -> tuple[Path, Path]:
    """Write ``index.html`` with what it needs, and ``booklet.pdf``; returns both."""
    tell = progress or silent
    told = [_told(chart, e, stages, drawn, tracks.get(e.name, "")) for e in exercises]
    index = _write_index(folder, chart, told, settings)
    tell(0.2, "Writing the booklet")
    paper = typeset("practice/page/booklet.typ", booklet_data(chart, exercises, told, settings))
    booklet = write_whole(folder / "booklet.pdf", paper)
    tell(1.0, "Writing the booklet")
    return index, booklet


def engraved_once(engraved: dict[tuple, str], chart: Chart, paper: str) -> str:
    """The bars of a stage, engraved if none that look the same are among those that are."""
    look = chart.bars, tuple(b.meter for b in chart.time_map.bars), chart.marks
    if look not in engraved:
        engraved[look] = engrave_bars(chart, paper)
    return engraved[look]


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


def engrave_bar(chart: Chart, bar_index: int, count_system: str = USUAL_COUNT) -> str:
    """One bar with count syllables and sticking, as an SVG."""
    options = ScoreOptions(similes=False, multirests=False, counts=True, sticking=True, count_system=count_system)
    style = PageStyle(heading=False, legend=False, bar_numbers=False)
    return engrave_svg(chart, (bar_index, bar_index), options, style)[0].removeprefix('<?xml version="1.0"?>')


def tempi_words(chart: Chart, exercise: Exercise, tempi_bpm: Iterable[float] | None = None) -> str:
    """Tempi with the sign of the beat they count: "♩ = 60, 80, 110"; by default the exercise's.

    Examples
    --------
    >>> from workbench.chart.meter import Meter, TimeMap
    >>> tempi_words(Chart.empty(TimeMap.steady(1, 60, Meter(6, 8))), Exercise("x", "X", "groove", "", 0, (), (50.0,)))
    '♩. = 50'
    """
    return tempo_sign(chart, exercise.first_bar, *(exercise.tempi_bpm if tempi_bpm is None else tempi_bpm))


def tempo_sign(chart: Chart, bar_index: int, *tempi_bpm: float) -> str:
    """Tempi with the sign of the beat that they count in a bar."""
    beat = chart.time_map.bars[bar_index].meter.beat_length
    return f"{BEAT_SIGNS.get(beat, 'beat')} = {', '.join(f'{t:g}' for t in tempi_bpm)}"


def _where(exercise: Exercise) -> str:
    """Its bars, unless its title names them."""
    return "" if exercise.where.casefold() in exercise.title.casefold() else exercise.where


def how_to_read(chart: Chart, exercise: Exercise, shown: Iterable[Chart]) -> tuple[str, ...]:
    """What needs explaining in an exercise, a sentence each."""
    moments: list[list[str]] = []
    silent = "(" in exercise.count
    for own in shown:
        for timed, bar in zip(own.time_map.bars, own.bars):
            silent |= "(" in count_row(timed, (n.position for n in bar.notes))
            hands = (n for n in bar.notes if not instrument(n.instrument).is_foot)
            moments += grouped((n.position, n.sticking) for n in hands).values()
    letters = [[h for h in hands if h] for hands in moments]
    told = [
        (any(letters), HANDS_SHOWN),
        (any(len(h) > 1 for h in letters), HANDS_TOGETHER),
        (any(letters) and not all(letters), HANDS_MISSING),
        (silent, SILENT_COUNT),
        (chart.feel_told != "straight", f"{capital(chart.feel)}: written straight, played swung."),
    ]
    return tuple(sentence for occurs, sentence in told if occurs)


_CAUTIONS = [
    {"name": "Hearing", "text": HEARING, "source": HEARING_SOURCE},
    {"name": "Strain", "text": STRAIN, "source": ""},
    {"name": "Rights", "text": COPYRIGHT, "source": ""},
]


def _told(chart: Chart, exercise: Exercise, stages: Stages, drawn: Drawings, track: str) -> dict:
    """What page and booklet say of an exercise."""
    own = [stages[exercise.name, s.name] for s in exercise.stages]
    return {
        "name": exercise.name,
        "kind": exercise.kind,
        "title": clean_text(exercise.title),
        "where": _where(exercise),
        "count": exercise.count,
        "listen": [clean_text(t) for t in exercise.listen_for],
        "cautions": exercise.cautions,
        "warnings": exercise.warnings,
        "beat": tempi_words(chart, exercise, ()),
        "tempi": tempi_words(chart, exercise),
        "track": track,
        "read": how_to_read(chart, exercise, [page.chart for page in own]),
        "stages": [
            {
                "name": page.stage.name,
                "title": page.stage.title,
                "loop": page.stage.loop,
                "svg": drawn[exercise.name, page.stage.name],
                "doubts": doubts_told(chart, page.stage),
                "takes": [asdict(take) for take in page.takes],
            }
            for page in own
        ],
    }


def _write_index(folder: Path, chart: Chart, told: Sequence[dict], settings: PageSettings) -> Path:
    for name in ("player.js", "style.css"):
        write_whole(folder / "page" / name, (Path(__file__).parent / "page" / name).read_bytes())
    title = chart.title or "Practice"
    pack = {**asdict(settings), "title": title, "artist": chart.artist, "cautions": _CAUTIONS, "exercises": told}
    code = json.dumps(pack, ensure_ascii=True, separators=(",", ":"))
    write_whole(folder / "page" / "pack.js", f"window.practicePack = {code};\n".encode("ascii"))
    return write_whole(folder / "index.html", filled("practice/page/index.html", title=title).encode())


def booklet_data(chart: Chart, exercises: Sequence[Exercise], told: Sequence[dict], settings: PageSettings) -> dict:
    """What the booklet says: contents, how to read it, cautions, and the exercises, to be ticked off."""
    return {
        "title": clean_text(chart.title or "Practice"),
        "artist": clean_text(chart.artist),
        "dispute": settings.dispute,
        "paper": {"A4": "a4", "Letter": "us-letter"}[settings.paper],
        "read": list(dict.fromkeys(s for s in (*(s for e in told for s in e["read"]), settings.left_out) if s)),
        "cautions": _CAUTIONS,
        "exercises": [{**own, "drawn": _drawn_with_doubts(e, own["stages"])} for e, own in zip(exercises, told)],
    }


def _drawn_with_doubts(exercise: Exercise, stages: Sequence[Mapping]) -> list[tuple[str, str, str]]:
    """Titles and bars of :func:`drawn_steps`, each with what is not sure of the bars."""
    doubts = {s["svg"]: s["doubts"] for s in stages if s["doubts"]}
    pictures = {s["name"]: s["svg"] for s in stages}
    return [(title, svg, doubts.get(svg, "")) for title, svg in drawn_steps(exercise, pictures)]


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
