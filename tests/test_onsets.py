"""Detected strokes moved onto the attack in the waveform."""

import numpy as np
import pytest

from workbench.chart.events import Stroke
from workbench.listening.onsets import REACH_S, refine_onsets

RATE = 44100


def drum(kind, length_s=0.3):
    """A synthetic attack that begins at its first sample."""
    rng = np.random.default_rng(3)
    t = np.arange(round(length_s * RATE)) / RATE
    noise = rng.normal(size=len(t))
    if kind == "closed hi-hat":
        bright = np.convolve(noise, [1, -2, 1], "same")
        return 0.15 * bright * np.exp(-t / 0.03)
    if kind == "snare":
        return 0.3 * noise * np.exp(-t / 0.06) + 0.4 * np.sin(2 * np.pi * 190 * t) * np.exp(-t / 0.08)
    frequency = {"kick": 60, "floor tom": 90}[kind]
    return 0.8 * np.sin(2 * np.pi * frequency * t) * np.exp(-t / 0.12) + 0.2 * noise * np.exp(-t / 0.002)


def recording(strokes, duration_s=8.0, noise=1e-4):
    x = np.random.default_rng(1).normal(0, noise, round(duration_s * RATE))
    for s in strokes:
        at, y = round(s.time_s * RATE), drum(s.instrument)
        x[at : at + len(y)] += y * s.velocity / 127
    return x


@pytest.mark.parametrize(
    "name, tolerance_s", [("snare", 0.002), ("closed hi-hat", 0.002), ("kick", 0.004), ("floor tom", 0.004)]
)
def test_strokes_go_to_their_attacks(name, tolerance_s):
    rng = np.random.default_rng(2)
    true = [Stroke(0.5 + 0.35 * k + rng.uniform(0, 0.05), name, 40 + 4 * k) for k in range(20)]
    heard = [Stroke(s.time_s + rng.uniform(-0.01, 0.01), name, s.velocity) for s in true]
    refined = refine_onsets(recording(true), RATE, heard)
    errors = np.array([a.time_s - b.time_s for a, b in zip(refined, true)])
    assert abs(np.median(errors)) < tolerance_s
    assert np.percentile(np.abs(errors - np.median(errors)), 90) < 0.002


def test_hat_and_kick_at_nearly_the_same_time_keep_their_own_times():
    true = [Stroke(1.0 + k, name) for k in range(5) for name in ("kick",)] + [
        Stroke(1.012 + k, "closed hi-hat") for k in range(5)
    ]
    refined = refine_onsets(recording(true), RATE, [Stroke(s.time_s + 0.004, s.instrument) for s in true])
    apart = [b.time_s - a.time_s for a, b in zip(refined[::2], refined[1::2])]
    assert [s.instrument for s in refined[:2]] == ["kick", "closed hi-hat"]
    assert np.median(apart) == pytest.approx(0.012, abs=0.003)


def test_no_attack_no_move_and_never_far():
    silence = np.zeros(4 * RATE)
    strokes = [Stroke(0.0, "kick"), Stroke(1.0, "snare"), Stroke(3.999, "ride")]
    assert refine_onsets(silence, RATE, strokes) == strokes
    true = [Stroke(1.0, "snare")]
    moved = refine_onsets(recording(true), RATE, [Stroke(1.1, "snare")])
    assert abs(moved[0].time_s - 1.1) <= REACH_S + 0.003
    assert refine_onsets(silence, RATE, []) == []
