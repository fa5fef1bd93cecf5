"""The spectral detector on synthetic strokes."""

import numpy as np
import pytest

from tests.benchmarks.spectral import compute_activations, detect_strokes, listen_with
from workbench.errors import AudioError
from workbench.files.audio import SAMPLE_RATE_HZ, Audio, save_audio
from workbench.listening import transcription
from workbench.listening.draft import draft_chart

RATE = SAMPLE_RATE_HZ


def hit(kind, rng):
    t = np.arange(RATE // 5) / RATE
    noise = rng.normal(0, 1, len(t))
    if kind == "kick":
        return np.sin(2 * np.pi * 60 * t) * np.exp(-t / 0.06)
    if kind == "snare":
        return 0.5 * np.sin(2 * np.pi * 200 * t) * np.exp(-t / 0.05) + 0.25 * noise * np.exp(-t / 0.06)
    return 0.2 * np.diff(noise, prepend=[0.0] * 3, n=3) * np.exp(-t / 0.03)


def performance(seconds=8.0):
    rng = np.random.default_rng(0)
    sound = rng.normal(0, 1e-4, int(seconds * RATE))
    expected = {"kick": [], "snare": [], "closed hi-hat": []}
    for k, time_s in enumerate(np.arange(0.25, seconds - 0.5, 0.25)):
        name = ("kick", "closed hi-hat", "snare", "closed hi-hat")[k % 4]
        at = int(time_s * RATE)
        one = hit(name, rng)
        sound[at : at + len(one)] += 0.5 * one
        expected[name].append(time_s)
    return (0.9 * sound / np.abs(sound).max()).astype(np.float32), expected


def found_times(strokes, name):
    return np.array([s.time_s for s in strokes if s.instrument == name])


@pytest.mark.parametrize("name", ["kick", "snare", "closed hi-hat"])
def test_plain_strokes_are_found_at_their_time(name):
    sound, expected = performance()
    times = found_times(detect_strokes(compute_activations(sound)), name)
    distance = np.abs(times[None, :] - np.array(expected[name])[:, None]).min(axis=1)
    assert (distance < 0.03).mean() > 0.95


def test_it_drafts_as_the_detector_does(tmp_path, monkeypatch):
    for name in ("compute_activations", "detect_strokes"):
        monkeypatch.setattr(transcription, name, getattr(transcription, name))  # put back afterwards
    sound, _ = performance(12.0)
    save_audio(tmp_path / "song.wav", Audio(sound[:, None], RATE))
    listen_with("spectral")
    chart = draft_chart(tmp_path / "song.wav").chart
    assert set(chart.instruments_used()) >= {"kick", "snare", "closed hi-hat"}


def test_blocks_change_nothing(monkeypatch):
    sound, _ = performance()
    whole = compute_activations(sound)
    monkeypatch.setattr("tests.benchmarks.spectral.BLOCK_FRAMES", 97)
    pieces = compute_activations(sound)
    assert np.allclose(whole.onset, pieces.onset, atol=1e-4)


def test_level_hardly_matters():
    sound, _ = performance()
    plain, soft = (detect_strokes(compute_activations(sound * gain)) for gain in (1.0, 0.01))
    assert [s.instrument for s in soft] == [s.instrument for s in plain]


def test_activations_are_likelihoods():
    activations = compute_activations(performance()[0])
    for values in (activations.onset, activations.velocity, activations.beat, activations.downbeat):
        assert values.min() >= 0.0 and values.max() <= 1.0
    assert activations.duration_s == pytest.approx(8.0, abs=0.02)


def test_near_silence_gives_no_strokes():
    assert detect_strokes(compute_activations(np.zeros(RATE, np.float32))) == []


def test_too_short():
    with pytest.raises(AudioError, match="too short"):
        compute_activations(np.zeros(100, np.float32))
