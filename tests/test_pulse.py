"""How well beats and bar lines agree with where they are heard."""

import numpy as np
import pytest

from workbench.listening.pulse import BEAT_NEAR_S, BEAT_ODDS, SUREST, Pulse

RATE_HZ = 100.0
BEATS_S = 1.0 + 0.5 * np.arange(32)


def heard(beats_s=BEATS_S, lines_s=BEATS_S[::4], surely=0.9):
    beat, downbeat = np.full((2, 2000), 0.01)
    for row, times_s in ((beat, beats_s), (downbeat, lines_s)):
        row[np.round(np.asarray(times_s) * RATE_HZ).astype(int)] = surely
    return Pulse(RATE_HZ, beat, downbeat)


def test_a_beat_is_found_as_far_off_as_it_may_lie():
    pulse = heard()
    near = pulse.at("beat", BEATS_S[:1] + np.array([0.0, BEAT_NEAR_S - 0.005, BEAT_NEAR_S + 0.02]))
    assert near.tolist() == pytest.approx([0.9, 0.9, 0.01])


@pytest.mark.parametrize("off", [0.125, 0.25])
def test_beats_elsewhere_agree_less(off):
    pulse = heard()
    assert pulse.score(BEATS_S) > pulse.score(BEATS_S + off) + 50


def test_every_other_beat_leaves_peaks_out_and_twice_as_many_find_none():
    pulse = heard()
    twice = np.sort(np.concatenate([BEATS_S, BEATS_S + 0.25]))
    assert pulse.score(BEATS_S) > max(pulse.score(BEATS_S[::2]), pulse.score(twice))


@pytest.mark.parametrize("phase", [1, 2, 3])
def test_bar_lines_are_told_by_downbeats(phase):
    pulse = heard()
    assert pulse.score(BEATS_S[::4], "downbeat") > pulse.score(BEATS_S[phase::4], "downbeat") + 10


def test_the_likelihood_is_the_sum_of_log_odds():
    """Of a beat that is heard with probability p, log(p / (1 - p)) (the definition), within its bounds."""
    for surely, odds in ((0.9, np.log(9.0)), (1.0, np.log(SUREST / (1 - SUREST)))):
        assert heard(surely=surely).score(BEATS_S) == pytest.approx(len(BEATS_S) * (odds + BEAT_ODDS))
