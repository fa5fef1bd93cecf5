"""Drafts of patterns rendered with sound fonts that our own synthesis had no part in.

Outside sources: FluidSynth (LGPL; https://www.fluidsynth.org) renders a General
MIDI Level 1 percussion part (MIDI Manufacturers Association, *General MIDI
System Level 1*, 1991) with TimGM6mb.sf2 by Tim Brechbill (GPL 2, carried by the
pretty_midi wheel).  What was written in the MIDI file is what must be found, by
mir_eval's matching within ±50 ms (onsets) and ±70 ms (beats).

The detector's training kept this font out (workbench/listening/weights/MODEL_CARD.md).
"""

import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import mido
import pytest

from workbench.chart.drumkit import instrument
from workbench.chart.events import Beat
from workbench.evaluation.evaluate import match, score_beats
from workbench.listening.draft import draft_chart

pytestmark = pytest.mark.slow

TICKS = 960

#: Bars as strings, one letter a sixteenth (an eighth in 6/8).
ROCK = {"closed hi-hat": "x.x.x.x.x.x.x.x.", "snare": "....x.......x...", "kick": "x.......x.x....."}
FUNK = {"closed hi-hat": "xxxxxxxxxxxxxxxx", "snare": "....x.......x...", "kick": "x..x......x....."}
WALTZ = {"closed hi-hat": "x.x.x.x.x.x.", "snare": "....x...x...", "kick": "x..........."}
DISCO = {"closed hi-hat": "..x...x...x...x.", "snare": "....x.......x...", "kick": "x...x...x...x..."}
SONGS = {
    "rock, 4/4": (ROCK, 4, 92),
    "funk, 4/4": (FUNK, 4, 104),
    "waltz, 3/4": (WALTZ, 3, 132),
    "four on the floor, 4/4": (DISCO, 4, 124),
}
BARS = 10


def write_midi(path, pattern, tempo_bpm):
    """A percussion part: velocities 100 (hi-hat 85), the first bar after half a second."""
    midi = mido.MidiFile(ticks_per_beat=TICKS)
    track = mido.MidiTrack()
    midi.tracks.append(track)
    track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(tempo_bpm)))
    length = len(next(iter(pattern.values())))
    lead_in = round(0.5 * tempo_bpm / 60 * TICKS)
    events = []
    for name, row in pattern.items():
        for at in (bar * length + k for bar in range(BARS) for k, c in enumerate(row) if c == "x"):
            tick = lead_in + at * TICKS // 4
            velocity = 85 if name == "closed hi-hat" else 100
            events += [(tick, velocity, instrument(name).midi_note), (tick + TICKS // 8, 0, instrument(name).midi_note)]
    before = 0
    for tick, velocity, note in sorted(events):
        track.append(mido.Message("note_on", channel=9, note=note, velocity=velocity, time=tick - before))
        before = tick
    midi.save(path)


def sound_font():
    import pretty_midi

    return Path(pretty_midi.__file__).parent / "TimGM6mb.sf2"


@pytest.fixture(scope="module")
def drafts(tmp_path_factory):
    assert shutil.which("fluidsynth"), "install fluidsynth (Debian: apt install fluidsynth)"
    folder = tmp_path_factory.mktemp("rendered")
    out = {}
    for k, (name, (pattern, _, tempo_bpm)) in enumerate(SONGS.items()):
        write_midi(folder / f"{k}.mid", pattern, tempo_bpm)
        subprocess.run(
            ["fluidsynth", "-ni", "-q", "-r", "44100", "-F", folder / f"{k}.wav", sound_font(), folder / f"{k}.mid"],
            check=True,
            capture_output=True,
        )
        out[name] = draft_chart(folder / f"{k}.wav")
    return out


@pytest.mark.parametrize("song", list(SONGS))
@pytest.mark.parametrize(
    "family, names",
    [("kick", {"kick"}), ("snare", {"snare"}), ("hi-hat", {"closed hi-hat", "open hi-hat", "pedal hi-hat"})],
)
def test_strokes_of_clean_patterns_are_found(drafts, song, family, names):
    pattern, _, tempo_bpm = SONGS[song]
    row = pattern["closed hi-hat" if family == "hi-hat" else family]
    sixteenth_s = 60.0 / tempo_bpm / 4
    expected = [0.5 + (bar * len(row) + k) * sixteenth_s for bar in range(BARS) for k, c in enumerate(row) if c == "x"]
    found = [s.time_s for s in drafts[song].strokes if s.instrument in names]
    matched = len(match(expected, found))
    assert 2 * matched / (len(expected) + len(found)) >= 0.85


@pytest.mark.parametrize("song", list(SONGS))
def test_beats_and_bars_are_found(drafts, song):
    _, beats, tempo_bpm = SONGS[song]
    expected = [Beat(0.5 + k * 60.0 / tempo_bpm, k % beats + 1) for k in range(BARS * beats)]
    beats_f, downbeats_f = score_beats(expected, drafts[song].pulse)
    assert beats_f >= 0.9 and downbeats_f >= 0.9


@pytest.mark.parametrize("song", list(SONGS))
def test_patterns_are_written_at_their_exact_positions(drafts, song):
    pattern, beats, _ = SONGS[song]
    chart = drafts[song].chart
    step = Fraction(1, 16)
    expected = {(k * step, name) for name in ("kick", "snare") for k, c in enumerate(pattern[name]) if c == "x"}
    right = [expected <= {n.key for n in bar.notes} for bar in chart.bars[1 : BARS - 1]]
    assert sum(right) >= 0.75 * len(right)
    assert chart.feel == "straight"
    assert {str(b.meter) for b in chart.time_map.bars} == {f"{beats}/4"}
