"""A take recorded in the notebook: what the page sends becomes a file, and the delay is taken out."""

import numpy as np
import pytest
import soundfile

from tests.parts import bar, part
from workbench.checking.recorder import LONGEST_DELAY_S, TakeRecorder, measure_delay_s
from workbench.errors import AnalysisError
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.sound.rendering import click_sample

CHART = part(*[bar(H="x.x.x.x.", S="..x...x.", K="x...x...")] * 8, tempo_bpm=96.0)
CLICKS_S = 0.5 + 0.5 * np.arange(12)


def heard(delay_s, noise=0.01, gain=0.2, lost=()):
    """What a microphone hears of the clicks."""
    rng = np.random.default_rng(1)
    out = rng.normal(0, noise, round(8 * SAMPLE_RATE_HZ))
    click = click_sample(SAMPLE_RATE_HZ)
    for k, at_s in enumerate(CLICKS_S):
        if k not in lost:
            first = round((at_s + delay_s) * SAMPLE_RATE_HZ)
            out[first : first + len(click)] += gain * click
    return out


@pytest.mark.parametrize("delay_s", [0.004, 0.0873, 0.31])
@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_the_delay_is_measured_to_the_millisecond(delay_s, noise):
    assert measure_delay_s(heard(delay_s, noise), CLICKS_S) == pytest.approx(delay_s, abs=0.001)
    assert measure_delay_s(heard(delay_s, noise, lost=(0, 5)), CLICKS_S) == pytest.approx(delay_s, abs=0.001)


def test_clicks_that_are_not_heard_measure_nothing():
    assert measure_delay_s(heard(0.1, gain=0.0), CLICKS_S) is None
    assert measure_delay_s(np.zeros(100), CLICKS_S) is None
    assert measure_delay_s(heard(0.1, lost=range(2, 12)), CLICKS_S) is None
    assert LONGEST_DELAY_S < np.diff(CLICKS_S).min()


def send(recorder, what, samples, first_click_s=0.5):
    """What the page sends of a recording."""
    recorder._receive(None, dict(kind="begin", what=what, first_click_s=first_click_s, clicks=12, apart_s=0.5), [])
    for piece in np.array_split(np.round(samples * 32767).astype("<i2"), 7):
        recorder._receive(None, dict(kind="piece"), [piece.tobytes()])
    recorder._receive(None, dict(kind="end"), [])


def test_what_the_microphone_hears_is_in_the_file_and_the_click_is_known_by_the_delay(tmp_path):
    recorder = TakeRecorder(CHART, tmp_path)
    assert (recorder.click_bpm, recorder.beats) == (96.0, 4)
    with pytest.raises(AnalysisError, match="Nothing is recorded"):
        recorder.assess()
    samples = heard(0.05)
    send(recorder, "take", samples, first_click_s=0.75)
    back, rate = soundfile.read(recorder.recording)
    assert rate == SAMPLE_RATE_HZ and np.abs(back - samples).max() < 1e-4
    assert recorder._click_of_take.start_s is None, "the delay is not known yet"
    send(recorder, "delay", heard(0.12))
    assert recorder.delay_s == pytest.approx(0.12, abs=0.001) and "120 ms" in recorder.message
    send(recorder, "take", samples, first_click_s=0.75)
    assert recorder._click_of_take.start_s == pytest.approx(0.87, abs=0.001)
    assert TakeRecorder(CHART, tmp_path).delay_s == pytest.approx(0.12, abs=0.001), "measured once"


def test_a_microphone_that_is_refused_and_clicks_unheard_are_told(tmp_path):
    recorder = TakeRecorder(CHART, tmp_path)
    recorder._receive(None, dict(kind="refused", reason="Permission denied"), [])
    assert "Permission denied" in recorder.message
    send(recorder, "delay", heard(0.1, gain=0.0))
    assert recorder.delay_s is None and "not heard" in recorder.message


def test_what_came_before_the_page_was_closed_is_kept(tmp_path):
    recorder = TakeRecorder(CHART, tmp_path)
    recorder._receive(None, dict(kind="begin", what="take", first_click_s=0.5, clicks=12, apart_s=0.5), [])
    recorder._receive(None, dict(kind="piece"), [np.full(44100, 1000, "<i2").tobytes()])
    recorder._receive(None, dict(kind="begin", what="take", first_click_s=0.5, clicks=12, apart_s=0.5), [])
    assert any(soundfile.info(p).frames == 44100 for p in tmp_path.glob("*.wav"))


@pytest.mark.parametrize("bars, bpm", [(None, 96.0), ((2, 3), 96.0)])
def test_bars_alone_are_played_to_their_own_tempo(tmp_path, bars, bpm):
    assert TakeRecorder(CHART, tmp_path, bars).click_bpm == bpm
