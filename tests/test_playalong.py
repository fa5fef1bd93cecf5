"""The whole song without its drums: click, count-in and cues lie where the chart says."""

import numpy as np
import pytest

from workbench.chart import Chart, Section, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.files.audio import Audio
from workbench.practice.playalong import render_play_along
from workbench.sound.separation import Separation

RATE = 44100
#: Four bars of two seconds, a section on the third.
TIMES = TimeMap.steady(4, 120.0, start_s=1.0)
CHART = Chart(TIMES, (WrittenBar(()),) * 4, sections=(Section(0, "verse"), Section(2, "chorus")))


@pytest.fixture
def heard(monkeypatch):
    """A recording whose left half is drums."""
    monkeypatch.setattr(Separation, "drums", lambda self, a, b: self.cut(a, b) * np.float32((1, 0)))
    samples = np.full((round(9.5 * RATE), 2), 0.001, np.float32)
    return Separation.of(Audio(samples, RATE)), len(samples)


def starts_s(sound):
    """When clicks begin."""
    level = np.convolve(np.abs(sound[:, 1]) > 0.05, np.ones(2000), "full")[: len(sound)]
    return np.flatnonzero((level > 0) & (np.roll(level, 1) == 0)) / RATE


def test_the_drums_are_gone_and_the_rest_is_as_it_was(heard):
    recording, frames = heard
    sound = render_play_along(CHART, recording, frames, click="none", count_in_bars=0)
    beside = slice(0, 2 * RATE)
    assert not sound[beside, 0].any() and np.allclose(sound[beside, 1], 0.001)


def test_clicks_lie_on_the_beats_and_in_eighths_before_a_section(heard):
    sound = render_play_along(CHART, *heard, count_in_bars=0)
    beats = [1 + 0.5 * k for k in range(16)] + [3.25 + 0.5 * k for k in range(4)]
    assert len(sound) == heard[1]
    assert starts_s(sound) == pytest.approx(sorted(beats), abs=0.005)


def test_the_count_in_ends_where_the_song_begins(heard):
    sound = render_play_along(CHART, *heard, click="none", count_in_bars=1)
    added_s = (len(sound) - heard[1]) / RATE
    assert added_s == pytest.approx(1.0, abs=1e-3)  # the bar of two seconds begins before the recording
    assert starts_s(sound)[:4] == pytest.approx([0, 0.5, 1.0, 1.5], abs=0.005)
