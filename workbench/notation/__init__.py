"""The chart in signs: note values, score signs, MusicXML and MIDI in and out."""
