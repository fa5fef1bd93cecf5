"""How much the pulse of the whole song counts is fitted on songs."""

import numpy as np
from scipy.special import log_softmax

from workbench.training.pulse_weights import fit


def songs(telling, rng, count=200):
    """Ten readings each; agreement of beats tells the right one if *telling*, that of lines never does."""
    told, right = [], []
    for _ in range(count):
        one = np.zeros(10, bool)
        one[rng.integers(10)] = True
        before = log_softmax(rng.normal(size=10) + 1.0 * one)
        opens = rng.random(10) < np.where(one, 0.9, 0.2)
        told.append(np.column_stack([before, rng.normal(size=10) + 2.0 * telling * one, rng.normal(size=10), opens]))
        right.append(one)
    return told, right


def test_what_tells_counts_and_what_does_not_tell_does_not():
    rng = np.random.default_rng(1)
    before, beats, lines, opening = fit(*songs(True, rng))
    assert 0.6 < before < 1.4 and 1.2 < beats < 2.8 and abs(lines) < 0.3 and opening > 2.0
    before, beats, lines, opening = fit(*songs(False, rng))
    assert 0.6 < before < 1.4 and abs(beats) < 0.3 and abs(lines) < 0.3 and opening > 2.0


def test_songs_without_a_right_reading_say_nothing():
    rng = np.random.default_rng(2)
    told, right = songs(True, rng, 40)
    assert np.allclose(fit(told, right), fit([*told, np.ones((10, 4))], [*right, np.zeros(10, bool)]))
