"""Drums and rest apart: sums, seams, stereo, silence, what is kept on disk."""

import numpy as np
import pytest

from workbench.errors import AnalysisError
from workbench.files.audio import Audio
from workbench.sound import separation
from workbench.sound.rendering import Hit, mix_hits
from workbench.sound.separation import STRETCH_S, Separation, separate, separate_blocks

RATE = 44100


@pytest.fixture(scope="module")
def song():
    """Our kit on the left, held chords on the right, known apart."""
    length = 12 * RATE
    names = ("kick", "closed hi-hat", "snare", "closed hi-hat")
    kit = mix_hits([Hit(0.25 * k, names[k % 4], 100) for k in range(1, 47)], length, RATE)
    t = np.arange(length) / RATE
    chord = sum(np.sin(2 * np.pi * f * n * t) / n for f in (110, 220, 277.2, 329.6) for n in range(1, 6))
    return kit * np.float32((1, 0.4)), (0.05 * chord[:, None] * (0.4, 1)).astype(np.float32)


@pytest.fixture(scope="module")
def stems(song):
    kit, band = song
    return separate(Audio(kit + band, RATE))


def shares(x, kit, band):
    """How much of kit and band there is in a sound, by least squares."""
    return np.linalg.lstsq(np.stack([kit.ravel(), band.ravel()], axis=1), x.ravel(), rcond=None)[0]


@pytest.mark.slow
def test_drums_and_rest_are_the_recording(song, stems):
    assert np.abs(stems.drums.samples + stems.rest.samples - sum(song)).max() < 1e-6
    assert np.abs(stems.mixed(0.0).samples - sum(song)).max() < 1e-6


def test_drums_and_rest_come_apart(song, stems):
    kit, band = song
    of_kit, of_band = shares(stems.drums.samples, kit, band)
    assert of_kit > 0.7 and abs(of_band) < 0.1
    error = np.sum((stems.drums.samples - kit) ** 2)
    assert 10 * np.log10(np.sum(kit**2) / error) > 5


def test_everything_stays_where_it_was_between_left_and_right(stems):
    left, right = np.sqrt(np.mean(stems.drums.samples**2, axis=0))
    assert 20 * np.log10(right / left) == pytest.approx(20 * np.log10(0.4), abs=1.5)


@pytest.mark.slow
def test_mono_is_one_of_two_equal_channels(song):
    mono = (song[0] + song[1])[: 3 * RATE, :1]
    one, two = separate(Audio(mono, RATE)), separate(Audio(np.repeat(mono, 2, axis=1), RATE))
    assert one.drums.samples.shape == mono.shape
    assert np.abs(two.drums.samples - one.drums.samples).max() < 1e-5


def test_channels_that_cancel_out_are_taken_apart_all_the_same(song):
    mono = (song[0] + song[1])[: 3 * RATE, :1]
    found = separate(Audio(np.concatenate([mono, -mono], axis=1), RATE)).drums.samples
    assert np.abs(found[:, 0] + found[:, 1]).max() < 1e-5
    assert np.std(found) > 0.3 * np.std(mono)


@pytest.mark.slow
def test_it_is_the_same_every_time_and_however_the_blocks_fall(song, stems):
    mix = sum(song)
    for size in (4096, 7 * RATE):
        parts = list(separate_blocks((mix[k : k + size] for k in range(0, len(mix), size)), RATE))
        assert np.array_equal(np.concatenate([d for d, _ in parts]), stems.drums.samples)
        assert np.array_equal(np.concatenate([r for _, r in parts]), stems.rest.samples)


@pytest.mark.slow
def test_pieces_join_without_a_seam(song, stems):
    """Around the end of a piece the drums are much as in a piece that runs across it (14 dB, own choice)."""
    mix = sum(song)
    shifted = separate(Audio(mix[5 * RATE :], RATE)).drums.samples
    at = round(STRETCH_S * RATE)
    here = slice(at - RATE // 2, at + RATE // 2)
    difference = stems.drums.samples[here] - shifted[at - RATE // 2 - 5 * RATE : at + RATE // 2 - 5 * RATE]
    assert np.std(difference) < 0.2 * np.std(stems.drums.samples[here])
    steps = np.abs(np.diff(stems.drums.samples[:, 0]))
    assert steps[at - 50 : at + 50].max() <= steps.max()


@pytest.mark.slow
def test_any_part_can_be_had_alone(song, stems):
    found = Separation.of(Audio(sum(song), RATE)).drums(9 * RATE, 11 * RATE)
    assert np.array_equal(found, stems.drums.samples[9 * RATE : 11 * RATE])
    outside = Separation.of(Audio(sum(song), RATE)).drums(-RATE, RATE)
    assert not outside[:RATE].any() and np.array_equal(outside[RATE:], stems.drums.samples[:RATE])


def test_silence_stays_silent():
    silent = separate(Audio(np.zeros((RATE, 2)), RATE))
    assert not silent.drums.samples.any() and not silent.rest.samples.any()
    assert len(separate(Audio(np.zeros((0, 2)), RATE)).drums.samples) == 0


@pytest.mark.slow
def test_a_pause_holds_no_drums(song):
    mix = np.concatenate([sum(song)[: 4 * RATE], np.zeros((4 * RATE, 2), np.float32)])
    assert np.abs(separate(Audio(mix, RATE)).drums.samples[5 * RATE :]).max() < 1e-4


@pytest.mark.slow
def test_other_sample_rates_are_resampled_and_stay_in_step(song):
    import soxr

    kit, band = (soxr.resample(x[: 4 * RATE], RATE, 48000) for x in song)
    stems = separate(Audio(kit + band, 48000))
    assert len(stems.drums.samples) == len(kit)
    assert shares(stems.drums.samples, kit, band)[0] > 0.7


def test_more_than_two_channels_are_taken_apart(song):
    mix = np.concatenate([sum(song)[:RATE]] * 3, axis=1)
    assert separate(Audio(mix, RATE)).drums.samples.shape == mix.shape


def test_missing_weights_are_told(monkeypatch):
    separation._network.cache_clear()
    monkeypatch.setattr(separation, "SEPARATOR", ("workbench.sound.weights", "missing"))
    with pytest.raises(AnalysisError, match="weights are missing or damaged"):
        separate(Audio(np.random.default_rng(1).standard_normal((RATE, 1)), RATE))
    separation._network.cache_clear()
