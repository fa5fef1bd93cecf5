"""Words about notes in MIDI files of ours."""

from fractions import Fraction

import pytest

from tests.test_midi import change, groove
from workbench.chart import Chart
from workbench.chart.drumkit import instrument
from workbench.chart.meter import TimeMap
from workbench.notation.midi import write_midi
from workbench.notation.midi_read import read_midi


def test_what_another_program_has_moved_added_or_taken_away_is_read_as_any_stroke(tmp_path):
    chart = Chart(TimeMap.steady(2, 100), groove(bars=2))
    path = write_midi(chart, tmp_path / "a.mid", played=False)
    snare = instrument("snare").midi_note
    change(path, lambda m: m.copy(note=47) if m.type == "note_on" and m.note == snare else m)
    back = read_midi(path).chart
    assert [n.key for n in back.bars[0].notes if n.instrument in ("snare", "mid tom")] == [(Fraction(1, 4), "mid tom")]
    assert len(list(back.notes())) == len(list(chart.notes()))
    change(path, lambda m: None if m.type == "note_on" and m.note == 47 else m)
    assert not any(n.instrument == "mid tom" for _, n in read_midi(path).chart.notes())


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"[" * 10000,
        b"{}",
        b'{"written bar":1}',
        b'{"written bar":1,"ticks":6720,"notes":[["1/0","snare",[],"",0]]}',
        b'{"written bar":1,"ticks":6720,"notes":[["0","gong",[],"",0]]}',
        b'{"written bar":1,"ticks":6720,"notes":[1]}',
        b'{"written bar":1,"ticks":6720,"notes":[["9","snare",[],"",0]]}',
        b'{"written bar":1,"ticks":480,"notes":[]}',
        b'{"written bar":1,"ticks":6720,"notes":[["0","snare",[],""]]}',
        b'{"written bar":1,"ticks":6720,"subdivisions":[99],"notes":[]}',
        "\xff".encode("latin-1"),
        b'{"written bar":1,"ticks":6720,"feel":"late","notes":[]}',
        b'{"written bar":1,"ticks":6720,"notes":[["0","snare",["flam"],"X",0]]}',
    ],
)
def test_damaged_words_about_notes_change_nothing(tmp_path, data):
    chart = Chart(TimeMap.steady(2, 100), groove(bars=2))
    path = write_midi(chart, tmp_path / "a.mid", played=False)
    change(path, lambda m: m.copy(data=(0x7D, *data)) if m.type == "sequencer_specific" else m)
    assert [b.pattern for b in read_midi(path).chart.bars] == [b.pattern for b in chart.bars]
