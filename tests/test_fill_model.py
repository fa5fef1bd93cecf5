"""How much a beat sounds like a fill: features of beats that are what they are called."""

import numpy as np
import pytest

from tests.parts import CRASHED, EMPTY, FILL, ROCK, part
from workbench.reading.fill_model import FEATURES, beat_features, fill_logits, repeated
from workbench.reading.patterns import Patterns

CHART = part(ROCK, ROCK, ROCK, FILL, CRASHED, ROCK, ROCK, ROCK)
FILL_BEATS = slice(13, 16)


def column(name, chart=CHART):
    return beat_features(Patterns.of(chart))[:, list(FEATURES).index(name)]


def test_each_beat_has_its_features():
    assert beat_features(Patterns.of(CHART)).shape == (32, len(FEATURES))
    assert np.flatnonzero(column("toms at all")).tolist() == [14, 15]
    assert column("no time kept")[FILL_BEATS].tolist() == [1, 1, 1] and not column("no time kept")[:12].any()
    assert set(np.flatnonzero(column("backbeat under a cymbal")) % 4) == {1, 3}


def test_a_groove_repeats_and_a_fill_does_not():
    again = repeated(Patterns.of(CHART))
    assert again[:12].min() > 0.9 > 0.3 > again[FILL_BEATS].max()


@pytest.mark.parametrize("silence", [0, 3])
def test_a_fill_is_likelier_than_any_beat_of_the_groove_and_silence_never(silence):
    chart = part(*(EMPTY,) * silence, *CHART.bars)
    logits = fill_logits(Patterns.of(chart))
    assert np.isneginf(logits[: 4 * silence]).all()
    own = logits[4 * silence :]
    assert own[FILL_BEATS].min() > 0 > own[:12].max()
