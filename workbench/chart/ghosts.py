"""Ghost notes: snare strokes far softer than the backbeats around them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from workbench.chart.chart import Chart, Note

#: Strokes softer than this MIDI velocity are soft whatever is played around them; chosen by ear, no source.
SOFT_VELOCITY = 45

#: Share of a player's loud strokes below which a snare stroke is a ghost note, and the share of
#: strokes that are softer than those loud ones; chosen by ear, no source.
GHOST_SHARE, LOUD_QUANTILE = 0.6, 0.8


def soft_limit(velocities: Sequence[int]) -> float:
    """Velocity below which snare strokes are ghost notes, from those of the song; 0 without strokes.

    Examples
    --------
    >>> soft_limit([100, 100, 30, 30, 100]), soft_limit([50, 50, 20])
    (45.0, 30.0)
    """
    return float(min(SOFT_VELOCITY, GHOST_SHARE * np.quantile(velocities, LOUD_QUANTILE))) if len(velocities) else 0.0


def ghost_limit(chart: Chart) -> float:
    """Velocity below which a snare stroke of a chart is a ghost note; 0 where the chart writes ghost notes itself."""
    snares = [n for _, n in chart.notes() if n.instrument == "snare"]
    return 0.0 if any("ghost" in n.articulations for n in snares) else soft_limit([n.velocity for n in snares])


def is_ghost(note: Note, limit: float = 0.0) -> bool:
    """Whether a note is written as a ghost note, or is a snare stroke below ``limit`` (:func:`ghost_limit`)."""
    played = note.instrument == "snare" and "accent" not in note.articulations and note.velocity < limit
    return played or "ghost" in note.articulations


def is_soft(note: Note) -> bool:
    """Whether a note of any instrument is so soft that an ear may miss it."""
    return note.velocity < SOFT_VELOCITY or "ghost" in note.articulations


def mark_ghosts(chart: Chart) -> Chart:
    """Write the soft snare strokes of a chart without ghost notes as such
    (softer than :func:`ghost_limit` says)."""
    limit = ghost_limit(chart)

    def written(note: Note) -> Note:
        soft = not note.confirmed and is_ghost(note, limit)
        return replace(note, articulations=note.articulations | {"ghost"}) if soft else note

    bars = tuple(replace(bar, notes=tuple(written(n) for n in bar.notes)) for bar in chart.bars)
    return replace(chart, bars=bars)
