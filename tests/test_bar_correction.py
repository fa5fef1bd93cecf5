"""What finished music adds to the choice of bars."""

import json

import numpy as np
import pytest
from scipy.special import softmax

from workbench.listening.bar_correction import BarCorrection, correction, read_correction
from workbench.listening.chooser import MEASURES, ChooserNetwork
from workbench.training import bar_correction as learning
from workbench.training.bar_chooser import Table

COUNT = len(MEASURES)


def blank(linear=None):
    zeros = np.zeros(COUNT)
    return ChooserNetwork(
        MEASURES,
        zeros,
        np.ones(COUNT),
        zeros if linear is None else linear,
        np.zeros((COUNT, 1)),
        np.zeros(1),
        np.zeros(1),
    )


def test_without_a_word_of_its_own_probabilities_stay():
    before = softmax(np.array([2.0, 0.5, -1.0, -30.0]))
    after = BarCorrection(1.0, blank()).corrected(before, np.random.default_rng(1).normal(size=(4, COUNT)))
    assert np.allclose(after, before, atol=1e-6) and after.sum() == pytest.approx(1)


def test_bars_of_changing_meters_stay_as_likely():
    measures = np.zeros((4, COUNT))
    measures[2, MEASURES.index("changes")] = 1.0
    measures[:2, 0] = 3.0, -3.0
    linear = np.zeros(COUNT)
    linear[0] = 1.0
    before = np.array([0.2, 0.3, 0.4, 0.1])
    after = BarCorrection(1.0, blank(linear)).corrected(before, measures)
    assert after[2] == before[2] and after.sum() == pytest.approx(1) and after[0] > 0.5 > 0.1 > after[1]


def test_the_one_shipped_is_a_correction_and_no_oracle():
    """What chooser and reader are sure of stays, whatever the measures within their usual range."""
    shipped = correction()
    assert 0.7 < shipped.before <= 1.1
    rng = np.random.default_rng(2)
    sure = np.array([0.9999, 0.0001 / 3, 0.0001 / 3, 0.0001 / 3])
    kept = 0
    for _ in range(50):
        measures = np.zeros((4, COUNT))
        known = [MEASURES.index(name) for name in shipped.network.measures]
        drawn = np.clip(rng.normal(0, 0.3, (4, len(known))), -1, 1)
        measures[:, known] = shipped.network.mean + shipped.network.scale * drawn
        kept += int(shipped.corrected(sure, measures).argmax() == 0)
    assert kept >= 45


def test_it_learns_what_the_opinion_before_gets_wrong(tmp_path):
    """Songs whose right reading has a high first measure, which the opinion before knows nothing of."""
    rng = np.random.default_rng(3)
    tables, before = [], []
    for k in range(700):
        measures = 0.3 * rng.normal(size=(12, COUNT)).astype(np.float32)
        right = int(rng.integers(12))
        measures[right, 0] += 2.0
        measures[:, MEASURES.index("changes")] = 0.0
        quality = np.full((12, 2), 0.3, np.float32)
        quality[right] = 1.0
        tables.append(Table(f"midi-{k}", f"g{k}", "4/4", measures, quality, np.ones(12, bool)))
        before.append(softmax(rng.normal(size=12)))
    found = learning.fit(tables[:600], before[:600])
    learning.write(tmp_path / "correction.json", found, 600)
    read = read_correction(json.loads((tmp_path / "correction.json").read_text()))

    def right(judge):
        return np.mean([t.right[int(judge(p, t).argmax())] for t, p in zip(tables[600:], before[600:])])

    without = right(lambda p, t: p)
    assert without < 0.3
    assert right(lambda p, t: read.corrected(p, t.measures.astype(float))) > without + 0.2
