"""What a detector says of every moment: likelihoods per frame.

The one interface between detectors (which listen) and everything after them
(which decides): any detector that fills an :class:`Activations` can draft.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from workbench.chart.drumkit import instrument
from workbench.errors import AnalysisError


@dataclass(frozen=True)
class Activations:
    """Likelihoods per frame; frame *k* is centred on ``k / frame_rate_hz`` seconds.

    Attributes
    ----------
    frame_rate_hz : float
    instruments : tuple of str
        Names in the drum key, one for each column.
    onset : ndarray (frames, instruments), float32, 0–1
        Likelihood that a stroke begins here.
    velocity : ndarray (frames, instruments), float32, 0–1
        Loudness of a stroke if one begins here (MIDI velocity / 127).
    beat, downbeat : ndarray (frames,), float32, 0–1
    levels : ndarray (frames, 2, bands) or None
        How loud the recording is by bands, where at hand (:mod:`workbench.listening.timbre`).
    begins_s : float or None
        When the first sound begins, seconds, where it is known.
    """

    frame_rate_hz: float
    instruments: tuple[str, ...]
    onset: np.ndarray
    velocity: np.ndarray
    beat: np.ndarray
    downbeat: np.ndarray
    levels: np.ndarray | None = None
    begins_s: float | None = None

    def __post_init__(self) -> None:
        n = self.onset.shape[0]
        shape = (n, len(self.instruments))
        for name in self.instruments:
            instrument(name)
        if (self.onset.shape, self.velocity.shape) != (shape, shape):
            raise AnalysisError(f"Onset and velocity activations must have shape {shape}.")
        if (self.beat.shape, self.downbeat.shape) != ((n,), (n,)):
            raise AnalysisError(f"Beat and downbeat activations must have shape {(n,)}.")
        if self.levels is not None and len(self.levels) != n:
            raise AnalysisError(f"There must be levels of {n} frames.")

    @property
    def duration_s(self) -> float:
        return len(self.beat) / self.frame_rate_hz

    def column(self, name: str) -> int:
        """Index of an instrument's column."""
        return self.instruments.index(name)
