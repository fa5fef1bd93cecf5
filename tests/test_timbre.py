"""Whether moments sound like the song's own strokes: on sounds made here, and against scipy's least squares."""

import numpy as np
import pytest
from scipy.optimize import nnls

from workbench.chart.drumkit import DETECTED
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening import timbre
from workbench.listening.features import compute_features
from workbench.listening.timbre import LEVEL_BANDS, SOUND_MEASURES, keep_levels, measure_sound, put_together

KICK, SNARE, HAT = (DETECTED.index(name) for name in ("kick", "snare", "closed hi-hat"))


def struck(events, seconds=12.0, seed=1):
    """A sine falling in pitch (kick), noise (snare) and high noise (hat), each (time_s, drum, loudness)."""
    rng, out = np.random.default_rng(seed), np.zeros(round(seconds * SAMPLE_RATE_HZ), np.float32)
    t = np.arange(round(0.15 * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    for time_s, drum, loudness in events:
        noise = rng.normal(size=len(t))
        sound = {
            KICK: np.sin(2 * np.pi * (60 * t + 40 * np.exp(-t * 30) * t)) * np.exp(-t * 25),
            SNARE: noise * np.exp(-t * 30) * 0.5,
            HAT: np.diff(noise, 2, append=[0, 0]) * np.exp(-t * 60) * 0.2,
        }[drum]
        first = round(time_s * SAMPLE_RATE_HZ)
        out[first : first + len(t)] += loudness * sound
    return keep_levels(compute_features(out / np.sqrt(np.mean(out**2))))


def measured(events, asked):
    """Measures, by name, of candidates (time_s, drum) in the sound of events, of which those asked for last are not
    detected."""
    levels = struck(events)
    rows = [(t, d, 0.95, True) for t, d, _ in events if (t, d) not in asked] + [(t, d, 0.3, False) for t, d in asked]
    time_s, column, height, detected = (np.array(part) for part in zip(*rows, strict=True))
    alone = np.full(len(rows), -3.0)
    found = measure_sound(levels, np.round(time_s * 100).astype(int), column, height, detected, alone)
    return [dict(zip(SOUND_MEASURES, row, strict=True)) for row in found[-len(asked) :]]


BEAT = [(0.5 * k + 0.5, (KICK, SNARE)[k % 2], 1.0) for k in range(20)] + [(0.5 * k + 0.75, HAT, 0.6) for k in range(20)]


def test_a_stroke_sounds_like_its_own_drum_and_not_like_another():
    real, wrong, nothing = measured(BEAT, [(1.5, KICK), (1.0, KICK), (10.95, KICK)])
    assert real["own known"] == wrong["own known"] == 1
    assert real["attack alike"] > 0.97 > wrong["attack alike"] and real["body alike"] > wrong["body alike"]
    assert real["apart"] < wrong["apart"] and real["others apart"] > 0 > wrong["others apart"]
    assert real["sound share"] == pytest.approx(0, abs=0.2)
    assert wrong["sound share"] < -1 and nothing["sound share"] < -2.5
    assert abs(real["level"]) < 0.3 and nothing["level"] < -2


def test_a_stroke_under_a_louder_one_has_a_share_of_its_own():
    both = [*BEAT, (4.5, SNARE, 1.5)]  # over a kick
    (with_snare,), (without,) = measured(both, [(4.5, SNARE)]), measured(BEAT, [(4.5, SNARE)])
    assert with_snare["sound share"] > without["sound share"] + 1


def test_of_a_drum_that_the_song_has_not_only_the_others_are_measured():
    (found,) = measured(BEAT, [(2.25, DETECTED.index("crash"))])
    assert found["own known"] == 0 and np.isnan(found["attack alike"]) and np.isnan(found["sound share"])
    assert found["others alike"] > 0.9, "it is a hi-hat"
    assert np.isnan(found["kin apart"])


def test_without_any_strokes_nothing_is_measured():
    levels, none = struck(BEAT), np.zeros(0)
    empty = measure_sound(levels, none.astype(int), none.astype(int), none, none.astype(bool), none)
    assert empty.shape == (0, len(SOUND_MEASURES))
    one = measure_sound(levels, np.array([50]), np.array([KICK]), np.array([0.9]), np.array([True]), np.array([-3.0]))
    assert one[0, 0] == 0 and np.isnan(one[0, 1:]).all(), "one stroke makes no template"


def test_sounds_are_put_together_as_least_squares_do():
    """Of templates that overlap, against scipy.optimize.nnls, whose solution is exact."""
    rng = np.random.default_rng(4)
    templates = rng.gamma(0.5, size=(5, LEVEL_BANDS))
    amounts = rng.gamma(1.0, size=(30, 5)) * (rng.random((30, 5)) < 0.6)
    share, unexplained = put_together(amounts @ templates, templates)
    exact = np.array([nnls(templates.T, row)[0] for row in amounts @ templates])
    off = np.abs(np.exp(share) - 0.02 - exact)
    assert off.mean() < 0.03 and off.max() < 0.25 and unexplained.max() < 0.05


def test_long_recordings_are_looked_at_in_parts(monkeypatch):
    levels = struck(BEAT)
    whole = timbre._means(levels)
    monkeypatch.setattr(timbre, "LEVELS_AT_ONCE", 117)
    for a, b in zip(timbre._means(levels), whole, strict=True):
        assert a == pytest.approx(b, rel=1e-5)
