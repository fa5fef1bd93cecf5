"""Recordings in and out: formats, lengths and everything that can be wrong with a file."""

import shutil
import struct
import subprocess

import numpy as np
import pytest
import soundfile

from workbench.errors import AudioError
from workbench.files import audiosource
from workbench.files.audio import Audio, describe_audio, load_audio, save_audio, sha256_of

RATE = 44100
needs_ffmpeg = pytest.mark.skipif(
    not (shutil.which("ffmpeg") and shutil.which("ffprobe")), reason="ffmpeg is not installed: apt install ffmpeg"
)


def tone(duration_s=2.0, rate=RATE, channels=1, frequency_hz=440.0):
    t = np.arange(round(duration_s * rate)) / rate
    wave = 0.5 * np.sin(2 * np.pi * frequency_hz * t)
    return np.stack([wave * (1 - 0.1 * c) for c in range(channels)], axis=1).astype(np.float32)


def ffmpeg(*arguments):
    subprocess.run(["ffmpeg", "-nostdin", "-v", "error", "-y", *map(str, arguments)], check=True)


# -- what can be read ----------------------------------------------------------------


@pytest.mark.parametrize("ending", [".wav", ".flac", ".ogg", ".mp3", ".aiff"])
@pytest.mark.parametrize("rate, channels", [(44100, 1), (48000, 2), (22050, 2)])
def test_formats_come_back_with_the_same_sound(tmp_path, ending, rate, channels):
    path = tmp_path / f"song{ending}"
    written = Audio(tone(2.0, rate, channels), rate)
    save_audio(path, written)
    read = load_audio(path)
    assert (read.sample_rate, read.channels) == (rate, channels)
    # Lossy encoders pad; what they pad is less than 0.1 s.
    assert read.duration_s == pytest.approx(2.0, abs=0.1 if ending == ".mp3" else 1e-6)
    middle = slice(rate // 2, rate)
    loud = np.sqrt((read.samples[middle] ** 2).mean(axis=0))
    assert loud == pytest.approx(np.sqrt((written.samples[middle] ** 2).mean(axis=0)), rel=0.05)


@pytest.mark.slow
@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_every_sample_width(tmp_path, subtype):
    path = tmp_path / "song.wav"
    save_audio(path, Audio(tone(), RATE), subtype)
    assert load_audio(path).samples == pytest.approx(tone(), abs=1 / 100)


@pytest.mark.parametrize("rate, channels", [(8000, 1), (11025, 3), (96000, 6), (192000, 2)])
def test_any_rate_and_channel_count(tmp_path, rate, channels):
    path = tmp_path / "song.wav"
    save_audio(path, Audio(tone(1.5, rate, channels), rate))
    read = load_audio(path, sample_rate=RATE, mono=True)
    assert (read.sample_rate, read.channels) == (RATE, 1)
    assert read.duration_s == pytest.approx(1.5, abs=1e-3)
    expected = tone(1.5, RATE, channels).mean(axis=1)
    inner = slice(RATE // 10, RATE)
    assert np.abs(read.mono()[inner] - expected[inner]).max() < 5e-3


def test_resampling_keeps_the_time_of_an_attack(tmp_path):
    click = np.zeros(3 * 48000, np.float32)
    click[48000 + 12345] = 0.9
    path = tmp_path / "click.wav"
    save_audio(path, Audio(click, 48000))
    resampled = load_audio(path, sample_rate=RATE).mono()
    assert np.argmax(np.abs(resampled)) / RATE == pytest.approx((48000 + 12345) / 48000, abs=1 / RATE)


def test_progress_runs_to_the_end(tmp_path):
    path = tmp_path / "song.wav"
    save_audio(path, Audio(tone(10.0, RATE, 2), RATE))
    told = []
    load_audio(path, progress=lambda done, what: told.append(done))
    assert told == sorted(told) and told[-1] == 1.0 and len(told) > 1


@pytest.mark.slow
@needs_ffmpeg
@pytest.mark.parametrize("ending, codec", [(".m4a", "aac"), (".mka", "libopus"), (".mp4", "aac")])
def test_other_formats_through_ffmpeg(tmp_path, ending, codec):
    wav, path = tmp_path / "song.wav", tmp_path / f"song{ending}"
    save_audio(wav, Audio(tone(2.0, 48000, 2), 48000))
    ffmpeg("-i", wav, "-c:a", codec, path)
    read = load_audio(path, sample_rate=48000)
    assert read.channels == 2
    assert read.duration_s == pytest.approx(2.0, abs=0.1)
    assert np.sqrt((read.samples[24000:72000, 0] ** 2).mean()) == pytest.approx(0.3536, rel=0.05)
    assert describe_audio(path).duration_s == pytest.approx(2.0, abs=0.1)


def test_describe(tmp_path):
    path = tmp_path / "song.flac"
    save_audio(path, Audio(tone(2.5, 48000, 2), 48000))
    info = describe_audio(path)
    assert (info.duration_s, info.sample_rate, info.channels, info.format) == (2.5, 48000, 2, "FLAC")


# -- what cannot: one sentence each -----------------------------------------------------


def sentence(path, read=load_audio):
    with pytest.raises(AudioError) as caught:
        read(path)
    text = str(caught.value)
    assert text.endswith(".") and "\n" not in text
    assert path.name in text
    return text


@pytest.fixture(params=[load_audio])
def reader(request):
    return request.param


def test_missing(tmp_path, reader):
    assert "There is no file" in sentence(tmp_path / "gone.wav", reader)


def test_a_folder(tmp_path, reader):
    folder = tmp_path / "songs.wav"
    folder.mkdir()
    assert "is a folder" in sentence(folder, reader)


def test_empty(tmp_path, reader):
    path = tmp_path / "song.wav"
    path.touch()
    assert "is empty" in sentence(path, reader)


def test_header_without_samples(tmp_path, reader):
    path = tmp_path / "song.wav"
    soundfile.write(path, np.zeros((0, 1)), RATE)
    assert "0 samples" in sentence(path, reader)


def test_too_short(tmp_path, reader):
    path = tmp_path / "song.wav"
    save_audio(path, Audio(tone(0.5), RATE))
    assert "too short: 0.50 s" in sentence(path, reader)


@pytest.mark.parametrize("level", [0.0, 1e-6])
def test_silent(tmp_path, reader, level):
    path = tmp_path / "song.wav"
    save_audio(path, Audio(tone() * level, RATE), "FLOAT")
    assert "is silent" in sentence(path, reader)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_not_a_number(tmp_path, reader, bad):
    path = tmp_path / "song.wav"
    samples = tone(3.0, RATE, 2)
    samples[2 * RATE, 1] = bad
    soundfile.write(path, samples, RATE, "FLOAT")
    assert "no numbers (NaN or infinite), first at 2.00 s" in sentence(path, reader)


@pytest.mark.parametrize("ending", [".wav", ".aiff", ".flac", ".ogg"])
def test_truncated(tmp_path, reader, ending):
    path = tmp_path / f"song{ending}"
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, 5 * RATE)
    save_audio(path, Audio(noise, RATE))
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 6 // 10])
    assert "damaged or cut off" in sentence(path, reader)


def test_truncated_mp3_that_tells_its_length(tmp_path):
    path = tmp_path / "song.mp3"
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, 5 * RATE)
    save_audio(path, Audio(noise, RATE))
    data = path.read_bytes()
    assert b"Xing" in data[:2000] or b"Info" in data[:2000]
    path.write_bytes(data[: len(data) * 6 // 10])
    assert "damaged or cut off" in sentence(path)


@needs_ffmpeg
def test_truncated_m4a(tmp_path, reader):
    wav, path = tmp_path / "song.wav", tmp_path / "song.m4a"
    save_audio(wav, Audio(np.random.default_rng(1).uniform(-0.5, 0.5, 5 * RATE), RATE))
    ffmpeg("-i", wav, "-movflags", "+faststart", path)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 6 // 10])
    assert "damaged" in sentence(path, reader)


def test_flac_with_bytes_overwritten(tmp_path, reader):
    path = tmp_path / "song.flac"
    save_audio(path, Audio(np.random.default_rng(1).uniform(-0.5, 0.5, 5 * RATE), RATE))
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 200_000] = bytes(200_000)
    path.write_bytes(data)
    assert "damaged or cut off" in sentence(path, reader)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["song.wav", "song.mp3", "song.m4a", "song", "song.ogg", "song.raw"])
@pytest.mark.parametrize(
    "content",
    [
        b"A letter to the band: see you at eight.\n" * 50,
        bytes(range(256)) * 40,
        b"\x89PNG\r\n\x1a\n" + bytes(5000),
        b"RIFF\x10\x00\x00\x00WAVE",
        b"OggS",
        b"fLaC",
        b"FORM\0\0\0\x04AIFF",
    ],
)
def test_not_audio(tmp_path, name, content):
    path = tmp_path / name
    path.write_bytes(content)
    sentence(path)


@pytest.mark.slow
def test_random_bytes_are_refused_or_named(tmp_path):
    rng = np.random.default_rng(2)
    for k in range(10):
        path = tmp_path / f"noise{k}.mp3"
        path.write_bytes(rng.bytes(20_000))
        sentence(path)


@needs_ffmpeg
def test_a_playlist_is_not_followed(tmp_path):
    save_audio(tmp_path / "secret.wav", Audio(tone(), RATE))
    for name, text in {
        "list.m3u8": "#EXTM3U\n#EXT-X-TARGETDURATION:2\n#EXTINF:2,\nsecret.wav\n#EXT-X-ENDLIST\n",
        "list.mp4": "ffconcat version 1.0\nfile secret.wav\n",
    }.items():
        path = tmp_path / name
        path.write_text(text)
        assert "not a recording" in sentence(path)


@pytest.mark.slow
@needs_ffmpeg
def test_a_name_that_looks_like_an_option_or_an_address(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    save_audio("song.wav", Audio(tone(), RATE))
    for name in ["-version.m4a", "http:song.m4a"]:
        ffmpeg("-i", "song.wav", f"file:{tmp_path}/{name}")
        assert load_audio(name).duration_s == pytest.approx(2.0, abs=0.1)


def test_without_ffmpeg_it_says_what_to_install(tmp_path, monkeypatch):
    path = tmp_path / "song.m4a"
    path.write_bytes(b"\0\0\0\x20ftypM4A " + bytes(4000))
    monkeypatch.setattr(audiosource.shutil, "which", lambda name: None)
    assert "needs the program ffmpeg" in sentence(path)


def test_a_rate_too_low_for_drums(tmp_path):
    path = tmp_path / "song.wav"
    soundfile.write(path, tone(20.0, 400), 400)
    assert "too low to hear drums" in sentence(path)


def test_a_header_that_promises_days_is_refused(tmp_path):
    """A tiny file must not make us reserve memory for what its header claims."""
    path = tmp_path / "song.flac"
    save_audio(path, Audio(tone(), RATE))
    data = bytearray(path.read_bytes())
    # STREAMINFO: 36 bits of total samples end at byte 26 (RFC 9639, 8.2).
    data[21] |= 0x0F
    data[22:26] = b"\xff" * 4
    path.write_bytes(data)
    assert "too long" in sentence(path)


def test_channels_that_cancel(tmp_path):
    path = tmp_path / "song.wav"
    wave = tone()
    save_audio(path, Audio(np.hstack([wave, -wave]), RATE))
    assert load_audio(path).channels == 2
    with pytest.raises(AudioError, match="cancel each other"):
        load_audio(path, mono=True)


def test_a_wav_from_a_stream_of_unknown_length_is_read(tmp_path):
    path = tmp_path / "song.wav"
    pcm = (tone() * 32767).astype("<i2").tobytes()
    head = b"RIFF" + b"\xff" * 4 + b"WAVEfmt " + struct.pack("<IHHIIHH", 16, 1, 1, RATE, 2 * RATE, 2, 16)
    path.write_bytes(head + b"data" + b"\xff" * 4 + pcm)
    assert load_audio(path).duration_s == pytest.approx(2.0, abs=0.01)


# -- writing ----------------------------------------------------------------------------


def test_writing_refuses_what_it_cannot_do(tmp_path):
    sound = Audio(tone(), RATE)
    with pytest.raises(AudioError, match="sound is written as"):
        save_audio(tmp_path / "song.xyz", sound)
    with pytest.raises(AudioError, match="6.0 dB too loud"):
        save_audio(tmp_path / "song.wav", Audio(tone() * 4, RATE))
    with pytest.raises(AudioError, match="no numbers"):
        save_audio(tmp_path / "song.wav", Audio(np.full(RATE, np.nan), RATE))
    with pytest.raises(AudioError, match="does not take 2 channels at 1234567 Hz"):
        save_audio(tmp_path / "song.mp3", Audio(tone(1.0, 44100, 2), 1234567))
    with pytest.raises(AudioError, match="could not be written"):
        save_audio(tmp_path / "nowhere" / "song.wav", sound)
    assert list(tmp_path.iterdir()) == []


def test_a_failed_write_leaves_the_old_file(tmp_path):
    path = tmp_path / "song.mp3"
    save_audio(path, Audio(tone(), RATE))
    before = sha256_of(path)
    with pytest.raises(AudioError):
        save_audio(path, Audio(tone(1.0, 44100, 2), 1234567))
    assert sha256_of(path) == before and len(list(tmp_path.iterdir())) == 1


@pytest.mark.slow
def test_minutes_of_ogg(tmp_path):
    path = tmp_path / "long.ogg"
    save_audio(path, Audio(tone(240.0, 22050), 22050))
    assert describe_audio(path).duration_s == pytest.approx(240.0)


def test_sha256(tmp_path):
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    # FIPS 180-4 example for the message "abc" (NIST).
    assert sha256_of(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    with pytest.raises(AudioError, match="There is no file"):
        sha256_of(tmp_path / "gone")


def test_audio_checks_its_shape():
    with pytest.raises(AudioError, match="shape"):
        Audio(np.zeros((2, 2, 2)), RATE)
    with pytest.raises(AudioError, match="above zero"):
        Audio(np.zeros(10), 0)
    assert Audio(tone(2.0), RATE).excerpt(0.5, 1.0).duration_s == 0.5
