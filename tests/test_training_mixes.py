"""Performances, plans and mixes: labels say what is heard, and everything is reproducible."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from workbench.chart.drumkit import DETECTED, THREE_TOMS
from workbench.chart.meter import Meter
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.training import mixing, other_meters, planning, rarities
from workbench.training import performances as play
from workbench.training.library import KitVoice, Library, ModuleSong, fundamental_hz
from workbench.training.performances import Performance
from workbench.training.procedural import make_stroke
from workbench.training.sources import OTHER

CLIP_S = 4.0


@pytest.fixture(scope="module")
def material():
    """A small library of procedural sounds and one invented groove."""
    parts, voices, at = [], {}, 0
    for k, name in enumerate((*DETECTED, OTHER)):
        shot = make_stroke("tambourine" if name == OTHER else name, np.random.default_rng(k))
        voices[name] = [KitVoice("invented kit", [(at, len(shot))])]
        parts.append(shot)
        at += len(shot)
    noise = 0.1 * np.random.default_rng(9).standard_normal(3 * SAMPLE_RATE_HZ).astype(np.float32)
    parts.append(noise)
    kits = {"invented kit": {name: [0] for name in voices}}
    notes = {role: [[(48, at, SAMPLE_RATE_HZ)]] for role in ("bass", "guitar", "keys", "pad", "lead")}
    library = Library(np.concatenate(parts), voices, kits, notes, [(at, len(noise))], [(at, len(noise))])
    beat = np.arange(0, 16, 0.5)
    instrument = np.where(beat % 2 == 0, play.KICK, np.where(beat % 2 == 1, play.SNARE, play.CLOSED))
    groove = Performance(beat, instrument, np.full(len(beat), 0.8), 4, 16.0, 100.0)
    return planning.Material(library, [groove], [groove.cut(0, 4)])


@pytest.mark.parametrize("seed", range(12))
def test_generated_patterns_keep_their_meter(seed):
    pattern = play.generated_performance(np.random.default_rng(seed), 40.0)
    assert pattern.beats_per_bar in (2, 3, 4)
    assert pattern.length >= 40 and pattern.length % pattern.beats_per_bar == 0
    assert np.all(np.diff(pattern.beat) >= 0)
    assert np.all((pattern.velocity > 0) & (pattern.velocity <= 1))
    assert set(pattern.instrument) <= set(range(len(DETECTED)))


def test_dropping_beats_makes_another_meter():
    beat = np.arange(0, 8, 0.5)
    bars = Performance(beat, np.arange(16), np.ones(16), 4, 8.0, 100.0)
    waltz = play.drop_beats(bars, (0, 1, 2))
    assert waltz.beats_per_bar == 3 and waltz.length == 6
    assert waltz.beat.tolist() == np.arange(0, 6, 0.5).tolist()
    assert waltz.instrument.tolist() == [0, 1, 2, 3, 4, 5, 8, 9, 10, 11, 12, 13]


def test_joined_performances_follow_each_other():
    one = Performance(np.array([0.0, 1.0]), np.array([0, 1]), np.ones(2), 4, 4.0, 90.0)
    assert play.join([one, one]).beat.tolist() == [0.0, 1.0, 4.0, 5.0]


def test_beat_times_rise_and_keep_the_tempo():
    times = play.beat_times(np.random.default_rng(1), 200, 120.0)
    assert len(times) == 201 and np.all(np.diff(times) > 0)
    assert 60 / np.median(np.diff(times)) == pytest.approx(120, rel=0.1)


def test_performances_are_read_back(tmp_path, material, monkeypatch):
    monkeypatch.setattr(play, "read_groove_midi", lambda folder, split: (material.grooves, material.fills))
    play.write_performances(tmp_path, tmp_path / "p.npz")
    grooves, fills = play.read_performances("validation", tmp_path / "p.npz")
    np.testing.assert_allclose(grooves[0].beat, material.grooves[0].beat)
    assert fills[0].length == 4 and grooves[0].tempo_bpm == 100


def invented_bars(seed):
    """Eight bars made by rule."""
    return play.generated_performance(np.random.default_rng(seed), 31.0)


def strokes_of(performance):
    return sorted(zip(performance.beat, performance.instrument, performance.velocity, strict=True))


def test_nothing_is_left_out_that_was_not_there():
    thinned = 0
    for seed in range(60):
        before, after = invented_bars(seed), invented_bars(seed)
        play.leave_out(np.random.default_rng(seed), after)
        assert set(strokes_of(after)) <= set(strokes_of(before))
        gone = set(strokes_of(before)) - set(strokes_of(after))
        thinned += bool(gone)
        if len({i for _, i, _ in gone}) > 1:
            assert not {i for _, i, _ in gone} & {play.KICK, play.SNARE, *play.TOMS}
    assert 10 < thinned < 50


@pytest.mark.slow
def test_a_doubled_snare_has_a_tom_at_every_doubled_stroke():
    doubled = 0
    for seed in range(200):
        before, after = invented_bars(seed), invented_bars(seed)
        play.double_snare(np.random.default_rng(seed), after)
        new = set(strokes_of(after)) - set(strokes_of(before))
        toms = [b for b, i, _ in new if i in play.TOMS]
        doubled += bool(toms)
        snares = after.beat[after.instrument == play.SNARE]
        assert all(np.min(np.abs(snares - b)) < 1e-9 for b in toms)
        assert all(np.min(np.abs(np.array(toms) - b)) < 1e-9 for b, i, _ in new if i == play.KICK)
    assert 3 < doubled < 40


@pytest.mark.parametrize("tempo_bpm", [90.0, 150.0, 200.0])
def test_double_kicks_are_even_and_no_faster_than_feet(tempo_bpm):
    for seed in range(30):
        before, after = invented_bars(seed), invented_bars(seed)
        rarities.double_kick(np.random.default_rng(seed), after, tempo_bpm)
        new = {b for b, i, _ in set(strokes_of(after)) - set(strokes_of(before)) if i == play.KICK}
        gaps = np.diff(sorted(new)) * 60 / tempo_bpm
        assert len(new) >= 2 and gaps.min() > 1 / rarities.FASTEST_FEET_PER_S - 1e-9
        others = [s for s in strokes_of(before) if s[1] != play.KICK]
        assert others == [s for s in strokes_of(after) if s[1] != play.KICK]


def test_tom_phrases_add_toms_and_drags_two_soft_strokes_before_a_loud_one():
    toms = 0
    for seed in range(40):
        before, after = invented_bars(seed), invented_bars(seed)
        rarities.tom_phrases(np.random.default_rng(seed), after)
        new = set(strokes_of(after)) - set(strokes_of(before))
        assert {i for _, i, _ in new} <= set(play.TOMS)
        toms += bool(new)
        dragged = invented_bars(seed)
        rarities.drags(np.random.default_rng(seed), dragged, 120.0)
        grace = [(b, v) for b, i, v in set(strokes_of(dragged)) - set(strokes_of(before))]
        loud = before.beat[(before.instrument == play.SNARE) & (before.velocity > 0.5)]
        assert all(v < 0.7 and 0 < np.min((loud - b)[loud > b]) < 0.3 for b, v in grace)
    assert toms == 40


def test_a_machine_plays_equal_bars_on_sixteenths():
    pattern = rarities.machine_performance(np.random.default_rng(5), 60.0)
    assert np.all(np.diff(pattern.beat) >= 0) and np.allclose(pattern.beat * 8 % 1, 0)
    assert set(pattern.instrument) <= set(range(len(planning.NAMES)))
    bar = np.floor(pattern.beat / 4)
    bars = {tuple(s[:2] for s in strokes_of(replace(pattern, beat=pattern.beat - 4 * k)) if 0 <= s[0] < 4) for k in bar}
    assert len(bars) < len(set(bar))


def test_toms_fall_in_pitch_and_a_pair_of_hats_stays_together(material):
    library = replace(material.library, voices=dict(material.library.voices))
    rng = np.random.default_rng(4)
    for name, hz in (("high tom", (90, 180)), ("mid tom", (80, 200)), ("floor tom", (70, 150))):
        library.voices[name] = [KitVoice(f"kit {k}", [(0, 100)], pitch_hz) for k, pitch_hz in enumerate(hz)]
    for name in ("closed hi-hat", "open hi-hat", "pedal hi-hat"):
        library.voices[name] = [KitVoice(f"kit {k}", [(0, 100)]) for k in range(40)]
    together = 0
    for _ in range(100):
        kit = dict(zip(planning.NAMES, planning._choose_kit(rng, library), strict=True))
        high, mid, low = (kit[name].pitch_hz for name in THREE_TOMS)
        assert high >= mid >= low
        together += len({kit[n].kit for n in ("closed hi-hat", "open hi-hat", "pedal hi-hat")}) == 1
    assert together > 50


@pytest.mark.parametrize("hz", [70, 130, 220])
def test_the_fundamental_of_a_drum_is_found(hz):
    t = np.arange(SAMPLE_RATE_HZ // 2) / SAMPLE_RATE_HZ
    stroke = np.exp(-t / 0.1) * (np.sin(2 * np.pi * hz * t) + 0.5 * np.sin(2 * np.pi * 1.6 * hz * t))
    assert fundamental_hz(stroke) == pytest.approx(hz, rel=0.03)


def event(start, stop=planning.NEVER, rate=1.0, gain=1.0, damp=0.0, soften=0.0, length=2000):
    ints = np.array([[0, start, 0, length, stop]], np.int32)
    floats = np.array([[rate, gain, damp, 1 / 200, soften]], np.float32)
    return ints, floats


def test_an_event_sounds_at_its_time_and_level():
    audio = np.random.default_rng(1).standard_normal(3000).astype(np.float32)
    out = mixing.add_events(audio, *event(500, gain=0.5), 2, 4000)
    np.testing.assert_allclose(out[0, 500:2497], 0.5 * audio[:1997], atol=1e-6)
    assert not out[0, :500].any() and not out[0, 2498:].any() and not out[1].any()


def test_an_event_that_began_before_the_clip_is_heard_from_its_middle():
    audio = np.arange(3000, dtype=np.float32)
    out = mixing.add_events(audio, *event(-100), 1, 1000)
    np.testing.assert_allclose(out[0, :500], np.arange(100, 600), atol=1e-3)


def test_speed_moves_pitch():
    audio = np.sin(2 * np.pi * 440 * np.arange(SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ).astype(np.float32)
    out = mixing.add_events(audio, *event(0, rate=1.5, length=SAMPLE_RATE_HZ), 1, SAMPLE_RATE_HZ)[0, :20000]
    hz = np.argmax(np.abs(np.fft.rfft(out * np.hanning(len(out))))) * SAMPLE_RATE_HZ / len(out)
    assert hz == pytest.approx(660, rel=0.01)


def test_lower_kicks_keep_their_attacks_and_leave_other_drums_alone():
    """The Fourier transform (numpy) tells the pitch; a second kick under the first may sound too."""
    rng, clips, at = np.random.default_rng(4), 40, 0.1
    one = np.zeros(planning.PRE_ROLL + 20000, np.float32)
    one[planning.PRE_ROLL :] = np.sin(2 * np.pi * 80 * np.arange(20000) / SAMPLE_RATE_HZ)
    rows = np.arange(clips) * planning.ROWS + planning.ROW_OF[play.KICK]
    start = round(at * SAMPLE_RATE_HZ) - planning.PRE_ROLL
    ints = np.array([(r + k, start, 0, len(one), planning.NEVER) for r in rows for k in (0, 1)], np.int32)
    floats = np.tile(np.array([1, 1, 0, 0, 0], np.float32), (len(ints), 1))
    new_ints, new_floats = mixing.lower_kicks(rng, ints, floats, clips)
    assert (new_ints[1 : len(ints) : 2] == ints[1::2]).all() and (new_floats[1 : len(ints) : 2] == floats[1::2]).all()
    assert len(ints) < len(new_ints) < len(ints) + clips and (floats[:, 0] == 1).all()
    sound = mixing.add_events(one, new_ints, new_floats, clips * planning.ROWS, SAMPLE_RATE_HZ)[rows]
    attack = [np.flatnonzero(np.abs(x) > 1e-4)[0] / SAMPLE_RATE_HZ for x in sound]
    np.testing.assert_allclose(attack, at, atol=1e-3)
    hz = np.fft.rfftfreq(4 * SAMPLE_RATE_HZ, 1 / SAMPLE_RATE_HZ)
    pitch = hz[np.abs(np.fft.rfft(sound, 4 * SAMPLE_RATE_HZ)).argmax(axis=1)]
    assert pitch.min() < 50 and 0.2 < (pitch < 70).mean() and (np.abs(pitch - 80) < 4).any()


def test_a_choked_event_dies_away():
    audio = np.ones(3000, np.float32)
    out = mixing.add_events(audio, *event(0, stop=500), 1, 3000)[0]
    assert out[400] == pytest.approx(1) and out[1500] == pytest.approx(np.exp(-5), rel=0.05)


def test_a_softened_attack_is_quieter_than_its_tail():
    out = mixing.add_events(np.ones(6000, np.float32), *event(0, soften=0.8, length=6000), 1, 6000)[0]
    assert out[0] == pytest.approx(0.2, abs=0.01) and out[5000] == pytest.approx(1, abs=0.01)


def test_a_plan_is_reproducible_and_its_labels_agree(material):
    plans = [planning.plan_clip(np.random.default_rng(3), material, CLIP_S) for _ in range(2)]
    for name in ("ints", "floats", "eq_db", "settings", "onset", "strokes", "beats"):
        np.testing.assert_array_equal(getattr(plans[0], name), getattr(plans[1], name))
    plan = plans[0]
    assert plan.onset.shape == (400, len(DETECTED))
    for time_s, instrument, velocity in plan.strokes:
        frame = min(399, round(time_s * 100))
        assert plan.onset[frame, int(instrument)] == 1
        assert plan.velocity[frame, int(instrument)] >= np.float16(velocity) - 1e-3
    assert np.all(plan.ints[:, 2] + plan.ints[:, 3] <= len(material.library.samples))


@pytest.mark.parametrize("seed", range(8))
def test_every_labelled_stroke_sounds_at_its_label(material, seed):
    plan = planning.plan_clip(np.random.default_rng(seed), material, CLIP_S)
    drums = plan.ints[plan.ints[:, 0] < planning.DRUM_ROWS]
    starts = np.sort(drums[:, 1])
    for time_s, _, _ in plan.strokes:
        assert np.min(np.abs(starts - time_s * SAMPLE_RATE_HZ)) < 0.003 * SAMPLE_RATE_HZ


@pytest.mark.slow
def test_mixes_are_finite_level_and_reproducible(material):
    plans = [planning.plan_clip(np.random.default_rng(k), material, CLIP_S) for k in range(6)]
    n = round(CLIP_S * SAMPLE_RATE_HZ)
    sound = mixing.render(plans, material.library.samples, n, 5)
    assert sound.shape == (6, n) and sound.dtype == np.float32 and np.all(np.isfinite(sound))
    rms = np.sqrt(np.mean(sound**2, axis=1))
    assert np.all(rms < 10) and np.median(rms) > 0.1
    np.testing.assert_array_equal(sound, mixing.render(plans, material.library.samples, n, 5))


def test_a_clip_without_drums_has_no_labels(material):
    rng = np.random.default_rng(0)
    silent = 0
    for _ in range(80):
        plan = planning.plan_clip(rng, material, CLIP_S)
        if not plan.settings[planning.SETTINGS.index("has_drums")]:
            silent += 1
            assert len(plan.strokes) == 0 and not plan.onset.any()
            assert np.all(plan.ints[:, 0] >= planning.DRUM_ROWS)
    assert silent > 0


def test_clear_clips_have_louder_drums_and_less_done_to_them(material):
    at = {name: k for k, name in enumerate(planning.SETTINGS)}
    usual, clear = (
        [plan(np.random.default_rng(k), material, CLIP_S) for k in range(240)]
        for plan in (planning.plan_clip, planning.plan_clear_clip)
    )
    for name, more in (("drums_db", 1), ("lossy", -1), ("mix_drive", -1), ("mix_squeeze", -1)):
        means = [np.mean([plan.settings[at[name]] for plan in plans]) for plans in (usual, clear)]
        assert more * (means[1] - means[0]) > 0, name
    assert np.mean([np.ptp(p.eq_db) for p in clear]) < np.mean([np.ptp(p.eq_db) for p in usual])


@pytest.mark.slow
def test_drums_kept_apart_are_what_the_mix_holds_of_them(material):
    plan = planning.plan_clip(np.random.default_rng(4), material, CLIP_S, backed=True)
    at = {name: k for k, name in enumerate(planning.SETTINGS)}
    plan.settings[at["has_drums"]], plan.settings[at["lossy"]], plan.settings[at["noise_db"]] = 1, 0, -120
    samples = round(CLIP_S * SAMPLE_RATE_HZ)

    def sound(apart, **settings):
        table = plan.settings.copy()
        for name, value in settings.items():
            table[at[name]] = value
        rows = (plan.ints, plan.floats, plan.eq_db[None], plan.wet[None], table[None])
        return mixing.render_arrays(*rows, material.library.samples, samples, 1, apart=apart)

    mix, drums = sound(True)
    assert np.array_equal(mix, sound(False))
    assert 0.01 < np.mean(drums**2) / np.mean(mix**2) < 4
    alone, its_drums = sound(True, has_backing=0)
    assert np.allclose(alone, its_drums, atol=1e-3)
    assert not np.any(sound(True, has_drums=0)[1])


def test_a_stroke_under_loud_backing_cannot_be_heard_and_alone_it_can():
    rng = np.random.default_rng(0)
    rows = np.zeros((1, planning.ROWS, 44100), np.float32)
    rows[0, 3, 22050:23050] = rng.standard_normal(1000) * np.exp(-np.arange(1000) / 200)
    rows[0, planning.ROWS - 1] = rng.standard_normal(44100)
    flat, one = np.zeros((1, planning.ROWS, planning.EQ_POINTS), np.float32), np.ones((1, 1), np.float32)
    for backing, heard in ((0.0, True), (0.1, True), (30.0, False)):
        audible = mixing.find_audible(rows, flat, one, one * backing, one * 1e-3, 100)
        assert audible.shape == (1, planning.DRUM_ROWS, 100)
        assert audible[0, 3, 50] == heard and audible[0, 0].all()  # a row that is silent throughout is left alone
        assert not audible[0, 3, 20]


@pytest.mark.parametrize("name", other_meters.METER_SHARES)
def test_a_bar_of_another_meter_is_as_long_as_it_says_and_no_shorter_bar_repeated(name):
    meter, rng = Meter.parse(name), np.random.default_rng(2)
    for _ in range(20):
        source, begins = other_meters.compose_bar(rng, meter)
        n = len(source)
        assert n == 8 * meter.bar_length and source[0] == 0 and begins[0] == 0 and set(source) <= set(range(8))
        assert {b - a for a, b in pairwise((*begins, n))} <= {2, 3}
        assert all(source != source[:p] * (n // p) for p in range(2, n) if n % p == 0)


def test_a_performance_laid_over_other_meters_opens_each_bar_as_it_opened_its_own():
    late = 0.03
    beats = np.arange(0, 64, 4.0) + late
    played = Performance(
        np.concatenate([beats, beats + 1]), np.repeat([play.KICK, play.SNARE], 16), np.ones(32), 4, 64.0, 100.0
    )
    order = np.argsort(played.beat)
    played.beat, played.instrument = played.beat[order], played.instrument[order]
    for seed in range(12):
        laid = other_meters.lay_over(np.random.default_rng(seed), played, 100.0, 12.0)
        lines, kicks = laid.beats[laid.numbers == 0], laid.performance.beat[laid.performance.instrument == play.KICK]
        assert np.all(np.abs(lines[:, None] + late - kicks).min(axis=1) < 1e-9)
        assert np.all(np.diff(laid.performance.beat) >= 0) and np.all(np.diff(laid.beats) > 0)
        # Strokes keep their distance from the eighth they are played at.
        assert np.allclose((laid.performance.beat * 2) % 1, late * 2)


def test_swing_leaves_beats_and_breaks_leave_whole_bars():
    rng = np.random.default_rng(0)
    lines, later, fewer = np.arange(0, 64, 4.0), 0, 0
    for _ in range(60):
        beat = np.arange(0, 64, 0.5)
        played = Performance(beat, np.full(128, play.CLOSED), np.ones(128), 4, 64.0, 100.0)
        rarities.swing(rng, played)
        moved = played.beat - beat
        assert np.allclose(moved[::2], 0) and np.all(moved >= 0) and np.all(np.diff(played.beat) > 0)
        later += moved.max() > 0.02
        rarities.breaks(rng, played, lines)
        bars = np.bincount((played.beat // 4).astype(int), minlength=16)
        assert set(bars) <= {0, 8}
        fewer += bars.min() == 0
    assert 0 < later < 30 and 0 < fewer < 30


def test_modules_drums_play_with_any_rest(material):
    """A clip of a module is that module's strokes; its rest is at times another's."""
    rng = np.random.default_rng(1)
    length = 3 * SAMPLE_RATE_HZ
    at = len(material.library.samples) - length
    strokes = np.array([[0.5, play.KICK], [1.0, play.SNARE]])
    songs = [ModuleSong((at, length), (at + k, length - k), strokes, np.zeros((0, 2))) for k in (0, 1)]
    library = replace(material.library, modules=[songs])
    both = replace(material, library=library)
    plans = [planning._module_clip(rng, both.library, 2.0) for _ in range(60)]
    rests = {int(p.ints[1, 2]) - at for p in plans}
    assert rests == {0, 1}
    for plan in plans:
        assert set(plan.strokes[:, 1].astype(int)) <= {play.KICK, play.SNARE}
        assert np.all(plan.velocity == 0)  # how loud is not known
