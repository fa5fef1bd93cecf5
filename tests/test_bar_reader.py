"""Mean bars of readings, and how the reader rates them."""

import json
from dataclasses import fields
from importlib import resources

import numpy as np
import pytest
from scipy.special import softmax

from tests.played import activations_of, play
from workbench.chart.meter import Meter, TimeMap
from workbench.listening.bar_reader import (
    BEAT_VALUES,
    MeanBars,
    ReaderNetwork,
    likelihood,
    mean_bars,
    places,
    pooled,
    read_networks,
    reader,
)
from workbench.listening.bars import PARTS_PER_BEAT, ROLES
from workbench.listening.chooser import MEASURES, Heard, candidates, chooser, measure
from workbench.listening.readings import song_grids

BACKBEAT = {"kick": (0, 4), "snare": (2, 6), "closed hi-hat": range(8)}
KICK, SNARE, TIME = (ROLES.index(role) for role in ("kick", "backbeat", "time"))


@pytest.fixture(scope="module")
def song():
    time_map = TimeMap.steady(20, 110, Meter(4, 4), start_s=0.3)
    strokes = play(time_map, BACKBEAT)
    heard = Heard(activations_of(time_map, time_map.end_s), strokes, None)
    return time_map, heard, candidates(heard, [(g, ()) for g in song_grids(heard.activations, strokes)])


def right(time_map, found):
    """Number of a reading in 4/4 with its lines on the song's."""
    lines = np.array([time_map.bar_start_s(k) for k in range(2, 18)])

    def off(candidate):
        mine = candidate.grid.beats_s[[k for k in candidate.path.starts if k >= 0]]
        return float(np.abs(lines[:, None] - mine).min(axis=1).max()) + 0.05 * abs(len(mine) - 20)

    return min((k for k, c in enumerate(found) if c.meter == Meter(4, 4)), key=lambda k: off(found[k]))


def bar_of(bars, k):
    begin = int(bars.counts[:k].sum())
    return bars.values[begin : begin + bars.counts[k]]


def test_a_mean_bar_holds_what_is_struck_where_and_what_comes_again(song):
    time_map, heard, found = song
    bars = mean_bars(heard, found)
    assert bars.values.shape == (bars.counts.sum(), BEAT_VALUES) and np.isfinite(bars.values).all()
    bar = bar_of(bars, right(time_map, found))
    size = PARTS_PER_BEAT * len(ROLES)
    for struck in (bar[:, :size], bar[:, -size:]):
        struck = struck.reshape(4, PARTS_PER_BEAT, len(ROLES))
        assert struck[:, 0, KICK] == pytest.approx([1, 0, 1, 0], abs=0.1)
        assert struck[:, 0, SNARE] == pytest.approx([0, 1, 0, 1], abs=0.1)
        assert struck[:, 6, TIME] == pytest.approx([1, 1, 1, 1], abs=0.1)
        assert struck[:, [3, 4, 8, 9]].max() < 0.1
    beat, downbeat = bar[:, size], bar[:, size + PARTS_PER_BEAT]
    assert beat.min() > 0.7 and downbeat[0] > 0.5 and downbeat[1:].max() < 0.1


def test_a_bar_goes_round():
    at = places(np.array([3, 1, 2]))
    assert at.reading.tolist() == [0, 0, 0, 1, 2, 2]
    assert at.before.tolist() == [2, 0, 1, 3, 5, 4]
    assert at.after.tolist() == [1, 2, 0, 3, 5, 4]
    assert at.first.tolist() == [0, 3, 4] and at.last.tolist() == [2, 3, 5] and at.second.tolist() == [1, 3, 5]
    assert [m.tolist() for m in at.middles] == [[1, 3, 5], [2, 3, 5]]


def blank(units=2):
    """A network that is blind."""
    sizes = (
        [(BEAT_VALUES,)] * 2 + [(len(MEASURES),)] * 3 + [(BEAT_VALUES, units), (units,), (3 * units, units), (units,)]
    )
    sizes += [(10 * units + len(MEASURES), 1), (1,), (1,)]
    parts = {f.name: np.zeros(size, np.float32) for f, size in zip(fields(ReaderNetwork), sizes)}
    return ReaderNetwork(**parts | {name: np.ones_like(parts[name]) for name in ("bar_scale", "scale")})


def test_kicks_on_one_and_measures_are_told_by_hand_made_weights():
    rng = np.random.default_rng(0)
    bars = MeanBars(rng.random((7, BEAT_VALUES)).astype(np.float32), np.array([4, 3]))
    measures = rng.normal(0, 1, (2, len(MEASURES)))
    network = blank()
    network.beat[KICK, 0] = 1.0  # the first unit is struck by kicks on the beat
    network.whole[4, 0] = 1.0  # of the first beat, against the mean of both layers' units
    network.whole_bias[0], network.out[0], network.linear[3] = 5.0, 2.0, 0.5
    kicks = bars.values[:, KICK]
    one = np.array([kicks[0] - kicks[:4].mean(), kicks[4] - kicks[4:].mean()])
    assert network.scores(bars, measures) == pytest.approx(2 * (one + 5) + 0.5 * measures[:, 3], abs=1e-5)


def test_what_comes_before_the_one_is_read_round_the_bar():
    network = blank()
    network.beat[KICK, 0] = 1.0
    network.around[0, 1] = 1.0  # the second unit is struck by what the first was a beat before
    network.whole[4 + 3, 0] = 1.0  # of the first beat, against the mean
    network.out[0] = 1.0
    values = np.zeros((4, BEAT_VALUES), np.float32)
    values[3, KICK] = 1.0  # the last beat
    found = network.scores(MeanBars(values, np.array([4])), np.zeros((1, len(MEASURES))))
    assert found == pytest.approx([0.75])


def test_a_plain_song_is_read_right_and_both_opinions_count(song):
    time_map, heard, found = song
    likely = likelihood(heard, found)
    assert likely.sum() == pytest.approx(1.0) and likely.min() >= 0.0
    best = found[int(likely.argmax())]
    assert best.meter == Meter(4, 4) and best.grid.tempo_bpm == pytest.approx(110, rel=0.01)
    measures = measure(heard, found)
    by_chooser = chooser().probabilities(measures)
    by_reader = 2 * pooled(heard, found, measures) - by_chooser
    assert by_reader.min() > -1e-9 and np.abs(by_reader - by_chooser).max() > 1e-3
    # Which reading in 4/4 it is, the chooser alone says; how likely 4/4 is, both.
    four = measures[:, MEASURES.index("meter_4/4")] > 0
    assert by_reader[four] / by_reader[four].sum() == pytest.approx(by_chooser[four] / by_chooser[four].sum(), abs=1e-6)
    score = np.mean([network.scores(mean_bars(heard, found), measures) for network in reader()], axis=0)
    assert by_reader[four].sum() == pytest.approx(softmax(score)[four].sum(), abs=1e-6)


def test_the_file_shipped_is_what_is_read():
    data = json.loads(resources.files("workbench.listening").joinpath("bar_reader.json").read_text())
    assert len(data) == len(reader())
    again = read_networks(data)
    assert all((a.whole == b.whole).all() and a.beat.shape[0] == BEAT_VALUES for a, b in zip(again, reader()))
