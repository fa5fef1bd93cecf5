"""Drums down and brought out."""

import numpy as np
import pytest

from workbench.chart.events import Stroke
from workbench.files.audio import Audio
from workbench.sound.balance import split_drums
from workbench.sound.rendering import Hit, mix_hits

RATE = 44100


@pytest.fixture(scope="module")
def song():
    """Kit and held chords, apart and known."""
    length = 4 * RATE
    strokes = [Stroke(0.25 * k, ("kick", "closed hi-hat", "snare", "closed hi-hat")[k % 4], 100) for k in range(1, 15)]
    kit = mix_hits([Hit(s.time_s, s.instrument, s.velocity) for s in strokes], length, RATE)
    t = np.arange(length) / RATE
    chord = sum(np.sin(2 * np.pi * f * n * t) / n for f in (110, 220, 277.2, 329.6) for n in range(1, 6))
    band = np.repeat((0.05 * chord)[:, None], 2, axis=1).astype(np.float32)
    return kit, band, strokes


def leak_db(part, wanted, unwanted):
    """Level of ``unwanted`` in a part against its own level in the mix."""
    weights = np.linalg.lstsq(np.stack([wanted.ravel(), unwanted.ravel()], axis=1), part.ravel(), rcond=None)[0]
    return 20 * np.log10(abs(weights[1]) + 1e-9)


def test_the_parts_add_up(song):
    kit, band, strokes = song
    balance = split_drums(Audio(kit + band, RATE), strokes)
    assert np.abs(balance.drums.samples + balance.rest.samples - kit - band).max() < 1e-5
    assert np.abs(balance.mixed(0.0).samples - kit - band).max() < 1e-5


@pytest.mark.parametrize("known, least_db", [(True, -10), (False, -5)])
def test_drums_and_band_come_apart(song, known, least_db):
    kit, band, strokes = song
    balance = split_drums(Audio(kit + band, RATE), strokes if known else ())
    assert leak_db(balance.rest.samples, band, kit) < least_db
    assert leak_db(balance.drums.samples, kit, band) < -10


def test_knowing_the_strokes_helps(song):
    kit, band, strokes = song
    mix = Audio(kit + band, RATE)
    left = [np.mean((split_drums(mix, s).rest.samples - band) ** 2) for s in (strokes, ())]
    assert left[0] < left[1]


def test_pushing_back_lowers_the_drums(song):
    kit, band, strokes = song
    back = split_drums(Audio(kit + band, RATE), strokes).mixed(-12.0).samples
    at = int(0.5 * RATE)
    hit = slice(at, at + int(0.03 * RATE))
    assert np.abs(back[hit] - band[hit]).max() < 0.5 * np.abs(kit[hit]).max()


def test_long_recordings_are_taken_in_pieces(song, monkeypatch):
    kit, band, strokes = song
    mix = Audio(kit + band, RATE)
    whole = split_drums(mix, ()).drums.samples
    monkeypatch.setattr("workbench.sound.balance.PIECE_FRAMES", 100)
    assert np.abs(split_drums(mix, ()).drums.samples - whole).max() < 1e-4


def test_nothing_and_silence():
    assert len(split_drums(Audio(np.zeros((0, 2)), RATE)).drums.samples) == 0
    silent = split_drums(Audio(np.zeros((RATE, 1)), RATE), [Stroke(0.5, "snare")])
    assert not silent.drums.samples.any() and not silent.rest.samples.any()
