"""Features against librosa (ISC licence; B. McFee et al., SciPy 2015), an implementation of others.

``librosa.filters.mel`` builds the mel bands of M. Slaney's Auditory Toolbox
(1998); ``librosa.stft`` the windowed transform.
"""

import librosa
import numpy as np
import pytest

from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.features import (
    BANDS,
    FLOOR,
    HIGHEST_HZ,
    HOP,
    LOWEST_HZ,
    WINDOWS,
    compute_features,
    mel_filters,
)


def librosa_filters(window):
    return librosa.filters.mel(
        sr=SAMPLE_RATE_HZ, n_fft=window, n_mels=BANDS, fmin=LOWEST_HZ, fmax=HIGHEST_HZ, htk=False, norm=None
    )


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:Empty filters")
@pytest.mark.parametrize("window", WINDOWS)
def test_mel_bands(window):
    np.testing.assert_allclose(mel_filters(window), librosa_filters(window), atol=1e-6)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:Empty filters")
@pytest.mark.parametrize("window", WINDOWS)
def test_spectrograms(window):
    samples = np.random.default_rng(5).standard_normal(2 * SAMPLE_RATE_HZ).astype(np.float32)
    spectrum = librosa.stft(samples, n_fft=window, hop_length=HOP, window="hann", pad_mode="constant")
    magnitude = np.abs(spectrum)
    expected = np.log(FLOOR + 100 / window * librosa_filters(window) @ magnitude).T
    np.testing.assert_allclose(compute_features(samples)[:, WINDOWS.index(window)], expected, atol=1e-4)
