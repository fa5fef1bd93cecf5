"""The network that follows a whole song, and what it has to say where bars are chosen."""

from dataclasses import replace
from types import SimpleNamespace

import mir_eval
import numpy as np
import pytest

from workbench.chart.drumkit import INSTRUMENTS
from workbench.chart.events import Stroke
from workbench.errors import AnalysisError
from workbench.listening import song_pulse as module
from workbench.listening.activations import Activations
from workbench.listening.chooser import Heard
from workbench.listening.grids import Grid
from workbench.listening.harmony import Harmony
from workbench.listening.pulse import Pulse
from workbench.listening.song_pulse import (
    PULSE_ROWS,
    SONG_PICTURE_RATE_HZ,
    STROKE_ROW,
    SongPulse,
    agreements,
    picture,
    song_pulse,
)


def rock(tempo_bpm=110.0, bars=16, first_s=0.7):
    """Eighths on the hi-hat, kick on 1 and 3, snare on 2 and 4, a crash on every fourth 1 (common practice)."""
    beat_s, strokes = 60.0 / tempo_bpm, []
    for k in range(8 * bars):
        at = first_s + k * beat_s / 2
        strokes.append(Stroke(at, "crash" if k % 32 == 0 else "closed hi-hat", 100 if k % 2 == 0 else 70))
        if k % 2 == 0:
            strokes.append(Stroke(at, "kick" if k % 4 == 0 else "snare", 110))
    return strokes, first_s + beat_s * np.arange(4 * bars)


def silent(seconds, rate_hz=100.0):
    """Activations in which neither strokes nor beats are heard."""
    n = int(seconds * rate_hz)
    nothing = np.zeros((n, 1), np.float32)
    return Activations(rate_hz, ("kick",), nothing, nothing, np.zeros(n, np.float32), np.zeros(n, np.float32))


def heard(strokes, seconds):
    return Heard(silent(seconds), strokes, None)


def peaks_s(row, above=0.3):
    inner = row[1:-1]
    return (1 + np.flatnonzero((inner > above) & (inner >= row[:-2]) & (inner > row[2:]))) / SONG_PICTURE_RATE_HZ


def test_every_instrument_of_the_key_has_a_row():
    assert {i.name for i in INSTRUMENTS} == set(STROKE_ROW)


def test_strokes_are_drawn_where_and_as_loud_as_they_are():
    shown = picture(silent(4), [Stroke(1.0, "kick", 127), Stroke(2.01, "snare", 64, 0.5)], None)
    assert shown.shape == (14, 4 * SONG_PICTURE_RATE_HZ)
    assert shown[STROKE_ROW["kick"], 50] == pytest.approx(1.0)
    # Between two frames: half in each.
    assert shown[STROKE_ROW["snare"], 100:102] == pytest.approx([0.5 * 0.5 * (0.3 + 0.7 * 64 / 127)] * 2)
    shown[STROKE_ROW["kick"], 50] = shown[STROKE_ROW["snare"], 100:102] = 0
    assert not shown.any()


def test_beats_as_heard_and_changes_of_harmony_are_drawn():
    activations = silent(4)
    activations.beat[151] = 0.75
    classes = np.zeros((40, 24), np.float32)
    classes[:20, [0, 12]] = 1.0
    classes[20:, [5, 17]] = 1.0
    shown = picture(activations, [], Harmony(10.0, classes))
    assert shown[PULSE_ROWS][0].argmax() == 75 and shown[PULSE_ROWS][0].max() == pytest.approx(0.75)
    for row in shown[PULSE_ROWS.stop :]:
        assert 1.9 <= row.argmax() / SONG_PICTURE_RATE_HZ <= 2.3 and row.max() > 0.8
        assert row[:80].max() < 0.1


@pytest.mark.parametrize("tempo_bpm", [92.0, 110.0, 128.0])
def test_strokes_alone_tell_the_beats_and_the_ones_of_a_plain_song(tempo_bpm):
    """Measured with mir_eval (MIT licence): F of beats and downbeats at ±70 ms."""
    strokes, beats_s = rock(tempo_bpm)
    pulse = song_pulse().hear(heard(strokes, beats_s[-1] + 2))
    assert mir_eval.beat.f_measure(beats_s, peaks_s(pulse.beat)) > 0.9
    assert mir_eval.beat.f_measure(beats_s[::4], peaks_s(pulse.downbeat)) > 0.8


def candidate(beats_s, first):
    starts = tuple(range(first, len(beats_s), 4))
    return SimpleNamespace(grid=Grid(beats_s), path=SimpleNamespace(starts=starts))


def test_readings_are_weighed_by_how_they_agree():
    strokes, beats_s = rock()
    found = [candidate(beats_s, first) for first in (0, 1, 2, 3)] + [candidate(beats_s + 0.27, 0)]
    even = np.full(len(found), 1 / len(found))
    weighed = song_pulse().weigh(even, heard(strokes, beats_s[-1] + 2), found)
    assert weighed.argmax() == 0 and weighed.sum() == pytest.approx(1.0)
    assert weighed[4] < 0.2 * weighed[0]


def test_what_was_certain_before_stays():
    """It is one opinion of several: a reading at 0.9999 is not turned by it."""
    strokes, beats_s = rock()
    found = [candidate(beats_s, 0), candidate(beats_s, 2)]
    weighed = song_pulse().weigh(np.array([0.0001, 0.9999]), heard(strokes, beats_s[-1] + 2), found)
    assert weighed.argmax() == 1


def test_a_recording_begins_with_a_bar():
    """Of two readings that nothing tells apart the one is likelier whose bar begins with the first sound."""
    beats_s = 0.7 + 0.5 * np.arange(64)
    found = [candidate(beats_s, 0), candidate(beats_s, 2)]
    even = np.array([0.5, 0.5])
    for begins_s, first in ((0.72, 0), (1.72, 1)):
        song = Heard(replace(silent(33), begins_s=begins_s), [], None)
        network = SimpleNamespace(run=lambda *_: [np.zeros((1, 2, 1652), np.float32)])
        pulse = SongPulse(network, 1.0, 0.2, 0.2, 1.4)
        weighed = pulse.weigh(even, song, found)
        assert weighed.argmax() == first and weighed.max() > 0.7
    unknown = pulse.weigh(even, Heard(silent(33), [], None), found)
    assert unknown == pytest.approx(even, abs=0.02)


def test_agreement_is_that_of_beats_and_of_lines():
    pulse = Pulse(50.0, np.full(600, 0.2), np.full(600, 0.3))
    beats_s = np.arange(1.0, 9.0, 0.5)
    found = [candidate(beats_s, 0), candidate(beats_s, -2), candidate(beats_s, 16)]
    scores = agreements(pulse, found)
    assert np.allclose(scores[:, 0], pulse.score(beats_s))
    assert scores[1, 1] == pytest.approx(pulse.score(beats_s[2::4], "downbeat")) and scores[2, 1] == 0.0


def test_songs_of_any_length_are_read_to_the_last_frame():
    for seconds in (1.01, 2.5, 61.03):
        assert len(song_pulse().hear(heard([Stroke(0.5, "kick")], seconds)).beat) == int(seconds * 100) // 2


def test_missing_weights_are_told(monkeypatch):
    def nothing(*_):
        raise FileNotFoundError

    monkeypatch.setattr(module, "open_packaged", nothing)
    with pytest.raises(AnalysisError, match="missing or damaged"):
        module.song_pulse.__wrapped__()
