"""The second pass over a song: what its own bars say of each stroke."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from workbench.chart.drumkit import DETECTED
from workbench.chart.events import Stroke
from workbench.chart.meter import TimeMap
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.activations import Activations
from workbench.listening.detect import detect_strokes, read_calibration
from workbench.listening.same_sound import whiten
from workbench.listening.second_pass import (
    CANDIDATE_MEASURES,
    FAINT_WRITTEN_FROM,
    find_candidates,
    read_network,
    second_pass,
)
from workbench.listening.timbre import LEVEL_BANDS, SOUND_MEASURES

BARS, BEAT_S = 8, 0.5
TIME_MAP = TimeMap.steady(BARS, 60 / BEAT_S)
HAT, KICK, SNARE, OPEN = (DETECTED.index(name) for name in ("closed hi-hat", "kick", "snare", "open hi-hat"))


def song(**changed):
    """Eighths on the hi-hat, kick on 1 and 3, snare on 2 and 4; ``changed`` are heights of hats by eighth ("e12")."""
    onset = np.full((round(BARS * 4 * BEAT_S * 100) + 50, len(DETECTED)), 0.01, np.float32)
    for eighth in range(BARS * 8):
        frame = round(eighth * BEAT_S / 2 * 100)
        onset[frame, HAT] = changed.get(f"e{eighth}", 0.97)
        if eighth % 2 == 0:
            onset[frame, KICK if eighth % 4 == 0 else SNARE] = 0.97
    nothing = np.zeros(len(onset), np.float32)
    return Activations(100.0, DETECTED, onset, np.full_like(onset, 0.6), nothing, nothing)


def heard_again(activations, more=()):
    return second_pass(activations, [*detect_strokes(activations), *more], TIME_MAP)


def test_a_song_in_which_all_is_heard_suggests_nothing_and_every_stroke_is_sure():
    again = heard_again(song())
    assert not again.possible_hits and len(again.strokes) == BARS * 12
    assert min(s.confidence for s in again.strokes) > 0.85


@pytest.mark.parametrize("height", [0.17, 0.19])
def test_a_very_faint_stroke_that_other_bars_have_is_suggested_with_that_reason(height):
    (hit,) = heard_again(song(e21=height)).possible_hits
    assert hit.instrument == "closed hi-hat" and hit.time_s == pytest.approx(21 * BEAT_S / 2, abs=0.02)
    assert hit.probability >= 0.36
    assert "6 of the 6 bars" in hit.reason


def samples_of(silent_at_s=-1.0):
    """Noise in which each hat of :func:`song` is one sound, as a machine plays it; nowhere louder than the noise."""
    rng = np.random.default_rng(5)
    samples = 0.3 * rng.standard_normal(round((BARS * 4 * BEAT_S + 0.5) * SAMPLE_RATE_HZ)).astype(np.float32)
    hat = (rng.standard_normal(2000) * np.exp(-np.arange(2000) / 400)).astype(np.float32)
    for time_s in np.arange(BARS * 8) * BEAT_S / 2:
        if abs(time_s - silent_at_s) > 0.01:
            at = round(time_s * SAMPLE_RATE_HZ)
            samples[at : at + 2000] += hat
    return samples


def test_a_faint_stroke_with_the_drums_very_sound_is_likelier_and_that_is_said():
    heard = song(e21=0.17)
    detected, white = detect_strokes(heard), whiten(samples_of())
    (before,), after = (
        second_pass(heard, detected, TIME_MAP).possible_hits,
        second_pass(heard, detected, TIME_MAP, white),
    )
    now = [h for h in (*after.possible_hits, *after.strokes) if abs(h.time_s - before.time_s) < 0.01]
    now = [h for h in now if h.instrument == "closed hi-hat"]
    assert (now[0].probability if after.possible_hits else now[0].confidence) > before.probability + 0.1
    assert not after.possible_hits or "very sound" in now[0].reason


def test_a_detected_stroke_without_it_is_less_sure_and_one_with_it_as_sure_as_before():
    heard = song()
    detected, white = detect_strokes(heard), whiten(samples_of(silent_at_s=21 * BEAT_S / 2))
    sure = {s.time_s: s.confidence for s in heard_again(heard).strokes if s.instrument == "closed hi-hat"}
    told = {s.time_s: s.confidence for s in second_pass(heard, detected, TIME_MAP, white).strokes}
    (silent,) = (t for t in sure if abs(t - 21 * BEAT_S / 2) < 0.02)
    assert (1 - told[silent]) > 3 * (1 - sure[silent])
    assert all(told[t] == sure[t] for t in sure if t != silent)


def test_a_stroke_with_the_very_sound_of_another_drum_is_that_drums():
    """One hat is heard as an open one, a closed one only faintly; its sound is that of all the other closed ones."""
    heard = song()
    at = round(21 * BEAT_S / 2 * 100)
    heard.onset[at, [HAT, OPEN]] = 0.3, 0.75
    for frame in range(25, 1500, 220):  # open ones that lie between the eighths
        heard.onset[frame + 12, OPEN] = 0.95
    detected = detect_strokes(heard)
    assert [s.instrument for s in detected if abs(s.time_s - at / 100) < 0.02 and "hat" in s.instrument] == [
        "open hi-hat"
    ]
    samples = samples_of()
    rng = np.random.default_rng(6)
    ring = (rng.standard_normal(4000) * np.exp(-np.arange(4000) / 2000)).astype(np.float32)
    for s in detected:
        if s.instrument == "open hi-hat" and abs(s.time_s - at / 100) > 0.02:
            first = round(s.time_s * SAMPLE_RATE_HZ)
            samples[first : first + 4000] += ring
    names = {}
    for white in (None, whiten(samples)):
        told = second_pass(heard, detected, TIME_MAP, white).strokes
        names[white is None] = [s.instrument for s in told if abs(s.time_s - at / 100) < 0.02 and "hat" in s.instrument]
    assert names == {True: ["open hi-hat"], False: ["closed hi-hat"]}


@pytest.mark.parametrize("height", [0.3, 0.45])
def test_a_faint_stroke_that_other_bars_have_is_written(height):
    again = heard_again(song(e21=height))
    (added,) = [s for s in again.strokes if abs(s.time_s - 21 * BEAT_S / 2) < 0.02]
    assert added.instrument == "closed hi-hat" and added.confidence >= FAINT_WRITTEN_FROM and not again.possible_hits


def test_of_one_surface_the_likelier_stroke_is_written(monkeypatch):
    """An open hi-hat, below the threshold, where the detector heard a closed one."""
    activations, at_s = song(e21=0.7), 21 * BEAT_S / 2
    activations.onset[round(at_s * 100), OPEN] = 0.35
    for open_sure, name in ((0.7, "open hi-hat"), (0.61, "closed hi-hat"), (0.55, "closed hi-hat")):
        sure = {OPEN: open_sure, HAT: 0.65}
        network = SimpleNamespace(probabilities=lambda found, s=sure: np.array([s.get(c, 0.9) for c in found.column]))
        monkeypatch.setattr("workbench.listening.second_pass.read_network", lambda n=network: n)
        there = [s.instrument for s in heard_again(activations).strokes if abs(s.time_s - at_s) < 0.02]
        assert there == [name]


def test_what_like_bars_have_moves_the_probability():
    alone, together = song(e21=0.4), song(**{f"e{8 * k + 5}": 0.4 if k == 2 else 0.01 for k in range(BARS)})
    likely = []
    for activations in (alone, together):
        found = find_candidates(activations, detect_strokes(activations), TIME_MAP, read_calibration())
        (k,) = np.flatnonzero((np.abs(found.time_s - 21 * BEAT_S / 2) < 0.02) & (found.column == HAT))
        likely.append(read_network().probabilities(found)[k])
    assert likely[0] > likely[1]


def test_measures_are_finite_and_told_by_name():
    activations = song(e21=0.3)
    found = find_candidates(activations, detect_strokes(activations), TIME_MAP, read_calibration())
    assert found.measures.shape == (len(found.time_s), len(CANDIDATE_MEASURES))
    heard = [name not in SOUND_MEASURES for name in CANDIDATE_MEASURES]  # of levels these activations have none
    assert np.isfinite(found.measures[:, heard]).all()
    (k,) = np.flatnonzero((np.abs(found.time_s - 21 * BEAT_S / 2) < 0.02) & (found.column == HAT))
    measured = dict(zip(CANDIDATE_MEASURES, found.measures[k], strict=True))
    # The seven other bars have it there; the hats beside it are an eighth away.
    assert measured["written there"] == pytest.approx(1) and not measured["detected"]
    assert measured["gap before"] == measured["gap after"] == pytest.approx(np.log(BEAT_S / 2 + 0.02), abs=0.05)


def test_what_sounds_like_the_songs_own_strokes_is_likelier():
    """A faint peak of a hi-hat that no other bar has: with the sound of one, with that of a snare, and in silence."""
    activations, at = song(e21=0.01), 21 * BEAT_S / 2 + BEAT_S / 4
    activations.onset[round(at * 100), HAT] = 0.3
    strokes = detect_strokes(activations)
    bands = {"kick": slice(0, 12), "snare": slice(10, 34), "closed hi-hat": slice(26, 40)}

    def likely(sounding):
        levels = np.full((len(activations.onset), 2, LEVEL_BANDS), -5, np.float16)
        struck = [(s.time_s, s.instrument) for s in strokes] + [(at, name) for name in sounding]
        for time_s, name in struck:
            for k in range(12):
                here = levels[round(time_s * 100) + k, :, bands[name]]
                here[:] = np.maximum(here, 1 - 0.3 * k)
        found = find_candidates(replace(activations, levels=levels), strokes, TIME_MAP, read_calibration())
        (k,) = np.flatnonzero((np.abs(found.time_s - at) < 0.02) & (found.column == HAT))
        return read_network().probabilities(found)[k]

    assert likely(["closed hi-hat"]) > 1.3 * max(likely(["snare"]), likely([]))


def test_long_recordings_are_cut_and_nothing_changes_where_all_bars_are_compared(monkeypatch):
    activations = song(e21=0.4)
    strokes, calibration = detect_strokes(activations), read_calibration()
    whole = find_candidates(activations, strokes, TIME_MAP, calibration)
    monkeypatch.setattr("workbench.listening.second_pass.COMPARED_BARS", BARS // 2)
    cut = find_candidates(activations, strokes, TIME_MAP, calibration)
    assert np.array_equal(cut.time_s, whole.time_s) and np.array_equal(cut.like_with, whole.like_with)
    assert cut.measures == pytest.approx(whole.measures, abs=1e-4, nan_ok=True)
    monkeypatch.setattr("workbench.listening.second_pass.COMPARED_BARS", 1)
    near = find_candidates(activations, strokes, TIME_MAP, calibration)
    assert near.like_bars.max() == 2 < whole.like_bars.max(), "each bar with its neighbours only"


def test_a_stroke_that_is_written_is_not_suggested_again():
    written = Stroke(21 * BEAT_S / 2, "closed hi-hat", 70, 0.4)
    assert heard_again(song(e21=0.15), [written]).possible_hits == []


def test_silence_and_a_single_bar_pass():
    nothing = np.zeros((300, len(DETECTED)), np.float32)
    silent = Activations(100.0, DETECTED, nothing, nothing, nothing[:, 0], nothing[:, 0])
    again = second_pass(silent, [], TimeMap.steady(1, 120))
    assert (again.strokes, again.possible_hits) == ([], [])


def test_what_was_only_heard_is_never_certain(monkeypatch):
    """A confidence of 1 means that somebody wrote the hit: what is said of it is told as a fact."""
    certain = SimpleNamespace(probabilities=lambda found: np.ones(len(found.time_s)))
    monkeypatch.setattr("workbench.listening.second_pass.read_network", lambda: certain)
    again = heard_again(song(e21=0.3))
    assert len(again.strokes) >= BARS * 12 and {s.confidence for s in again.strokes} == {0.999}
