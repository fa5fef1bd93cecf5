"""From a recording to strokes and pulse."""

import numpy as np
import pytest

import workbench as wb
from workbench.errors import AudioError
from workbench.files.audio import Audio, load_audio, save_audio
from workbench.listening.transcription import transcribe

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def passage(tmp_path_factory):
    """Twelve seconds of the demo song."""
    path = tmp_path_factory.mktemp("passage") / "passage.wav"
    song = load_audio(wb.demo_song())
    save_audio(path, song.excerpt(10.0, 22.0))
    return path


def test_what_a_check_begins_with_has_readings_of_the_bars(passage):
    told = []
    heard = transcribe(passage, progress=lambda done, what: told.append(done))
    assert list(heard.strokes) == sorted(heard.strokes) and len(heard.strokes) > 40
    assert np.all(np.diff(heard.beat_times_s) > 0) and heard.duration_s == pytest.approx(12.0)
    assert heard.readings and told == sorted(told) and told[-1] == 1.0


def test_what_a_take_begins_with_has_exact_strokes_and_no_bars(passage):
    exact, plain = transcribe(passage, exact=True), transcribe(passage)
    assert not exact.readings and len(exact.strokes) == len(plain.strokes)
    moved = [abs(a.time_s - b.time_s) for a, b in zip(exact.strokes, sorted(plain.strokes))]
    assert 0 < np.median(moved) < 0.02


def test_silence_is_refused(tmp_path):
    save_audio(tmp_path / "a.wav", Audio(np.zeros(88200), 44100))
    with pytest.raises(AudioError, match="silent"):
        transcribe(tmp_path / "a.wav")
