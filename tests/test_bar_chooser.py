"""Learning to choose bars: what is learnt from songs made by hand."""

import json

import numpy as np
import pytest

from workbench.listening.chooser import MEASURES, SONG_METERS, Chooser, chooser, read_chooser
from workbench.training.bar_chooser import FOUR_SHARE, Table, fit, read_first, song_weights, write

DRUMS = MEASURES.index("drums_again")


def songs(count=48, sign=1.0, seed=0):
    """Of three readings the first is right; its drums repeat better, or worse."""
    rng = np.random.default_rng(seed)
    out = []
    for k in range(count):
        measures = rng.normal(0, 0.1, (3, len(MEASURES))).astype(np.float32)
        measures[:, [MEASURES.index(f"meter_{m}") for m in SONG_METERS]] = 0.0  # none that players decide
        measures[0, DRUMS] += sign
        quality = np.array([[1.0, 1.0], [1.0, 0.0], [0.5, 0.5]])
        out.append(Table(f"song {k}", str(k), "4/4" if k % 3 else "7/8", measures, quality, np.array([1, 1, 0]) > 0))
    return out


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_what_marks_the_right_readings_is_learnt(sign):
    first = chooser().first
    learnt = Chooser(first, *fit(first, songs(400, sign)), 1.0, 1.0)
    unseen = songs(30, sign, seed=1)
    right = [learnt.scores(s.measures.astype(float)).argmax() == 0 for s in unseen]
    assert np.mean(right) > np.mean([first.scores(s.measures.astype(float)).argmax() == 0 for s in unseen]) + 0.2


def test_the_same_songs_give_the_same_network():
    first = chooser().first
    one, other = (fit(first, songs(12)) for _ in range(2))
    assert one[1] == other[1] and (one[0].hidden == other[0].hidden).all()


def test_songs_in_four_count_as_they_occur():
    made = songs()
    weight = song_weights(made)
    assert weight.mean() == pytest.approx(1.0)
    assert weight[[s.is_four for s in made]].sum() / weight.sum() == pytest.approx(FOUR_SHARE)


def test_a_chooser_is_kept_as_plain_numbers(tmp_path):
    path = tmp_path / "chooser.json"
    write(path, chooser(), 3)
    again = read_chooser(json.loads(path.read_text()))
    measures = songs(1)[0].measures.astype(float)
    assert again.scores(measures) == pytest.approx(chooser().scores(measures), abs=1e-3)
    assert read_first(path)[0].measures == chooser().first.measures
