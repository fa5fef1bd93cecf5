"""The synthesised kit: every instrument sounds, louder is louder and brighter, nothing is random."""

import numpy as np
import pytest

from workbench.chart.drumkit import INSTRUMENTS
from workbench.errors import ChartError, WorkbenchError
from workbench.sound.synthesis import LAYER_VELOCITIES, VARIATIONS, add_room, kit_sample, ring, room_response, voice_for

RATE = 44100


def centroid_hz(x):
    power = np.abs(np.fft.rfft(x)) ** 2
    return (power * np.fft.rfftfreq(len(x), 1 / RATE)).sum() / power.sum()


def decay_s(x, down_db=20):
    level = np.sqrt(np.convolve(x**2, np.ones(441) / 441, "same"))
    after = level[level.argmax() :]
    return np.flatnonzero(after < after[0] * 10 ** (-down_db / 20))[0] / RATE


@pytest.mark.slow
@pytest.mark.parametrize("name", [i.name for i in INSTRUMENTS])
def test_every_instrument_sounds_from_its_first_sample_and_ends_in_silence(name):
    x = kit_sample(name, 110)
    assert x.dtype == np.float32 and x.ndim == 1
    assert 0.05 < np.abs(x).max() <= 1
    first_loud = np.flatnonzero(np.abs(x) > 0.1 * np.abs(x).max())[0]
    assert first_loud < 0.004 * RATE
    assert np.abs(x[-10:]).max() < 1e-3


@pytest.mark.slow
@pytest.mark.parametrize("name", [i.name for i in INSTRUMENTS])
def test_louder_strokes_have_more_energy(name):
    energy = [np.sum(kit_sample(name, v) ** 2) for v in (10, 30, 50, 70, 90, 110, 127)]
    assert (np.diff(energy) > 0).all()


@pytest.mark.parametrize("name", ["snare", "closed hi-hat", "crash", "kick"])
def test_harder_hits_are_brighter(name):
    assert centroid_hz(kit_sample(name, 127)) > 1.05 * centroid_hz(kit_sample(name, 25))


def test_hits_repeat_exactly_and_vary_by_number():
    assert (kit_sample("snare", 90, RATE, 1) == kit_sample("snare", 90, RATE, 1)).all()
    assert (kit_sample("snare", 90, RATE, 0) != kit_sample("snare", 90, RATE, 1)).any()
    assert (kit_sample("snare", 90, RATE, 0) == kit_sample("snare", 90, RATE, VARIATIONS)).all()


def test_toms_are_pitched_high_to_low():
    def pitch_hz(name):
        x = kit_sample(name, 100)[int(0.05 * RATE) :]
        return np.abs(np.fft.rfft(x * np.hanning(len(x)))).argmax() * RATE / len(x)

    assert pitch_hz("high tom") > 1.2 * pitch_hz("mid tom") > 1.44 * pitch_hz("floor tom")


def test_an_open_hi_hat_rings_longer_than_half_open_than_closed():
    closed, opened = kit_sample("closed hi-hat", 100), kit_sample("open hi-hat", 100)
    half = kit_sample("open hi-hat", 100, articulations=frozenset({"half open"}))
    assert decay_s(opened) > 1.5 * decay_s(half) > 2 * decay_s(closed)


@pytest.mark.slow
@pytest.mark.parametrize("rate", [8000, 22050, 48000, 96000])
def test_other_sample_rates(rate):
    x, y = kit_sample("crash", 100, rate), kit_sample("crash", 100, RATE)
    assert len(x) / rate == pytest.approx(len(y) / RATE, abs=0.01)


def test_wrong_arguments_are_refused():
    with pytest.raises(ChartError, match="no instrument called 'gong'"):
        kit_sample("gong")
    with pytest.raises(WorkbenchError, match="between 1 and 127"):
        kit_sample("snare", 0)
    with pytest.raises(WorkbenchError, match="sample rate"):
        kit_sample("snare", 90, 0)


def test_articulations_choose_voices():
    assert voice_for("snare", frozenset({"rim shot"})) == "rim shot"
    assert voice_for("pedal hi-hat", frozenset({"foot splash"})) == "foot splash"
    assert voice_for("kick", frozenset({"half open"})) == "kick"


def test_layers_span_the_velocities():
    assert LAYER_VELOCITIES[-1] == 127 and list(LAYER_VELOCITIES) == sorted(LAYER_VELOCITIES)


def test_ring_is_a_decaying_cosine():
    t = np.arange(RATE // 2) / RATE
    expected = 0.7 * np.exp(-t / 0.1) * np.cos(2 * np.pi * 440 * t)
    assert ring(np.array([440.0]), 0.7, 0.1, 0.5, RATE) == pytest.approx(expected, abs=2e-4)


def test_partials_above_the_sample_rate_are_left_out():
    assert not ring(np.array([30000.0]), 1.0, 0.1, 0.1, RATE).any()


def test_the_room_decays_by_60_db_in_its_time():
    response = room_response(RATE, 0.4).mean(axis=1)
    # Schroeder's backward integration (M. R. Schroeder, J. Acoust. Soc. Am. 37, 1965).
    left = 10 * np.log10(np.cumsum(response[::-1] ** 2)[::-1] / np.sum(response**2))
    t = np.arange(len(left)) / RATE
    early, late = np.argmax(left < -5), np.argmax(left < -25)
    assert 3 * (t[late] - t[early]) == pytest.approx(0.4, rel=0.3)


def test_the_room_keeps_the_direct_sound_and_adds_a_tail():
    x = np.zeros((1000, 2), np.float32)
    x[0] = 1
    y = add_room(x, RATE)
    assert len(y) > len(x) and y[0] == pytest.approx([1, 1], abs=0.05)
    assert np.abs(y[1000:]).max() > 0
