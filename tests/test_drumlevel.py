"""Drums turned up or down, against sounds whose drums and band are known (numpy's least squares, SciPy's filters)."""

import numpy as np
import pytest
from scipy import signal

from workbench.sound import drumlevel
from workbench.sound.drumlevel import BLOCK_FRAMES, DrumLevel
from workbench.sound.frames import STEP, compute_frames, restore_sound

RATE, SECONDS = 44100, 8


@pytest.fixture(scope="module")
def parts():
    """Bursts of noise over held noise with its own colour, (frames, 2) each, and what a Wiener filter finds of them.

    The filter of N. Wiener (1949) keeps of each cell the drums' share of the expected power.
    """
    rng = np.random.default_rng(3)
    length = SECONDS * RATE
    struck = np.exp(-30 * ((np.arange(length) / RATE) % 0.5))[:, None]
    kit = (0.8 * struck * rng.normal(size=(length, 2))).astype(np.float32)
    colour = signal.butter(1, 12000, fs=RATE, output="sos")
    band = signal.sosfilt(colour, 0.1 * rng.normal(size=(length, 2)), axis=0).astype(np.float32)
    drums_power, band_power = (
        signal.convolve2d(np.square(np.abs(compute_frames(part.T))).mean(axis=0), np.ones((1, 41)) / 41, "same", "symm")
        for part in (kit, band)
    )
    found = restore_sound(compute_frames((kit + band).T) * (drums_power / (drums_power + band_power + 1e-12)), length).T
    return kit, band, found


@pytest.fixture(autouse=True)
def a_filter_that_knows_its_error(monkeypatch):
    """Wiener's filter takes as much along as its shares tell; the network takes more."""
    monkeypatch.setattr(drumlevel, "BRIGHT_TAKEN", 1)


def level_db(x, kit, band, above_hz=0):
    """Level of the drums against the band in a sound, by least squares, against that in the recording."""
    if above_hz:
        high = signal.butter(8, above_hz, "highpass", fs=RATE, output="sos")
        x, kit, band = (signal.sosfiltfilt(high, part, axis=0) for part in (x, kit, band))
    of_kit, of_band = np.linalg.lstsq(np.stack([kit.ravel(), band.ravel()], axis=1), x.ravel(), rcond=None)[0]
    return 20 * np.log10(abs(of_kit / of_band)), 20 * np.log10(abs(of_band))


@pytest.mark.parametrize("asked_db", (-15.0, -6.0, 4.0, 8.0))
def test_the_level_asked_for_is_had(parts, asked_db):
    kit, band, found = parts
    rest = kit + band - found
    plain, _ = level_db(10 ** (asked_db / 20) * found + rest, kit, band)
    x = DrumLevel.of(found, rest, asked_db, RATE).mixed(found, rest)
    got, of_band = level_db(x, kit, band)
    assert got == pytest.approx(asked_db, abs=1)
    assert abs(got - asked_db) < abs(plain - asked_db)
    assert of_band == pytest.approx(0, abs=1)


@pytest.mark.parametrize("asked_db", (-12.0, 8.0))
def test_so_it_is_above_5_kilohertz(parts, asked_db):
    kit, band, found = parts
    rest = kit + band - found
    x = DrumLevel.of(found, rest, asked_db, RATE).mixed(found, rest)
    assert level_db(x, kit, band, 5000)[0] == pytest.approx(asked_db, abs=2)


def test_parts_that_are_known_exactly_are_mixed_as_they_are(parts):
    kit = np.zeros_like(parts[0])
    kit[: len(kit) // 2] = parts[0][: len(kit) // 2]
    band = parts[1].copy()
    band[: len(kit) // 2] = 0
    x = DrumLevel.of(kit, band, 6.0, RATE).mixed(kit, band)
    away = slice(None, len(kit) // 2 - 4096)
    assert np.abs(x[away] - 10 ** (6 / 20) * kit[away]).max() < 0.02 * np.abs(kit).max()


def test_blocks_leave_no_seams(parts):
    kit, band, found = parts
    rest = kit + band - found
    whole = DrumLevel.of(found, rest, 8.0, RATE)
    x = whole.mixed(found, rest)
    later = BLOCK_FRAMES * STEP // 2
    assert np.abs(whole.mixed(found[later:], rest[later:])[4096:-4096] - x[later:][4096:-4096]).max() < 1e-5


def test_silence_and_nothing_stay():
    silence = np.zeros((5000, 1), np.float32)
    assert not DrumLevel.of(silence, silence, 8.0, RATE).mixed(silence, silence).any()
    nothing = silence[:0]
    assert DrumLevel.of(nothing, nothing, -8.0, RATE).mixed(nothing, nothing).shape == (0, 1)
