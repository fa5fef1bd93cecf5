"""Signs that a chart keeps as cues: roads through a score, dynamics, fermatas, "play 8".

A cue that says one of them is drawn as the sign on the page and written as the element that MusicXML has for it;
read back it is the cue again.  In the order heard a chart has no use for roads: there they are followed and left out.
"""

from __future__ import annotations

import re
from itertools import groupby

from lxml import etree

from workbench.chart import Chart

#: Signs by their Unicode characters (block *Musical Symbols*).
SEGNO, CODA, FERMATA = "\U0001d10b", "\U0001d10c", "\U0001d110"
#: Dynamics that MusicXML 4.0 has elements for, as far as drum parts use them.
DYNAMICS = frozenset({"ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "fp", "sf", "sfz", "fz"})
#: Hairpins, as words.
HAIRPINS = {"crescendo": "cresc.", "diminuendo": "dim."}
#: Words that send the player elsewhere, by the attribute of MusicXML's ``sound`` and its value.
_JUMPS = (
    (re.compile(r"\W*d\W*s\b.*|dal segno.*", re.IGNORECASE), "dalsegno", "segno"),
    (re.compile(r"\W*d\W*c\b.*|da capo.*", re.IGNORECASE), "dacapo", "yes"),
    (re.compile(r"to coda\W*|al coda\W*", re.IGNORECASE), "tocoda", "coda"),
    (re.compile(r"fine\W*", re.IGNORECASE), "fine", "yes"),
)
_PLAY = re.compile(r"play (\d{1,3})\b.*", re.IGNORECASE)


def jump_of(text: str) -> tuple[str, str] | None:
    """The attribute of MusicXML's ``sound`` that a cue means, and its value.

    Examples
    --------
    >>> jump_of("D.S. al Coda"), jump_of("Fine"), jump_of("solo")
    (('dalsegno', 'segno'), ('fine', 'yes'), None)
    """
    signs = {SEGNO: ("segno", "segno"), CODA: ("coda", "coda")}
    return signs.get(text) or next(((name, v) for words, name, v in _JUMPS if words.fullmatch(text.strip())), None)


def slashed_bars(chart: Chart) -> frozenset[int]:
    """Bars that a cue such as "play 8" covers: they are printed as slashes."""
    counts = [(t.bar_index, int(m[1])) for t in chart.texts if (m := _PLAY.fullmatch(t.text.strip()))]
    return frozenset(k for first, n in counts for k in range(first, min(first + n, len(chart))))


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
