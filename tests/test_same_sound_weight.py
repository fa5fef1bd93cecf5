"""The weight of what the waveform says, found again where it is known: by definition of log odds."""

from __future__ import annotations

import numpy as np
import pytest

from workbench.chart.drumkit import DETECTED
from workbench.training.same_sound_weight import Told, fit


def song(seed: int, weight: float, name: str = "snare") -> Told:
    rng = np.random.default_rng(seed)
    before, evidence = rng.normal(0, 2, 4000), rng.normal(0, 3, 4000)
    right = rng.random(4000) < 1 / (1 + np.exp(-before - weight * evidence))
    return Told(np.full(4000, DETECTED.index(name)), before, evidence, right)


@pytest.mark.parametrize("weight", [0.0, 0.3, 1.0])
def test_the_weight_is_found_again(weight):
    songs = [song(k, weight) for k in range(4)] + [song(9, 2 - weight, "ride")]
    assert fit(songs, "snare") == pytest.approx(weight, abs=0.05)


def test_drums_named_wrongly_as_a_whole_are_left_out():
    right, wrong = song(1, 0.5), song(2, 0.5, "ride")
    wrong = Told(wrong.column, wrong.before, wrong.evidence, np.zeros(4000, bool))
    both = Told(
        *(np.concatenate([getattr(right, k), getattr(wrong, k)]) for k in ("column", "before", "evidence", "right"))
    )
    kept = both.of_rightly_named()
    assert np.array_equal(kept.before, right.before) and np.array_equal(kept.right, right.right)
