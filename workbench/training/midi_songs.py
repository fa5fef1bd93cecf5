"""Songs from MIDI files that games carry: finished music with programmed drums, every stroke, beat and bar exact.

A file's drum channel says what is struck when (General MIDI percussion keys), its tempo and meter where the bars lie.
Debian packages such files with games, some of them inside a game's archive of *lumps* (magic ``IWAD`` or ``PWAD``,
number and place of a directory of 16-byte entries).  FluidSynth renders drums and rest apart with General MIDI sound
fonts.  Three things are made of them: training songs as :mod:`workbench.training.module_clips` keeps them, their drum
parts as :mod:`workbench.training.performances` keeps them, and songs of known bars as
:mod:`workbench.training.bar_songs` keeps them::

    python -m workbench.training.midi_songs build/midi-packages build/midi --fonts FluidR3_GM.sf2 MuseScore_General.sf3
    python -m workbench.training.midi_songs build/midi-packages build/songs/midi --heard --fonts FluidR3_GM.sf2

(``--begin 0.5``: from the middle of each drum part on.)

The songs of a package are learnt from, or measured with, together (:data:`MIDI_PACKAGES`, :data:`KEPT_OUT`).
"""

from __future__ import annotations

import argparse
import io
import json
import struct
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import mido
import numpy as np
import soundfile

from workbench.chart.meter import Meter
from workbench.errors import ChartError
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.training.backing import PASSAGE_S
from workbench.training.bar_songs import hear_song
from workbench.training.performances import INDEX, OTHER_INDEX, Performance, keep_performances
from workbench.training.sources import GENERAL_MIDI

#: Packages whose songs are trained on, and their licences.
MIDI_PACKAGES = {
    "freedm": "BSD-3-Clause",
    "freedoom": "BSD-3-Clause",
    "planetblupi-music-midi": "GPL-3+",
    "simutrans-data": "Artistic-1.0",
}

#: Packages whose songs are only measured with.
KEPT_OUT = {
    "crimson": "GPL-2+",
    "liquidwar-data": "GPL-2+",
    "openttd-openmsx": "GPL-2",
    "pinball-table-hurd-data": "GPL-2+",
}

#: The drum channel, counted from 0 (General MIDI Level 1).
DRUM_CHANNEL = 9
#: Programs, counted from 0, that are struck like drums: agogo, woodblock, taiko, melodic tom, synth drum, reversed
#: cymbal.  They sound in neither stem.
STRUCK_PROGRAMS = frozenset((113, 115, 116, 117, 118, 119))
#: Drum kits of General MIDI sound fonts, by program: standard, room, power, electronic, analogue, jazz (common
#: practice, no source).
KITS = (0, 8, 16, 24, 25, 32)
#: So often a song's kit is another than it asks for.
OTHER_KIT_SHARE = 0.5

#: Channel mode message (MIDI 1.0).
ALL_SOUND_OFF = 120

EXCERPT_S, LONGEST_PART_S, FEWEST_IN_SONG = 48.0, 240.0, 60
#: Songs are heard from their middle on if so much is left, seconds.
SHORTEST_REST_S = 30.0
#: Notes softer than this do not count as strokes.
SOFTEST_SONG_NOTE = 12
#: Counted beats a minute: slower or faster, it is a matter of taste what is a beat.
COUNTED_BPM = (60.0, 190.0)
_TICKS_PER_S = 2000


@dataclass(frozen=True)
class MidiSong:
    """A song as its file has it.

    Attributes
    ----------
    package, name : str
    events : list of (seconds, message)
        Messages of channels and system-exclusive ones, in order.
    strokes : list of (seconds, name, velocity)
        On instruments that the detector names.
    beats : list of (seconds, number)
        Counted beats, and their number in the bar from 1.
    meter : Meter
        Of most bars.
    states_meter : bool
        Whether the file names it; 4/4 is the standard's default (Standard MIDI Files 1.0).
    """

    package: str
    name: str
    events: list[tuple[float, mido.Message]]
    strokes: list[tuple[float, str, int]]
    beats: list[tuple[float, int]]
    meter: Meter
    states_meter: bool

    @property
    def start_s(self) -> float:
        """The bar line before the first stroke."""
        return self.line_before_s(0.0)

    def line_before_s(self, share: float) -> float:
        """The last bar line before so much of the drum part has passed."""
        first_s, last_s = self.strokes[0][0], self.strokes[-1][0]
        lines = [t for t, number in self.beats if number == 1 and t <= first_s + share * (last_s - first_s) + 0.05]
        return lines[-1] if lines else 0.0


def read_lumps(path: Path) -> Iterator[tuple[str, bytes]]:
    """Names and contents of the lumps of a game's archive."""
    data = path.read_bytes()
    count, at = struct.unpack_from("<II", data, 4)
    for k in range(count):
        start, length, name = struct.unpack_from("<II8s", data, at + 16 * k)
        yield name.rstrip(b"\0").decode("ascii", "replace"), data[start : start + length]


def find_songs(packages: Path) -> Iterator[MidiSong]:
    """Each different song of a folder of unpacked packages that has drums, as far as mido reads it."""
    seen: set[bytes] = set()
    for path in sorted(p for p in packages.rglob("*") if p.suffix.lower() in (".mid", ".wad") and p.is_file()):
        package = path.relative_to(packages).parts[0]
        lumps = read_lumps(path) if path.suffix.lower() == ".wad" else [(path.stem, path.read_bytes())]
        for name, data in lumps:
            if data[:4] != b"MThd" or data in seen:
                continue
            seen.add(data)
            song = read_song(package, name, data)
            if song is not None:
                yield song


def read_song(package: str, name: str, data: bytes) -> MidiSong | None:
    """A song of a file's bytes; None without drums, or if mido cannot read it."""
    try:
        midi = mido.MidiFile(file=io.BytesIO(data), clip=True)
        merged = mido.merge_tracks(midi.tracks)
    except (OSError, ValueError, EOFError, KeyError, IndexError, mido.midifiles.meta.KeySignatureError):
        return None
    ticks, now_s, tempo = 0, 0.0, 500_000
    events, strokes = [], []
    meters: list[tuple[Fraction, Meter]] = []
    pace = [(0.0, 0.0)]
    for message in merged:
        ticks += message.time
        now_s += mido.tick2second(message.time, midi.ticks_per_beat, tempo)
        if message.type == "set_tempo":
            pace.append((ticks / midi.ticks_per_beat, now_s))
            tempo = message.tempo
        elif message.type == "time_signature":
            try:
                meters.append((Fraction(ticks, midi.ticks_per_beat), Meter(message.numerator, message.denominator)))
            except ChartError:
                return None
        elif not message.is_meta:
            events.append((now_s, message))
            if message.type == "note_on" and message.channel == DRUM_CHANNEL and message.velocity >= SOFTEST_SONG_NOTE:
                drum = GENERAL_MIDI.get(message.note)
                if drum in INDEX:
                    strokes.append((now_s, drum, message.velocity))
    if len(strokes) < FEWEST_IN_SONG:
        return None
    quarters = Fraction(ticks, midi.ticks_per_beat)
    pace.append((float(quarters), now_s))
    beats, lengths = _lay_beats(meters, quarters)
    times_s = np.interp([float(at) for at, _ in beats], *np.array(pace).T)
    usual = max(lengths, key=lambda meter: lengths[meter])
    return MidiSong(
        package,
        name,
        events,
        strokes,
        [(float(t), number) for t, (_, number) in zip(times_s, beats, strict=True)],
        usual,
        bool(meters),
    )


def _lay_beats(
    meters: Sequence[tuple[Fraction, Meter]], end: Fraction
) -> tuple[list[tuple[Fraction, int]], dict[Meter, Fraction]]:
    """(quarters, number) of each counted beat, and how many quarters are in each meter.  A meter holds to the next."""
    if not meters or meters[0][0] > 0:
        meters = [(Fraction(0), Meter()), *meters]
    beats, lengths = [], dict[Meter, Fraction]()
    for (start, meter), (stop, _) in zip(meters, [*meters[1:], (end, Meter())], strict=True):
        lengths[meter] = lengths.get(meter, Fraction(0)) + stop - start
        at = start
        while at < stop:
            for number, place in enumerate(meter.beat_positions(meter.bar_length), start=1):
                if at + 4 * place < stop:
                    beats.append((at + 4 * place, number))
            at += 4 * meter.bar_length
    return beats, lengths


def play(song: MidiSong, font: Path, kit: int, drums: bool, start_s: float, length_s: float) -> np.ndarray:
    """Drums of a song, or its rest, rendered with a drum kit (program)."""
    track, now, programs = mido.MidiTrack(), 0, [0] * 16
    if drums:
        track.append(mido.Message("program_change", channel=DRUM_CHANNEL, program=kit))
    for time_s, message in song.events:
        if time_s >= start_s + length_s:
            break
        on_drums = getattr(message, "channel", None) == DRUM_CHANNEL
        if message.type == "program_change":
            programs[message.channel] = message.program
            if on_drums:
                continue
        elif message.type in ("note_on", "note_off"):
            named = on_drums and GENERAL_MIDI.get(message.note) in INDEX
            struck = not on_drums and programs[message.channel] in STRUCK_PROGRAMS
            if named != drums or struck or time_s < start_s:
                continue
        at = max(now, round((time_s - start_s) * _TICKS_PER_S))
        track.append(message.copy(time=at - now))
        now = at
    # FluidSynth plays until nothing sounds, so what is cut off is silenced.
    for channel in range(16):
        wait = max(0, round(length_s * _TICKS_PER_S) - now) if channel == 0 else 0
        track.append(mido.Message("control_change", channel=channel, control=ALL_SOUND_OFF, time=wait))
    with tempfile.TemporaryDirectory() as folder:
        midi, wav = Path(folder) / "song.mid", Path(folder) / "song.wav"
        mido.MidiFile(ticks_per_beat=_TICKS_PER_S // 2, tracks=[track]).save(midi)
        options = ["-ni", "-q", "-g", "0.4", "-r", str(SAMPLE_RATE_HZ), "-T", "wav", "-F", str(wav)]
        subprocess.run(["fluidsynth", *options, str(font), str(midi)], check=True, capture_output=True, timeout=600)
        samples = soundfile.read(wav, dtype="float32", always_2d=True)[0].mean(axis=1)
    whole = np.zeros(int(length_s * SAMPLE_RATE_HZ), np.float32)
    whole[: len(samples)] = samples[: len(whole)]
    return whole


def as_performance(song: MidiSong) -> Performance | None:
    """The drum part, also what the detector does not name; None where beats are no quarters or bars not all alike."""
    numbers = [n for _, n in song.beats]
    per_bar = song.meter.counted_beats
    if song.meter.unit != 4 or per_bar not in (3, 4) or numbers != [k % per_bar + 1 for k in range(len(numbers))]:
        return None
    struck = [
        (t, INDEX.get(GENERAL_MIDI[message.note], OTHER_INDEX), message.velocity / 127)
        for t, message in song.events
        if message.type == "note_on"
        and message.channel == DRUM_CHANNEL
        and message.velocity >= SOFTEST_SONG_NOTE
        and message.note in GENERAL_MIDI
        and t < LONGEST_PART_S
    ]
    beats_s = np.array([t for t, _ in song.beats])
    time_s, instrument, velocity = np.array(struck).T
    beat = np.interp(time_s, beats_s, np.arange(len(beats_s)))
    first = per_bar * ((beat[0] + 0.1) // per_bar)
    beat = beat - first
    bars = np.ceil((beat[-1] + 0.01) / per_bar)
    tempo = 60 / float(np.median(np.diff(beats_s)))
    return Performance(beat, instrument.astype(int), velocity, per_bar, float(bars * per_bar), tempo)


def draw_kit(rng: np.random.Generator, song: MidiSong) -> int:
    """A drum kit's program: the one that the song asks for, unless its keys are other drums, or another."""
    asked = [m.program for _, m in song.events if m.type == "program_change" and m.channel == DRUM_CHANNEL]
    kit = asked[0] if asked else KITS[0]
    return int(rng.choice(KITS)) if kit not in KITS or rng.random() < OTHER_KIT_SHARE else kit


def keep_clips(songs: Sequence[MidiSong], out: Path, fonts: Sequence[Path], seed: int) -> None:
    """Write drums and rest of songs, as :func:`workbench.training.module_clips.read_modules` reads them, and their
    drum parts, as :func:`workbench.training.performances.read_performances` does."""
    rng, at, kept = np.random.default_rng(seed), 0, []
    each = int(PASSAGE_S * SAMPLE_RATE_HZ)
    with soundfile.SoundFile(out / "modules.ogg", "w", SAMPLE_RATE_HZ, 1, format="OGG", subtype="VORBIS") as file:
        for k, song in enumerate(songs):
            font, kit, start_s = fonts[k % len(fonts)], draw_kit(rng, song), song.start_s
            drums, rest = (play(song, font, kit, which, start_s, EXCERPT_S) for which in (True, False))
            loudest = max(np.abs(drums).max(), np.abs(rest).max())
            strokes = [(round(t - start_s, 4), name) for t, name, _ in song.strokes if 0 <= t - start_s < EXCERPT_S]
            beats = [(round(t - start_s, 4), n) for t, n in song.beats if 0 <= t - start_s < EXCERPT_S]
            told: dict = {"name": f"{song.package} {song.name}", "strokes": strokes, "beats": beats, "shots": []}
            for stem, samples in (("drums", drums), ("rest", rest)):
                told[stem] = (at, len(samples))
                for first in range(0, len(samples), SAMPLE_RATE_HZ):
                    file.write(0.9 * samples[first : first + SAMPLE_RATE_HZ] / loudest)
                at += len(samples)
            # The rest has no drum of a kit, so all of it that sounds may serve other drums.
            level = np.sqrt(np.mean(rest**2)) / 4
            told["backing"] = [
                (told["rest"][0] + first, each)
                for first in range(0, len(rest) - each + 1, each)
                if level > 0 and np.sqrt(np.mean(rest[first : first + each] ** 2)) > level
            ]
            kept.append(told)
            print(told["name"], len(strokes), flush=True)
    (out / "modules.json").write_text(json.dumps(kept))
    parts = [part for song in songs if (part := as_performance(song)) is not None]
    keep_performances(out / "performances.npz", {"train_grooves": parts})


def keep_heard(songs: Sequence[MidiSong], out: Path, fonts: Sequence[Path], seed: int, begin: float = 0.0) -> None:
    """Hear songs of a usual tempo, drums alone and in the mix, from a share of their drum part on, and keep what was
    heard with their bars."""
    rng = np.random.default_rng(seed)
    for k, song in enumerate(songs):
        font, kit = fonts[k % len(fonts)], draw_kit(rng, song)
        start_s = max(0.0, song.line_before_s(begin) - (rng.uniform(0.0, 2.0) if begin == 0.0 else 0.0))
        if begin > 0.0 and song.strokes[-1][0] - start_s < SHORTEST_REST_S:
            continue
        beats = np.array([(t - start_s, n) for t, n in song.beats if 0 <= t - start_s < EXCERPT_S])
        if len(beats) < 16 or not COUNTED_BPM[0] <= 60 / np.median(np.diff(beats[:, 0])) <= COUNTED_BPM[1]:
            continue
        drums = play(song, font, kit, True, start_s, EXCERPT_S)
        rest = play(song, font, kit, False, start_s, EXCERPT_S)
        last = np.flatnonzero(np.abs(drums) + np.abs(rest) > 1e-3)[-1] / SAMPLE_RATE_HZ
        beats = beats[beats[:, 0] < last]
        for kind, samples in (("", drums), ("-mix", drums + rest)):
            path = out / f"midi-{song.package}-{song.name}{kind}.npz"
            if path.exists():
                continue
            with tempfile.TemporaryDirectory() as folder:
                wav = Path(folder) / "song.wav"
                soundfile.write(wav, 0.9 * samples / np.abs(samples).max(), SAMPLE_RATE_HZ)
                hear_song(wav, path, song.package, str(song.meter), beats[:, 0], beats[:, 1].astype(int))
            print(path.stem, len(beats), flush=True)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("packages", type=Path, help="folder of unpacked packages")
    parser.add_argument("out", type=Path)
    parser.add_argument("--only", nargs="+", default=list(MIDI_PACKAGES), help="packages")
    parser.add_argument("--fonts", nargs="+", type=Path, required=True)
    parser.add_argument("--heard", action="store_true", help="songs of known bars, heard once")
    parser.add_argument("--begin", type=float, default=0.0, help="with --heard: from which share of the drum part on")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    songs = [song for song in find_songs(args.packages) if song.package in args.only]
    if args.heard:
        keep_heard(songs, args.out, args.fonts, args.seed, args.begin)
    else:
        keep_clips(songs, args.out, args.fonts, args.seed)


if __name__ == "__main__":
    main()
