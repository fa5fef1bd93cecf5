"""Composed songs: bars that are known, and sound that keeps to them."""

import numpy as np
import pytest

from workbench.chart.drumkit import DETECTED
from workbench.chart.meter import Meter
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.chooser import SONG_METERS
from workbench.training import composed_songs
from workbench.training.bar_songs import BarSong
from workbench.training.composed_songs import (
    ComposedMaterial,
    add_waves,
    compose,
    draw_times,
    make_composed_song,
    make_ideal_song,
)
from workbench.training.library import KitVoice, Library
from workbench.training.performances import CRASH, KICK, RIDE, SNARE, Performance
from workbench.training.song_form import beat_quarters
from workbench.training.sources import OTHER


def performance(beats_per_bar=4, bars=40):
    beat = np.arange(beats_per_bar * bars, dtype=float)
    place = beat % beats_per_bar
    instrument = np.where(place == 0, KICK, np.where(place == beats_per_bar - 1, SNARE, RIDE))
    return Performance(beat, instrument, np.full(len(beat), 0.7), beats_per_bar, float(len(beat)), 110.0)


GROOVES, FILLS = [performance(), performance(3)], [performance(4, 1)]


def library():
    """Every instrument one click of noise; the backing's are plain waves."""
    samples = np.random.default_rng(0).normal(0, 0.3, 4000).astype(np.float32) * np.exp(-np.arange(4000) / 600)
    voices = {name: [KitVoice("kit", [(0, 4000)], 100.0)] for name in (*DETECTED, OTHER)}
    notes = {role: [] for role in ("bass", "guitar", "keys", "pad", "lead")}
    kits = {"kit": {name: [0] for name in voices}}
    made = Library(samples.astype(np.float32), voices, kits, notes, [], [])
    add_waves(made)
    notes["guitar"] += notes["keys"]
    return made


@pytest.mark.parametrize("drummer", ["human", "rule", "machine", "chip"])
@pytest.mark.parametrize("meter", SONG_METERS, ids=str)
def test_beats_are_counted_bar_by_bar(meter, drummer):
    song = compose(np.random.default_rng(9), GROOVES, FILLS, meter, 40.0, drummer)
    assert (np.diff(song.beats) > 0.4).all() and song.strokes == sorted(song.strokes)
    after = song.numbers[1:][np.diff(song.numbers) != 1]
    assert set(after.tolist()) <= {1}
    if set(np.round(np.diff(song.beats), 3)) == {round(beat_quarters(meter), 3)}:
        ones = np.flatnonzero(song.numbers == 1)
        assert set(np.diff(ones).tolist()) == {meter.counted_beats}


def test_sections_begin_with_crashes():
    rng, near = np.random.default_rng(10), []
    for _ in range(30):
        song = compose(rng, GROOVES, FILLS, Meter(4, 4), 60.0, "rule")
        ones = song.beats[song.numbers == 1]
        for at, instrument, _ in song.strokes:
            if instrument == CRASH and at > 0:
                near.append(np.abs(ones - at).min() < 0.01)
    # Cymbals keep time in some songs, too.
    assert sum(near) > 100


def test_players_drift_and_machines_do_not():
    rng = np.random.default_rng(11)
    for drummer, steady in (("machine", True), ("rule", False)):
        spread = []
        for _ in range(20):
            grid, seconds = draw_times(rng, song := compose(rng, GROOVES, FILLS, Meter(4, 4), 40.0, drummer))
            assert (np.diff(seconds) > 0).all() and np.interp(song.beats[0], grid, seconds) == pytest.approx(0.0)
            spread.append(np.std(np.diff(seconds)) / np.mean(np.diff(seconds)))
        assert (max(spread) < 1e-6) == steady


def test_a_song_sounds_on_its_beats_and_is_kept_with_them(tmp_path, monkeypatch):
    heard = {}

    def keep(path, group, meter, beats_s, numbers, activations, harmony):
        heard.update(path=path, meter=meter, beats_s=beats_s, numbers=numbers, samples=activations)

    monkeypatch.setattr(composed_songs, "keep_song", keep)
    monkeypatch.setattr(composed_songs, "compute_activations", lambda samples: samples)
    monkeypatch.setattr(composed_songs, "hear_harmony", lambda samples: None)
    monkeypatch.setattr(composed_songs, "DRUMMERS", (("machine", 1.0),))
    monkeypatch.setattr(composed_songs, "SONG_LENGTHS_S", (12.0,))
    sounds = library()
    make_composed_song(ComposedMaterial(sounds, sounds, GROOVES, FILLS), tmp_path, 3)
    assert heard["path"].name.startswith("composed-machine-3-")
    assert Meter.parse(heard["meter"]) in SONG_METERS
    beats_s, samples = heard["beats_s"], heard["samples"]
    assert len(samples) == 12 * SAMPLE_RATE_HZ and np.isfinite(samples).all() and np.abs(samples).max() > 0.01
    assert len(beats_s) == len(heard["numbers"]) > 8 and (beats_s >= 0).all() and (beats_s < 12).all()


def test_an_ideal_song_is_heard_as_it_is_composed(tmp_path):
    for seed in range(6):
        make_ideal_song(tmp_path, seed)
    for path in tmp_path.glob("*.npz"):
        song = BarSong.read(path)
        at = np.round(song.beats_s * song.activations.frame_rate_hz).astype(int)
        assert (song.activations.beat[at] >= 0.4).all() and song.strokes
        assert Meter.parse(song.meter).counted_beats == song.numbers.max()
        struck = np.array([s.time_s for s in song.strokes])
        near = np.abs(struck[:, None] - song.beats_s[None, song.numbers == 1]).min(axis=0) < 0.03
        assert near.mean() > 0.4
