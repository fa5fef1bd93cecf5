"""What the network of the whole song learns from."""

import numpy as np
import pytest

from workbench.chart.drumkit import DETECTED
from workbench.listening.song_pulse import PICTURE_ROWS, SONG_PICTURE_RATE_HZ, STROKE_ROW, STROKE_ROWS
from workbench.training.performances import Performance
from workbench.training.song_pictures import (
    EXAMPLE_FRAMES,
    SHARES,
    Example,
    altered,
    cut,
    draw_weights,
    keep_pictures,
    read_pictures,
    simulated,
)

KICK, SNARE = DETECTED.index("kick"), DETECTED.index("snare")


def example(name="train-1", meter="4/4", beats=80):
    """A kick on every beat, from 1 s on, half a second apart."""
    beats_s = 1.0 + 0.5 * np.arange(beats)
    shown = np.zeros((PICTURE_ROWS, int(beats_s[-1] * SONG_PICTURE_RATE_HZ) + 100), np.uint8)
    shown[STROKE_ROW["kick"], np.round(beats_s * SONG_PICTURE_RATE_HZ).astype(int)] = 255
    return Example(name, meter, shown, beats_s, np.arange(beats) % 4 + 1)


def test_target_and_where_it_is_known():
    song = example()
    target, known = song.target(), song.known()
    assert target[0, 48:53].tolist() == [0.5, 1.0, 1.0, 1.0, 0.5] and target[1, 75] == 0.0 and target[1, 150] == 1.0
    assert not known[:24].any() and known[26 : 50 + 79 * 25 + 20].all() and not known[50 + 79 * 25 + 27 :].any()


def test_beats_stay_with_what_is_struck_however_a_song_is_altered():
    rng, tempi, silent = np.random.default_rng(1), set(), 0
    for _ in range(60):
        song = altered(example(), rng)
        tempi.add(round(float(np.diff(song.beats_s)[0]), 3))
        kick = song.shown[STROKE_ROW["kick"]]
        struck = np.flatnonzero(kick > 0.3) / SONG_PICTURE_RATE_HZ
        silent += not len(struck)
        assert all(np.abs(song.beats_s - t).min() < 0.03 for t in struck)
    assert min(tempi) < 0.45 < 0.55 < max(tempi) and silent < 30


@pytest.mark.parametrize("beats", [20, 80, 200])
def test_examples_are_of_one_length(beats):
    shown, target, known = cut(example(beats=beats), np.random.default_rng(2))
    assert shown.shape == (PICTURE_ROWS, EXAMPLE_FRAMES) and target.shape == (2, EXAMPLE_FRAMES)
    struck = np.flatnonzero(shown[STROKE_ROW["kick"]])
    assert len(struck) >= min(beats, 75) and (target[0, struck] == 1.0).all() and known[struck].all()


def test_a_simulated_part_is_struck_on_its_beats():
    beat = np.repeat(np.arange(256.0), 2)
    instrument = np.where(np.arange(512) % 4 < 2, KICK, SNARE)
    part = Performance(beat, instrument, np.full(512, 0.8), 4, 256.0, 120.0)
    rng, tempi, hits, all_beats = np.random.default_rng(3), [], 0, 0
    for _ in range(40):
        song = simulated(part, rng)
        tempi.append(60.0 / np.median(np.diff(song.beats_s)))
        struck = song.shown[[STROKE_ROW["kick"], STROKE_ROW["snare"]]].max(axis=0)
        inside = song.beats_s[(song.beats_s > 0.1) & (song.beats_s < EXAMPLE_FRAMES / SONG_PICTURE_RATE_HZ - 0.1)]
        near = np.round(inside * SONG_PICTURE_RATE_HZ).astype(int)
        hits += sum(struck[k - 2 : k + 3].max() > 0.2 for k in near)
        all_beats += len(near)
        ones = np.round(inside[song.numbers[: len(inside)] == 1] * SONG_PICTURE_RATE_HZ)
        assert len(ones) and len(song.numbers) == len(song.beats_s)
    assert hits > 0.9 * all_beats and min(tempi) < 105 and max(tempi) > 135


def test_kinds_are_drawn_by_their_shares():
    songs = [example("midi-a"), example("midi-b"), example("module-c"), example("train-d"), example("train-e", "7/8")]
    weights = draw_weights(songs)
    assert weights.sum() == pytest.approx(1.0)
    assert weights[:2].sum() == pytest.approx(SHARES["midi"]) and weights[4] == pytest.approx(SHARES["other"])


def test_kept_and_read_again(tmp_path):
    songs = [example(), example("module-x", "3/4", 33)]
    keep_pictures(tmp_path / "pictures.npz", songs)
    for before, after in zip(songs, read_pictures(tmp_path / "pictures.npz"), strict=True):
        assert (before.name, before.meter) == (after.name, after.meter)
        assert (before.shown == after.shown).all() and (before.numbers == after.numbers).all()
        assert np.allclose(before.beats_s, after.beats_s, atol=1e-5)


def test_every_row_of_strokes_is_named():
    assert sorted(set(STROKE_ROW.values())) == list(range(len(STROKE_ROWS)))
