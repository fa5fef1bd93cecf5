"""Another speed: exact length, attacks in their places and as sharp as before."""

import numpy as np
import pytest

from workbench.errors import AnalysisError
from workbench.files.audio import Audio
from workbench.sound.rendering import Hit, mix_hits
from workbench.sound.stretch import find_attacks, settle_attacks, stretch_audio

RATE = 44100
TIMES_S = np.array([0.5, 0.75, 1.02, 1.3, 1.5, 1.81, 2.0, 2.25, 2.61, 2.9])
NAMES = ("kick", "closed hi-hat", "snare", "high tom", "kick", "snare", "floor tom", "side stick", "snare", "kick")


@pytest.fixture(scope="module")
def drums():
    hits = [Hit(t, name, 110) for t, name in zip(TIMES_S, NAMES)]
    return Audio(mix_hits(hits, int(3.6 * RATE), RATE), RATE)


def rise_s(samples, at_s):
    """Time from a tenth to nine tenths of the peak of the smoothed level."""
    start = int((at_s - 0.02) * RATE)
    x = np.abs(samples[start : start + int(0.06 * RATE)]).max(axis=1)
    level = np.convolve(x**2, np.hanning(45), "same")
    peak = level.argmax()
    foot = np.flatnonzero(level[: peak + 1] <= 0.1 * level[peak])[-1]
    return np.flatnonzero(level[foot : peak + 1] >= 0.9 * level[peak])[0] / RATE


@pytest.mark.slow
@pytest.mark.parametrize("speed", [0.25, 0.5, 0.73, 1.0, 1.31, 2.0])
def test_the_length_is_exact(drums, speed):
    for n in (len(drums.samples), 30001, 500):
        audio = Audio(drums.samples[:n], RATE)
        assert len(stretch_audio(audio, speed).samples) == round(n / speed)


@pytest.mark.slow
@pytest.mark.parametrize("speed", [0.5, 0.75, 1.25])
def test_attacks_fall_where_they_should(drums, speed):
    found = find_attacks(stretch_audio(drums, speed))
    for t in TIMES_S:
        assert np.abs(found - t / speed).min() < 0.002


@pytest.mark.parametrize("speed", [0.5, 0.75])
def test_attacks_stay_sharp(drums, speed):
    out = stretch_audio(drums, speed)
    before = np.array([rise_s(drums.samples, t) for t in TIMES_S])
    after = np.array([rise_s(out.samples, t / speed) for t in TIMES_S])
    assert np.median(after - before) < 0.0005


def test_keeping_attacks_makes_the_difference(drums):
    plain = stretch_audio(drums, 0.5, attacks_s=())
    kept = stretch_audio(drums, 0.5)
    rises = [np.mean([rise_s(x.samples, t / 0.5) for t in TIMES_S]) for x in (plain, kept)]
    assert rises[1] < 0.7 * rises[0]


def test_the_pitch_stays():
    t = np.arange(2 * RATE) / RATE
    tone = Audio(0.3 * np.sin(2 * np.pi * 440 * t)[:, None], RATE)
    x = stretch_audio(tone, 0.6).samples[RATE : 2 * RATE, 0]
    spectrum = np.abs(np.fft.rfft(x * np.hanning(len(x))))
    assert spectrum.argmax() == pytest.approx(440, abs=1)


def test_the_level_stays(drums):
    rms = [np.sqrt(np.mean(x.samples[x.sample_rate // 2 :] ** 2)) for x in (drums, stretch_audio(drums, 0.9))]
    assert 20 * np.log10(rms[1] / rms[0]) == pytest.approx(0, abs=0.7)


def test_channels_stay_apart(drums):
    one_sided = Audio(drums.samples * [1, 0], RATE)
    out = stretch_audio(one_sided, 0.7).samples
    assert out[:, 0].any() and np.abs(out[:, 1]).max() < 1e-4


def test_every_stroke_is_found(drums):
    found = find_attacks(drums)
    assert len(found) == len(TIMES_S)
    assert found == pytest.approx(TIMES_S, abs=0.003)


def test_known_strokes_settle_on_what_is_heard(drums):
    rough = TIMES_S + np.where(np.arange(len(TIMES_S)) % 2, 0.012, -0.012)
    assert settle_attacks(drums, rough) == pytest.approx(TIMES_S, abs=0.002)


def test_silence_has_no_attacks():
    assert len(find_attacks(Audio(np.zeros((RATE, 1)), RATE))) == 0
    assert not stretch_audio(Audio(np.zeros((RATE, 2)), RATE), 0.5).samples.any()


def test_nothing_stays_nothing():
    assert len(stretch_audio(Audio(np.zeros((0, 2)), RATE), 0.5).samples) == 0


@pytest.mark.parametrize("speed", [0.0, 0.1, 2.5, float("nan")])
def test_impossible_speeds_are_refused(drums, speed):
    with pytest.raises(AnalysisError, match="0.25 to 2 times"):
        stretch_audio(drums, speed)
