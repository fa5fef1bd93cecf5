"""How much the pulse of the whole song counts is fitted on songs."""

import numpy as np
from scipy.special import log_softmax

from workbench.training.pulse_weights import fit


def songs(telling, rng, count=200):
    """Ten readings each; agreement of beats tells the right one if *telling*, that of lines never does."""
    before, scores, right = [], [], []
    for _ in range(count):
        one = np.zeros(10, bool)
        one[rng.integers(10)] = True
        before.append(log_softmax(rng.normal(size=10) + 1.0 * one))
        scores.append(np.column_stack([rng.normal(size=10) + 2.0 * telling * one, rng.normal(size=10)]))
        right.append(one)
    return before, scores, right


def test_what_tells_counts_and_what_does_not_tell_does_not():
    rng = np.random.default_rng(1)
    before, beats, lines = fit(*songs(True, rng))
    assert 0.6 < before < 1.4 and 1.2 < beats < 2.8 and abs(lines) < 0.3
    before, beats, lines = fit(*songs(False, rng))
    assert 0.6 < before < 1.4 and abs(beats) < 0.3 and abs(lines) < 0.3


def test_songs_without_a_right_reading_say_nothing():
    rng = np.random.default_rng(2)
    told = songs(True, rng, 40)
    more = [np.zeros(10)], [np.ones((10, 2))], [np.zeros(10, bool)]
    assert np.allclose(fit(*told), fit(*(a + b for a, b in zip(told, more))))
