"""The pocket: how one player plays what is written, the whole song through.

Swing and lag belong to the song, as its feel does, and not to each note: one ratio says how it swings, and one number
for an instrument on a part of the beat how far behind the beats (before them: negative) its strokes usually are.  A
note that was never heard is played so too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

import numpy as np

from workbench.errors import ChartError

#: The ratio of a swing of which nothing more is known: triplets (common practice, no source).
TRIPLETS = 2 / 3
#: Parts of a beat that differ by less are one place.
SAME_PLACE = 1e-6
#: Longest lag, seconds: what is further away is another place (no source).
LONGEST_LAG_S = 0.1


@dataclass(frozen=True)
class Lag:
    """How far an instrument's strokes on one part of the beat lie behind it.

    Attributes
    ----------
    instrument : str
    share : Fraction
        Of the counted beat, 0 to 1.
    later_s : float
        Seconds; negative where they come before the beats.
    """

    instrument: str
    share: Fraction
    later_s: float

    def __post_init__(self) -> None:
        if not 0 <= self.share < 1 or not abs(self.later_s) <= LONGEST_LAG_S:
            raise ChartError("A lag has a part of the beat, from 0 to below 1, and at most a tenth of a second.")


@dataclass(frozen=True)
class Pocket:
    """How a song swings and where its player puts each instrument.

    Attributes
    ----------
    swing_ratio : float
        Where the second eighth of a swung beat (sixteenth of a swung eighth) is played, in parts of it; 0.5 if that is
        not known.
    lags : tuple of Lag

    Examples
    --------
    >>> late = Pocket(lags=(Lag("snare", Fraction(0), 0.012),))
    >>> late.later_s("snare", Fraction(0)), late.later_s("kick", Fraction(0))
    (0.012, 0.0)
    """

    swing_ratio: float = 0.5
    lags: tuple[Lag, ...] = ()

    def __post_init__(self) -> None:
        if not 0.5 <= self.swing_ratio < 1 or not math.isfinite(self.swing_ratio):
            raise ChartError("A swing ratio is a part of the beat from 0.5 to below 1.")
        if len(self._later_s) < len(self.lags):
            raise ChartError("A pocket has one lag for an instrument on a part of the beat.")

    def __bool__(self) -> bool:
        return self != ON_THE_GRID

    @cached_property
    def _later_s(self) -> dict[tuple[str, Fraction], float]:
        return {(lag.instrument, lag.share): lag.later_s for lag in self.lags}

    def at_speed(self, speed: float) -> Pocket:
        """The same pocket where the song goes so many times as fast."""
        lags = [
            Lag(lag.instrument, lag.share, max(-LONGEST_LAG_S, min(LONGEST_LAG_S, lag.later_s / speed)))
            for lag in self.lags
        ]
        return Pocket(self.swing_ratio, tuple(lags))

    def later_s(self, instrument: str, share: Fraction) -> float:
        """How far behind the beats the player puts an instrument on a part of the beat, swing aside, seconds."""
        return self._later_s.get((instrument, share), 0.0)


#: Everything exactly as it is written.
ON_THE_GRID = Pocket()


def swung_place(place: float, pair: float, ratio: float) -> float:
    """Where a place of the beat (0 to 1) is played if of each two notes that fill a ``pair`` the second comes late, all
    in parts of the beat (:meth:`workbench.chart.meter.Meter.swung_pair`); the ratio is a part of the pair.

    Triplets and what is finer than sixteenths stay.

    Examples
    --------
    >>> [round(swung_place(p, 1.0, 0.66), 2) for p in (0, 0.25, 0.5, 1 / 3)]
    [0.0, 0.33, 0.66, 0.33]
    """
    if not pair:
        return place
    steps = place / min(pair / 2, 0.25)
    if abs(steps - round(steps)) > SAME_PLACE:
        return place
    number = math.floor(place / pair + SAME_PLACE)
    return pair * (number + float(np.interp(place / pair - number, (0.0, 0.5, 1.0), (0.0, ratio, 1.0))))


def usual_lags_s(kinds: Sequence[int] | np.ndarray, off_s: np.ndarray, doubt: float) -> np.ndarray:
    """The lag of each kind of stroke (numbered from 0), seconds: the median of how far its strokes are off.

    So many strokes (``doubt``) weigh as much as the belief that there is none.
    """
    order = np.argsort(kinds, kind="stable")
    counts = np.bincount(kinds)
    own = np.split(off_s[order], np.cumsum(counts)[:-1])
    return np.array([float(np.median(x)) * len(x) / (len(x) + doubt) if len(x) else 0.0 for x in own])
