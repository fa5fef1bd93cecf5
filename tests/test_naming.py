"""Toms named by their pitch in the song.

That the higher drum is the higher tom: common practice, no source.
"""

import numpy as np
import pytest

from workbench.chart.drumkit import DETECTED, THREE_TOMS
from workbench.chart.events import Stroke
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.activations import Activations
from workbench.listening.naming import PITCH_HZ, cut_by_pitch, low_levels, measure, name_by_song, pitches
from workbench.listening.naming import find_moments as moments_of

STEP_S = 0.3
COLUMNS = [DETECTED.index(name) for name in THREE_TOMS]


def toms(*hz):
    """Drums struck one after the other, each a decaying tone."""
    t = np.arange(round(STEP_S * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    silence = np.zeros(SAMPLE_RATE_HZ // 2)
    return np.concatenate([silence, *(np.sin(2 * np.pi * f * t) * np.exp(-8 * t) for f in hz), silence]).astype("f")


def heard(inclined):
    """Activations that are so inclined (n, toms), and the strokes of each moment, all of those from a half on."""
    frames = np.round((0.5 + STEP_S * np.arange(len(inclined))) * 100).astype(int)
    onset = np.full((frames[-1] + 80, len(DETECTED)), 0.01, np.float32)
    onset[frames[:, None], COLUMNS] = inclined
    nothing = np.zeros(len(onset), np.float32)
    strokes = [
        Stroke(float(frame / 100), name, 90, float(p))
        for frame, row in zip(frames, inclined)
        for name, p in zip(THREE_TOMS, row)
        if p >= 0.5
    ]
    return Activations(100.0, DETECTED, onset, np.full_like(onset, 0.7), nothing, nothing), strokes


@pytest.mark.parametrize("hz", [60, 95, 140, 220, 350])
def test_the_pitch_of_a_tom_is_its_tone(hz):
    (found,) = pitches(low_levels(toms(hz), np.array([0.5])))
    assert found == pytest.approx(12 * np.log2(hz / 100), abs=0.5)


def test_what_rings_on_is_not_the_pitch_of_the_next_attack():
    ringing = np.sin(2 * np.pi * 55 * np.arange(2 * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ)
    both = toms(150, 150)
    both += 2 * ringing[: len(both)]
    level = low_levels(both.astype("f"), np.array([0.5, 0.8]))
    assert np.all(np.abs(PITCH_HZ[level.argmax(axis=1)] - 150) < 10)


def test_three_drums_bear_their_names_in_order_of_pitch_though_two_are_heard_as_one():
    played = [220, 140, 90] * 4
    activations, strokes = heard(np.tile([[0.95, 0.3, 0.05], [0.8, 0.45, 0.1], [0.1, 0.4, 0.8]], (4, 1)))
    _, named = name_by_song(toms(*played), activations, strokes)
    assert [s.instrument for s in named] == list(THREE_TOMS) * 4


def test_one_drum_heard_as_two_is_one_stroke_and_one_name():
    activations, strokes = heard(np.array([[0.7, 0.8, 0.1], [0.8, 0.7, 0.1], [0.3, 0.9, 0.1], [0.55, 0.9, 0.1]] * 3))
    assert len(strokes) == 21
    again, named = name_by_song(toms(*[150] * 12), activations, strokes)
    assert len(named) == 12 and len({s.instrument for s in named}) == 1
    # What is asked later hears the same names.
    (column,) = {again.column(s.instrument) for s in named}
    frames = [round(s.time_s * 100) for s in named]
    assert np.all(again.onset[frames].argmax(axis=1) == column)
    np.testing.assert_allclose(again.onset[frames, column], activations.onset[frames].max(axis=1))


def test_all_else_stays_as_it_was():
    activations, strokes = heard(np.array([[0.9, 0.1, 0.1], [0.1, 0.1, 0.9]]))
    others = [Stroke(0.2, "kick", 100, 0.9), Stroke(0.5, "snare", 90, 0.8)]
    again, named = name_by_song(toms(200, 90), activations, [*strokes, *others])
    assert [s for s in named if s.instrument not in THREE_TOMS] == others and named == sorted(named)
    rest = np.delete(np.arange(len(DETECTED)), COLUMNS)
    np.testing.assert_array_equal(again.onset[:, rest], activations.onset[:, rest])
    assert name_by_song(toms(200), activations, others) == (activations, others)


def test_no_more_drums_than_there_are_pitches():
    rng = np.random.default_rng(1)
    pitch, indifferent = rng.normal(0, 0.3, 60), np.log(np.full((60, 3), 1 / 3))
    named, away = cut_by_pitch(pitch, indifferent, np.ones(60))
    assert len(set(named)) == 1 and np.count_nonzero(away.min(axis=0) < 1) == 1
    two = np.concatenate([pitch[:30] + 12, pitch[30:]])
    named, _ = cut_by_pitch(two, indifferent, np.ones(60))
    assert len(set(named[:30])) == len(set(named[30:])) == 1 and named[0] < named[-1]


def test_a_stroke_whose_pitch_is_nobodys_is_called_as_it_was_heard():
    pitch = np.array([10.0] * 6 + [0.0] * 6 + [25.0])
    likely = np.log(np.array([[0.9, 0.05, 0.05]] * 6 + [[0.05, 0.05, 0.9]] * 7))
    named, _ = cut_by_pitch(pitch, likely, np.ones(13))
    assert list(named) == [0] * 6 + [2] * 7


def test_strokes_of_one_tom_close_together_are_two_moments():
    activations, _ = heard(np.array([[0.9, 0.1, 0.1]]))
    strokes = [Stroke(0.48, "high tom", 40, 0.6), Stroke(0.5, "high tom", 90, 0.9), Stroke(0.5, "mid tom", 90, 0.7)]
    found = moments_of(activations, strokes)
    assert [[s.instrument for s in there] for there in found.strokes] == [["high tom"], ["high tom", "mid tom"]]
    assert measure(low_levels(toms(200), found.time_s), found).shape[0] == 2


def test_names_that_contradict_the_pitches_are_not_believed(monkeypatch):
    class Contrary:
        def probabilities(self, measures):
            return np.tile([[0.02, 0.02, 0.96], [0.96, 0.02, 0.02]], (len(measures) // 2, 1))

    monkeypatch.setattr("workbench.listening.naming.read_network", Contrary)
    activations, strokes = heard(np.array([[0.9, 0.1, 0.1], [0.1, 0.8, 0.3]] * 6))
    _, named = name_by_song(toms(*[200, 90] * 6), activations, strokes)
    assert [s.instrument for s in named] == ["high tom", "mid tom"] * 6
