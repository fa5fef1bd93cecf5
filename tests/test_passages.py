"""What a passage of the grid sounds like: recording, chart, click and count-in at any speed."""

from fractions import Fraction as F

import numpy as np
import pytest

from tests.grids import CHART, RATE, clicks_at
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.drums import EXAMPLE_LEAD_S, EXAMPLE_S
from workbench.errors import ChartError
from workbench.files.audio import Audio
from workbench.grid.passages import (
    GAP_S,
    GOES_S,
    Passage,
    chart_sound,
    click_sound,
    count_in_sound,
    examples_sound,
    recording_sound,
)
from workbench.sound.rendering import hits_of, mix_hits
from workbench.sound.separation import BLEND_S, STRETCH_S, Separation


def heard(audio, passage):
    return np.concatenate(list(recording_sound(Separation.of(audio), passage)))


def test_a_passage_of_the_recording_is_the_recording_sample_by_sample():
    audio = Audio(np.random.default_rng(1).uniform(-1, 1, (RATE * 10, 2)).astype(np.float32), RATE)
    sound = heard(audio, Passage(2.0, 4.5))
    assert np.array_equal(sound, audio.samples[2 * RATE : round(4.5 * RATE)])


def test_past_the_recording_there_is_silence():
    audio = clicks_at(9.9, length_s=10.0)
    sound = heard(audio, Passage(9.0, 12.0))
    assert len(sound) == 3 * RATE and not sound[RATE:].any() and sound.any()


@pytest.mark.slow
@pytest.mark.parametrize("speed_percent", [25, 70, 100, 150])
def test_all_sources_of_a_passage_last_equally_long(speed_percent):
    passage = Passage(1.9, 6.03, speed_percent, loop=True)
    frames = passage.frames(RATE)
    assert frames == pytest.approx(4.13 * RATE * 100 / speed_percent, abs=1)
    assert len(heard(clicks_at(2.0), passage)) == frames
    assert sum(len(p) for p in chart_sound(CHART, passage, RATE)) == frames
    assert len(click_sound(CHART.time_map, passage, RATE)) == frames


@pytest.mark.parametrize("speed_percent", [50, 100, 140])
def test_recording_chart_and_click_stay_in_step_at_any_speed(speed_percent):
    # A burst of noise on every beat 3 of the bars; the chart and the click say where.
    audio = Audio(np.zeros((RATE * 16, 1), np.float32), RATE)
    rng = np.random.default_rng(2)
    for k in range(8):
        at = round((2 * k + 1.0) * RATE)
        audio.samples[at : at + 400, 0] = rng.uniform(-0.8, 0.8, 400) * np.linspace(1, 0, 400)
    passage = Passage(4.0, 8.0, speed_percent, loop=True)
    speed = speed_percent / 100
    chart = Chart(CHART.time_map, (WrittenBar((Note(F(1, 2), "side stick", 127),)),) * 8)
    expected = [round(t / speed * RATE) for t in (1.0, 3.0)]
    for sound in (heard(audio, passage), next(iter(chart_sound(chart, passage, RATE)))):
        level = np.abs(sound).max(axis=1)
        for at in expected:
            quiet, loud = level[at - 300 : at - 100].max(), level[at : at + 200].max()
            assert loud > 10 * max(quiet, 1e-4)
    click = np.abs(click_sound(chart.time_map, passage, RATE)[:, 0])
    starts = np.flatnonzero((click > 0.01) & (np.roll(np.convolve(click, np.ones(200), "same"), 150) < 0.01))
    assert all(np.abs(starts - at).min() < 30 for at in expected)


def test_a_long_song_sounds_in_pieces_as_it_sounds_whole():
    passage = Passage(0.0, 16.0)
    pieces = list(chart_sound(CHART, passage, RATE))
    assert len(pieces) == 3
    whole = mix_hits(hits_of(CHART), passage.frames(RATE), RATE)
    joined = np.concatenate(pieces)
    # Alike strokes vary from one to the next, so compare the level in steps of 10 ms.
    steps = len(joined) // 220
    level = [np.sqrt((x[: steps * 220].reshape(steps, -1) ** 2).mean(axis=1)) for x in (joined, whole)]
    assert np.corrcoef(*level)[0, 1] > 0.98


def test_count_in_lasts_its_bars_at_the_speed_asked_for():
    sound = count_in_sound(CHART, Passage(2.0, 4.0, 50, count_in_bars=1), RATE)
    assert len(sound) == 4 * RATE


@pytest.mark.slow
def test_drums_and_rest_sound_alone(monkeypatch):
    audio = Audio(np.random.default_rng(3).uniform(-0.5, 0.5, (RATE * 30, 2)).astype(np.float32), RATE)
    found = []

    def find(separation, stretch):  # what stands for the network: a quarter of the recording is drums
        found.append(stretch)
        length = round(STRETCH_S * RATE)
        return separation.cut(stretch * length, (stretch + 1) * length + round(BLEND_S * RATE)) / 4

    monkeypatch.setattr(Separation, "_find", find)
    mix = audio.samples[12 * RATE : 16 * RATE]
    for part, share in (("recording", 1.0), ("drums", 0.25), ("rest", 0.75)):
        sound = np.concatenate(list(recording_sound(Separation.of(audio), Passage(12.0, 16.0), part)))
        assert np.allclose(sound, share * mix, atol=1e-4)
    assert set(found) == {0, 1}  # the bars asked for, and what blends into them
    found.clear()
    pieces = recording_sound(Separation.of(audio), Passage(20.0, 30.0), "drums")
    assert not found and len(next(pieces)) == 4 * RATE and found


@pytest.mark.parametrize(
    "fields, reason",
    [
        ({"end_s": 1.0}, "end after it begins"),
        ({"speed_percent": 10}, "Speeds go from"),
        ({"start_s": float("nan")}, "finite"),
        ({"count_in_bars": 7}, "count-in"),
        ({"start_s": "a"}, "finite"),
    ],
)
def test_a_passage_that_makes_no_sense_is_refused(fields, reason):
    with pytest.raises(ChartError, match=reason):
        Passage.from_message({"start_s": 1.0, "end_s": 2.0, **fields})


def test_examples_come_and_go_without_a_click():
    """A loud steady tone cut anywhere: no step at a cut is larger than the tone's own steps."""
    tone = np.sin(np.arange(RATE * 4) * 2 * np.pi * 110 / RATE).astype(np.float32)[:, None]
    sound = examples_sound(Separation.of(Audio(tone, RATE)), [0.013, 1.2345, 3.9])
    assert sound.shape == (3 * (round(EXAMPLE_S * RATE) + round(GAP_S * RATE)), 1)
    assert np.abs(np.diff(sound[:, 0])).max() <= 1.05 * np.abs(np.diff(tone[:, 0])).max()
    each = sound.reshape(3, -1)
    lead, whole = round(EXAMPLE_LEAD_S * RATE), round((EXAMPLE_S - GOES_S) * RATE)
    at = round(1.2345 * RATE)
    assert np.array_equal(each[1, lead:whole], tone[at : at + whole - lead, 0])
    assert not each[0, : lead - round(0.013 * RATE)].any() and not each[2, whole:].any()  # outside there is silence
