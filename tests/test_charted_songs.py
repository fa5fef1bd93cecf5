"""Songs of stated tempo: their beats and bars from the MIDI file beside the record."""

import mido
import numpy as np
import pytest
import soundfile

from workbench.training import charted_songs
from workbench.training.charted_songs import first_one, late_s, main, read_chart


def chart(path, beats, tempi=(428_571,)):
    """A file as mido (MIT licence) writes it: notes on given beats, set_tempo as Standard MIDI Files 1.0 has it."""
    file = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack(mido.MetaMessage("set_tempo", tempo=t) for t in tempi)
    last = 0.0
    for beat in beats:
        track.append(mido.Message("note_on", note=96, velocity=100, time=round((beat - last) * 480)))
        track.append(mido.Message("note_off", note=96, time=0))
        last = beat
    file.tracks.append(track)
    file.save(path)


def clicks(beats_s, seconds, rate_hz=44_100):
    out = np.zeros(int(seconds * rate_hz), np.float32)
    for t in beats_s:
        out[int(t * rate_hz) : int(t * rate_hz) + 400] += np.random.default_rng(1).normal(0, 0.3, 400)
    return out


def test_tempo_and_notes_are_read(tmp_path):
    chart(tmp_path / "notes.mid", [4.0, 4.5, 8.0])
    beat_s, begins = read_chart(tmp_path / "notes.mid")
    assert 60 / beat_s == pytest.approx(140.0, abs=1e-6) and begins.tolist() == [4.0, 4.5, 8.0]


def test_a_song_of_two_tempi_is_not_used(tmp_path):
    chart(tmp_path / "notes.mid", [0.0, 1.0], (428_571, 400_000))
    assert read_chart(tmp_path / "notes.mid") is None


def test_bars_begin_where_the_file_does_unless_no_phrase_does():
    assert first_one(np.array([2.0, 2.5, 8.0, 13.0])) == 0
    assert first_one(np.array([3.0, 7.0, 7.5, 11.0])) == 3


@pytest.mark.parametrize("late", [0.0, 0.03])
def test_how_late_the_record_is_is_measured(late):
    beats_s = 0.4 * np.arange(60) + late
    assert late_s(clicks(beats_s, 25), 44_100, 0.4) == pytest.approx(late, abs=0.012)


def test_songs_are_kept_with_their_beats(tmp_path, monkeypatch):
    song = tmp_path / "package" / "dusty lane"
    song.mkdir(parents=True)
    chart(song / "notes.mid", [1.0, 5.0, 9.0])
    beat_s = 60.0 / 140.0
    sound = clicks(beat_s * np.arange(60), 27)
    for track in ("song", "guitar"):
        soundfile.write(song / f"{track}.ogg", sound, 44_100)
    kept = []
    monkeypatch.setattr(
        charted_songs, "hear_song", lambda path, out, *told: kept.append((path.exists(), out.name, *told))
    )
    monkeypatch.setattr("sys.argv", ["charted_songs", str(tmp_path / "package"), str(tmp_path / "out")])
    main()
    ((there, name, group, meter, beats_s, numbers),) = kept
    assert there and (name, group, meter) == ("charted-dusty_lane.npz", "dusty_lane", "4/4")
    assert beats_s[:3] == pytest.approx(beat_s * np.arange(3), abs=0.012) and numbers[:6].tolist() == [4, 1, 2, 3, 4, 1]
