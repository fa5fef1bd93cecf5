"""MP3 files: decoded by libsndfile (mpg123) and by FFmpeg (PyAV), they are as long as what was coded, and in place."""

import io

import av
import numpy as np
import pytest
import soundfile

from workbench.files.mp3 import MP3_RATES_HZ, coded_mp3


def by_libsndfile(data):
    return soundfile.read(io.BytesIO(data), dtype="float32", always_2d=True)


def by_ffmpeg(data):
    with av.open(io.BytesIO(data)) as file:
        parts = [frame.to_ndarray() for frame in file.decode(audio=0)]
        return np.concatenate(parts, axis=1).T, file.streams.audio[0].rate


def sound(rate, channels, length):
    """A soft tone with a loud stroke at every fifth of a second."""
    x = 0.05 * np.sin(2 * np.pi * 440 * np.arange(length) / rate)
    for at in range(rate // 10, length - 300, rate // 5):
        x[at : at + 200] += 0.6 * np.sin(2 * np.pi * 3000 * np.arange(200) / rate) * np.exp(-np.arange(200) / 60)
    return np.stack([x] * channels, axis=1).astype(np.float32)


@pytest.mark.parametrize("decoded", [by_libsndfile, by_ffmpeg])
@pytest.mark.parametrize("bits_per_s", [None, 128_000, 64_000])
@pytest.mark.parametrize(
    "rate, channels, length", [(44100, 2, 100_000), (48000, 2, 1153), (32000, 2, 40_000), (44100, 1, 66_151)]
)
def test_what_is_decoded_is_as_long_and_lies_where_it_was(decoded, bits_per_s, rate, channels, length):
    x = sound(rate, channels, length)
    y, found_rate = decoded(coded_mp3(x, rate, bits_per_s))
    assert found_rate == rate and y.shape == x.shape
    if length > rate:
        shift = np.arange(-40, 41)
        match = [np.vdot(x[100:-100, 0], np.roll(y[:, 0], -s)[100:-100]) for s in shift]
        assert shift[int(np.argmax(match))] == 0


@pytest.mark.parametrize("bits_per_s", [128_000, 64_000])
def test_a_constant_rate_is_kept(bits_per_s):
    x = sound(44100, 2, 10 * 44100)
    assert len(coded_mp3(x, 44100, bits_per_s)) * 8 / 10 == pytest.approx(bits_per_s, rel=0.02)


def test_loud_sound_is_cut_and_does_not_turn_over():
    y, _ = by_libsndfile(coded_mp3(np.full((20_000, 2), 1.5, np.float32), 44100))
    assert y[2000:-2000].min() > 0.8 and MP3_RATES_HZ[0] == 44100
