"""Loudness and true peak against the published test signals.

EBU Tech 3341 (2016), *Loudness metering: 'EBU mode' metering*, table 1: case 1, a
stereo 1 kHz sine at −23 dBFS reads −23.0 ± 0.1 LUFS; case 2, at −33 dBFS reads
−33.0 ± 0.1; cases 15 and 16, sines of a quarter of the sample rate at 0.5 of full
scale, whose samples miss the peak, read −6.0 (+0.2, −0.4) dBTP.
"""

import numpy as np
import pytest

from workbench.sound.loudness import loudness_lufs, true_peak_dbtp

RATE = 48000


@pytest.mark.parametrize("level_db", [-23.0, -33.0])
def test_integrated_loudness_of_a_stereo_sine(level_db):
    sine = 10 ** (level_db / 20) * np.sin(2 * np.pi * 1000 * np.arange(20 * RATE) / RATE)
    assert loudness_lufs(np.stack([sine, sine], axis=1), RATE) == pytest.approx(level_db, abs=0.1)


@pytest.mark.parametrize("phase_degrees", [0.0, 45.0])
def test_true_peak_between_the_samples(phase_degrees):
    n = np.arange(RATE)
    sine = 0.5 * np.sin(2 * np.pi * n / 4 + np.radians(phase_degrees)) * np.minimum(1, n / 4800)
    sine *= np.minimum(1, n[::-1] / 4800)
    assert -6.4 <= true_peak_dbtp(sine[:, None]) <= -5.8
