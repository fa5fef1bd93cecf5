"""Opening recordings: decoders keep quiet, odd files are told in a sentence."""

import os

import numpy as np
import pytest
import soundfile

from tests.sentences import sentence_of
from workbench.errors import AudioError
from workbench.files.audiosource import open_source


def noise(path, seconds=3.0, rate=22050):
    soundfile.write(path, np.random.default_rng(1).uniform(-0.5, 0.5, round(rate * seconds)), rate)
    return path


def decode(path):
    with open_source(path) as source:
        return sum(len(block) for block in source.blocks)


@pytest.mark.parametrize("at", [0.0, 0.3, 0.6])
def test_a_damaged_mp3_writes_nothing_to_standard_error(tmp_path, capfd, at):
    path = noise(tmp_path / "take.mp3")
    data = bytearray(path.read_bytes())
    for k in range(int(len(data) * at) + 4, len(data), 97):
        data[k] ^= 0xA5
    path.write_bytes(data)
    try:
        decode(path)
    except AudioError as error:
        assert len(str(error)) <= 300
    assert capfd.readouterr().err == ""


def test_standard_error_is_as_before_when_a_recording_is_read(tmp_path, capfd):
    decode(noise(tmp_path / "take.wav"))
    with open_source(tmp_path / "take.wav") as source:
        for _ in source.blocks:
            os.write(2, b"between two blocks\n")
    assert capfd.readouterr().err == "between two blocks\n"


def test_a_closed_standard_error_does_no_harm(tmp_path):
    path, kept = noise(tmp_path / "take.wav"), os.dup(2)
    os.close(2)
    try:
        assert decode(path) == 66150
    finally:
        os.dup2(kept, 2)
        os.close(kept)


@pytest.mark.skipif(os.name != "posix", reason="names in bytes")
def test_a_name_that_is_no_text_is_read(tmp_path):
    odd = os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9.wav")
    os.rename(noise(tmp_path / "take.wav"), odd)
    assert decode(type(tmp_path)(odd)) == 66150


def test_a_wav_of_countless_empty_chunks_ends(tmp_path):
    path = tmp_path / "take.wav"
    path.write_bytes(b"RIFF\xff\xff\xff\x00WAVE" + b"junk\0\0\0\0" * 200_000)
    assert "not a recording" in sentence_of(decode, path)
