"""What finished music adds to the choice of bars: a last small network over the pooled opinions.

Chooser and reader learnt mostly from drummers and from songs composed by rule.  Finished music with programmed drums is
written at other levels and opens its bars in other ways; :mod:`workbench.training.bar_correction` learnt from such
songs what to add to the log probabilities that chooser and reader agree on.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from scipy.special import softmax

from workbench.listening.chooser import MEASURES, NETWORK_PARTS, ChooserNetwork

#: Probabilities below this are as good as none.
LEAST_PROBABLE = 1e-9


@dataclass(frozen=True)
class BarCorrection:
    """How much the log probabilities before count, and a network whose scores are added to them."""

    before: float
    network: ChooserNetwork

    def corrected(self, probabilities: np.ndarray, measures: np.ndarray) -> np.ndarray:
        """Probabilities of readings, (readings,), sum 1, from those before and the readings' measures.

        How likely bars of changing meters are stays as it was: the music that was learnt from keeps its meter.
        """
        out = np.array(probabilities, dtype=float)
        steady = measures[:, MEASURES.index("changes")] == 0
        if steady.any():
            before = np.log(out[steady] + LEAST_PROBABLE)
            scores = self.before * before + self.network.scores(measures[steady])
            out[steady] = out[steady].sum() * softmax(scores)
        return out


def read_correction(data: dict) -> BarCorrection:
    """A correction from plain numbers, as :mod:`workbench.training.bar_correction` writes them."""
    measures = tuple(data["network"]["measures"])
    network = ChooserNetwork(measures, *(np.array(data["network"][part]) for part in NETWORK_PARTS))
    return BarCorrection(data["before"], network)


@cache
def correction() -> BarCorrection:
    """The correction that is shipped."""
    packaged = resources.files("workbench.listening").joinpath("bar_correction.json")
    return read_correction(json.loads(packaged.read_text()))
