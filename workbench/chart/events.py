"""What is heard: beats and strokes, in seconds.

A :class:`Stroke` is *played* (seconds); the written note it becomes lives in
:mod:`workbench.chart`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from workbench.chart.drumkit import instrument
from workbench.errors import ChartError


@dataclass(frozen=True, order=True)
class Beat:
    """A counted pulse.

    Attributes
    ----------
    time_s : float
    number : int
        Place in the bar as players count it; 1 is the downbeat.
    """

    time_s: float
    number: int

    def __post_init__(self) -> None:
        if not math.isfinite(self.time_s):
            raise ChartError(f"A beat needs a finite time in seconds, not {self.time_s!r}.")
        if self.number < 1:
            raise ChartError(f"Beats are numbered from 1, not {self.number!r}.")


@dataclass(frozen=True, order=True)
class Stroke:
    """One stroke as played.

    Attributes
    ----------
    time_s : float
        Onset in seconds from the start of the recording.
    instrument : str
        Name in the drum key (:mod:`workbench.chart.drumkit`).
    velocity : int
        Loudness as a MIDI velocity, 1–127.
    confidence : float
        Probability that the stroke is there and named rightly, 0–1.
    """

    time_s: float
    instrument: str
    velocity: int = 80
    confidence: float = 1.0

    def __post_init__(self) -> None:
        instrument(self.instrument)
        if not math.isfinite(self.time_s):
            raise ChartError(f"A stroke needs a finite time in seconds, not {self.time_s!r}.")
        if not 1 <= self.velocity <= 127:
            raise ChartError(f"A velocity lies between 1 and 127, not {self.velocity!r}.")
        if not 0.0 <= self.confidence <= 1.0:
            raise ChartError(f"A confidence lies between 0 and 1, not {self.confidence!r}.")
