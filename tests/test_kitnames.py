"""Instruments by the names that other programs give them."""

import pretty_midi
import pytest

from workbench.chart.drumkit import INSTRUMENTS, instrument_for_midi_note
from workbench.notation.kitnames import instrument_for_declaration, instrument_for_name, instrument_for_place


@pytest.mark.parametrize("key", [i.midi_note for i in INSTRUMENTS])
def test_names_of_general_midi_as_another_library_has_them(key):
    """General MIDI Level 1 percussion key map, as the library pretty_midi (MIT) spells it."""
    name = pretty_midi.note_number_to_drum_name(key)
    found = instrument_for_declaration(None, name, "")
    assert found is not None and found.family == instrument_for_midi_note(key).family, name


def test_the_key_counts_more_than_the_name_and_the_name_more_than_the_sound():
    assert instrument_for_declaration(38, "Kick", "").name == "snare"
    assert instrument_for_declaration(None, "Ride", "drum.bass-drum").name == "ride"
    assert instrument_for_declaration(None, "Voice 3", "drum.bass-drum").name == "kick"
    assert instrument_for_declaration(None, "Voice 3", "") is None


@pytest.mark.parametrize("own", INSTRUMENTS, ids=lambda i: i.name)
def test_every_instrument_is_found_by_its_own_name_and_place(own):
    assert instrument_for_name(own.general_midi_name.upper()).midi_note == own.midi_note
    found = instrument_for_place(own.staff_step, own.staff_octave, own.notehead.value)
    assert (found.staff_step, found.staff_octave, found.notehead) == (own.staff_step, own.staff_octave, own.notehead)


def test_nothing_stands_far_above_the_staff():
    assert instrument_for_place("C", 8, "normal") is None
