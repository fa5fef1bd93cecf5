"""The drum key against the General MIDI Level 1 percussion map.

Source: MIDI Manufacturers Association, General MIDI System Level 1 (1991),
percussion key map, as carried by pretty_midi (MIT licence; constants.DRUM_MAP,
whose index 0 is key 35) and by music21 (BSD licence; midi.percussion).
"""

import pytest
from music21.midi.percussion import PercussionMapper
from pretty_midi.constants import DRUM_MAP

from workbench.chart.drumkit import INSTRUMENTS, PERCUSSION, instrument


@pytest.mark.parametrize("row", (*INSTRUMENTS, *PERCUSSION), ids=lambda i: i.name)
def test_full_name_is_general_midis(row):
    published = DRUM_MAP[row.midi_note - 35]
    assert _words(row.general_midi_name) == _words(published)


#: music21 maps drums, hi-hats and crashes only.
MUSIC21_CLASSES = {
    "kick": "BassDrum",
    "snare": "SnareDrum",
    "closed hi-hat": "HiHatCymbal",
    "open hi-hat": "HiHatCymbal",
    "pedal hi-hat": "HiHatCymbal",
    "high tom": "TomTom",
    "mid tom": "TomTom",
    "floor tom": "TomTom",
    "crash": "CrashCymbals",
    "tambourine": "Tambourine",
    "cowbell": "Cowbell",
}


@pytest.mark.parametrize("name, class_name", MUSIC21_CLASSES.items())
def test_music21_hears_the_same_instrument(name, class_name):
    heard = PercussionMapper().midiPitchToInstrument(instrument(name).midi_note)
    assert type(heard).__name__ == class_name


def _words(name: str) -> list[str]:
    return name.lower().replace("-", " ").split()
