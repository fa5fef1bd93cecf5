"""Ghost notes: snare strokes far softer than the backbeats around them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from workbench.chart.chart import Chart, Note
from workbench.chart.drumkit import HAND_DRUMS

#: Strokes softer than this MIDI velocity are soft whatever is played around them; chosen by ear, no source.
SOFT_VELOCITY = 45

#: Share of a player's loud strokes below which a snare stroke is a ghost note, and the share of
#: strokes that are softer than those loud ones; chosen by ear, no source.
GHOST_SHARE, LOUD_QUANTILE = 0.6, 0.8

#: In a part whose velocities are exact, a snare stroke is a ghost note too if it is softer than this and than this
#: share of the loudest one of its bar and those beside it; common practice, no source.
SOFT_HERE, HERE_SHARE = 52, 0.52

#: A stroke is accented that is so many times as loud as the strokes of drums beside it, none further away than this
#: (whole notes); common practice, no source.
ACCENT_RATIO, ACCENT_WITHIN = 1.35, 1 / 8


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
    return _signed(chart, lambda k, note: "ghost" if not note.confirmed and is_ghost(note, limit) else "")


def mark_dynamics(chart: Chart) -> Chart:
    """Write ghost notes and accents of a part whose velocities are those of the player's strokes.

    A snare stroke is a ghost note if it is soft for the song (:func:`ghost_limit`) or for the bar and those beside it;
    a stroke of a drum is accented if it stands out of a run, being :data:`ACCENT_RATIO` times as loud as both strokes
    beside it.
    """
    limit = ghost_limit(chart)
    snares = [[n.velocity for n in bar.notes if n.instrument == "snare"] for bar in chart.bars]
    loudest = [max((v for own in snares[max(k - 1, 0) : k + 2] for v in own), default=0) for k in range(len(chart))]
    soft = [max(limit, min(SOFT_HERE, HERE_SHARE * loud)) for loud in loudest]
    run = [
        (float(chart.time_map.starts[k] + n.position), k, n)
        for k, n in chart.notes()
        if n.instrument in HAND_DRUMS and not is_ghost(n, soft[k])
    ]
    accents = {
        (k, n.key)
        for (before, _, first), (at, k, n), (after, _, last) in zip(run, run[1:], run[2:])
        if max(at - before, after - at) <= ACCENT_WITHIN
        and n.velocity >= ACCENT_RATIO * max(first.velocity, last.velocity)
    }

    def sign(k: int, note: Note) -> str:
        return "accent" if (k, note.key) in accents else "ghost" if is_ghost(note, soft[k]) else ""

    return _signed(chart, sign)


def _signed(chart: Chart, sign: Callable[[int, Note], str]) -> Chart:
    def written(k: int, note: Note) -> Note:
        more = sign(k, note)
        return replace(note, articulations=note.articulations | {more}) if more else note

    bars = tuple(replace(bar, notes=tuple(written(k, n) for n in bar.notes)) for k, bar in enumerate(chart.bars))
    return replace(chart, bars=bars)
