"""Takes from an electronic kit: every deviation known, nothing doubtful."""

from collections import Counter
from dataclasses import replace

import mido
import pytest

from tests.takes import BPM, LONG, play
from tests.test_align import chart_of
from workbench.chart.drumkit import KitLine, instrument
from workbench.chart.events import Stroke
from workbench.checking.electronic import played_strokes, read_kit_take
from workbench.checking.playing import Click
from workbench.checking.take import assess_take
from workbench.errors import FileFormatError

CHART = chart_of(LONG, 100.0)


def save(path, strokes, keys=None, tempo_bpm=120.0, ppq=960):
    """Strokes as a kit's module keeps them: at its own tempo, whatever was played."""
    events = []
    for s in strokes:
        key = (keys or {}).get(s.instrument) or instrument(s.instrument).midi_note
        tick = round(s.time_s * tempo_bpm / 60 * ppq)
        events += [(tick, key, s.velocity), (tick + 20, key, 0)]
    track, last = [mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(tempo_bpm))], 0
    for tick, key, velocity in sorted(events):
        track.append(mido.Message("note_on", channel=9, note=key, velocity=velocity, time=tick - last))
        last = tick
    mido.MidiFile(ticks_per_beat=ppq, tracks=[mido.MidiTrack(track)]).save(path)
    return path


def timing(take, name):
    return next(i for i in take.playing.instruments if i.instrument == name)


def test_strokes_come_back_at_their_times(tmp_path):
    by_drum = lambda strokes: sorted(strokes, key=lambda s: (s.instrument, s.time_s))
    heard = by_drum(play().strokes)
    back = by_drum(played_strokes(CHART, save(tmp_path / "a.mid", heard)))
    assert [(s.instrument, s.velocity) for s in back] == [(s.instrument, s.velocity) for s in heard]
    assert max(abs(a.time_s - b.time_s) for a, b in zip(back, heard)) < 0.0006  # a tick is 0.52 ms


@pytest.mark.slow
def test_a_take_is_measured_to_the_millisecond_and_nothing_is_unsure(tmp_path):
    gone = next(n for n in LONG[4].notes if n.instrument == "kick")
    bars = [b.without(*gone.key) if k == 4 else b for k, b in enumerate(LONG)]
    path = save(tmp_path / "a.MID", play(bars, mean_ms={"snare": 12.0}, spread_ms=3.0).strokes)
    take = assess_take(CHART, path, Click(BPM))
    assert timing(take, "snare").mean_ms == pytest.approx(12.0, abs=1.5)
    assert sum(i.unsure for i in take.playing.instruments) == 0
    missed = [(s.bar_number, s.instrument) for s in take.playing.strokes if s.what == "missed"]
    assert missed == [(5, "kick")]
    assert not [s for s in take.playing.strokes if s.what == "added"]


@pytest.mark.slow
def test_a_take_at_another_tempo_than_the_part_is_found(tmp_path):
    strokes = [replace(s, time_s=s.time_s * 1.25) for s in play().strokes]  # 80 instead of 100
    take = assess_take(CHART, save(tmp_path / "a.mid", strokes))
    assert take.playing.tempo_bpm == pytest.approx(80, abs=0.5)
    assert take.playing.played == take.playing.written


@pytest.mark.slow
def test_the_wrong_tom_is_the_wrong_tom(tmp_path):
    """The ear may take a tom for another; a pad is known."""
    strokes = [replace(s, instrument="mid tom") if s.instrument == "high tom" else s for s in play().strokes]
    take = assess_take(CHART, save(tmp_path / "a.mid", strokes))
    written = sum(n.instrument == "high tom" for b in LONG for n in b.notes)
    instead = [s for s in take.playing.strokes if s.instead]
    assert written and len(instead) == written
    assert {(s.instrument, s.instead, s.what) for s in instead} == {("high tom", "mid tom", "missed")}


def test_keys_are_read_by_the_charts_kit_map(tmp_path):
    lines = (KitLine("kick", keys_in=(20,)), KitLine("snare", keys_in=(21,)))
    heard = play(LONG[:4])
    path = save(tmp_path / "a.mid", heard.strokes, {"kick": 20, "snare": 21})
    back = played_strokes(replace(CHART, kit_map=lines), path)
    assert Counter(s.instrument for s in back) == Counter(s.instrument for s in heard.strokes)


def test_a_pad_that_tells_twice_and_the_foot_that_closes_are_no_strokes(tmp_path):
    heard = [Stroke(1.0, "snare", 90), Stroke(1.01, "snare", 40), Stroke(1.5, "pedal hi-hat", 60), Stroke(2.0, "kick")]
    path = save(tmp_path / "a.mid", heard)
    assert [(round(s.time_s, 2), s.instrument) for s in played_strokes(CHART, path)] == [(1.0, "snare"), (2.0, "kick")]
    assert read_kit_take(CHART, path).known


@pytest.mark.parametrize("ppq, at_s, said", [(-1, 1.0, "film frames"), (960, 7200.0, "60 minutes")])
def test_files_that_are_no_takes_are_refused(tmp_path, ppq, at_s, said):
    path = save(tmp_path / "a.mid", [Stroke(at_s, "snare", 90)], ppq=960)
    data = path.read_bytes()
    path.write_bytes(data if ppq > 0 else data[:12] + b"\xe7\x28" + data[14:])  # SMPTE, 25 frames (SMF 1.0)
    with pytest.raises(FileFormatError, match=said):
        played_strokes(CHART, path)
