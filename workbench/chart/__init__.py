"""The chart: what is true of a drum part without sound or paper.

Positions are exact: a ``Fraction`` of a whole note counted from the bar line.
A chart is a value; edits are values too and give another chart.
"""

from workbench.chart.chart import (
    ARTICULATIONS,
    DOUBT_BELOW,
    FEELS,
    MARK_KINDS,
    STICKINGS,
    Chart,
    Mark,
    Note,
    PossibleHit,
    Recording,
    Section,
    Text,
    WrittenBar,
    is_doubtful,
)

__all__ = [
    "ARTICULATIONS",
    "DOUBT_BELOW",
    "FEELS",
    "MARK_KINDS",
    "STICKINGS",
    "Chart",
    "Mark",
    "Note",
    "PossibleHit",
    "Recording",
    "Section",
    "Text",
    "WrittenBar",
    "is_doubtful",
]
