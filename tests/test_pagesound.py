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
    CARRIED_BPS,
    CARRIED_PEAK,
    carried,
    carried_sound,
    relative_link,
    sound_strokes,
    written_bars,
    written_strokes,
)
from workbench.checking.reportpage import Report, ShownBar
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.sound.rendering import RING_OUT_S


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


def test_what_is_written_of_the_bars_shown_lies_in_one_sound_where_their_buttons_play_it():
    take = assess(LONG[:8])
    chart, alignment = take.playing.chart, take.playing.alignment
    third, sixth = alignment.bars[2], alignment.bars[5]
    shown = [ShownBar("", "", (b.start_s, b.end_s), "", "", ()) for b in (sixth, third)]
    page, sound = written_bars(Report("", (("head", "–"), *(("bar", bar) for bar in shown))), chart, alignment)
    bars = [content for kind, content in page.blocks if kind == "bar"]
    assert [b.stretch for b in bars] == [b.stretch for b in shown] and page.blocks[0] == ("head", "–")
    whole = sound_strokes(written_strokes(chart, alignment))
    for bar, aligned in zip(bars, (sixth, third)):
        (from_s, to_s), length_s = bar.written_at, aligned.end_s - aligned.start_s
        assert to_s - from_s == pytest.approx(length_s)
        alone, among = (loudness(x, at, length_s) for x, at in ((sound, from_s), (whole, aligned.start_s)))
        assert np.corrcoef(alone, among)[0, 1] > 0.9
    # They ring out, and nothing else sounds.
    assert len(sound) / SAMPLE_RATE_HZ == pytest.approx(2 * (length_s + RING_OUT_S), abs=0.01)
    assert len(written_bars(Report("", ()), chart, alignment)[1]) == 0


def loudness(sound, at_s, length_s):
    """The loudness of a stretch, in steps of 20 ms."""
    step = SAMPLE_RATE_HZ // 50
    heard = sound[round(at_s * SAMPLE_RATE_HZ) :][: int(50 * length_s) * step]
    return np.abs(heard).reshape(-1, step).max(axis=1)


def test_carried_sound_has_a_constant_rate_so_that_browsers_find_a_time_in_it():
    """Where it is silent, too; the bit rate of a frame is told by its third byte (ISO/IEC 11172-3, 2.4.2.3)."""
    sound = np.random.default_rng(0).uniform(-0.5, 0.5, 4 * SAMPLE_RATE_HZ)
    sound[SAMPLE_RATE_HZ : 3 * SAMPLE_RATE_HZ] = 0
    coded = base64.b64decode(carried(sound).partition(",")[2])
    at, frames = 144 * 128_000 // SAMPLE_RATE_HZ, 0  # after the tag
    while at < len(coded):
        assert coded[at] == 0xFF and coded[at + 2] >> 4 == 8, "112 kbit/s"
        at, frames = at + 144 * CARRIED_BPS // SAMPLE_RATE_HZ + (coded[at + 2] >> 1 & 1), frames + 1
    assert at == len(coded) and frames == pytest.approx(len(sound) / 1152, abs=3)


def test_carried_sound_comes_back():
    tone = 1.7 * np.sin(np.arange(SAMPLE_RATE_HZ) / 20)
    back, rate = soundfile.read(io.BytesIO(base64.b64decode(carried(tone).partition(",")[2])))
    assert rate == SAMPLE_RATE_HZ and np.abs(back).max() == pytest.approx(CARRIED_PEAK, abs=0.05)


def test_a_recording_that_is_gone_is_linked(tmp_path):
    # A link is a relative reference (RFC 3986, 4.2), in which "#" must be written %23.
    assert relative_link(tmp_path / "a#b.wav", tmp_path / "out/page.html") == "../a%23b.wav"
    assert carried_sound(tmp_path / "a#b.wav", tmp_path / "out/page.html") == "../a%23b.wav"
