"""The sounds that are called by one drum's name, in music made by script: it is known which stroke has which."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.drum_sounds import MOST_SOUNDS, sounds_of, tell_apart
from workbench.listening.same_sound import whiten

BARS = 10
#: Which of two sounds each eighth of a bar has.
PATTERN = (0, 0, 1, 0, 0, 1, 1, 0)


def music(kinds: int, machine: bool = True, loudness: float = 3.0):
    """A chart of eighths at 120, all of them called hi-hats, its recording, and which sound each has: so many sounds in
    turn, one waveform each (a player's strokes: another each time), in noise."""
    rng = np.random.default_rng(11)
    decay = np.exp(-np.arange(2500) / 500)
    sounds = rng.standard_normal((max(kinds, 1), 2500)) * decay
    samples = rng.standard_normal(round((BARS * 2 + 1) * SAMPLE_RATE_HZ))
    bar = WrittenBar(tuple(Note(Fraction(k, 8), "closed hi-hat") for k in range(8)))
    chart = Chart(TimeMap.steady(BARS, 120), (bar,) * BARS)
    which = [PATTERN[k] % kinds if kinds == 2 else k % kinds for k in range(8)] * BARS
    for (k, note), kind in zip(chart.notes(), which, strict=True):
        at = round(chart.note_time_s(k, note) * SAMPLE_RATE_HZ)
        samples[at : at + 2500] += loudness * (sounds[kind] if machine else rng.standard_normal(2500) * decay)
    return chart, samples.astype(np.float32), np.array(which)


def song(kinds: int, machine: bool = True):
    """:func:`music`, its recording whitened."""
    chart, samples, which = music(kinds, machine)
    return chart, whiten(samples), which


def test_two_sounds_under_one_name_are_told_apart():
    chart, white, which = song(2)
    often, seldom = sounds_of(chart, white, "closed hi-hat")
    assert often.alike and seldom.alike
    assert list(often.hits) == [hit for hit, kind in zip(chart.notes(), which, strict=True) if kind == 0]
    assert list(seldom.hits) == [hit for hit, kind in zip(chart.notes(), which, strict=True) if kind == 1]


def test_one_sound_is_one_and_of_a_player_all_are_one():
    chart, white, _ = song(1)
    (only,) = sounds_of(chart, white, "closed hi-hat")
    assert only.alike and len(only.hits) == 8 * BARS
    chart, white, _ = song(1, machine=False)
    (played,) = sounds_of(chart, white, "closed hi-hat")
    assert len(played.hits) == 8 * BARS


def test_what_is_like_no_other_comes_last():
    chart, white, which = song(2)
    there = white.copy()
    silent = [k for k, kind in enumerate(which) if kind == 1][:6]
    hits = list(chart.notes())
    for k in silent:  # nothing but noise there
        at = round(chart.note_time_s(*hits[k]) * SAMPLE_RATE_HZ)
        there[at - 100 : at + 3000] = np.random.default_rng(k).standard_normal(3100)
    *_, rest = sounds_of(chart, there, "closed hi-hat")
    assert not rest.alike and set(rest.hits) == {hits[k] for k in silent}


def test_of_some_bars_and_of_drums_that_play_nothing():
    chart, white, which = song(2)
    often, _ = sounds_of(chart, white, "closed hi-hat", range(2, 6))
    assert {k for k, _ in often.hits} == set(range(2, 6))
    assert len(often.hits) == 4 * PATTERN.count(0)
    assert sounds_of(chart, white, "ride") == []


@pytest.mark.parametrize("kinds", [3, 8])
def test_no_more_sounds_than_can_be_listened_to(kinds):
    chart, white, which = song(kinds)
    told = tell_apart(white, np.array([chart.note_time_s(k, n) for k, n in chart.notes()]))
    assert len(set(told) - {-1}) == min(kinds, MOST_SOUNDS)
    for kind in set(told) - {-1}:
        assert len(set(which[told == kind])) == 1


def test_one_drum_with_two_notes_of_the_bass_is_one_sound():
    """A third of what is heard at once differs, as regularly as the drum itself comes."""
    rng = np.random.default_rng(12)
    decay = np.exp(-np.arange(2500) / 500)
    drum, *bass = rng.standard_normal((3, 2500)) * decay * np.array([[4.0], [2.0], [2.0]])
    chart, *_ = song(1)
    music = rng.standard_normal(round((BARS * 2 + 1) * SAMPLE_RATE_HZ))
    for j, (k, note) in enumerate(chart.notes()):
        at = round(chart.note_time_s(k, note) * SAMPLE_RATE_HZ)
        music[at : at + 2500] += drum + bass[j // 4 % 2]
    (only,) = sounds_of(chart, whiten(music.astype(np.float32)), "closed hi-hat")
    assert only.alike and len(only.hits) == 8 * BARS


def test_no_stroke_but_one():
    assert tell_apart(whiten(np.ones(SAMPLE_RATE_HZ, np.float32)), np.array([0.5])).tolist() == [-1]
