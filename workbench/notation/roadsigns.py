"""Signs that a chart keeps as cues: roads through a score, repeats and endings, dynamics, fermatas, "play 8", words
before a tempo.

A cue that says one of them is drawn as the sign on the page and written as the element that MusicXML has for it;
read back it is the cue again.  In the order heard a chart has no use for roads: there they are followed and left out.
A chart that keeps its repeats has a cue in the first bar of each and one in its last bar, "𝄆" and "𝄇" (or "𝄇 ×3"), an
ending one in each of its bars; of a chart in the order heard a cue says which bars are folded ("repeat 8, 3 times").
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import groupby

from lxml import etree

from workbench.chart import Chart, Text

#: Signs by their Unicode characters (block *Musical Symbols*).
SEGNO, CODA, FERMATA = "\U0001d10b", "\U0001d10c", "\U0001d110"
#: Dynamics that MusicXML 4.0 has elements for, as far as drum parts use them.
DYNAMICS = frozenset({"ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "fp", "sf", "sfz", "fz"})
#: Hairpins: kinds of marks, named as MusicXML's types of ``wedge``, and the words for one whose end is not told.
HAIRPINS = {"crescendo": "cresc.", "diminuendo": "dim."}
#: The signs of a repeat, by their Unicode characters.
REPEAT_OPENS, REPEAT_CLOSES = "\U0001d106", "\U0001d107"
#: Words that send the player elsewhere, by the attribute of MusicXML's ``sound`` and its value.
_JUMPS = (
    (re.compile(r"\W*d\W*s\b.*|dal segno.*", re.IGNORECASE), "dalsegno", "segno"),
    (re.compile(r"\W*d\W*c\b.*|da capo.*", re.IGNORECASE), "dacapo", "yes"),
    (re.compile(r"to coda\W*|al coda\W*", re.IGNORECASE), "tocoda", "coda"),
    (re.compile(r"fine\W*", re.IGNORECASE), "fine", "yes"),
)
_CLOSING = re.compile(f"{REPEAT_CLOSES}(?: ×([2-9]|[1-9]\\d))?")
_ENDING = re.compile(r"(\d{1,2})\.(?: (\d{1,2})\.)*")
_PLAY = re.compile(r"play (\d{1,3})\b.*", re.IGNORECASE)
_REPEAT = re.compile(r"repeat (\d{1,3})(?:, (\d{1,2}) times)?", re.IGNORECASE)
_WRITTEN_OUT = re.compile(r"write out (\d{1,3})", re.IGNORECASE)
_TEMPO = re.compile(r"tempo: (.+)", re.IGNORECASE)


def jump_of(text: str) -> tuple[str, str] | None:
    """The attribute of MusicXML's ``sound`` that a cue means, and its value.

    Examples
    --------
    >>> jump_of("D.S. al Coda"), jump_of("Fine"), jump_of("solo")
    (('dalsegno', 'segno'), ('fine', 'yes'), None)
    """
    signs = {SEGNO: ("segno", "segno"), CODA: ("coda", "coda")}
    return signs.get(text) or next(((name, v) for words, name, v in _JUMPS if words.fullmatch(text.strip())), None)


@dataclass(frozen=True)
class Repeats:
    """Repeat signs and endings of a chart that keeps them.

    Attributes
    ----------
    opens : frozenset of int
        Indices of the bars that begin with a repeat sign.
    closes : dict
        How often what ends with a bar is played, by its index.
    endings : dict
        The passes for which a bar is played, by its index.
    """

    opens: frozenset[int]
    closes: dict[int, int]
    endings: dict[int, tuple[int, ...]]


def kept_repeats(chart: Chart) -> Repeats | None:
    """Repeats and endings that a chart keeps as cues; None if it has none, being written in the order heard."""
    opens, closes, endings = set(), {}, {}
    for t in chart.texts:
        if t.text == REPEAT_OPENS:
            opens.add(t.bar_index)
        elif m := _CLOSING.fullmatch(t.text):
            closes[t.bar_index] = int(m[1] or 2)
        elif _ENDING.fullmatch(t.text):
            endings[t.bar_index] = tuple(int(n) for n in re.findall(r"\d+", t.text))
    return Repeats(frozenset(opens), closes, endings) if opens or closes else None


def repeat_cues(opens: bool, passes: int, ending: tuple[int, ...]) -> list[str]:
    """The cues of a bar that opens a repeat, closes one (``passes`` in all, or 0) or belongs to an ending."""
    closing = REPEAT_CLOSES + (f" ×{passes}" if passes > 2 else "")
    return [REPEAT_OPENS] * opens + [" ".join(f"{n}." for n in ending)] * bool(ending) + [closing] * bool(passes)


def cues_at_staff(chart: Chart, bar_index: int) -> list[Text]:
    """The cues of a bar that are drawn as words or signs: not those of repeats and the words before its tempo."""
    own = [t for t in chart.texts if t.bar_index == bar_index and not is_layout(t.text)]
    lines = [t for t in own if t.text == REPEAT_OPENS or _CLOSING.fullmatch(t.text) or _ENDING.fullmatch(t.text)]
    return [t for t in own if t not in lines] if lines and kept_repeats(chart) else own


def slashed_bars(chart: Chart) -> frozenset[int]:
    """Bars that a cue such as "play 8" covers: they are printed as slashes."""
    counts = [(t.bar_index, int(m[1])) for t in chart.texts if (m := _PLAY.fullmatch(t.text.strip()))]
    return frozenset(k for first, n in counts for k in range(first, min(first + n, len(chart))))


def repeats_by_hand(chart: Chart) -> dict[int, tuple[int, int]]:
    """First bar → bars of one pass, and how often it is played, where a cue sets repeat signs: "repeat 8",
    "repeat 4, 3 times".  Played once ("write out 16"): bars that are not folded."""
    out = {}
    for text in chart.texts:
        if m := _REPEAT.fullmatch(text.text.strip()):
            out[text.bar_index] = (int(m[1]), int(m[2] or 2))
        elif m := _WRITTEN_OUT.fullmatch(text.text.strip()):
            out[text.bar_index] = (int(m[1]), 1)
    return {k: (bars, passes) for k, (bars, passes) in out.items() if bars and passes}


def tempo_words(chart: Chart) -> dict[int, str]:
    """What is written before the tempo of a bar, by cues such as "tempo: Slow and heavy"."""
    return {t.bar_index: m[1] for t in chart.texts if (m := _TEMPO.fullmatch(t.text.strip()))}


def is_repeat(text: str) -> bool:
    """Whether a cue says how bars are folded: it is drawn as repeat signs."""
    return bool(_REPEAT.fullmatch(text.strip()) or _WRITTEN_OUT.fullmatch(text.strip()))


def is_layout(text: str) -> bool:
    """Whether a cue only says how bars are folded, or stands before a tempo."""
    return is_repeat(text) or bool(_TEMPO.fullmatch(text.strip()))


def play_cues(slashed: list[bool], texts: dict[int, list[str]]) -> list[tuple[int, str]]:
    """The cues for runs of bars that a score shows as slashes, unless one of its own says so."""
    out = []
    for shown, run in groupby(range(len(slashed)), key=lambda k: slashed[k]):
        bars = list(run)
        if shown and not any(_PLAY.fullmatch(t.strip()) for t in texts.get(bars[0], ())):
            out.append((bars[0], f"play {len(bars)}"))
    return out


def write_direction(direction: etree._Element, text: str) -> bool:
    """Write what a cue means into a MusicXML ``direction``; False if it is only words."""
    kind = etree.SubElement(direction, "direction-type")
    if text in DYNAMICS:
        etree.SubElement(etree.SubElement(kind, "dynamics"), text)
    elif text in (SEGNO, CODA):
        etree.SubElement(kind, "segno" if text == SEGNO else "coda")
    elif text == FERMATA:
        etree.SubElement(kind, "other-direction", smufl="fermataAbove").text = "fermata"
    elif is_repeat(text):  # its signs are drawn where bars are folded; read back it is kept
        etree.SubElement(kind, "other-direction", {"print-object": "no"}).text = text
    else:
        direction.remove(kind)
        return False
    return True


def add_sound(direction: etree._Element, text: str) -> None:
    """Add the ``sound`` of a cue that sends the player elsewhere; the last child of a direction."""
    if jump := jump_of(text):
        etree.SubElement(direction, "sound", {jump[0]: jump[1]})


def mei_element(text: str) -> tuple[str, dict[str, str]] | None:
    """MEI element and attributes of a cue that is drawn as a sign."""
    if text in DYNAMICS:
        return "dynam", {"place": "below"}
    if text == FERMATA:
        return "fermata", {"place": "above"}
    return ("repeatMark", {"func": "segno" if text == SEGNO else "coda"}) if text in (SEGNO, CODA) else None
