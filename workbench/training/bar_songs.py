"""Songs whose bars are known, heard once: what the chooser of bars learns from.

Human performances of the Groove MIDI data set (CC BY 4.0; J. Gillick et al.,
*Learning to groove with inverse sequence transformations*, ICML 2019) are cut
into excerpts, some laid over other meters piece by piece, at other tempi, with
a count-in, a pick-up or a drifting tempo, some with bass, chords and a lead on
their bars; rendered by FluidSynth with General MIDI sound fonts; and heard by
the shipped detector.  What it heard is kept, one ``.npz`` a song::

    python -m workbench.training.bar_songs groove-midi build/songs --split train --count 200 \\
        --fonts FluidR3_GM.sf2 TimGM6mb.sf2

About two seconds of one core a song.  Songs that are in the folder are not heard again.
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import mido
import numpy as np

from workbench.chart.drumkit import instrument
from workbench.chart.events import Stroke
from workbench.chart.meter import Meter
from workbench.files.audio import SAMPLE_RATE_HZ, load_audio
from workbench.listening import detect
from workbench.listening.activations import Activations
from workbench.listening.harmony import Harmony, hear_harmony
from workbench.training.groove_performances import GroovePerformance, read_performances
from workbench.training.meter_grooves import play_grooves, tells_meter

LONGEST_EXCERPT_S = 45.0

#: How bars of other meters are made of the eighths of a bar of 4/4, one digit an eighth
#: (common practice, no source).
PIECES: dict[str, tuple[str, ...]] = {
    "3/4": ("012345", "012367", "014567", "012323", "014523"),
    "2/4": ("0123", "4567"),
    # Three and two, two and three: kick or snare opens each group.
    "5/4": ("0123456767", "0123234567", "0123456745", "0123670123", "0101234567", "0123230123", "0145670123"),
    "6/4": ("012345674567", "012345670123", "012367012367", "012323456767", "012301234567"),
    "7/4": ("01234567012367", "01236701234567", "01234567234567", "01234567456767", "01230123234567", "01230123012367"),
    "3/8": ("012", "013"),
    "5/8": ("01234", "01245", "01223", "01445", "01201", "01233"),
    "6/8": ("011233", "011455", "001223", "011677", "001233", "011234"),
    # 2+2+3, 2+3+2 and 3+2+2.
    "7/8": ("0123456", "0124567", "0145677", "0123567", "0122345", "0101233", "0123423", "0120123", "0124523"),
    "9/8": ("011233455", "011233233", "011455233"),
    "12/8": ("011233455677", "001223445667", "011233011233"),
}

OPENING = ("crash", "second crash")

#: Programs of General MIDI fonts that are drum kits: from standard to brush (GM2's numbers, from memory).
FONT_KITS = (0, 8, 16, 24, 25, 32, 40)

#: So many grooves of a meter are tried until one tells the meter by its strokes alone.
GROOVES_TRIED = 6

#: Eighths a minute of songs made for a meter: lowest and highest.
EIGHTHS_PER_MINUTE = {"3/8": (180, 300), "5/8": (190, 360), "7/8": (190, 360), "6/8": (130, 300)}

_KEYS = {"bass": range(32, 40), "chords": (0, 4, 16, 18, 24, 25, 27, 29, 48, 50), "lead": (56, 65, 73, 80, 26, 30)}


@dataclass(frozen=True)
class BarSong:
    """What was heard of a song, and its bars.

    Attributes
    ----------
    name : str
    group : str
        Songs made of the same performance share it: they are learnt from, or tested on, together.
    meter : str
        The meter of most bars.
    beats_s, numbers : ndarray (n,)
        Counted beats and their number in the bar.
    """

    name: str
    group: str
    meter: str
    beats_s: np.ndarray
    numbers: np.ndarray
    activations: Activations
    strokes: tuple[Stroke, ...]
    harmony: Harmony

    @classmethod
    def read(cls, path: Path) -> BarSong:
        with np.load(path) as kept:
            data = {k: kept[k] for k in kept.files}
        beat, downbeat = data["beat"].astype(np.float32), data["downbeat"].astype(np.float32)
        nothing, begins_s = np.zeros((len(beat), 1), dtype=np.float32), float(data.get("begins_s", np.nan))
        return cls(
            path.stem,
            str(data["group"]),
            str(data["meter"]),
            data["beats_s"],
            data["numbers"],
            Activations(
                *(float(data["rate"]), ("kick",), nothing, nothing, beat, downbeat, None),
                None if np.isnan(begins_s) else begins_s,
            ),
            tuple(
                Stroke(float(t), str(name), int(v), float(c))
                for t, name, v, c in zip(data["times"], data["names"], data["velocities"], data["confidences"])
            ),
            Harmony(float(data["harmony_rate"]), data["harmony"].astype(np.float32)),
        )


def hear_song(path: Path, out: Path, group: str, meter: str, beats_s: np.ndarray, numbers: np.ndarray) -> None:
    """Hear a recording and keep what was heard with its known bars."""
    samples = load_audio(path, SAMPLE_RATE_HZ, mono=True).samples[:, 0]
    keep_song(out, group, meter, beats_s, numbers, detect.compute_activations(samples), hear_harmony(samples))


def keep_song(
    out: Path,
    group: str,
    meter: str,
    beats_s: np.ndarray,
    numbers: np.ndarray,
    heard: Activations,
    harmony: Harmony,
    strokes: Sequence[Stroke] | None = None,
) -> None:
    """Keep what was heard of a song with its known bars, as :meth:`BarSong.read` reads it; *strokes* if the activations
    do not tell them."""
    strokes = sorted(detect.detect_strokes(heard) if strokes is None else strokes)
    np.savez_compressed(
        out,
        group=group,
        meter=meter,
        beats_s=beats_s,
        numbers=numbers,
        rate=heard.frame_rate_hz,
        beat=heard.beat.astype(np.float16),
        downbeat=heard.downbeat.astype(np.float16),
        begins_s=np.nan if heard.begins_s is None else heard.begins_s,
        times=np.array([s.time_s for s in strokes]),
        names=np.array([s.instrument for s in strokes]),
        velocities=np.array([s.velocity for s in strokes], dtype=np.uint8),
        confidences=np.array([s.confidence for s in strokes], dtype=np.float16),
        harmony_rate=harmony.frame_rate_hz,
        harmony=harmony.pitch_classes.astype(np.float16),
    )


@dataclass(frozen=True)
class Written:
    """A song before it is rendered: meter of most bars, drums (quarters, name, velocity), beats and their numbers."""

    meter: Meter
    strokes: list[tuple[float, str, int]]
    beats: np.ndarray
    numbers: np.ndarray
    quarters_per_minute: float


def compose(
    rng: np.random.Generator,
    played: GroovePerformance,
    meter: Meter,
    plain: bool = False,
    changing: bool = False,
    longest_s: float = LONGEST_EXCERPT_S,
) -> Written:
    """An excerpt of a performance, laid over a meter; *plain*, its beginning as it was played.

    Where it does not tell the meter when laid over it, a groove of the meter is played as the drummer feels it.
    """
    eighths = 2 * played.meter.bar_length * 4
    per_bar = int(eighths)
    if meter == played.meter:
        pieces = ["".join(chr(k + 48) for k in range(per_bar))]
    else:
        pieces = list(rng.permutation(PIECES[str(meter)])[: rng.integers(1, 3)])
    if str(meter) in EIGHTHS_PER_MINUTE:
        quarters_per_minute = rng.uniform(*EIGHTHS_PER_MINUTE[str(meter)]) / 2
    elif meter == played.meter:
        quarters_per_minute = float(played.tempo_bpm * (1.0 if plain else rng.uniform(0.85, 1.18)))
    else:
        quarters_per_minute = float(np.clip(played.tempo_bpm * rng.uniform(0.85, 1.25), 65, 190))
    bars_played = max(1, int(max(s[0] for s in played.strokes) * 2 + 0.2) // per_bar)
    needed = int(longest_s * quarters_per_minute / 60 / (len(pieces[0]) / 2)) + 1
    first = 0 if plain or rng.random() < 0.5 else int(rng.integers(bars_played))
    # A stroke belongs to the eighth it is nearest to the beginning of, or falls in.
    at = np.array([s[0] * 2 for s in played.strokes])
    cell = np.floor(at + 0.2).astype(int)
    by_cell: dict[int, list[int]] = {}
    for k, c in enumerate(cell):
        by_cell.setdefault(int(c), []).append(k)
    count = needed if meter != played.meter else min(needed, bars_played)
    bars = [(meter, pieces[0] if len(pieces) == 1 or bar % 4 != 3 else pieces[1]) for bar in range(count)]
    if changing and len(bars) > 8:
        bars = change_meters(rng, bars)
    strokes, place, beats, numbers = [], 0, [], []
    beat = float(meter.beat_length * 4)
    laid = meter != played.meter
    part = int(rng.choice([4, 8])) if laid else 0
    fills = [
        k
        for k, s in enumerate(played.strokes)
        if instrument(s[1]).family == "tom" and cell[k] % per_bar >= per_bar // 2
    ]
    filled = int(np.bincount(cell[fills] // per_bar).argmax()) * per_bar if len(fills) > 3 else -1
    for bar, (other, piece) in enumerate(bars):
        beats += [place / 2 + beat * k for k in range(other.counted_beats)]
        numbers += range(1, other.counted_beats + 1)
        # The last bar of a part ends with a fill, and the next begins with a crash.
        fill = int(rng.integers(1, 5)) if laid and filled >= 0 and bar % part == part - 1 else 0
        if laid and bar and bar % part == 0:
            strokes.append((place / 2 + rng.normal(0, 0.02), "crash", int(rng.integers(90, 127))))
        for k_in_bar, letter in enumerate(piece):
            source = ((first + bar) % bars_played) * per_bar + ord(letter) - 48
            left = len(piece) - k_in_bar
            if left <= min(fill, len(piece) - 2):
                source = filled + per_bar - left
            for k in by_cell.get(source, ()):
                _, name, velocity = played.strokes[k]
                # An eighth that opens a bar of the performance may stand inside one here: without its crash.
                if not (laid and k_in_bar and name in OPENING and letter == "0"):
                    strokes.append(((place + at[k] - source) / 2, name, velocity))
            place += 1
    strokes.sort()
    for _ in range(GROOVES_TRIED):
        if not laid or changing or tells_meter(strokes, meter):
            break
        strokes = play_grooves(rng, played.strokes, played.tempo_bpm, meter, count, quarters_per_minute)
    song = Written(meter, strokes, np.array(beats), np.array(numbers), quarters_per_minute)
    return song if plain else _begun(rng, song)


def change_meters(rng: np.random.Generator, bars: list[tuple[Meter, str]]) -> list[tuple[Meter, str]]:
    """Bars of 4/4 with a shorter one before every fourth or eighth, or some of them in another meter."""
    out = list(bars)
    if rng.random() < 0.6:
        every, short = int(rng.choice([4, 8])), Meter(int(rng.choice([2, 3])), 4)
        for k in range(every - 1, len(out), every if rng.random() < 0.5 else len(out)):
            out[k] = short, str(rng.choice(PIECES[str(short)]))
    else:
        other = Meter(int(rng.choice([3, 5, 7])), 4)
        begin, piece = int(rng.integers(3, len(out) - 3)), str(rng.choice(PIECES[str(other)]))
        for k in range(begin, min(begin + int(rng.choice([4, 8])), len(out))):
            out[k] = other, piece
    return out


def _begun(rng: np.random.Generator, song: Written) -> Written:
    """A song with a pick-up or a count-in, or as it is."""
    strokes, beats, numbers = song.strokes, song.beats, song.numbers
    counted, beat = song.meter.counted_beats, float(song.meter.beat_length * 4)
    bar_count = int((numbers == 1).sum())
    if rng.random() < 0.25 and bar_count > 6:
        cut = int(rng.integers(1, counted)) if counted > 1 else 0
        strokes = [s for s in strokes if s[0] > beats[cut] - 0.1]
        beats, numbers = beats[cut:], numbers[cut:]
    elif rng.random() < 0.2:
        count = int(rng.choice([counted, 2 * counted])) if counted < 5 else counted
        clicks = beats[0] - beat * np.arange(count, 0, -1)
        strokes = [(float(t), "side stick", 100) for t in clicks] + strokes
        beats = np.concatenate([clicks, beats])
        numbers = np.concatenate([np.arange(count) % counted + 1, numbers])
    return replace(song, strokes=strokes, beats=beats, numbers=numbers)


def accompany(rng: np.random.Generator, song: Written) -> list[tuple[float, float, int, int, int]]:
    """Bass, chords and a lead: (quarters, length, channel, key, velocity)."""
    scale = np.array([0, 2, 4, 5, 7, 9, 11] if rng.random() < 0.5 else [0, 2, 3, 5, 7, 8, 10])
    key, notes = int(rng.integers(12)), []
    lines = song.beats[song.numbers == 1]
    if len(lines) < 2:
        return []
    if lines[0] > song.beats[0]:
        lines = np.concatenate([[lines[0] - (lines[1] - lines[0])], lines])
    every = int(rng.choice([1, 1, 2]))
    degrees = [0, *rng.integers(0, 7, 7)] if rng.random() < 0.3 else [0, *rng.integers(0, 7, 3)]
    early = 0.5 if rng.random() < 0.15 else 0.0
    beat = float(np.median(np.diff(song.beats)))
    divided = 3 if song.meter.is_compound else 2
    finer = np.sort(np.concatenate([song.beats + beat * k / divided for k in range(divided)]))
    kicks = np.array([t for t, name, _ in song.strokes if name == "kick"])

    def chord(time: float) -> np.ndarray:
        bar = max(0, int(np.searchsorted(lines, time + early + 0.05, "right")) - 1)
        degree = degrees[(bar // every) % len(degrees)]
        return key + np.array([scale[(degree + k) % 7] + 12 * ((degree + k) // 7) for k in (0, 2, 4)])

    def play(times: np.ndarray, channel: int, keys: object, hold: float, velocity: int) -> None:
        for at, following in zip(times, [*times[1:], times[-1] + beat]):
            for pitch in keys(at):  # type: ignore[operator]
                notes.append((at, max(0.1, hold * (following - at)), channel, int(pitch), velocity))

    styles = [lines - early, song.beats, finer, song.beats + beat * (divided - 1) / divided]
    bass = [kicks if len(kicks) > 8 else song.beats, song.beats, finer, lines][int(rng.integers(4))]
    play(bass, 0, lambda t: [28 + (chord(t)[0] + 8) % 12], rng.uniform(0.4, 1.0), int(rng.integers(70, 120)))
    for channel in range(1, 1 + int(rng.integers(1, 3))):
        times = styles[int(rng.integers(4))]
        play(times, channel, lambda t: 48 + chord(t) % 24, rng.uniform(0.3, 1.0), int(rng.integers(40, 90)))
    if rng.random() < 0.5:
        times = finer[rng.random(len(finer)) < 0.6]
        play(
            times,
            3,
            lambda t: [60 + key + scale[rng.integers(7)] if rng.random() < 0.5 else 60 + rng.choice(chord(t))],
            0.9,
            int(rng.integers(50, 100)),
        )
    return notes


def render(
    rng: np.random.Generator,
    song: Written,
    backing: Sequence[tuple],
    font: Path,
    path: Path,
    plain: bool = False,
    longest_s: float = LONGEST_EXCERPT_S,
    kit: int = 0,
) -> tuple[np.ndarray, np.ndarray]:
    """Write a WAV, played on the kit of that program; the times of the song's beats in it, and their numbers, up to its
    end."""
    grid = np.arange(song.beats[0] - 4, song.beats[-1] + 8, 0.25)
    drift = (
        rng.uniform(0.005, 0.04) * np.sin(grid / rng.uniform(12, 40) + rng.uniform(0, 6))
        if not plain and rng.random() < 0.4
        else 0
    )
    pace = 60 / song.quarters_per_minute * (1 + drift) * np.ones(len(grid))
    seconds = np.concatenate([[0], np.cumsum(pace[:-1] * 0.25)])

    def time(quarters: object) -> np.ndarray:
        return np.interp(quarters, grid, seconds) - np.interp(song.beats[0], grid, seconds) + lead

    lead = rng.uniform(0.15, 2.0)
    events = []
    for at, name, velocity in song.strokes:
        if (t := float(time(at))) < longest_s:
            note = instrument(name).midi_note
            events += [(t, 1, 9, note, velocity), (t + 0.05, 0, 9, note, 0)]
    loud = rng.uniform(0.5, 1.0)
    for at, length, channel, key, velocity in backing:
        if (t := float(time(at)) + rng.normal(0, 0.005)) < longest_s:
            events += [
                (t, 1, channel, key, max(1, int(velocity * loud))),
                (float(time(at + length)), 0, channel, key, 0),
            ]
    track, now = mido.MidiTrack(), 0
    track.append(mido.MetaMessage("set_tempo", tempo=500_000))
    track.append(mido.Message("program_change", channel=9, program=kit))
    for channel, part in enumerate(("bass", "chords", "chords", "lead")):
        track.append(mido.Message("program_change", channel=channel, program=int(rng.choice(_KEYS[part]))))
    for t, on, channel, note, velocity in sorted(events):
        at = max(now, round(max(t, 0.0) * 2000))
        track.append(
            mido.Message("note_on" if on else "note_off", channel=channel, note=note, velocity=velocity, time=at - now)
        )
        now = at
    with tempfile.TemporaryDirectory() as folder:
        midi = Path(folder) / "song.mid"
        mido.MidiFile(ticks_per_beat=1000, tracks=[track]).save(midi)
        options = ["-ni", "-q", "-g", "0.5", "-r", "44100", "-T", "wav", "-F", str(path)]
        subprocess.run(["fluidsynth", *options, str(font), str(midi)], check=True, capture_output=True)
    times = time(song.beats)
    last = min(longest_s, max(t for t, *_ in events))
    inside = times < last + 0.05
    return times[inside], song.numbers[inside]


def make_song(
    seed: int,
    played: GroovePerformance,
    meter: Meter,
    backed: bool,
    font: Path,
    out: Path,
    plain: bool = False,
    changing: bool = False,
) -> None:
    rng = np.random.default_rng(seed)
    song = compose(rng, played, meter, plain, changing and meter == Meter(4, 4))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "song.wav"
        beats_s, numbers = render(rng, song, accompany(rng, song) if backed and not plain else (), font, path, plain)
        hear_song(path, out, played.name, str(meter), beats_s, numbers)


def plan(performances: Sequence[GroovePerformance], count: int, odd: Sequence[str], seed: int) -> list[tuple]:
    """(seed, performance, meter, with backing) of each song; every other one in an odd meter where some are named."""
    rng = np.random.default_rng(seed)
    out = []
    four = [p for p in performances if p.meter == Meter(4, 4)]
    for k in range(count):
        meter = odd[k % len(odd)] if odd else None
        played = four[rng.integers(len(four))] if meter else performances[k % len(performances)]
        out.append(
            (seed * 100_000 + k, played, Meter.parse(meter) if meter else played.meter, bool(rng.random() < 0.5))
        )
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("groove", type=Path, help="folder of the Groove MIDI data set")
    parser.add_argument("out", type=Path)
    parser.add_argument("--split", default="train")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--odd", nargs="*", default=[], help="meters to lay the performances over")
    parser.add_argument("--fonts", nargs="+", type=Path, required=True)
    parser.add_argument("--plain", action="store_true", help="as played, drums alone")
    parser.add_argument("--changing", action="store_true", help="songs in 4/4 have bars of other meters")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    performances = [
        p
        for p in read_performances(args.groove, (args.split,))
        if not p.is_fill and p.strokes and p.strokes[-1][0] / p.tempo_bpm * 60 >= 20 and str(p.meter) != "5/8"
    ]
    order = np.random.default_rng(args.seed).permutation(len(performances))
    performances = [performances[k] for k in order]
    for k, (seed, played, meter, backed) in enumerate(plan(performances, args.count, args.odd, args.seed)):
        name = f"{args.split}-{seed}-{str(meter).replace('/', '-')}{'-mix' if backed and not args.plain else ''}"
        path = args.out / f"{name}.npz"
        if not path.exists():
            make_song(seed, played, meter, backed, args.fonts[k % len(args.fonts)], path, args.plain, args.changing)
            print(name, flush=True)


if __name__ == "__main__":
    main()
