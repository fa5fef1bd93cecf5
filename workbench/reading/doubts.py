"""Hits of a draft that are doubtful: not confirmed, and the detector was not sure of them."""

from __future__ import annotations

from collections import Counter

from workbench.chart import Chart, Note
from workbench.chart.drumkit import drum_key_order

# Numbers whose origin is not named: chosen by eye, no source.
#: Hits less sure than this, and not confirmed, count as doubtful: high enough that most of the wrong
#: hits lie below, as the draft's confidence is a probability.
DOUBT_BELOW = 0.65
#: Of fewer hits of an instrument none is said to be mostly doubtful.
FEWEST_HITS = 3


def is_doubtful(note: Note) -> bool:
    """Whether a note is neither confirmed nor heard surely."""
    return not note.confirmed and note.confidence < DOUBT_BELOW


def doubtful_hits(chart: Chart) -> Counter[str]:
    """How many hits of each instrument are doubtful."""
    return Counter(n.instrument for _, n in chart.notes() if is_doubtful(n))


def mostly_doubtful(chart: Chart) -> str:
    """Instruments most of whose hits are doubtful: "high tom (13 of 13), mid tom (4 of 7)"; empty if there are none."""
    hits, doubtful = Counter(n.instrument for _, n in chart.notes()), doubtful_hits(chart)
    names = sorted((n for n in doubtful if hits[n] >= FEWEST_HITS and doubtful[n] > hits[n] / 2), key=drum_key_order)
    return ", ".join(f"{name} ({doubtful[name]} of {hits[name]})" for name in names)
