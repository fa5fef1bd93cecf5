"""Drums and rest as two files."""

import numpy as np
import pytest
import soundfile

from tests.test_separation import RATE
from workbench.files.audio import Audio, load_audio
from workbench.sound.separation import BLEND_S, STRETCH_S, Separation
from workbench.sound.stemfiles import write_stems


@pytest.fixture
def counted(monkeypatch):
    """A stand-in for the network, half of everything is drums, and the pieces it was asked for."""
    found = []

    def find(self, piece):
        found.append(piece)
        length = round(STRETCH_S * self.sample_rate)
        return self.cut(piece * length, (piece + 1) * length + round(BLEND_S * self.sample_rate)) / 2

    monkeypatch.setattr(Separation, "_find", find)
    return found


def noise(seconds, seed=1):
    return Audio(np.random.default_rng(seed).uniform(-0.9, 0.9, (seconds * RATE, 2)), RATE)


def test_stems_are_written_as_two_files_whose_sum_is_the_recording(tmp_path, counted):
    mix = noise(12).samples
    soundfile.write(tmp_path / "song.wav", mix, RATE, subtype="PCM_24")
    told = []
    files = write_stems(tmp_path / "song.wav", tmp_path / "out", lambda done, what: told.append(done))
    assert [f.name for f in files] == ["song.drums.flac", "song.rest.flac"]
    drums, rest = (load_audio(f).samples for f in files)
    assert np.abs(drums + rest - mix).max() < 1e-6
    assert told == sorted(told) and told[-1] == 1.0


def test_no_stem_clips_where_the_parts_are_louder_than_the_whole(tmp_path, monkeypatch):
    monkeypatch.setattr(Separation, "drums", lambda self, first, last: 1.5 * self.cut(first, last))
    mix = noise(2).samples
    soundfile.write(tmp_path / "song.wav", mix, RATE, subtype="PCM_24")
    drums, rest = (load_audio(f).samples for f in write_stems(tmp_path / "song.wav", tmp_path))
    assert np.abs(drums + rest - mix).max() < 1e-6
