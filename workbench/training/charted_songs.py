"""Finished songs of stated tempo: a game of playing along carries, beside the recording, a MIDI file of what is to be
played, in the tempo of the record.

Debian packages two collections of such songs (rock and metal, :data:`CHARTED_PACKAGES`), a folder each with the tracks
of the record (``song.ogg``, ``guitar.ogg``) and ``notes.mid``.  Used are those of one tempo.  They are only measured
with; unpack the packages and::

    python -m workbench.training.charted_songs build/charted build/songs/charted

The beats are exact but for how late the record begins, which is measured; bars of 4/4 begin where the file does, unless
no phrase begins on their first or third beat.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import librosa
import mido
import numpy as np
import soundfile

from workbench.training.bar_songs import hear_song

#: Packages whose songs are measured with, and their licences.
CHARTED_PACKAGES = {"fretsonfire-songs-muldjord": "CC BY-SA 3.0", "fretsonfire-songs-sectoid": "MIT/X11"}

#: A phrase begins after so many beats without a note.
REST_BEATS = 2.0
#: How late a record may begin, and by how much attacks seem later than they are (librosa's onset strength), seconds.
MOST_LATE_S, SEEMS_LATER_S = 0.08, 0.012


def read_chart(path: Path) -> tuple[float, np.ndarray] | None:
    """Seconds a beat, and the beats on which notes begin; none if the tempo changes."""
    file = mido.MidiFile(path)
    tempi = {m.tempo for track in file.tracks for m in track if m.type == "set_tempo"}
    if len(tempi) != 1:
        return None
    begins = []
    for track in file.tracks:
        ticks = 0
        for message in track:
            ticks += message.time
            if message.type == "note_on" and message.velocity:
                begins.append(ticks / file.ticks_per_beat)
    # Tempi are rounded to the microsecond.
    return 60.0 / round(6e7 / tempi.pop(), 2), np.unique(begins)


def first_one(begins: np.ndarray) -> int:
    """On which beat of the file the first bar of 4/4 begins, 0 to 3.

    Examples
    --------
    >>> first_one(np.array([0.0, 4.0, 6.0, 8.0]))
    0
    >>> first_one(np.array([1.0, 5.0, 9.0, 13.0, 13.5]))
    1
    """
    phrases = begins[np.diff(begins, prepend=-np.inf) >= REST_BEATS]
    at = np.bincount(np.round(phrases).astype(int) % 4, minlength=4)
    return 0 if at[0] + at[2] else int(at.argmax())


def late_s(samples: np.ndarray, rate_hz: int, beat_s: float) -> float:
    """How late the beats of a record are, seconds."""
    hop = rate_hz // 200
    strength = librosa.onset.onset_strength(y=samples, sr=rate_hz, hop_length=hop)
    times_s = np.arange(len(strength)) * hop / rate_hz
    offs = np.arange(0.0, MOST_LATE_S, 0.005)
    beats_s = np.arange(0.0, times_s[-1], beat_s)
    sums = [np.interp(beats_s + off, times_s, strength).sum() for off in offs]
    return max(0.0, float(offs[int(np.argmax(sums))]) - SEEMS_LATER_S)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("packages", type=Path, help="folder of unpacked packages")
    parser.add_argument("out", type=Path)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    for chart in sorted(args.packages.rglob("notes.mid")):
        read, name = read_chart(chart), chart.parent.name.replace(" ", "_")
        if read is None:
            continue
        beat_s, begins = read
        tracks = [soundfile.read(p, dtype="float32", always_2d=True) for p in sorted(chart.parent.glob("*.ogg"))]
        rate_hz = tracks[0][1]
        samples = np.zeros(max(len(x) for x, _ in tracks), np.float32)
        for x, _ in tracks:
            samples[: len(x)] += x.mean(axis=1)
        samples *= 0.9 / np.abs(samples).max()
        beats_s = np.arange(0.0, len(samples) / rate_hz, beat_s) + late_s(samples, rate_hz, beat_s)
        numbers = (np.arange(len(beats_s)) - first_one(begins)) % 4 + 1
        with tempfile.TemporaryDirectory() as folder:
            wav = Path(folder) / "song.wav"
            soundfile.write(wav, samples, rate_hz)
            hear_song(wav, args.out / f"charted-{name}.npz", name, "4/4", beats_s, numbers)
        print(name, f"{60 / beat_s:.0f} beats a minute", flush=True)


if __name__ == "__main__":
    main()
