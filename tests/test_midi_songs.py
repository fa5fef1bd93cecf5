"""Songs from MIDI files: strokes, beats and bars as a general-purpose library reads them; drums and rest apart."""

import io
import shutil
import struct
from collections import Counter
from pathlib import Path

import mido
import numpy as np
import pytest

from workbench.training.midi_songs import (
    EXCERPT_S,
    KEPT_OUT,
    KITS,
    MIDI_PACKAGES,
    as_performance,
    draw_kit,
    find_songs,
    play,
    read_song,
)

FONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")


def song_bytes(meters=(), tempi=((0, 120),), bars=12, program=0, extra=()):
    """A beat of kick and snare with closed hats over a held bass; meters and tempi as (quarter, …)."""
    rows = [(at, mido.MetaMessage("time_signature", numerator=n, denominator=d)) for at, n, d in meters]
    rows += [(at, mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm))) for at, bpm in tempi]
    rows.append((0, mido.Message("program_change", channel=9, program=program)))
    for quarter in range(4 * bars):
        for half in (0.0, 0.5):
            rows.append((quarter + half, mido.Message("note_on", channel=9, note=42, velocity=70)))
        rows.append((quarter, mido.Message("note_on", channel=9, note=(36, 38)[quarter % 2], velocity=100)))
        rows.append((quarter, mido.Message("note_on", channel=9, note=39, velocity=90)))  # a clap is no drum of a kit
        rows.append((quarter, mido.Message("note_on", channel=0, note=40, velocity=90)))
        rows.append((quarter + 0.9, mido.Message("note_off", channel=0, note=40)))
    struck = [(at, m) for at, m in rows if m.type == "note_on" and m.channel == 9]
    rows += [(at + 0.1, mido.Message("note_off", channel=9, note=m.note)) for at, m in struck]
    rows += extra
    track, now = mido.MidiTrack(), 0
    for at, message in sorted(rows, key=lambda row: row[0]):
        ticks = round(at * 480)
        track.append(message.copy(time=ticks - now))
        now = ticks
    file = io.BytesIO()
    mido.MidiFile(ticks_per_beat=480, tracks=[track]).save(file=file)
    return file.getvalue()


@pytest.mark.parametrize(
    "meters, tempi",
    [((), ((0, 120),)), (((0, 3, 4),), ((0, 100), (16, 140))), (((0, 4, 4), (16, 7, 4), (30, 4, 4)), ((0, 93),))],
)
def test_beats_and_bars_are_those_that_pretty_midi_reads(meters, tempi):
    """pretty_midi 0.2 (MIT): get_beats, get_downbeats."""
    pretty_midi = pytest.importorskip("pretty_midi")
    data = song_bytes(meters, tempi)
    theirs = pretty_midi.PrettyMIDI(io.BytesIO(data))
    song = read_song("package", "song", data)
    last = theirs.get_end_time() - 0.5
    for mine, reference in (
        ([t for t, _ in song.beats], theirs.get_beats()),
        ([t for t, number in song.beats if number == 1], theirs.get_downbeats()),
    ):
        assert np.allclose(np.array([t for t in mine if t < last]), reference[reference < last], atol=1e-3)
    drums = next(i for i in theirs.instruments if i.is_drum)
    told = Counter((round(t, 3), name) for t, name, _ in song.strokes)
    names = {36: "kick", 38: "snare", 42: "closed hi-hat"}
    assert told == Counter((round(n.start, 3), names[n.pitch]) for n in drums.notes if n.pitch in names)
    assert song.states_meter == bool(meters)


def test_a_drum_part_is_kept_by_its_beats():
    part = as_performance(read_song("package", "song", song_bytes(tempi=((0, 90),))))
    assert part.beats_per_bar == 4 and part.tempo_bpm == pytest.approx(90, abs=0.1)
    assert np.allclose(part.beat % 0.5, 0, atol=1e-3)
    assert as_performance(read_song("package", "song", song_bytes(((0, 4, 4), (16, 7, 4))))) is None


def test_songs_are_found_in_archives_once(tmp_path):
    data = song_bytes()
    (tmp_path / "one").mkdir()
    (tmp_path / "one" / "tune.mid").write_bytes(data)
    other = song_bytes(tempi=((0, 100),))
    lumps = [(b"D_FIRST", other), (b"D_AGAIN", data), (b"PICTURE", b"nothing")]
    at, body, entries = 12, b"", b""
    for name, content in lumps:
        entries += struct.pack("<II8s", at + len(body), len(content), name)
        body += content
    (tmp_path / "one" / "game.wad").write_bytes(
        struct.pack("<4sII", b"PWAD", len(lumps), at + len(body)) + body + entries
    )
    (tmp_path / "one" / "silent.mid").write_bytes(song_bytes(bars=1))
    (tmp_path / "one" / "torn.mid").write_bytes(data[:200])
    found = list(find_songs(tmp_path))
    assert [(s.package, s.name) for s in found] == [("one", "D_FIRST"), ("one", "D_AGAIN")]


def test_what_is_measured_with_is_not_learnt_from():
    assert not set(MIDI_PACKAGES) & set(KEPT_OUT)


def test_a_kit_whose_keys_are_other_drums_is_not_used():
    """General MIDI 2's orchestra kit (program 48) has timpani where a standard kit has toms."""
    rng = np.random.default_rng(1)
    orchestra, jazz = (read_song("p", "s", song_bytes(program=program)) for program in (48, 32))
    assert {draw_kit(rng, orchestra) for _ in range(200)} == set(KITS)
    assert Counter(draw_kit(rng, jazz) for _ in range(200))[32] > 80


@pytest.mark.skipif(not (FONT.exists() and shutil.which("fluidsynth")), reason="needs FluidSynth and a sound font")
def test_drums_and_rest_are_played_apart_and_end():
    """A note that is held beyond the end does not keep FluidSynth from ending."""
    held = [(1, mido.Message("note_on", channel=1, note=60, velocity=80))]
    song = read_song("p", "s", song_bytes(bars=40, extra=held))
    drums, rest = (play(song, FONT, 0, which, 0.0, EXCERPT_S) for which in (True, False))
    assert len(drums) == len(rest) == int(EXCERPT_S * 44_100)
    assert min(np.abs(drums).max(), np.abs(rest).max()) > 0.01
    assert np.corrcoef(drums, rest)[0, 1] < 0.2


def test_a_song_is_heard_from_a_bar_line_on():
    song = read_song("p", "s", song_bytes(bars=40))
    lines = [t for t, number in song.beats if number == 1]
    middle = song.line_before_s(0.5)
    assert song.start_s == lines[0] and middle in lines
    half_s = (song.strokes[0][0] + song.strokes[-1][0]) / 2
    assert 0.0 <= half_s + 0.05 - middle <= lines[1] - lines[0]
