"""What was lost of a part made elsewhere is told."""

from tests.test_midi import note, save
from workbench.notation.midi_read import read_midi


def test_strokes_that_fall_together_are_told_by_bar(tmp_path):
    strokes = [note(38, time=480), note(38), note(42, time=1920), note(42)]
    read = read_midi(save(tmp_path / "x.mid", *strokes))
    assert (read.losses.in_bar("1"), read.losses.in_bar("2")) == (1, 1)
    assert any("snare" in p and "bar 1" in p for p in read.problems)
