"""Calibration: confidence is the share of peaks that are strokes."""

import numpy as np
import pytest

from workbench.chart.drumkit import DETECTED
from workbench.training.calibrate import calibrate, collect_peaks, fit_confidence
from workbench.training.planning import SETTINGS


def invented_validation(late_frames=1):
    """One clip: twenty kicks heard one frame late at 0.9, and twenty false peaks at 0.3."""
    heard = np.zeros((1, 2000, 28), np.uint8)
    true_frames, false_frames = np.arange(50, 1050, 50), np.arange(1075, 1975, 45)
    heard[0, true_frames + late_frames, 0] = 230
    heard[0, false_frames, 0] = 77
    strokes = np.stack([np.zeros(20), true_frames / 100, np.zeros(20), np.full(20, 0.8)], axis=1)
    settings = np.zeros((1, len(SETTINGS)))
    settings[0, SETTINGS.index("has_drums")] = 1
    return {"heard": heard, "strokes": strokes, "settings": settings}


def test_peaks_and_lateness():
    height, is_stroke, late = collect_peaks(invented_validation(), 0)
    assert is_stroke.sum() == 20 and len(height) == 40
    np.testing.assert_allclose(late, 0.01, atol=1e-6)


def test_the_table_has_every_instrument_and_finds_the_lateness():
    table = calibrate(invented_validation())
    assert set(table) == set(DETECTED)
    assert table["kick"]["onset_bias_s"] == pytest.approx(0.01, abs=1e-3)
    sure = dict(zip(table["kick"]["activation"], table["kick"]["confidence"], strict=True))
    assert sure[0.9] > 0.95 and sure[0.3] < 0.05


def test_confidence_rises_and_is_the_share_of_strokes():
    rng = np.random.default_rng(1)
    height = rng.uniform(0, 1, 20000)
    is_stroke = rng.random(20000) < height**2
    activation, confidence = fit_confidence(height, is_stroke)
    assert confidence == sorted(confidence)
    np.testing.assert_allclose(np.interp([0.3, 0.6, 0.9], activation, confidence), [0.09, 0.36, 0.81], atol=0.04)
