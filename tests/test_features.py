"""Features: places of bands and frames, and that parts equal the whole."""

import numpy as np
import pytest

from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.features import (
    BANDS,
    FRAME_RATE_HZ,
    HOP,
    WINDOWS,
    compute_features,
    count_frames,
    loudness_gain,
    mel_filters,
)


def test_the_hop_is_the_frame_rate():
    assert SAMPLE_RATE_HZ / HOP == FRAME_RATE_HZ


@pytest.mark.parametrize("n", [0, 1, HOP - 1, HOP, 10 * HOP + 7])
def test_one_frame_for_each_hop(n):
    features = compute_features(np.zeros(n, np.float32))
    assert features.shape == (count_frames(n), len(WINDOWS), BANDS)


def test_parts_equal_the_whole():
    samples = np.random.default_rng(1).standard_normal(3 * SAMPLE_RATE_HZ).astype(np.float32)
    whole = compute_features(samples)
    for first, count in ((0, 20), (57, 100), (250, 51)):
        np.testing.assert_allclose(compute_features(samples, first, count), whole[first : first + count], atol=1e-5)


def test_frames_outside_the_recording_are_silence():
    samples = np.ones(SAMPLE_RATE_HZ, np.float32)
    outside = compute_features(samples, 200, 3)
    np.testing.assert_allclose(outside, np.log(1e-3), atol=1e-5)


def test_a_batch_is_each_recording_by_itself():
    samples = np.random.default_rng(2).standard_normal((3, SAMPLE_RATE_HZ)).astype(np.float32)
    batch = compute_features(samples)
    for one, row in zip(samples, batch, strict=True):
        np.testing.assert_allclose(compute_features(one), row, atol=1e-5)


@pytest.mark.parametrize("hz", [100.0, 440.0, 3000.0, 12000.0])
@pytest.mark.parametrize("window", WINDOWS)
def test_a_tone_is_loudest_in_a_band_that_holds_it(hz, window):
    tone = np.sin(2 * np.pi * hz * np.arange(SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ).astype(np.float32)
    band = int(np.argmax(compute_features(tone)[50, WINDOWS.index(window)]))
    bin_hz = np.fft.rfftfreq(window, 1 / SAMPLE_RATE_HZ)
    inside = bin_hz[mel_filters(window)[band] > 0]
    step = SAMPLE_RATE_HZ / window
    assert inside.min() - step <= hz <= inside.max() + step


def test_a_click_is_loudest_in_its_own_frame():
    samples = np.zeros(SAMPLE_RATE_HZ, np.float32)
    samples[30 * HOP] = 1.0
    assert int(np.argmax(compute_features(samples)[:, 0].sum(axis=1))) == 30


@pytest.mark.parametrize("level", [0.01, 0.5])
def test_gain_brings_any_level_to_one(level):
    samples = level * np.random.default_rng(3).standard_normal(SAMPLE_RATE_HZ).astype(np.float32)
    assert np.std(samples * loudness_gain(samples)) == pytest.approx(1.0, rel=1e-3)


def test_silence_is_not_made_loud():
    assert np.isfinite(loudness_gain(np.zeros(10, np.float32)))
    assert np.all(compute_features(np.zeros(SAMPLE_RATE_HZ, np.float32)) == np.float32(np.log(np.float32(1e-3))))
