"""The trained detector: clear errors, any length and rate, the same answer every time."""

import json
from importlib import resources

import numpy as np
import pytest

from workbench.chart.drumkit import DETECTED
from workbench.errors import AnalysisError, AudioError
from workbench.listening import detect
from workbench.listening.activations import Activations
from workbench.listening.detect import CONTEXT, PASSAGE, compute_activations, detect_strokes, find_peaks, refine_times
from workbench.listening.features import compute_features

RATE = 44100
BEAT_S = 0.5


def click_track(seconds, rate=RATE):
    """Invented kick and noise bursts on alternate beats."""
    t = np.arange(int(0.2 * rate)) / rate
    kick = np.sin(2 * np.pi * (55 * t + 20 * np.exp(-t / 0.02))) * np.exp(-t / 0.08)
    burst = np.random.default_rng(4).standard_normal(len(t)) * np.exp(-t / 0.05)
    out = np.zeros(int(seconds * rate), np.float32)
    for k in range(int(seconds / BEAT_S) - 1):
        at = int((0.25 + k * BEAT_S) * rate)
        out[at : at + len(t)] += 0.5 * (kick if k % 2 == 0 else burst)
    return out


@pytest.fixture(scope="module")
def heard():
    return compute_activations(click_track(30))


@pytest.mark.slow
def test_shapes_and_ranges(heard):
    assert heard.instruments == DETECTED
    assert len(heard.beat) == 3001
    for values in (heard.onset, heard.velocity, heard.beat, heard.downbeat):
        assert values.dtype == np.float32
        assert values.min() >= 0 and values.max() <= 1


def test_kicks_are_found_where_they_are(heard):
    found = np.array([s.time_s for s in detect_strokes(heard) if s.instrument == "kick"])
    expected = 0.25 + np.arange(0, 58, 2) * BEAT_S
    near = np.min(np.abs(expected[:, None] - found[None]), axis=1)
    assert np.mean(near < 0.02) > 0.95


def test_strokes_are_in_order_of_time(heard):
    strokes = detect_strokes(heard)
    assert strokes == sorted(strokes)


def test_the_same_answer_twice():
    one, again = (compute_activations(click_track(6)) for _ in range(2))
    np.testing.assert_array_equal(again.onset, one.onset)


@pytest.mark.slow
def test_the_seam_between_passages_is_not_heard(heard):
    seam_s = PASSAGE / 100
    shift = int((seam_s - 20) * RATE)
    moved = compute_activations(np.concatenate([np.zeros(shift, np.float32), click_track(30)]))
    kick = heard.column("kick")
    one = [s.time_s for s in detect_strokes(heard) if s.instrument == "kick"]
    other = [s.time_s - shift / RATE for s in detect_strokes(moved) if s.instrument == "kick"]
    assert moved.onset[:, kick].max() > 0.5
    near = [t for t in one if abs(t + shift / RATE - seam_s) < CONTEXT / 100]
    assert near
    assert all(min(abs(t - u) for u in other) < 0.02 for t in near)


@pytest.mark.slow
def test_level_does_not_matter(heard):
    np.testing.assert_allclose(compute_activations(0.05 * click_track(30)).onset, heard.onset, atol=1e-2)


@pytest.mark.parametrize("seconds", [0.001, 0.3, 1.0])
def test_very_short_recordings(seconds):
    heard = compute_activations(np.zeros(max(1, int(seconds * RATE)), np.float32))
    assert detect_strokes(heard) == []


def test_progress_ends_at_one():
    told = []
    compute_activations(click_track(3), lambda done, what: told.append(done))
    assert told[-1] == 1.0 and told == sorted(told)


class SilentNetwork:
    """A network that hears nothing and counts the passages."""

    def __init__(self):
        self.passages = 0

    def run(self, _, frames):
        self.passages += 1
        return [np.zeros((*frames["frames"].shape[:2], 2 * len(DETECTED) + 2), np.float32)]


def test_when_the_user_stops_it_no_more_passages_are_heard():
    def stop(done, what):
        raise KeyboardInterrupt

    network, passages = SilentNetwork(), 40
    with pytest.raises(KeyboardInterrupt):
        compute_activations(np.zeros(passages * PASSAGE * 441, np.float32), stop, network)
    assert network.passages < passages


def test_no_sound_is_refused():
    with pytest.raises(AudioError, match="no sound"):
        compute_activations(np.zeros(0, np.float32))


def test_samples_that_are_no_numbers_are_refused():
    with pytest.raises(AudioError, match="not numbers"):
        compute_activations(np.full(RATE, np.nan, np.float32))


@pytest.mark.parametrize("damage", [b"", b"not a model", None])
def test_damaged_weights_are_a_clear_error(damage):
    whole = resources.files("workbench.listening.weights").joinpath("detector.onnx").read_bytes()
    with pytest.raises(AnalysisError, match="weights are missing or damaged"):
        detect.load_weights(whole[: len(whole) // 2] if damage is None else damage)


def test_packaged_weights_that_were_changed_are_refused(tmp_path, monkeypatch):
    folder = resources.files("workbench.listening.weights")
    whole = bytearray(folder.joinpath("detector.onnx").read_bytes())
    whole[len(whole) // 2] ^= 1
    (tmp_path / "detector.onnx").write_bytes(bytes(whole))
    (tmp_path / "detector.json").write_text(folder.joinpath("detector.json").read_text())
    monkeypatch.setattr(detect.resources, "files", lambda name: tmp_path)
    with pytest.raises(AnalysisError, match="weights are missing or damaged"):
        detect.load_weights()


def test_the_weights_are_small():
    folder = resources.files("workbench.listening.weights")
    assert len(folder.joinpath("detector.onnx").read_bytes()) <= 20e6
    table = json.loads(folder.joinpath("detector.json").read_text())["instruments"]
    assert set(table) == set(DETECTED)
    for row in table.values():
        assert row["confidence"] == sorted(row["confidence"])
        assert len(row["confidence"]) == len(row["activation"])
        assert abs(row["onset_bias_s"]) < 0.02


def activations_of(**columns):
    onset = np.zeros((200, len(DETECTED)), np.float32)
    for name, peaks in columns.items():
        for frame, height in peaks:
            onset[frame, DETECTED.index(name.replace("_", " "))] = height
    return Activations(
        100.0, DETECTED, onset, np.full_like(onset, 0.5), np.zeros(200, np.float32), np.zeros(200, np.float32)
    )


def test_one_cymbal_gives_one_stroke_at_a_time():
    found = detect_strokes(activations_of(ride=[(50, 0.95), (100, 0.6)], ride_bell=[(51, 0.6), (100, 0.97)]))
    assert [s.instrument for s in found] == ["ride", "ride bell"]


def test_different_drums_sound_together():
    found = detect_strokes(activations_of(kick=[(50, 0.9)], snare=[(50, 0.9)], crash=[(50, 0.9)]))
    assert {s.instrument for s in found} == {"kick", "snare", "crash"}


def test_no_activation_no_strokes():
    assert detect_strokes(activations_of()) == []


def test_peaks_stand_alone():
    activation = np.array([0, 0.6, 0.6, 0, 0, 0.7, 0.8, 0.7, 0, 0, 0.55, 0, 0, 0.4])
    assert find_peaks(activation, 0.5).tolist() == [1, 6, 10]
    assert find_peaks(np.zeros(0), 0.5).tolist() == []


def test_times_between_frames():
    lean = np.array([0, 0.5, 1.0, 0.9, 0])
    time = refine_times(lean, np.array([2]))[0]
    assert 0.020 < time < 0.025
    assert refine_times(np.array([0, 1.0, 0]), np.array([1]))[0] == pytest.approx(0.01)


@pytest.mark.common_practice
def test_two_hands_strike_two_drums_at_once():
    """Crash, ride and snare together: the least sure is left out; feet, percussion and flams are free."""
    at_once = {"crash": 0.9, "ride": 0.6, "snare": 0.95, "kick": 0.9, "pedal hi-hat": 0.9, "tambourine": 0.9}
    onset = np.zeros((200, len(DETECTED)), np.float32)
    for name, height in at_once.items():
        onset[100, DETECTED.index(name)] = height
    onset[104, DETECTED.index("snare")] = 0.9
    flat = np.zeros(200, np.float32)
    found = detect_strokes(Activations(100.0, DETECTED, onset, onset, flat, flat))
    names = [s.instrument for s in found]
    assert sorted(names) == sorted([*(at_once.keys() - {"ride"}), "snare"])
    onset[100, DETECTED.index("snare")] = 0.0
    assert "ride" in [s.instrument for s in detect_strokes(Activations(100.0, DETECTED, onset, onset, flat, flat))]


def test_no_closed_hat_where_nothing_rises():
    seconds = np.arange(6 * RATE) / RATE
    strokes = np.random.default_rng(2).standard_normal(len(seconds)) * np.exp(-(seconds % 0.5) / 0.1)
    rise = detect._largest_rise(compute_features(strokes.astype(np.float32), 0, 600))
    struck = np.arange(50, 551, 50)
    assert np.min(rise[struck]) > detect.LEAST_RISE > np.max(rise[struck + 25])


def test_the_last_bit_of_a_file_is_no_stroke():
    """A second of dither, switched on and off as renderers do (16 bits: one step is 2**-15), then strokes of noise."""
    rng = np.random.default_rng(3)
    seconds = np.arange(4 * RATE) / RATE
    strokes = 0.3 * rng.standard_normal(len(seconds)) * np.exp(-(seconds % 0.5) / 0.05) * (seconds >= 1.0)
    dither = rng.integers(0, 2, len(seconds)) * 2.0**-15 * ((seconds % 0.17) < 0.05) * (seconds < 1.0)
    samples = (strokes + dither).astype(np.float32)
    features = compute_features(samples * detect.loudness_gain(samples), 0, 400)
    silent = detect.nothing_sounds(features)
    assert silent[:90].all() and not silent[100::50].any()
    assert detect.compute_activations(samples).onset[:90].max() < 1e-6
    # 45 dB below the others a stroke still counts.
    soft = (samples * np.where((seconds > 1.9) & (seconds < 2.4), 10 ** (-45 / 20), 1.0)).astype(np.float32)
    assert not detect.nothing_sounds(compute_features(soft * detect.loudness_gain(soft), 0, 400))[200]
