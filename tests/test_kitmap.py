"""Maps of kits: what keys mean."""

from io import BytesIO

import mido

from tests.test_midi import note, save
from workbench.chart.drumkit import KitLine
from workbench.files.imports import ImportOptions
from workbench.files.kitmap import read_kit_map, write_kit_map
from workbench.notation.midi import midi_bytes
from workbench.notation.midi_read import read_midi
from workbench.notation.musicxml import musicxml_bytes
from workbench.notation.musicxml_read import read_musicxml_bytes


def test_a_kit_map_says_what_keys_mean_and_which_are_written(tmp_path):
    kit = (KitLine("cowbell", "Agogo of tin", "E5", "diamond", (20, 21), 67),)
    read = read_midi(save(tmp_path / "x.mid", note(20), note(21, time=480)), ImportOptions(kit_map=kit))
    assert [n.instrument for _, n in read.chart.notes()] == ["cowbell", "cowbell"] and read.chart.kit_map == kit
    assert b"Agogo of tin" in musicxml_bytes(read.chart)
    again = read_musicxml_bytes(musicxml_bytes(read.chart)).chart
    assert (again.kit_map, [b.pattern for b in again.bars]) == (kit, [b.pattern for b in read.chart.bars])
    table = write_kit_map(read.chart, tmp_path / "x.kit.csv")
    assert read_kit_map(table) == kit
    file = BytesIO(midi_bytes(read.chart))
    assert {m.note for m in mido.MidiFile(file=file).tracks[0] if m.type == "note_on"} == {67}
    (tmp_path / "y.mid").write_bytes(file.getvalue())
    assert read_midi(tmp_path / "y.mid").chart.kit_map == kit
