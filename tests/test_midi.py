"""Standard MIDI files: charts come back; damaged and foreign files are refused or listed."""

from dataclasses import replace
from fractions import Fraction
from io import BytesIO

import mido
import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given

from tests.chart_strategies import charts
from tests.effort import examples
from workbench.chart import Chart, Note, Section, WrittenBar
from workbench.chart.drumkit import instrument
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import FileFormatError
from workbench.files.imports import ImportOptions
from workbench.notation.midi import midi_bytes, write_midi
from workbench.notation.midi_read import read_midi

SETTINGS = examples(40, suppress_health_check=list(HealthCheck))


def read_back(chart, tmp_path, played, told=False):
    """A chart after it was a MIDI file; unless ``told``, one like others make, without what ours say of
    their notes."""
    path = write_midi(chart, tmp_path / "chart.mid", played)
    if not told:
        change(path, lambda m: None if m.type == "sequencer_specific" else m)
    return read_midi(path)


def change(path, other):
    """Give each message of a file's only track another (None: leave it out), times kept."""
    midi = mido.MidiFile(path, charset="utf-8")
    tick, messages = 0, []
    for m in midi.tracks[0]:
        tick += m.time
        messages.append((tick, other(m.copy())))
    track, now = mido.MidiTrack(), 0
    for tick, m in messages:
        if m is not None:
            track.append(m.copy(time=tick - now))
            now = tick
    midi.tracks = [track]
    midi.save(path)


def groove(deviation_s=0.0, bars=4):
    notes = [Note(Fraction(k, 8), "closed hi-hat", 60 + k, deviation_s=deviation_s) for k in range(8)]
    notes += [Note(Fraction(0), "kick", 100), Note(Fraction(1, 4), "snare", 110, deviation_s=deviation_s)]
    return tuple(WrittenBar(tuple(notes)) for _ in range(bars))


def drifting(bars=4):
    times = [0.5 * k + 0.02 * (k % 3) for k in range(4 * bars + 1)]
    return TimeMap([Bar(Meter(), tuple(times[4 * k : 4 * k + 4])) for k in range(bars)], times[-1])


def test_as_written_comes_back_exactly(tmp_path):
    chart = Chart(drifting(), groove(0.01), title="Slow Ferry", sections=(Section(2, "Chorus", "B"),))
    back = read_back(chart, tmp_path, played=False)
    assert back.problems == ()
    assert [b.pattern for b in back.chart.bars] == [b.pattern for b in chart.bars]
    assert all(n.deviation_s == 0 for _, n in back.chart.notes())
    assert [n.velocity for _, n in back.chart.notes()] == [n.velocity for _, n in chart.notes()]
    assert (back.chart.title, back.chart.sections) == ("Slow Ferry", chart.sections)


def test_played_feel_comes_back(tmp_path):
    chart = Chart(drifting(), groove(0.012))
    back = read_back(chart, tmp_path, played=True).chart
    assert [b.pattern for b in back.bars] == [b.pattern for b in chart.bars]
    for (k, a), (j, b) in zip(chart.notes(), back.notes()):
        assert back.note_time_s(j, b) == pytest.approx(chart.note_time_s(k, a), abs=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize("played", [True, False])
@SETTINGS
@given(chart=charts(most_bars=4, parts=(1, 2, 3, 4, 6, 8)))
def test_files_of_ours_come_back_as_they_were_written(chart, played, tmp_path_factory):
    assume(any(bar.notes for bar in chart.bars))
    back = read_back(chart, tmp_path_factory.mktemp("midi"), played, told=True)
    assert back.problems == ()

    def said(c):
        return [(k, n.key, n.velocity, n.articulations, n.sticking) for k, n in c.notes()]

    assert said(back.chart) == said(chart) and len(back.chart) == len(chart)
    assert [b.subdivisions for b in back.chart.bars] == [b.subdivisions for b in chart.bars]
    assert back.chart.feel == chart.feel
    # A text may be set behind its bar's end; it stands at its time.
    texts = [[t.text.encode("utf-8", "replace") for t in c.texts if t.text] for c in (back.chart, chart)]
    assert sorted(texts[0]) == sorted(texts[1])


def test_what_a_file_of_ours_was_played_like_comes_back(tmp_path):
    roll = Note(Fraction(1, 2), "snare", 90, frozenset({"roll"}), deviation_s=-0.004)
    ghosts = tuple(Note(Fraction(k, 16), "snare", 30, frozenset({"ghost"}), 0.003 * k, sticking="L") for k in (1, 3))
    pedal = Note(Fraction(3, 4), "pedal hi-hat", 70, frozenset({"foot splash"}), 0.045)
    chart = Chart(drifting(), (WrittenBar((roll, *ghosts, pedal)), *groove(-0.02, bars=3)))
    back = read_back(chart, tmp_path, played=True, told=True)
    assert back.problems == () and [b.content for b in back.chart.bars] == [b.content for b in chart.bars]
    # A stroke before the file begins stands at its beginning.
    late = [(a.deviation_s, b.deviation_s) for (k, a), (_, b) in zip(chart.notes(), back.chart.notes())]
    assert [b for _, b in late] == pytest.approx([a for a, _ in late], abs=2e-4)


@pytest.mark.parametrize(
    "strokes, said",
    [
        (1, "1 group of close strokes of a drum was read as a flam"),
        (2, "2 groups of close strokes of a drum were read as flams"),
    ],
)
def test_one_and_many_are_told_apart_in_words(tmp_path, strokes, said):
    notes = tuple(Note(Fraction(k + 1, 4), "snare", 100, frozenset({"flam"})) for k in range(strokes))
    bar = WrittenBar((*notes, Note(Fraction(1, 2), "kick")))
    back = read_back(Chart(TimeMap.steady(1, 100), (bar,)), tmp_path, played=True)
    assert any(p.startswith(said) for p in back.problems)


def test_silent_bars_at_the_end_are_kept(tmp_path):
    chart = Chart(TimeMap.steady(4, 90), (*groove(bars=2), WrittenBar(), WrittenBar()))
    assert len(read_back(chart, tmp_path, False).chart) == 4


def test_sections_that_end_in_the_middle_of_a_tempo(tmp_path):
    chart = Chart(TimeMap.steady(4, 90), groove(), sections=(Section(1, "Verse"), Section(3, "Out")))
    assert read_back(chart, tmp_path, False).chart.sections == chart.sections


@pytest.mark.slow
@SETTINGS
@given(charts(most_bars=3, parts=(1, 2, 3, 4, 6, 8)))
def test_every_note_is_written_once_at_its_tick(chart):
    midi = mido.MidiFile(file=BytesIO(midi_bytes(chart, played=False)))
    tick, found = 0, []
    for m in midi.tracks[0]:
        tick += m.time
        if m.type == "note_on":
            found.append((Fraction(tick, 4 * midi.ticks_per_beat), m.note, m.velocity))
    starts = chart.time_map.starts
    expected = {}
    for k, n in chart.notes():
        expected[starts[k] + n.position, instrument(n.instrument).midi_note] = n.velocity
    assert len(found) == len(expected)
    for at, key, velocity in found:
        near = min((e for e in expected if e[1] == key), key=lambda e: abs(e[0] - at))
        assert abs(near[0] - at) < Fraction(1, 4 * 6720) and expected[near] == velocity


@pytest.mark.slow
@SETTINGS
@given(charts(most_bars=3))
def test_any_chart_can_be_written_as_played(chart):
    midi = mido.MidiFile(file=BytesIO(midi_bytes(chart, played=True)))
    assert sum(m.type == "note_on" for m in midi.tracks[0]) >= len({n.instrument for _, n in chart.notes()})


def test_pickup_and_meter_change_come_back(tmp_path):
    bars = [
        Bar(Meter(), (0.0,), Fraction(1, 4)),
        Bar(Meter(), (0.5, 1.0, 1.5, 2.0)),
        Bar(Meter(6, 8), (2.5, 3.25)),
        Bar(Meter(), (4.0, 4.5, 5.0, 5.5)),
    ]
    written = tuple(WrittenBar((Note(Fraction(0), "snare"),)) for _ in bars)
    chart = Chart(TimeMap(bars, 6.0), written)
    back = read_back(chart, tmp_path, False).chart
    assert [(b.meter, b.length) for b in back.time_map.bars] == [(b.meter, b.length) for b in bars]


def test_flams_and_drags_come_back_as_such(tmp_path):
    notes = (
        Note(Fraction(1, 4), "snare", 100, frozenset({"flam"})),
        Note(Fraction(1, 2), "high tom", 100, frozenset({"drag"})),
    )
    back = read_back(Chart(TimeMap.steady(1, 100), (WrittenBar(notes),)), tmp_path, True)
    assert [(n.instrument, set(n.articulations)) for _, n in back.chart.notes()] == [
        ("snare", {"flam"}),
        ("high tom", {"drag"}),
    ]
    assert back.problems  # says that close strokes were joined


@pytest.mark.parametrize("parts", [2, 3, 4, 6, 8])
def test_each_beat_gets_the_coarsest_grid_that_fits(tmp_path, parts):
    notes = tuple(Note(Fraction(k, 4 * parts), "snare") for k in range(4 * parts))
    back = read_back(Chart(TimeMap.steady(1, 80), (WrittenBar(notes),)), tmp_path, False).chart
    assert [n.position for n in back.bars[0].notes] == [n.position for n in notes]


@pytest.mark.parametrize(
    "places, most_wrong",
    [
        ([Fraction(k, 16) for k in (0, 2, 3, 4, 6, 8, 10, 11, 12, 14)], 0.02),
        ([Fraction(k, 12) for k in (0, 1, 2, 3, 5, 6, 7, 8, 9, 11)], 0.02),
        ([Fraction(k, 8) for k in range(8)], 0.01),
    ],
)
def test_a_scattered_performance_finds_its_places(tmp_path, places, most_wrong):
    scatter = np.random.default_rng(5)
    bars = tuple(
        WrittenBar(
            tuple(
                Note(p, "snare" if k % 4 == 2 else "closed hi-hat", deviation_s=float(scatter.normal(0, 0.009)))
                for k, p in enumerate(places)
            )
        )
        for _ in range(16)
    )
    chart = Chart(TimeMap.steady(16, 104), bars)
    back = read_back(chart, tmp_path, played=True).chart
    found = [(k, n.key) for k, n in back.notes()]
    expected = [(k, n.key) for k, n in chart.notes()]
    assert len(set(found) ^ set(expected)) <= 2 * most_wrong * len(expected)


@pytest.mark.parametrize("jitter_s, ghosts", [(0.008, 16), (0.0, 0)])
def test_soft_snare_strokes_of_a_performance_are_ghost_notes(tmp_path, jitter_s, ghosts):
    """A file made from a score comes back as it was written."""
    scatter = np.random.default_rng(2)
    played = [(Fraction(1, 4), 100), (Fraction(7, 16), 25), (Fraction(3, 4), 104)]
    bars = tuple(
        WrittenBar(tuple(Note(p, "snare", v, deviation_s=float(scatter.normal(0, jitter_s))) for p, v in played))
        for _ in range(16)
    )
    back = read_back(Chart(TimeMap.steady(16, 96), bars), tmp_path, played=True).chart
    marked = [(n.position, n.velocity) for _, n in back.notes() if "ghost" in n.articulations]
    assert marked == [(Fraction(7, 16), 25)] * ghosts


def save(path, *messages, **kwargs):
    midi = mido.MidiFile(ticks_per_beat=480, **kwargs)
    midi.tracks.append(mido.MidiTrack(messages))
    midi.save(path)
    return path


def note(key, channel=9, time=0):
    return mido.Message("note_on", note=key, velocity=80, channel=channel, time=time)


def test_unknown_keys_are_listed(tmp_path):
    read = read_midi(save(tmp_path / "x.mid", note(36), note(91, time=480)))
    assert [n.instrument for _, n in read.chart.notes()] == ["kick", "percussion [91]"]
    assert any("91" in p for p in read.problems)


def test_rim_keys_of_electronic_kits_are_known(tmp_path):
    read = read_midi(save(tmp_path / "x.mid", note(22), note(26, time=480)))
    assert [n.instrument for _, n in read.chart.notes()] == ["closed hi-hat", "open hi-hat"]


def test_a_lone_track_on_another_channel_is_taken_if_it_is_named(tmp_path):
    name = mido.MetaMessage("track_name", name="Left Hand")
    path = save(tmp_path / "x.mid", name, note(38, channel=0))
    with pytest.raises(FileFormatError, match="Left Hand"):
        read_midi(path)
    assert len(read_midi(path, ImportOptions(part="Left Hand")).chart.bars[0].notes) == 1
    drums = save(tmp_path / "y.mid", mido.MetaMessage("track_name", name="My Drum Kit"), note(38, channel=0))
    assert "channel 10" in read_midi(drums).problems[0]


@pytest.mark.parametrize(
    "keys, names",
    [
        ((35,), ["kick"]),
        ((35, 36), ["kick", "second kick"]),
        ((48, 45, 41), ["floor tom", "high tom", "mid tom"]),
        ((50, 48), ["high tom", "mid tom"]),
        ((50, 48, 47, 45, 43, 41), ["floor tom", "high mid tom", "high tom", "low floor tom", "low tom", "mid tom"]),
        ((63, 61, 81), ["low bongo", "open high conga", "open triangle"]),
        ((22, 40, 58), ["closed hi-hat", "floor tom", "snare"]),
        (tuple(range(27, 88)), None),
    ],
)
def test_every_key_is_an_instrument_of_its_own_and_goes_out_again(tmp_path, keys, names):
    """No two keys become one instrument, and the file written has the keys of the one read."""
    read = read_midi(save(tmp_path / "x.mid", *(note(key, time=480) for key in keys)))
    found = sorted(read.chart.instruments_used())
    assert found == names if names else len(found) == len(keys)
    again = mido.MidiFile(file=BytesIO(midi_bytes(read.chart, played=False)))
    if 22 not in keys:  # an electronic kit's rims are other keys than those of its heads
        assert [m.note for m in again.tracks[0] if m.type == "note_on"] == list(keys)


@pytest.mark.parametrize(
    "data, message",
    [
        (b"", "not a Standard MIDI File"),
        (b"hello world", "not a Standard MIDI File"),
        (b"MThd\x00\x00\x00\x06\x00\x01\x00\x01\x01", "damaged"),
        (b"MThd\x00\x00\x00\x06\x00\x01\x00\x01\x01\xe0MTrk\x00\x00\xff\xff\x00\x90", "damaged|could not be read"),
        (b"MThd\x00\x00\x00\x06\x00\x01\x00\x00\x01\xe0", "no drum notes"),
    ],
)
def test_what_is_no_midi_drum_part_is_refused(tmp_path, data, message):
    path = tmp_path / "x.mid"
    path.write_bytes(data)
    with pytest.raises(FileFormatError, match=message):
        read_midi(path)


def test_missing_file_folder_and_film_time(tmp_path):
    with pytest.raises(FileFormatError, match="There is no file"):
        read_midi(tmp_path / "none.mid")
    with pytest.raises(FileFormatError, match="is a folder"):
        read_midi(tmp_path)
    path = save(tmp_path / "x.mid", note(36))
    data = bytearray(path.read_bytes())
    data[12:14] = b"\xe7\x28"  # 25 frames of 40 ticks
    path.write_bytes(data)
    with pytest.raises(FileFormatError, match="film frames"):
        read_midi(path)


def test_output_is_the_same_each_time():
    chart = replace(Chart(drifting(), groove()), title="Größe ≤ 3")
    assert midi_bytes(chart) == midi_bytes(chart)
