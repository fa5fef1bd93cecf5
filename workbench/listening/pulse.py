"""Where beats and bar lines are heard, and how well beats or bar lines of a reading agree with it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.ndimage import maximum_filter1d

from workbench.listening.grids import distance_s

#: Added to the log odds of every beat: how often a peak of the activations is a beat.
BEAT_ODDS = 0.5

#: A beat may lie so far from where it is heard, and a peak so far from any beat that it counts as left out, seconds.
BEAT_NEAR_S, LEFT_OUT_S = 0.05, 0.06

#: Lowest peak that a reading should account for, and how sure the activations are taken to be at most.
LOWEST_PULSE, SUREST = 0.1, 0.98


@dataclass(frozen=True)
class Pulse:
    """Likelihoods of beat and downbeat per frame.

    Attributes
    ----------
    frame_rate_hz : float
    beat, downbeat : ndarray (frames,), 0–1
    """

    frame_rate_hz: float
    beat: np.ndarray
    downbeat: np.ndarray

    def _frames(self, seconds: float) -> int:
        return 2 * int(round(seconds * self.frame_rate_hz)) + 1

    @cached_property
    def _wide(self) -> dict[str, np.ndarray]:
        width = self._frames(BEAT_NEAR_S)
        return {k: maximum_filter1d(getattr(self, k), width) for k in ("beat", "downbeat")}

    def at(self, name: str, times_s: np.ndarray) -> np.ndarray:
        """Highest likelihood ("beat", "downbeat") within ±50 ms of moments."""
        wide = self._wide[name]
        return wide[np.clip(np.round(times_s * self.frame_rate_hz).astype(int), 0, len(wide) - 1)]

    @cached_property
    def _peaks(self) -> dict[str, tuple[np.ndarray, np.ndarray]]:
        """Times of the peaks of "beat" and "downbeat", and the log odds against each being none."""
        found = {}
        for name in ("beat", "downbeat"):
            heard = getattr(self, name)
            frames = np.flatnonzero(
                (heard == maximum_filter1d(heard, self._frames(BEAT_NEAR_S))) & (heard > LOWEST_PULSE)
            )
            wide = np.clip(maximum_filter1d(heard, self._frames(BEAT_NEAR_S / 2)), 1 - SUREST, SUREST)
            found[name] = frames / self.frame_rate_hz, np.log1p(-wide[frames])
        return found

    def score(self, times_s: np.ndarray, name: str = "beat") -> float:
        """Log likelihood of beats (or "downbeat": of bar lines) just here, natural log."""
        b = np.clip(self.at(name, times_s), 1 - SUREST, SUREST)
        times, missed = self._peaks[name]
        far = distance_s(times, times_s) > LEFT_OUT_S
        return float((np.log(b) - np.log1p(-b) + BEAT_ODDS).sum() + missed[far].sum())
