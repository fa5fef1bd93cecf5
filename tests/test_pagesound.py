"""Sound that a page carries: what is written lies where the recording plays it."""

import base64
import io

import numpy as np
import pytest
import soundfile

from tests.takes import LONG, assess
from workbench.alignment.alignedbars import AlignedBar, Alignment
from workbench.chart.events import Stroke
from workbench.checking.pagesound import (
    CARRIED_PEAK,
    carried,
    carried_sound,
    relative_link,
    sound_strokes,
    written_strokes,
)
from workbench.files.audio import SAMPLE_RATE_HZ


def test_what_is_written_sounds_at_the_recordings_time():
    take = assess(LONG[:8], mean_ms={"snare": 40.0})
    chart, alignment = take.playing.chart, take.playing.alignment
    strokes = written_strokes(chart, alignment)
    assert len(strokes) == sum(len(b.notes) for b in LONG[:8])
    played = {name: t for name, t, _ in reversed(take.playing.deviations)}
    first = {s.instrument: s.time_s for s in reversed(strokes)}
    assert first["kick"] == pytest.approx(played["kick"], abs=0.03)
    # A bar played at half the tempo takes twice the time, and comes when it is played.
    slow = Alignment((AlignedBar(3, 10.0, 14.8),), 1.0)
    own = written_strokes(chart, Alignment((AlignedBar(3, 10.0, 12.4),), 1.0))
    assert [s.time_s - 10 for s in written_strokes(chart, slow)] == pytest.approx([2 * (s.time_s - 10) for s in own])


def test_strokes_sound_at_their_times():
    sound = sound_strokes([Stroke(0.5, "snare", 110), Stroke(1.5, "kick", 110)])
    loud = np.flatnonzero(np.abs(sound) > 0.02) / SAMPLE_RATE_HZ
    assert loud[0] == pytest.approx(0.5, abs=0.005) and np.abs(sound).max() <= 1
    assert loud[loud > 1.2][0] == pytest.approx(1.5, abs=0.02)
    assert not sound_strokes([]).any()


def test_carried_sound_comes_back():
    tone = 1.7 * np.sin(np.arange(SAMPLE_RATE_HZ) / 20)
    back, rate = soundfile.read(io.BytesIO(base64.b64decode(carried(tone).partition(",")[2])))
    assert rate == SAMPLE_RATE_HZ and np.abs(back).max() == pytest.approx(CARRIED_PEAK, abs=0.05)


def test_a_recording_that_is_gone_is_linked(tmp_path):
    # A link is a relative reference (RFC 3986, 4.2), in which "#" must be written %23.
    assert relative_link(tmp_path / "a#b.wav", tmp_path / "out/page.html") == "../a%23b.wav"
    assert carried_sound(tmp_path / "a#b.wav", tmp_path / "out/page.html") == "../a%23b.wav"
