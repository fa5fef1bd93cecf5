"""The grid's picture of the sound: peaks of the waveform, bands of the spectrum."""

import numpy as np
import pytest

from tests.grids import RATE, clicks_at
from workbench.grid.sound_picture import PICTURE_BANDS, picture_pieces


@pytest.mark.slow
def test_peaks_lie_where_the_sound_is():
    audio = clicks_at(0.5, 31.0, length_s=40.0)
    pieces = list(picture_pieces(audio.mono(), RATE))
    assert [p.peak_start for p in pieces] == [0, 15000]
    assert [p.frame_start for p in pieces] == [0, 3000]
    peaks = np.concatenate([p.peaks for p in pieces])
    assert list(np.flatnonzero(peaks[:, 1])) == [250, 15500]
    assert peaks[:, 1].max() == 127


def test_a_tone_lights_one_band():
    t = np.arange(RATE * 2) / RATE
    for low, high in ((100, 3000), (200, 6000)):
        bands = []
        for pitch_hz in (low, high):
            levels = next(iter(picture_pieces(0.5 * np.sin(2 * np.pi * pitch_hz * t), RATE))).levels
            assert levels.shape == (200, PICTURE_BANDS)
            bands.append(int(np.median(levels[20:180].argmax(axis=1))))
        assert bands[0] < bands[1]


def test_silence_has_a_picture_too():
    piece = next(iter(picture_pieces(np.zeros(RATE), RATE)))
    assert not piece.peaks.any() and not piece.levels.any()
