"""What a written score shows, shared by MusicXML and the engraved page: options,
ids, noteheads, grace notes, tempo marks."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

from workbench.chart import Chart, Note
from workbench.chart.counting import COUNT_SYSTEMS, USUAL_COUNT
from workbench.chart.drumkit import Instrument, Notehead
from workbench.errors import ChartError
from workbench.notation.abbreviations import PrintedBar, abbreviate
from workbench.notation.roadsigns import tempo_words

#: What XML 1.0 cannot carry at all.
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

#: Which marked fills a score shows: those a user has confirmed, proposed ones too, or none.
FILLS_SHOWN: tuple[str, ...] = ("confirmed", "all", "none")
#: How bars are numbered: every pass of a repeat counts, or each bar on paper.
NUMBERED: tuple[str, ...] = ("heard", "printed")
#: Ways to tell an open hi-hat from a closed one.
HATS_SHOWN: tuple[str, ...] = ("circled", "signs")


@dataclass(frozen=True)
class ScoreOptions:
    """What a written score shows.

    Attributes
    ----------
    one_voice : bool
        All notes on one stem, instead of hands up and feet down.
    repeats, similes, multirests : bool
        Abbreviations (see :mod:`workbench.notation.abbreviations`).  With ``repeats``
        the file holds each repeated bar once.
    slashes : tuple of int
        Indices of bars shown as "play time".
    sticking, counts : bool
        Show sticking letters; show count syllables under the notes.
    count_system : str
        Which syllables, from :data:`workbench.chart.counting.COUNT_SYSTEMS`.
    fills : str
        Which marked fills show, from :data:`FILLS_SHOWN`;
        a reading that nobody has confirmed does not litter the page.
    numbers : str
        Of bars, from :data:`NUMBERED`: as they are heard, as the grid says them, or as they are printed.
    bars_per_line : int
    line_breaks, page_breaks : tuple of int
        Numbers of bars that begin a line, or a page.
    longest_simile : int
        Similes of 1, of 2 or of 4 bars at most; one of four may take a whole line.
    hats : str
        How an open hi-hat is told on the page, from :data:`HATS_SHOWN`: by a circled x, or by o and + over an x.
    doubts : bool
        A ? by each stroke of which a draft is not sure (an editor's sign: parentheses are ghost notes'); in MusicXML
        as ``words``, which every notation program shows.
    """

    one_voice: bool = False
    repeats: bool = False
    similes: bool = True
    multirests: bool = True
    slashes: tuple[int, ...] = ()
    sticking: bool = True
    counts: bool = False
    count_system: str = USUAL_COUNT
    fills: str = "confirmed"
    numbers: str = "heard"
    bars_per_line: int = 4
    line_breaks: tuple[int, ...] = ()
    page_breaks: tuple[int, ...] = ()
    longest_simile: int = 2
    hats: str = "circled"
    doubts: bool = False

    def __post_init__(self) -> None:
        for breaks in ("line_breaks", "page_breaks"):
            object.__setattr__(self, breaks, tuple(getattr(self, breaks)))
            if not all(isinstance(n, int) for n in getattr(self, breaks)):
                raise ChartError(f"Breaks stand before bars, told by their numbers, not {getattr(self, breaks)!r}.")
        if self.fills not in FILLS_SHOWN:
            raise ChartError(f"Fills shown are {', '.join(FILLS_SHOWN)}, not {self.fills!r}.")
        if self.longest_simile not in (1, 2, 4):
            raise ChartError(f"Similes are of 1, 2 or 4 bars, not of {self.longest_simile!r}.")
        if self.count_system not in COUNT_SYSTEMS:
            raise ChartError(f"Counts are {', '.join(COUNT_SYSTEMS)}, not {self.count_system!r}.")
        if self.numbers not in NUMBERED:
            raise ChartError(f"Bars are numbered as {' or '.join(NUMBERED)}, not {self.numbers!r}.")
        if self.hats not in HATS_SHOWN:
            raise ChartError(f"Hi-hats are {' or '.join(HATS_SHOWN)}, not {self.hats!r}.")


def broken_before(chart: Chart, options: ScoreOptions) -> tuple[frozenset[int], frozenset[int]]:
    """Indices of the bars that begin a line and of those that begin a page, as the options say."""
    pages = frozenset(chart.time_map.bar_index(n) for n in options.page_breaks)
    return pages | {chart.time_map.bar_index(n) for n in options.line_breaks}, pages


def printed_bars(
    chart: Chart, options: ScoreOptions, first_bar: int = 0, last_bar: int | None = None
) -> tuple[PrintedBar, ...]:
    """How bars are printed, as the options say; see :func:`~workbench.notation.abbreviations.abbreviate`."""
    asked = {name: getattr(options, name) for name in ("repeats", "similes", "multirests", "slashes", "longest_simile")}
    return abbreviate(chart, first_bar=first_bar, last_bar=last_bar, **asked)


#: Every bar once, as heard; similes and gathered rests where they help.
WRITTEN_OUT = ScoreOptions()


def clean_text(text: str) -> str:
    """Text as XML can carry it; characters it cannot become U+FFFD."""
    return _NOT_XML.sub("\ufffd", text)


@cache
def slug(name: str) -> str:
    """An instrument's name as part of an XML id."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower())


#: How the id of a ? begins that marks doubtful strokes: read back it is no cue of the user's.
DOUBT_ID = "doubt-"


def note_id(bar_index: int, note: Note) -> str:
    """Id of a note in MusicXML and in the engraved SVG."""
    p = note.position
    return f"note-{bar_index}-{p.numerator}_{p.denominator}-{slug(note.instrument)}"


def bar_id(bar_index: int) -> str:
    """Id of a bar in MusicXML and in the engraved SVG."""
    return f"bar-{bar_index}"


def grace_chords(notes: tuple[Note, ...]) -> list[list[Note]]:
    """Grace notes before a chord: one for a flam, two for a drag, last ones together."""
    counts = {n.instrument: 2 if "drag" in n.articulations else 1 for n in notes if n.articulations & {"flam", "drag"}}
    depth = max(counts.values(), default=0)
    return [[n for n in notes if counts.get(n.instrument, 0) >= left] for left in range(depth, 0, -1)]


def written_head(n: Note, own: Instrument) -> tuple[Notehead | str, set[str]]:
    """Notehead of a note of an instrument (as the chart's kit has it), and which articulations no sign on paper tells.

    A rim shot is a slashed head on drums, a foot splash a circled x on the
    pedal hi-hat; on other instruments they have no usual sign.
    """
    hidden: set[str] = set()
    head: Notehead | str = own.notehead
    if "rim shot" in n.articulations:
        if own.notehead is Notehead.NORMAL:
            head = "slashed"
        else:
            hidden.add("rim shot")
    if "foot splash" in n.articulations:
        if own.name == "pedal hi-hat":
            head = Notehead.CIRCLE_X
        else:
            hidden.add("foot splash")
    return head, hidden


@dataclass(frozen=True)
class TempoMark:
    """A tempo to print over a bar.

    Attributes
    ----------
    beat : Fraction
        Counted beat, in whole notes.
    tempo_bpm : int
        Beats a minute.
    words : str
        What stands before it, "Slow and heavy".
    """

    beat: Fraction
    tempo_bpm: int
    words: str = ""


#: A section whose tempo differs by less is played at the same tempo, drifting
#: (common practice, no source).
SAME_TEMPO = 0.06


def tempo_marks(chart: Chart, section_starts: Iterable[int] | None = None) -> dict[int, TempoMark]:
    """Tempo marks by bar index: at the start, where a section changes the tempo or the beat, and where the user has
    words for it.

    Each is the mean of a stretch of sections at one tempo.

    Parameters
    ----------
    chart : Chart
    section_starts : iterable of int, optional
        Bar indices at which sections begin; by default those of the chart.
    """
    bars = chart.time_map.bars
    tempo_bpm = chart.time_map.mean_tempo_bpm
    words = tempo_words(chart) if section_starts is None else {}
    if section_starts is None:
        section_starts = (s.bar_index for s in chart.sections)
    starts = sorted({0, *section_starts, *words})
    stretches: list[tuple[int, int]] = []
    for first, end in zip(starts, [*starts[1:], len(chart)]):
        if stretches and first not in words:
            old_first, old_end = stretches[-1]
            same_beat = bars[old_first].meter.beat_length == bars[first].meter.beat_length
            if same_beat and abs(tempo_bpm(first, end) / tempo_bpm(old_first, old_end) - 1) < SAME_TEMPO:
                stretches[-1] = (old_first, end)
                continue
        stretches.append((first, end))
    return {
        first: TempoMark(bars[first].meter.beat_length, max(1, round(tempo_bpm(first, end))), words.get(first, ""))
        for first, end in stretches
    }
