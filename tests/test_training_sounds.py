"""The bank and the procedural sounds: cut cleanly, told apart, read back."""

import numpy as np
import pytest

from workbench.chart.drumkit import DETECTED
from workbench.training import bank, module_clips, sources
from workbench.training.backing import count_attacks, without_drums
from workbench.training.procedural import COUNTS, make_stroke


def decaying_noise(seed, seconds=0.5, wait_s=0.1):
    n = int(seconds * bank.SAMPLE_RATE_HZ)
    x = np.random.default_rng(seed).standard_normal(n) * np.exp(-np.arange(n) / 4000)
    return np.concatenate([np.zeros(int(wait_s * bank.SAMPLE_RATE_HZ)), x]).astype(np.float32)


def test_a_shot_begins_at_its_attack():
    shot = bank.trim_shot(decaying_noise(1), 1.0)
    assert np.max(np.abs(shot)) == pytest.approx(0.9)
    assert np.argmax(np.abs(shot) > 0.09) == pytest.approx(bank.PRE_ROLL, abs=5)


def test_a_shot_is_no_longer_than_asked():
    assert len(bank.trim_shot(decaying_noise(1), 0.2)) <= 0.2 * bank.SAMPLE_RATE_HZ


def test_silence_is_no_shot():
    assert bank.trim_shot(np.zeros(1000, np.float32), 1.0) is None


def test_copies_are_dropped_and_others_kept():
    a, b = (bank.trim_shot(decaying_noise(k), 0.4) for k in (1, 2))
    shots = [
        (bank.Shot("first", "snare", "1", 0), a),
        (bank.Shot("second", "snare", "1", 0), np.roll(a, 4)),
        (bank.Shot("third", "snare", "1", 0), b),
        (bank.Shot("third", "kick", "1", 0), a),
    ]
    kept = [(s.kit, s.instrument) for s, _ in bank.drop_copies(shots)]
    assert kept == [("first", "snare"), ("third", "snare"), ("third", "kick")]


def test_a_bank_is_read_back(tmp_path):
    a = bank.trim_shot(decaying_noise(1), 0.4)
    shots = [(bank.Shot("kit", "snare", "1", 0), a), (bank.Shot("font", "bass", "32", 0, pitch=40), 0.5 * a)]
    bank.write_bank(shots, tmp_path)
    listed, samples = bank.read_bank(tmp_path)
    assert [s.instrument for s in listed] == ["snare", "bass"]
    np.testing.assert_allclose(samples[listed[0].start :][: listed[0].length], a, atol=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("instrument", list(COUNTS))
def test_procedural_strokes_are_sound(instrument):
    stroke = make_stroke(instrument, np.random.default_rng(1))
    assert np.all(np.isfinite(stroke))
    assert np.max(np.abs(stroke)) == pytest.approx(0.9, rel=1e-3)
    assert len(stroke) <= bank.LONGEST_S[instrument] * bank.SAMPLE_RATE_HZ + 1
    np.testing.assert_array_equal(stroke, make_stroke(instrument, np.random.default_rng(1)))


def test_every_sound_is_an_instrument_of_the_detector_or_other():
    names = {*DETECTED, sources.OTHER}
    tables = [sources.GENERAL_MIDI, sources.AVLDRUMS, sources.GROOVE_MIDI, sources.SINGLE_FILES]
    tables += [table for _, table in sources.HYDROGEN.values()]
    assert {name for table in tables for name in table.values()} <= names


def test_the_longest_beginning_names_a_sound():
    table = {"Ride": "ride", "Ride Bell": "ride bell"}
    assert sources.classify("Ride Bell 2", table) == "ride bell"
    assert sources.classify("Ride 20", table) == "ride"
    assert sources.classify("Gong", table) is None


def test_every_package_has_its_licence():
    assert all(p.licence for p in sources.PACKAGES)
    assert not any("NC" in p.licence for p in sources.PACKAGES)
    assert set(sources.HELD_OUT_BACKING) <= {p.name for p in sources.PACKAGES if "backing" in p.use}


def test_a_held_tone_has_no_attacks_and_a_drum_has():
    t = np.arange(8 * 44100) / 44100
    tone = (0.3 * np.sin(2 * np.pi * 220 * t)).astype(np.float32)
    assert without_drums(tone)
    hats = tone.copy()
    for k in range(16):
        at = int((0.25 + 0.5 * k) * 44100)
        hats[at : at + 4410] += 0.3 * np.random.default_rng(k).standard_normal(4410) * np.exp(-np.arange(4410) / 800)
    assert count_attacks(hats)[1] > 1.0
    assert not without_drums(hats)


def test_a_drum_of_a_module_is_cut_where_it_rings_longest():
    rate = bank.SAMPLE_RATE_HZ
    sample = np.concatenate([decaying_noise(k, 0.2, 0.0)[: rate // 10] for k in (1, 2)] + [decaying_noise(3, 0.5, 0.0)])
    shot = module_clips.cut_stroke(sample, [0.0, 0.1, 0.2], "snare")
    head, last = shot[: rate // 8], decaying_noise(3, 0.5, 0.0)
    alike = np.correlate(np.pad(last, (500, 0)), head) / (np.linalg.norm(head) * np.linalg.norm(last[: rate // 8]))
    assert alike.max() > 0.9  # the last one, which rings on
    assert module_clips.cut_stroke(sample, list(np.arange(0, 0.6, 0.03)), "closed hi-hat") is not None


def test_strokes_that_never_ring_are_no_sound(monkeypatch):
    monkeypatch.setitem(module_clips.LONGEST_S, "closed hi-hat", 0.05)
    assert module_clips.cut_stroke(decaying_noise(1, 0.6, 0.0), [0.0, 0.03, 0.06], "closed hi-hat") is None
