"""The recording as a lesson's page holds it."""

import base64
import io

import numpy as np
import pytest
import soundfile

from tests.parts import FILL, ROCK, part
from workbench.chart import Chart, Recording
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import WorkbenchError
from workbench.files.audio import SAMPLE_RATE_HZ, Audio, save_audio
from workbench.practice.record import (
    MOST_RECORD_BYTES,
    RECORD_LEAD_S,
    RECORD_PIECE_S,
    bits_per_s,
    open_recording,
    record_facts,
    record_pieces,
)
from workbench.sound.loudness import TARGET_LUFS, loudness_lufs
from workbench.sound.separation import Separation

RATE = SAMPLE_RATE_HZ


class Thirds(Separation):
    """A third of everything is drums."""

    def drums(self, first, last):
        return self.cut(first, last) / np.float32(3)


def noise(length_s):
    x = np.random.default_rng(3).normal(0, 0.05, (round(length_s * RATE), 2))
    return np.cumsum(x - x.mean(axis=0), axis=0).astype(np.float32) * 0.01 + (0.3 * x).astype(np.float32)


def sound_of(text):
    return soundfile.read(io.BytesIO(base64.b64decode(text)), always_2d=True)[0]


@pytest.mark.slow
def test_pieces_lie_where_they_say_and_add_up_to_the_recording():
    whole = noise(12.0)
    pieces, gain = record_pieces(Thirds.of(Audio(whole, RATE)), 11.5)
    assert len(pieces) == 2
    lead = round(RECORD_LEAD_S * RATE)
    for k, piece in enumerate(pieces):
        drums, rest = sound_of(piece.drums), sound_of(piece.rest)
        start = round(k * RECORD_PIECE_S * RATE)
        own = whole[start : start + round(3.0 * RATE)]
        heard = (drums + rest)[lead : lead + len(own)]
        # Coding costs something; a shift by a single sample would cost far more of this noise.
        fits = [np.vdot(own[9:-9], heard[9 + s : len(heard) - 9 + s]) for s in range(-9, 10)]
        assert np.argmax(fits) == 9
        assert np.sqrt(np.mean((heard - own) ** 2) / np.mean(own**2)) < 0.35
        assert np.vdot(drums, rest) / np.vdot(rest, rest) == pytest.approx(0.5, abs=0.02)
    assert 20 * np.log10(gain) == pytest.approx(TARGET_LUFS - loudness_lufs(whole, RATE), abs=0.3)


@pytest.mark.slow
def test_pieces_are_as_large_as_they_are_reckoned():
    pieces, _ = record_pieces(Thirds.of(Audio(noise(8.0), RATE)), 8.0)
    whole = sum(len(p.drums) + len(p.rest) for p in pieces)
    assert whole == pytest.approx(2 * bits_per_s(1) / 8 * (RECORD_PIECE_S + 2 * RECORD_LEAD_S) * 4 / 3, rel=0.02)
    for length_s in (210, 300, 360, 420):
        count = -(-length_s // RECORD_PIECE_S)
        assert 2 * count * bits_per_s(count) / 8 * (RECORD_PIECE_S + 2 * RECORD_LEAD_S) * 4 / 3 <= MOST_RECORD_BYTES


def test_beats_and_strokes_are_told_in_the_recordings_time():
    chart = part(ROCK, FILL, tempo_bpm=120.0)
    facts = record_facts(chart, 1.0)
    assert facts["bars"][1]["beats"] == [2.0, 2.5, 3.0, 3.5, 4.0]
    assert facts["bars"][0]["struck"] == [0.25 * k for k in range(8)]
    pickup = TimeMap([Bar(Meter(), (1.0, 1.5), length=Meter().bar_length / 2), Bar(Meter(), (2.0, 2.5, 3.0, 3.5))], 4.0)
    bars = record_facts(Chart.empty(pickup), 1.0)["bars"]
    assert bars[0]["beats"] == [0.0, 0.5, 1.0, 1.5, 2.0]


def test_another_recording_is_refused(tmp_path):
    save_audio(tmp_path / "other.wav", Audio(noise(3.0), RATE))
    chart = part(ROCK, recording=Recording("song.wav", "0" * 64, 3.0))
    with pytest.raises(WorkbenchError, match="not the recording"):
        open_recording(chart, tmp_path / "other.wav", tmp_path)
