"""Strokes rendered with a sound font by FluidSynth: recordings our own synthesis had no part in."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

import mido

from workbench.chart.drumkit import instrument
from workbench.chart.events import Stroke
from workbench.errors import WorkbenchError

#: Ticks of a second in the MIDI files rendered here.
TICKS_PER_SECOND = 2000


def wheel_sound_font() -> Path:
    """The General MIDI sound font that the pretty_midi wheel carries."""
    import pretty_midi

    return Path(pretty_midi.__file__).parent / "TimGM6mb.sf2"


def render_strokes(
    strokes: Sequence[Stroke],
    path: Path,
    sound_font: Path,
    lead_s: float = 0.0,
    sample_rate: int = 44100,
    gain: float = 0.6,
) -> None:
    """Write a WAV of the strokes, ``lead_s`` seconds later than they say."""
    program = shutil.which("fluidsynth")
    if program is None:
        raise WorkbenchError("Rendering needs the program fluidsynth: apt install fluidsynth.")
    events = []
    for s in strokes:
        at = round((s.time_s + lead_s) * TICKS_PER_SECOND)
        note = instrument(s.instrument).midi_note
        events += [(at, 1, note, s.velocity), (at + TICKS_PER_SECOND // 20, 0, note, 0)]
    track, now = mido.MidiTrack(), 0
    track.append(mido.MetaMessage("set_tempo", tempo=500_000))
    for at, is_on, note, velocity in sorted(events):
        kind = "note_on" if is_on else "note_off"
        track.append(mido.Message(kind, channel=9, note=note, velocity=velocity, time=at - now))
        now = at
    file = mido.MidiFile(ticks_per_beat=TICKS_PER_SECOND // 2)
    file.tracks.append(track)
    with tempfile.TemporaryDirectory() as folder:
        midi = Path(folder) / "strokes.mid"
        file.save(midi)
        subprocess.run(
            [
                program,
                "-ni",
                "-q",
                "-g",
                str(gain),
                "-r",
                str(sample_rate),
                "-T",
                "wav",
                "-F",
                str(path),
                "-R",
                "0",
                "-C",
                "0",
                str(sound_font),
                str(midi),
            ],
            check=True,
            capture_output=True,
        )
