"""Does it sound like the song's own: moments compared with the strokes heard of each drum.

A detector names drums that it has never heard; by the end of a song it has heard these.  Of each drum the mean of what
its sure strokes add to the sound is its *template*.  A candidate is compared with the template of its own drum and
with those of the others, in the shape of its attack and of what is held after it; and what is added at its moment is
put together from the templates, none negative, so that a stroke under a louder one shows as a share of its own.
"""

from __future__ import annotations

import numpy as np

from workbench.chart.drumkit import DETECTED, instrument

# Numbers whose origin is not named were chosen by hand, no source; the networks of the second pass know measures of
# these only.
#: Bands of a recording's levels: pairs of the detector's mel bands.
LEVEL_BANDS = 40
#: Frames of an attack, of what was before it, and, through the long window, of what is held after it and was before.
ATTACK_FRAMES, FRAMES_BEFORE, HELD_FRAMES, FRAMES_EARLIER = (-1, 0, 1, 2), (-6, -4, -3), (4, 6, 8), (-8, -6)
#: From this height on a stroke belongs to the template, alone from four that no other drum hides (log odds of the
#: highest other), any from three; two of any height are the least.
SURE, HIDES, ENOUGH_ALONE, ENOUGH, LEAST = 0.6, -1.0, 4, 3, 2
#: So often amounts are updated where sounds are put together.
UPDATES = 40
#: Frames of levels looked at together.
LEVELS_AT_ONCE = 20_000

#: What is measured of a candidate, in order; what can't be is NaN.
SOUND_MEASURES = (
    *("own known", "attack alike", "body alike", "apart", "others alike", "others apart", "kin apart", "reached"),
    *("sound share", "others' sound share", "unexplained", "held share", "others' held share", "level", "held level"),
)

_FAMILY = np.array([instrument(name).family for name in DETECTED])


def keep_levels(features: np.ndarray) -> np.ndarray:
    """Levels of a recording (frames, 2, :data:`LEVEL_BANDS`), float16, natural logarithm, of the detector's features
    (frames, 2, bands) through its short and its long window."""
    return features.reshape(*features.shape[:2], LEVEL_BANDS, -1).mean(axis=3).astype(np.float16)


def _added(levels: np.ndarray, frame: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """What moments (n,) add: attack and body, logarithms, and magnitudes that rise at once and are held (n, bands)."""

    def at(window: int, apart: tuple[int, ...]) -> list[np.ndarray]:
        return [levels[np.clip(frame + k, 0, len(levels) - 1), window].astype(np.float32) for k in apart]

    top, before = np.max(at(0, ATTACK_FRAMES), axis=0), np.min(at(0, FRAMES_BEFORE), axis=0)
    late, early = np.mean(at(1, HELD_FRAMES), axis=0), np.mean(at(1, FRAMES_EARLIER), axis=0)
    rise, held = np.exp(top) - np.exp(before), np.exp(late) - np.exp(early)
    return np.maximum(top - before, 0), np.maximum(late - early, 0), np.maximum(rise, 0), np.maximum(held, 0)


def put_together(added: np.ndarray, templates: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How much of each template is in what is added, and how much of it none explains.

    By multiplicative updates (Lee and Seung, "Algorithms for non-negative matrix factorization", 2001).

    Parameters
    ----------
    added : ndarray (n, bands), magnitudes
    templates : ndarray (drums, bands), magnitudes

    Returns
    -------
    share : ndarray (n, drums), natural logarithm, 0 for as much as usual
    unexplained : ndarray (n,), 0–1

    Examples
    --------
    >>> kick, snare = np.array([4.0, 1, 0]), np.array([0.0, 1, 3])
    >>> share, unexplained = put_together(np.array([kick, kick / 2 + snare]), np.array([kick, snare]))
    >>> np.exp(share).round(1) + 0.0, unexplained.round(2) + 0.0
    (array([[1. , 0. ],
           [0.5, 1. ]]), array([0., 0.]))
    """
    usual = np.maximum(templates.sum(axis=1), 1e-6)
    shapes = templates / usual[:, None]
    amount = np.maximum(added.sum(axis=1, keepdims=True) / len(templates), 1e-6) * np.ones(len(templates), added.dtype)
    wanted, overlap = added @ shapes.T, shapes @ shapes.T
    for _ in range(UPDATES):
        amount *= wanted / np.maximum(amount @ overlap, 1e-9)
    left = np.linalg.norm(added - amount @ shapes, axis=1) / (np.linalg.norm(added, axis=1) + 1e-6)
    return np.log(amount / usual + 0.02), left


def measure_sound(
    levels: np.ndarray | None,
    frame: np.ndarray,
    column: np.ndarray,
    height: np.ndarray,
    detected: np.ndarray,
    hidden: np.ndarray,
) -> np.ndarray:
    """What is measured of candidates (n, :data:`SOUND_MEASURES`).

    Parameters
    ----------
    levels : ndarray (frames, 2, bands) or None
        See :func:`keep_levels`; None if they are not at hand.
    frame, column : ndarray (n,), int
        When, and index in :data:`~workbench.chart.drumkit.DETECTED`.
    height : ndarray (n,), 0–1
        Activation.
    detected : ndarray (n,), bool
        Whether it is heard as a stroke.
    hidden : ndarray (n,)
        Log odds of the highest other drum there.
    """
    if levels is None:
        return nothing_known(len(frame))
    added = _added(levels, frame)
    whole = np.hstack(added[:2])
    rise, held = (x / (mean + 1e-3) for x, mean in zip(added[2:], _means(levels), strict=True))
    belong = [_belonging(column == k, height, detected, hidden) for k in range(len(DETECTED))]
    known = np.array([k for k, rows in enumerate(belong) if len(rows)], int)
    if not len(known):
        return nothing_known(len(frame))
    template, spread = (np.array([of(whole[belong[k]], axis=0) for k in known]) for of in (np.mean, np.std))
    rises, helds = (np.array([np.median(x[belong[k]], axis=0) for k in known]) for x in (rise, held))
    attack_alike, body_alike, alike = (
        _unit(whole[:, bands]) @ _unit(template[:, bands]).T
        for bands in (slice(LEVEL_BANDS), slice(LEVEL_BANDS, None), slice(None))
    )
    apart = np.log(
        np.stack([np.mean(((whole - t) / (s + 0.3)) ** 2, axis=1) for t, s in zip(template, spread)], 1) + 0.05
    )
    reached = whole @ template.T / np.maximum((template**2).sum(axis=1), 1e-6)
    (share, unexplained), (held_share, _) = put_together(rise, rises), put_together(held, helds)

    mine = known == column[:, None]
    kin = (_FAMILY[known] == _FAMILY[column][:, None]) & ~mine

    def own(said: np.ndarray) -> np.ndarray:
        return _highest(said, mine)

    def beside(said: np.ndarray) -> np.ndarray:
        return np.nan_to_num(own(said))

    return np.column_stack(
        [
            *(mine.any(axis=1), own(attack_alike), own(body_alike), own(apart)),
            _highest(alike, ~mine) - beside(alike),
            *(-_highest(-apart, those) - beside(apart) for those in (~mine, kin)),
            *(own(reached), own(share), _highest(share, ~mine), unexplained),
            *(own(held_share), _highest(held_share, ~mine)),
            *(_louder(x, own(np.tile(usual.sum(axis=1), (len(x), 1)))) for x, usual in ((rise, rises), (held, helds))),
        ]
    )


def nothing_known(count: int) -> np.ndarray:
    """Measures of candidates whose sound is not at hand."""
    return np.tile([0.0] + [np.nan] * (len(SOUND_MEASURES) - 1), (count, 1))


def _belonging(of_drum: np.ndarray, height: np.ndarray, detected: np.ndarray, hidden: np.ndarray) -> np.ndarray:
    """Rows of the candidates of a drum that make its template; none if it has too few strokes."""
    strokes = np.flatnonzero(of_drum & detected)
    sure = strokes[height[strokes] > SURE]
    if len(sure) < ENOUGH:
        sure = strokes
    alone = sure[hidden[sure] < HIDES]
    return alone if len(alone) >= ENOUGH_ALONE else sure if len(sure) >= LEAST else sure[:0]


def _means(levels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What a moment of the recording adds in the mean: risen at once, and held (bands,), magnitudes."""
    total = np.zeros((2, LEVEL_BANDS))
    for first in range(0, len(levels), LEVELS_AT_ONCE):
        total += np.sum(_added(levels, np.arange(first, min(first + LEVELS_AT_ONCE, len(levels))))[2:], axis=1)
    return total[0] / len(levels), total[1] / len(levels)


def _unit(vectors: np.ndarray) -> np.ndarray:
    return vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), 1e-6)


def _highest(said: np.ndarray, of: np.ndarray) -> np.ndarray:
    """The highest value (n,) of those meant (n, drums) of each row; NaN where none is."""
    return np.where(of.any(axis=1), np.where(of, said, -np.inf).max(axis=1), np.nan)


def _louder(added: np.ndarray, usual: np.ndarray) -> np.ndarray:
    return np.log(added.sum(axis=1) + 1e-3) - np.log(usual + 1e-3)
