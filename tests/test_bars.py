"""Meter and bar phase from strokes laid on given beats."""

import numpy as np
import pytest

from tests.played import play
from workbench.chart.events import Stroke
from workbench.chart.meter import Meter, TimeMap
from workbench.listening.bars import (
    COMPOSED,
    METERS,
    PARTS_PER_BEAT,
    ROLES,
    BarEvidence,
    count_parts,
    patterns,
    roles_of,
)
from workbench.listening.beats import beats_of

ROCK = {"kick": (0, 4, 5), "snare": (2, 6), "closed hi-hat": range(8)}


def beats_and_strokes(bar_count=12, pattern=ROCK, **kw):
    time_map = TimeMap.steady(bar_count, 104, **kw)
    return np.array([b.time_s for b in beats_of(time_map)]), play(time_map, pattern)


@pytest.mark.common_practice
def test_in_four_four_the_backbeat_is_two_and_four():
    beats, strokes = beats_and_strokes()
    path = BarEvidence(beats, strokes, np.full(len(beats), 0.5)).best_path()
    assert set(path.meters) == {Meter(4, 4)}
    assert path.starts[0] % 2 == 0  # the snare falls on the second and fourth beat


@pytest.mark.common_practice
def test_a_crash_opens_the_bar():
    beats, strokes = beats_and_strokes(16, {"kick": (0, 4), "snare": (2, 6), "closed hi-hat": range(8)})
    crashes = [Stroke(beats[k], "crash", 110) for k in (2, 18, 34, 50)]
    path = BarEvidence(beats, sorted(strokes + crashes), np.full(len(beats), 0.5)).best_path()
    assert {s % 4 for s in path.starts} == {2}


def test_downbeats_and_harmony_decide_where_strokes_do_not():
    beats, strokes = beats_and_strokes(16, {"kick": (0, 2, 4, 6), "closed hi-hat": range(8)})
    flat = np.full(len(beats), 0.3)
    downbeat = flat.copy()
    downbeat[3::4] = 0.8
    assert {s % 4 for s in BarEvidence(beats, strokes, downbeat).best_path().starts} == {3}
    change = np.full(len(beats), -0.4)
    change[1::4] = 1.4
    assert {s % 4 for s in BarEvidence(beats, strokes, flat, change).best_path().starts} == {1}


def test_fixed_lines_open_bars():
    beats, strokes = beats_and_strokes()
    path = BarEvidence(beats, strokes, np.full(len(beats), 0.5)).best_path([5, 13])
    assert {5, 13} <= set(path.starts)


def test_path_is_without_gaps():
    beats, strokes = beats_and_strokes(9)
    path = BarEvidence(beats, strokes, np.full(len(beats), 0.5)).best_path()
    ends = [s + m.counted_beats for s, m in zip(path.starts, path.meters)]
    assert ends[:-1] == list(path.starts[1:])
    assert path.starts[0] <= 0 and ends[-1] >= len(beats)


def test_half_tempo_explains_a_rock_groove_worse_than_its_own():
    beats, strokes = beats_and_strokes(16)
    flat = np.full(len(beats), 0.5)
    own = BarEvidence(beats, strokes, flat).best_path().score
    half = max(BarEvidence(beats[k::2], strokes, flat[k::2]).best_path().score for k in (0, 1))
    assert own > half


def test_roles():
    strokes = [
        Stroke(0.0, "snare", 100),
        Stroke(1.0, "snare", 30),
        Stroke(2.0, "ride", 80),
        Stroke(3.0, "china", 80),
        Stroke(4.0, "pedal hi-hat", 80),
        Stroke(5.0, "floor tom", 80),
        Stroke(6.0, "kick", 80),
        Stroke(7.0, "side stick", 90),
    ]
    names = [ROLES[r] for r in roles_of(strokes)]
    assert names == ["backbeat", "ghost", "time", "crash", "time", "tom", "kick", "backbeat"]


def test_parts_count_on_beyond_both_ends():
    beats = np.array([1.0, 1.5, 2.0])
    assert count_parts(beats, np.array([0.5, 1.0, 1.25, 2.0, 2.5])).tolist() == [
        -PARTS_PER_BEAT,
        0,
        PARTS_PER_BEAT // 2,
        2 * PARTS_PER_BEAT,
        3 * PARTS_PER_BEAT,
    ]


@pytest.mark.parametrize("meter", [*METERS, *COMPOSED], ids=str)
def test_patterns_are_whole(meter):
    bank = patterns(meter)
    parts = meter.counted_beats * PARTS_PER_BEAT
    assert bank.log_rates.shape[1:] == (parts, len(ROLES))
    assert np.isfinite(bank.log_rates).all()
    assert np.exp(bank.log_shares_at(100.0)).sum() == pytest.approx(1.0)
