"""Into how many parts each beat of a MIDI performance is divided.

Written files (all strokes on exact places) get the coarsest grid that holds
every stroke.  Played ones get the likeliest: strokes scatter around their
places by some :data:`SCATTER_S`, finer and rarer grids have a price, and a part
that is mostly straight is rarely a triplet.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

#: Spread of a player's strokes around their places (common practice, no source).
SCATTER_S = 0.018
#: Grids and their prices (negative log likelihoods): simple and compound beats.
_SIMPLE = {1: 0.0, 2: 0.7, 4: 1.4, 3: 3.0, 6: 5.5, 8: 6.0, 12: 9.0}
_COMPOUND = {1: 0.0, 3: 0.7, 6: 1.4, 2: 4.0, 12: 6.0, 4: 7.0}
_WRITTEN = (1, 2, 4, 3, 6, 8, 5, 7, 12, 9, 10, 16, 24)
#: A single stroke off the grid costs at most so much.
_MOST_COST = 12.0
_COLLISION_COST = 4.0


@dataclass(frozen=True)
class BeatStrokes:
    """The strokes of one beat.

    Attributes
    ----------
    offsets : tuple of float
        Places in beats from its start (a little below 0 for early strokes).
    keys : tuple of int
        What is struck.
    duration_s : float
    is_compound : bool
    """

    offsets: tuple[float, ...]
    keys: tuple[int, ...]
    duration_s: float
    is_compound: bool


def is_written(beats: Sequence[BeatStrokes], tolerance: float) -> bool:
    """Whether a file was written, not played: nearly all strokes on 48ths or sevenths of beats."""
    found = [x for b in beats for x in b.offsets]
    exact = sum(any(abs(x * n - round(x * n)) <= tolerance * n for n in (16, 24, 5, 7)) for x in found)
    # By chance alone, this share of strokes would seem exact.
    chance = min(1.0, 2 * tolerance * (16 + 16 + 4 + 6))
    return exact >= (0.98 if chance < 0.5 else 1.0) * len(found)


def choose_grids(beats: Sequence[BeatStrokes], tolerance: float) -> list[int]:
    """Parts of each beat.

    Parameters
    ----------
    beats : sequence of BeatStrokes
    tolerance : float
        Half a tick, in beats.
    """
    if is_written(beats, tolerance):
        return [_coarsest(b, tolerance) for b in beats]
    first = [_likeliest(b, {}) for b in beats]
    simple = [p for p, b in zip(first, beats) if not b.is_compound]
    triple = sum(p % 3 == 0 for p in simple)
    straight = sum(p in (2, 4, 8) for p in simple)
    share = (triple + 1) / (triple + straight + 2)
    habit = {p: -2 * math.log(share if p % 3 == 0 else 1 - share) for p in _SIMPLE if p > 1}
    return [_likeliest(b, habit) for b in beats]


def _coarsest(beat: BeatStrokes, tolerance: float) -> int:
    for parts in _WRITTEN:
        if all(abs(x * parts - round(x * parts)) <= tolerance * parts * 1.01 for x in beat.offsets):
            return parts
    return _likeliest(beat, {})


def _likeliest(beat: BeatStrokes, habit: dict[int, float]) -> int:
    prices = _COMPOUND if beat.is_compound else _SIMPLE

    def cost(parts: int) -> float:
        total = prices[parts] + (0.0 if beat.is_compound else habit.get(parts, 0.0))
        places: set[tuple[int, int]] = set()
        for x, key in zip(beat.offsets, beat.keys):
            place = round(x * parts)
            off_s = (x - place / parts) * beat.duration_s
            total += min(0.5 * (off_s / SCATTER_S) ** 2, _MOST_COST)
            total += _COLLISION_COST * ((place, key) in places)
            places.add((place, key))
        return total

    return min(prices, key=cost)
