"""Reading MIDI files that try a reader's patience: long deltas, endless tempi and meters, foreign words."""

import json
from fractions import Fraction

import mido
import numpy as np
import pytest

from tests.benchmarks.bench_growth import jobs
from tests.growth import ABOUT_LINEAR, lines_run
from tests.sentences import sentence_of
from workbench.files.imports import MOST_PROBLEMS
from workbench.files.untrusted import MOST_NOTES_IN_BAR
from workbench.notation import midi_read
from workbench.notation.midi import midi_bytes
from workbench.notation.midi_read import read_midi
from workbench.scorefiles import read_any_chart

LONGEST_DELTA = 2**28 - 1  # a variable-length quantity has at most four bytes (Standard MIDI Files 1.0)


def stroke(time=0):
    return mido.Message("note_on", channel=9, note=38, velocity=90, time=time)


def tempo(us, time=0):
    return mido.MetaMessage("set_tempo", tempo=us, time=time)


def meter(beats, unit, time=0):
    return mido.MetaMessage("time_signature", numerator=beats, denominator=unit, time=time)


def file_of(tmp_path, *messages, ppq=480):
    path = tmp_path / "song.mid"
    mido.MidiFile(ticks_per_beat=ppq, tracks=[mido.MidiTrack(messages)]).save(path)
    return path


@pytest.mark.slow
@pytest.mark.parametrize(
    "messages, ppq, said",
    [
        ([stroke(LONGEST_DELTA)], 480, "bars"),
        ([stroke(LONGEST_DELTA)], 1, "bars"),
        ([meter(1, 32), stroke(), stroke(2**21)], 96, "bars"),
        ([tempo(1), stroke(), stroke(9600)], 480, "tempi"),
        ([stroke()] * (MOST_NOTES_IN_BAR + 1), 480, "strokes in bar 1"),
        ([stroke(1920)] + [stroke()] * (MOST_NOTES_IN_BAR + 1), 480, "strokes in bar 2"),
    ],
)
def test_files_beyond_any_drum_part_are_refused(tmp_path, messages, ppq, said):
    assert said in sentence_of(read_midi, file_of(tmp_path, *messages, ppq=ppq))


def test_a_long_silent_end_is_no_part(tmp_path):
    end = mido.MetaMessage("end_of_track", time=LONGEST_DELTA)
    assert len(read_midi(file_of(tmp_path, stroke(), end)).chart) == 16


@pytest.mark.slow
@pytest.mark.parametrize(
    "messages",
    [
        [tempo(500_000 + k % 9) for k in range(5_000)],
        [meter(4 + k % 3, 4) for k in range(5_000)],
        [mido.MetaMessage("marker", text="A Verse") for _ in range(5_000)],
    ],
    ids=["tempi", "meters", "markers"],
)
def test_thousands_of_changes_at_one_place_are_read_once_each(tmp_path, messages):
    strokes = [stroke(480)] * 64
    path = file_of(tmp_path, *messages, *strokes)
    assert sum(len(b.notes) for b in read_midi(path).chart.bars) == 64
    alone = lines_run(lambda: read_midi(file_of(tmp_path, *strokes)))
    assert lines_run(lambda: read_midi(file_of(tmp_path, *messages, *strokes))) < alone + 40 * len(messages)


@pytest.mark.slow
def test_work_grows_with_the_length_of_the_part(tmp_path):
    short, long = (lines_run(jobs(bars, tmp_path)["read_midi"]) for bars in (60, 120))
    assert 0 < long < ABOUT_LINEAR * short


def test_a_change_of_tempo_on_each_beat_is_kept(tmp_path):
    beats_us = [500_000 + 1000 * k for k in range(12)]
    messages = [m for us in beats_us for m in (tempo(us), stroke(480))]
    times = read_midi(file_of(tmp_path, *messages)).chart.time_map.anchor_times_s
    gaps = [round((b - a) * 1e6) for a, b in zip(times, times[1:])]
    assert gaps[:12] == beats_us


def test_a_great_many_problems_are_counted(tmp_path):
    cuts = [m for k in range(300) for m in (meter(4 - k % 2, 4, 480), stroke())]
    told = read_midi(file_of(tmp_path, *cuts)).problems
    assert len(told) == MOST_PROBLEMS + 1 and told[-1].endswith("more like these.")


@pytest.mark.parametrize(
    "note",
    [
        ["1e9999999", "snare", [], "", 0],
        ["9" * 400, "snare", [], "", 0],
        ["0", "snare", [], "", 10**400],
        ["0", "snare", [], "", -(2**40)],
        [["0"], "snare", [], "", 0],
        ["0", ["snare"], [], "", 0],
        ["0", "snare", [{}], "", 0],
    ],
)
def test_words_about_notes_that_make_no_sense_are_passed_over(tmp_path, note):
    words = json.dumps({"written bar": 1, "ticks": 480, "notes": [note]})
    event = mido.MetaMessage("sequencer_specific", data=(0x7D, *words.encode()))
    chart = read_midi(file_of(tmp_path, event, stroke(480))).chart
    assert [str(n.position) for _, n in chart.notes()] == ["1/4"]


def test_a_file_larger_than_any_part_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(midi_read, "_LONGEST_FILE", 20)
    assert "larger than" in sentence_of(read_midi, file_of(tmp_path, stroke()))


def test_as_many_bars_as_a_chart_holds_are_read(tmp_path, monkeypatch):
    monkeypatch.setattr(midi_read, "MOST_BARS", 3)
    assert len(read_midi(file_of(tmp_path, stroke(), stroke(3 * 1920 - 1))).chart) == 3
    assert "3 bars" in sentence_of(read_midi, file_of(tmp_path, stroke(), stroke(3 * 1920)))


def test_a_key_signature_that_is_none_is_no_hindrance(tmp_path):
    """Drums have no key: Standard MIDI Files 1.0, meta event 59, with 42 sharps."""
    path = file_of(tmp_path, mido.MetaMessage("key_signature", key="C"), stroke())
    path.write_bytes(path.read_bytes().replace(b"\xff\x59\x02\x00\x00", b"\xff\x59\x02\x2a\x00"))
    assert len(list(read_midi(path).chart.notes())) == 1


def test_the_beats_follow_a_player_and_a_written_file_keeps_its_own(tmp_path):
    """Eighths 18 ticks (19 ms) behind the click, one 20 ms ahead of the rest."""
    off = [18 + (3, -4, 0, 5, -3)[k % 5] - (20 if k == 29 else 0) for k in range(64)]
    ticks = [240 * k + late for k, late in enumerate(off)]
    player = read_midi(file_of(tmp_path, *(stroke(b - a) for a, b in zip([0, *ticks], ticks))))
    laid = player.chart.time_map
    assert [n.position for n in player.chart.bars[3].notes] == [Fraction(k, 8) for k in range(8)]
    assert [laid.bar_start_s(k) for k in range(1, 8)] == pytest.approx(
        [2.0 * k + 0.019 for k in range(1, 8)], abs=0.006
    )
    odd = player.chart.bars[3].find(Fraction(5, 8), "snare")
    assert odd.deviation_s < -0.012 and "follow the player" in player.remarks[0]
    written = read_midi(file_of(tmp_path, stroke(), *(stroke(240) for _ in range(63))))
    assert written.chart.time_map.bar_start_s(3) == 6.0 and not written.remarks


def test_what_is_read_is_written_as_the_same_file_again(tmp_path):
    """A performance with flams and doubles, at tempi that no file holds exactly."""
    rng = np.random.default_rng(5)
    hits = [(240 * k + int(rng.normal(20, 12)), 38) for k in range(120)]
    hits += [(at - 30, 38) for at, _ in hits[::7]] + [(at + int(rng.normal(0, 8)), 36) for at, _ in hits[::2]]
    hits = sorted((max(at, 0), key) for at, key in hits)
    track = [mido.MetaMessage("set_tempo", tempo=523_219)]
    for (before, _), (at, key) in zip([(0, 0), *hits], hits):
        track.append(
            mido.Message("note_on", channel=9, note=key, velocity=int(rng.integers(40, 120)), time=at - before)
        )
    first = midi_bytes(read_midi(file_of(tmp_path, *track)).chart)
    path = tmp_path / "again.mid"
    for _ in range(2):
        path.write_bytes(first)
        assert midi_bytes(read_midi(path).chart) == first


def test_strokes_of_a_player_stay_where_they_were_played(tmp_path):
    """At 120 ticks a quarter, a beat a tick late: where the laid beats follow it, all places look exact."""
    ticks = [30 * k + (40 <= k < 44) for k in range(128)]
    chart = read_midi(file_of(tmp_path, *(stroke(b - a) for a, b in zip([0, *ticks], ticks)), ppq=120)).chart
    heard = sorted(chart.note_time_s(k, n) for k, n in chart.notes())
    assert heard == pytest.approx([tick / 240 for tick in ticks], abs=2e-9)  # a nanosecond says: heard


def played_at(tempo_bpm, bars=24):
    """Ticks at 480 a quarter and 120 a minute, and keys, of a beat with fills played at another tempo."""
    rng = np.random.default_rng(4)
    tick = 960 * 60 / tempo_bpm
    hits = []
    for eighth in range(8 * bars):
        at, in_bar = eighth * tick / 2, eighth % 8
        fill = eighth // 8 % 4 == 3 and in_bar >= 4
        keys = [38 if in_bar < 6 else 43] if fill else [42] + [36] * (in_bar in (0, 4)) + [38] * (in_bar in (2, 6))
        hits += [(max(round(at + rng.normal(0, 8)), 0), key) for key in keys]
    return sorted(hits)


def performance(tmp_path, hits, *first):
    track = [*first]
    for (before, _), (at, key) in zip([(0, 0), *hits], hits):
        track.append(mido.Message("note_on", channel=9, note=key, velocity=90, time=at - before))
    return file_of(tmp_path, *track)


def test_a_performance_to_no_click_gets_bars_by_its_strokes(tmp_path):
    """Played at 97 into a file that says 120: the bars are those of the player, and it is said."""
    path = performance(tmp_path, played_at(97), mido.MetaMessage("marker", text="A Verse"))
    found = read_any_chart(path)
    told = next(p for p in found.problems if "do not lie on the beats" in p)
    assert "120" in told and "97" in told and not found.remarks
    chart = found.chart
    assert np.median([chart.time_map.tempo_bpm(k) for k in range(len(chart))]) == pytest.approx(97, rel=0.01)
    positions = {n.position * 8 for _, n in chart.notes()}
    assert all(p.denominator == 1 for p in positions)
    backbeats = [n.position for k, n in chart.notes() if n.instrument == "snare"]
    assert sum(p in (Fraction(1, 4), Fraction(3, 4)) for p in backbeats) == 42  # 18 bars of two, 6 of one and a fill
    assert chart.sections[0].name == "Verse" and chart.sections[0].bar_index <= 1
    heard_s = sorted(chart.note_time_s(k, n) for k, n in chart.notes())
    assert heard_s == pytest.approx([tick / 960 for tick, _ in played_at(97)], abs=1e-6)


def test_a_performance_to_the_files_click_keeps_its_bars(tmp_path):
    found = read_any_chart(performance(tmp_path, played_at(120)))
    assert not found.problems and "follow the player" in found.remarks[0]
    assert found.chart.time_map.bar_start_s(4) == pytest.approx(8.0, abs=0.02)


def test_where_nothing_lays_bars_strokes_off_the_beat_are_told_of(tmp_path):
    found = read_midi(performance(tmp_path, played_at(97)))
    assert any("do not lie on the beats" in p for p in found.problems)
    assert found.chart.time_map.bar_start_s(4) == pytest.approx(8.0, abs=0.1)
