"""A bar with its notes, as written beside as recorded, what differs in colour."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction

from workbench.chart import Chart, Note
from workbench.engraving.engrave import colour_notes, engrave_svg
from workbench.errors import WorkbenchError
from workbench.notation.scoresigns import note_id

#: How much larger a bar is on the screen than on paper.
SCREEN_SCALE = 1.4


@dataclass(frozen=True)
class Difference:
    """A written note that was not played, one that was and is not written, or both.

    Attributes
    ----------
    position : Fraction
    written : str
        Instrument; empty where nothing is written.
    played : str
        Instrument; empty where nothing was played.
    colour : str
    at : Fraction or None
        Where it was played instead.
    """

    position: Fraction
    written: str
    played: str
    colour: str
    at: Fraction | None = None


def engraved_bar(chart: Chart, bar_index: int, differences: Iterable[Difference]) -> tuple[str, str]:
    """A bar as written and as recorded, SVG, its differences in colour; the second empty where there are none."""
    bar, heard = chart.bars[bar_index], chart.bars[bar_index]
    written: dict[str, str] = {}
    recorded: dict[str, str] = {}
    played = []
    for d in differences:
        old = bar.find(d.position, d.written) if d.written else None
        if old is not None:
            written[note_id(bar_index, old)] = d.colour
            heard = heard.without(*old.key)
        if d.played:
            at = d.position if d.at is None else d.at
            new = replace(old, position=at) if old is not None and d.played == d.written else Note(at, d.played)
            played.append(new)
            recorded[note_id(bar_index, new)] = d.colour
    for new in played:  # only now: one note may be heard where another one is written but not heard
        heard = heard.without(*new.key).with_note(new)
    first = _engraved(chart, bar_index, written)
    if not written and not recorded:
        return first, ""
    changed = replace(chart, bars=(*chart.bars[:bar_index], heard, *chart.bars[bar_index + 1 :]))
    return first, _engraved(changed, bar_index, recorded)


def _engraved(chart: Chart, bar_index: int, colours: dict[str, str]) -> str:
    try:
        svg = engrave_svg(chart, (bar_index, bar_index))[0].removeprefix('<?xml version="1.0"?>')
    except WorkbenchError:
        return ""  # a chart by others may hold what cannot be engraved; what is said of it still counts
    # Larger than on paper, to be read from a screen; the units of our pictures are tenths of a millimetre.
    tenths = float(svg.partition('viewBox="')[2].split()[2])
    return colour_notes(svg.replace("<svg ", f'<svg style="width: {SCREEN_SCALE * tenths / 10:.1f}mm" ', 1), colours)
