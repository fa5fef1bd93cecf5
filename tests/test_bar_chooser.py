"""Learning to choose bars: what is learnt from songs made by hand."""

import json

import numpy as np
import pytest

from workbench.listening.chooser import MEASURES, SONG_METERS, chooser, read_chooser
from workbench.training.bar_chooser import (
    ADDED,
    FIRST,
    Table,
    cross_validated,
    fit,
    fit_first,
    with_temperatures,
    write,
)

DRUMS = MEASURES.index("drums_again")


def songs(count=48, sign=1.0, seed=0, name="song"):
    """Of three readings the first is right; its drums repeat better, or worse."""
    rng = np.random.default_rng(seed)
    out = []
    for k in range(count):
        measures = rng.normal(0, 0.1, (3, len(MEASURES))).astype(np.float32)
        four = k % 3 != 0
        measures[:, [MEASURES.index(f"meter_{m}") for m in SONG_METERS]] = 0.0
        measures[:, MEASURES.index("meter_4/4" if four else "meter_7/8")] = 1.0
        measures[0, DRUMS] += sign
        quality = np.array([[1.0, 1.0], [1.0, 0.0], [0.5, 0.5]])
        out.append(Table(f"{name} {k}", str(k), "4/4" if four else "7/8", measures, quality, np.array([1, 1, 0]) > 0))
    return out


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_what_marks_the_right_readings_is_learnt(sign):
    found = fit(songs(300, sign))
    unseen = songs(30, sign, seed=1)
    for scores in (found.first.scores, found.scores, found.probabilities):
        assert np.mean([scores(s.measures.astype(float)).argmax() == 0 for s in unseen]) > 0.9


def test_the_first_network_does_not_learn_from_composed_songs():
    found = fit([*songs(300), *songs(300, -1.0, seed=2, name="composed-rule")])
    right = [found.first.scores(s.measures.astype(float)).argmax() == 0 for s in songs(30, seed=1)]
    assert np.mean(right) > 0.9


def test_the_same_songs_give_the_same_network():
    one, other = (fit_first(songs(12)) for _ in range(2))
    assert (one.hidden == other.hidden).all() and (one.linear == other.linear).all()


@pytest.mark.parametrize("learning", [FIRST, ADDED])
def test_songs_in_four_count_as_told_and_names_say_how_much_a_song_does(learning):
    made = [*songs(), *songs(name="module"), *songs(name="composed-own")]
    weight = learning.weigh(made)
    four = np.array([s.is_four for s in made])
    assert weight.mean() == pytest.approx(1.0)
    assert weight[four].sum() / weight.sum() == pytest.approx(learning.four_share)
    assert weight[1] / weight[49] == pytest.approx(learning.weights[""] / learning.weights["module"])
    assert weight[1] / weight[97] == pytest.approx(learning.weights[""] / learning.weights["composed-own"])


def test_temperatures_make_probabilities_honest():
    # In one of four songs what marks the right reading is missing.
    made = songs(480)
    for song in made[::4]:
        song.measures[0, DRUMS], song.measures[1, DRUMS] = song.measures[1, DRUMS], song.measures[0, DRUMS]
    found = with_temperatures(fit(made), made, cross_validated(made))
    said = np.mean([found.probabilities(s.measures.astype(float))[0] for s in made])
    assert 0.5 < said < 0.8


def test_a_chooser_is_kept_as_plain_numbers(tmp_path):
    path = tmp_path / "chooser.json"
    write(path, chooser(), 3)
    again = read_chooser(json.loads(path.read_text()))
    measures = songs(1)[0].measures.astype(float)
    assert again.scores(measures) == pytest.approx(chooser().scores(measures), abs=1e-3)
