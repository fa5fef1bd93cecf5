"""Composed songs, heard once: what the chooser of bars learns other meters from.

Songs in every meter (:mod:`workbench.training.song_form`) with drums
(:mod:`workbench.training.composed_drums`) and mostly with bass, chords and a lead
(:mod:`workbench.training.composed_backing`) are played on the detector's training
sounds, heard by the shipped detector, and kept as
:mod:`workbench.training.bar_songs` keeps songs::

    python -m workbench.training.composed_songs build/bank build/performances.npz build/songs/composed --count 2800

About six seconds of one core a song.  Songs that are in the folder are not made again.
``--ideal 200`` adds such without sound: every stroke is heard, beats are plain, or as
plain as what lies between them.  They keep the chooser from reading the plainest
patterns in far-fetched ways.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from workbench.chart.drumkit import DETECTED
from workbench.chart.events import Stroke
from workbench.chart.meter import Meter
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.activations import Activations
from workbench.listening.detect import compute_activations
from workbench.listening.features import FRAME_RATE_HZ
from workbench.listening.harmony import Harmony, hear_harmony
from workbench.training.arrangement import nearest_note
from workbench.training.bar_songs import keep_song
from workbench.training.composed_backing import BackingNote, accompany
from workbench.training.composed_drums import DrumPattern, HumanDrums, Manner, Strokes, play_fill
from workbench.training.library import Library, read_library
from workbench.training.mixing import render
from workbench.training.performances import CLOSED, KICK, OTHER_INDEX, PEDAL, STICK, Performance, read_performances
from workbench.training.planning import BASS_ROW, CHORD_ROW, LEAD_ROW, NEVER, Plan, draw_mix, stroke_events
from workbench.training.song_form import SongBar, beat_quarters, draw_tempo, lay_form, pick

#: How many songs are in each meter, of 100 or so.
SONGS_IN = {
    **{"4/4": 50, "3/4": 15, "2/4": 3, "5/4": 5, "6/4": 4, "7/4": 4},
    **{"3/8": 2, "5/8": 4, "6/8": 9, "7/8": 6, "9/8": 2, "12/8": 5},
}

#: Who plays the drums: a drummer who was recorded, or by rule a player, a machine, or a machine with plain waves.
DRUMMERS = (("human", 0.38), ("rule", 0.22), ("machine", 0.24), ("chip", 0.16))

SONG_LENGTHS_S = (40.0, 48.0, 56.0)

#: Meters of songs that are heard ideally, one after the other, and how long they are.
IDEAL_METERS = (
    *("4/4", "6/8", "3/4", "4/4", "2/4", "6/8", "3/4", "4/4", "12/8", "3/4", "4/4", "6/8", "5/4", "7/8"),
    *("4/4", "3/4", "6/8", "9/8", "5/8", "6/8", "7/4", "6/4"),
)
IDEAL_S = 36.0

#: Share of the songs on drums that the detector did not learn from; and of those that begin within the music.
KEPT_KITS, FROM_WITHIN = 0.4, 0.33


@dataclass
class ComposedSong:
    """A song before it is played.

    Attributes
    ----------
    meter : Meter
    drummer : str
        One of :data:`DRUMMERS`, or "own" for a human performance as it was played.
    quarters_per_minute : float
    strokes : list of (quarters, instrument, velocity)
    notes : list of BackingNote
    beats, numbers : ndarray (n,)
        Counted beats, quarters from the first bar line, and their number in the bar.
    """

    meter: Meter
    drummer: str
    quarters_per_minute: float
    strokes: Strokes
    notes: list[BackingNote]
    beats: np.ndarray
    numbers: np.ndarray

    @property
    def is_even(self) -> bool:
        return self.drummer in ("machine", "chip")


def compose(
    rng: np.random.Generator,
    grooves: list[Performance],
    fills: list[Performance],
    meter: Meter,
    seconds: float,
    drummer: str,
    triplets: float = 0.1,
) -> ComposedSong:
    """A song that lasts at least so long; of so many songs (of machines half) quarters are divided in
    three."""
    even = drummer in ("machine", "chip")
    in_three = meter.unit == 4 and rng.random() < triplets * (0.5 if even else 1.0)
    tempo = draw_tempo(rng, meter)
    performance = _draw_performance(rng, grooves, meter) if drummer == "human" else None
    if performance is not None and meter.unit == 4:
        tempo = float(np.clip(performance.tempo_bpm * np.exp(rng.normal(0, 0.15)), 55, 210))
    if in_three:
        tempo = min(tempo, 220.0 if rng.random() < 0.3 else 170.0)
    elif even and rng.random() < 0.7:
        tempo = float(round(tempo))
    changing = rng.random() < 0.1
    bars = lay_form(rng, meter, tempo, seconds, changing)
    manner = Manner.draw(rng, tempo, in_three, even)
    human = None
    if performance is not None:
        own = meter == Meter(4, 4) and not changing and performance.length >= 48 and rng.random() < 0.5
        drummer = "own" if own else "human"
        human = HumanDrums(rng, performance, fills, meter, own)
    # Some songs of synthesizers have no drums at all.
    with_drums = rng.random() > (0.25 if drummer == "chip" else 0.02)
    strokes = _drum(rng, bars, manner, human) if with_drums else []
    backed = not with_drums or drummer == "chip" or rng.random() < (0.62 if human is not None else 0.8)
    kicks = np.array([at for at, instrument, _ in strokes if instrument == KICK])
    notes = accompany(rng, bars, kicks, in_three, even, drummer == "chip") if backed else []
    beats = np.concatenate([b.begin + beat_quarters(b.meter) * np.arange(b.meter.counted_beats) for b in bars])
    numbers = np.concatenate([np.arange(b.meter.counted_beats) + 1 for b in bars])
    return _begun(rng, ComposedSong(meter, drummer, tempo, strokes, notes, beats, numbers), manner)


def _draw_performance(rng: np.random.Generator, grooves: list[Performance], meter: Meter) -> Performance:
    """One in 4/4, or in 3/4 where the song is."""
    pool = [g for g in grooves if len(g.beat) > 60 and g.beats_per_bar in (4, 3 if meter == Meter(3, 4) else 4)]
    likely = np.sqrt([min(g.length, 64) for g in pool])
    return pool[int(rng.choice(len(pool), p=likely / likely.sum()))]


def _drum(rng: np.random.Generator, bars: list[SongBar], manner: Manner, human: HumanDrums | None) -> Strokes:
    """Drums of all bars: fills where sections end, crashes where they begin, sections without drums or with few."""
    sections = bars[-1].section + 1
    silent, light = {0} if rng.random() < 0.2 and sections > 2 else set(), {0} if rng.random() < 0.12 else set()
    if rng.random() < 0.3 and sections > 3:
        (silent if rng.random() < 0.6 else light).add(int(rng.integers(1, sections)))
    fills = pick(rng, (0.0, 0.25 if manner.machine else 0.1), (0.5, 0.3), (0.9, 0.45))
    crashes = pick(rng, (0.0, 0.3 if manner.machine else 0.15), (0.5, 0.25), (0.9, 0.45))
    stray = 0.03 if rng.random() < 0.3 else 0.0
    patterns: dict[tuple[str, Meter], DrumPattern] = {}
    models: dict[Meter, DrumPattern] = {}
    out: Strokes = []
    for index, bar in enumerate(bars):
        opens, length = bar.number == 0, bar.length
        crash = (opens and (index > 0 or rng.random() < 0.5) and rng.random() < crashes) or rng.random() < stray
        in_middle = bar.of >= 8 and bar.number == bar.of // 2 - 1
        until = length
        if rng.random() < (fills if bar.is_last else 0.35 * fills if in_middle else 0.0):
            until -= pick(rng, (0.5, 0.1), (1.0, 0.3), (1.5, 0.12), (2.0, 0.3), (length, 0.18))
            until = max(until, 0.0)
        if bar.section in silent:
            # A fill may lead out of the silence.
            rows = (
                play_fill(rng, manner, length, max(0.0, length - 1), 0.25) if bar.is_last and rng.random() < 0.4 else []
            )
        elif human is not None:
            rows = human.play(rng, bar, index, crash, until)
        else:
            key = bar.letter, bar.meter
            if key not in patterns:
                patterns[key] = DrumPattern(rng, manner, bar, models.get(bar.meter))
                models.setdefault(bar.meter, patterns[key])
            rows = patterns[key].play(rng, bar.number % 2 == 1, opens or crash, crash, until)
            if until < length:
                rows += play_fill(rng, manner, length, until, patterns[key].step)
        if bar.section in light:
            rows = [r for r in rows if r[1] in (CLOSED, PEDAL) or (r[1] == KICK and rng.random() < 0.5)]
        out += [(bar.begin + at, instrument, level) for at, instrument, level in rows]
    return out


def _begun(rng: np.random.Generator, song: ComposedSong, manner: Manner) -> ComposedSong:
    """The song with a pick-up, a count-in or a fill that leads in, or as it is."""
    beat, count, draw = beat_quarters(song.meter), song.meter.counted_beats, rng.random()
    before, strokes = 0, song.strokes
    if draw < 0.12 and count > 1:
        cut = int(rng.integers(1, count))
        first = song.beats[cut] - 0.1
        song.strokes = [s for s in song.strokes if s[0] > first]
        song.notes = [n for n in song.notes if n.at > first]
        song.beats, song.numbers = song.beats[cut:], song.numbers[cut:]
    elif draw < 0.26 and strokes:
        before = pick(rng, (count, 0.6), (2 * count, 0.25), (max(1, count // 2), 0.15)) if count < 5 else count
        # One … two … one two three four.
        slow = before == 2 * count and count >= 4 and rng.random() < 0.4
        voice = pick(rng, (STICK, 0.5), (CLOSED, 0.25), (OTHER_INDEX + 1, 0.15), (PEDAL, 0.1))
        clicks = [k for k in range(before) if not slow or k >= count or k % 2 == 0]
        song.strokes = [(beat * (k - before), voice, 0.8) for k in clicks] + strokes
    elif draw < 0.36 and strokes:
        before = int(rng.integers(1, count + 1))
        begin = -before * beat
        song.strokes = [(begin + a, i, v) for a, i, v in play_fill(rng, manner, -begin, 0.0, 0.25)] + strokes
    places = np.arange(-before, 0)
    song.beats = np.concatenate([beat * places, song.beats])
    song.numbers = np.concatenate([places % count + 1, song.numbers])
    song.strokes.sort()
    return song


def draw_times(rng: np.random.Generator, song: ComposedSong) -> tuple[np.ndarray, np.ndarray]:
    """Quarters and their seconds from the song's first beat: steady, drifting, faster or slower towards the end."""
    last = float(song.beats[-1])
    grid = np.arange(min(float(song.beats[0]), 0.0) - 8, last + 16, 0.25)
    pace = np.full(len(grid), 60 / song.quarters_per_minute)
    if not song.is_even and rng.random() < 0.6:
        if rng.random() < 0.5:
            far = np.exp(rng.uniform(np.log(0.003), np.log(0.03)))
            drift = far * np.sin(grid / rng.uniform(10, 50) + rng.uniform(0, 6))
        else:
            drift = np.cumsum(rng.normal(0, rng.choice([0.0005, 0.001, 0.002]), len(grid)))
        drift -= drift.mean()
        if rng.random() < 0.15:
            drift += rng.uniform(-0.06, 0.08) * np.clip(grid / last, 0, 1)
        if rng.random() < 0.2:
            drift += np.repeat(rng.normal(0, 0.006, len(grid) // 4 + 1), 4)[: len(grid)]
        pace *= np.exp(np.clip(drift, -0.12, 0.12))
    seconds = np.concatenate([[0.0], np.cumsum(pace[:-1] * 0.25)])
    return grid, seconds - np.interp(song.beats[0], grid, seconds)


def add_waves(library: Library) -> None:
    """Plain waves, in place: instruments of small synthesizers in each role, held and dying away."""
    time_s = np.arange(int(2.5 * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    partial_levels = {
        "square": lambda k: np.sin(np.pi * k * 0.5) / k,
        "pulse": lambda k: np.sin(np.pi * k * 0.25) / k,
        "saw": lambda k: 1 / k,
        "triangle": lambda k: k % 2 / k**2,
    }
    pitches = {"bass": (28, 36, 44), "keys": (48, 56, 64, 72), "lead": (60, 68, 76), "pad": (48, 56, 64)}
    parts, at = [library.samples], len(library.samples)
    for levels in partial_levels.values():
        for role, keys in pitches.items():
            for dying in (0.0, 3.0):
                instrument = []
                for key in keys:
                    hz = 440 * 2 ** ((key - 69) / 12)
                    k = np.arange(1, min(int(16000 / hz), 40) + 1)[:, None]
                    wave = (levels(k) * np.sin(2 * np.pi * k * hz * time_s)).sum(axis=0)
                    wave *= 0.3 / np.sqrt(np.mean(wave**2)) * np.minimum(1, 500 * time_s) * np.exp(-dying * time_s)
                    parts.append(wave.astype(np.float32))
                    instrument.append((key, at, len(wave)))
                    at += len(wave)
                library.notes[role].append(instrument)
    library.samples = np.concatenate(parts)


#: So many of each role's instruments are :func:`add_waves`'s.
WAVES = 8


def plan_song(
    rng: np.random.Generator, library: Library, song: ComposedSong, seconds: float
) -> tuple[Plan, np.ndarray, np.ndarray]:
    """How an excerpt of a song is played; its beats in seconds, and their numbers."""
    grid, times = draw_times(rng, song)
    late = times[-1] - seconds - 14
    begin = -rng.uniform(6, min(late + 10, 60)) if late > 0 and rng.random() < FROM_WITHIN else rng.uniform(0.1, 2.5)

    def time(at: np.ndarray) -> np.ndarray:
        return np.interp(at, grid, times) + begin

    rows = np.array(song.strokes, dtype=float).reshape(-1, 3)
    rule = song.drummer == "rule"
    uneven = 0.0 if song.is_even else float(rng.choice([0.002, 0.006, 0.011])) if rule else 0.001
    struck = time(rows[:, 0]) + rng.normal(0, 1, len(rows)) * uneven
    inside = (struck > -2.2) & (struck < seconds + 0.05)
    struck, instrument, velocity = struck[inside], rows[inside, 1].astype(int), rows[inside, 2]
    if rule:
        velocity = velocity * rng.normal(1, 0.08, len(velocity))
    velocity, plain = np.clip(velocity, 0.05, 1.0), rng.random() < 0.45
    ints, floats = [np.zeros((0, 5))], [np.zeros((0, 5))]
    if len(struck):
        i, f = stroke_events(rng, library, struck, instrument, velocity, song.is_even, plain)
        ints.append(i)
        floats.append(f)
    behind = 0.0 if song.is_even else rng.normal(0, 0.008)
    row_of = {"bass": BASS_ROW, "lead": LEAD_ROW}
    for note in song.notes:
        at = float(time(np.array(note.at))) + behind + rng.normal(0, 1) * note.jitter_s
        if not -1.0 < at < seconds:
            continue
        pool = library.notes[note.role]
        waves = song.drummer == "chip" and note.instrument % 10 >= 3 and note.role != "guitar"
        sounds = pool[-1 - note.instrument % WAVES] if waves else pool[note.instrument % len(pool)]
        offset, length, rate = nearest_note(sounds, note.pitch)
        held = note.length * 60 / song.quarters_per_minute * SAMPLE_RATE_HZ
        ints.append(np.array([[row_of.get(note.role, CHORD_ROW), at * SAMPLE_RATE_HZ, offset, length, held]]))
        floats.append(np.array([[rate, note.gain, 0.0, 1 / (0.03 * SAMPLE_RATE_HZ), 0.0]]))
    eq_db, wet, settings = draw_mix(rng, len(struck) > 0, bool(song.notes), plain)
    nothing = np.zeros(0, np.float16)
    plan = Plan(
        np.concatenate(ints).clip(max=NEVER).astype(np.int32),
        np.concatenate(floats).astype(np.float32),
        *(x.astype(np.float32) for x in (eq_db, wet, settings)),
        *[nothing] * 6,
    )
    beats_s = time(song.beats)
    known = (beats_s >= 0) & (beats_s < seconds)
    return plan, beats_s[known], song.numbers[known]


def hear_ideally(
    rng: np.random.Generator, meter: Meter, beats_s: np.ndarray, numbers: np.ndarray, seconds: float
) -> Activations:
    """Activations of beats, now and then of what lies between them, too, and of downbeats or none."""
    beat, downbeat = np.full((2, int(seconds * FRAME_RATE_HZ)), 0.02, np.float32)

    def peak(where: np.ndarray, times_s: np.ndarray, height: float) -> None:
        for off, share in ((0, 1.0), (1, 0.6), (-1, 0.6)):
            frames = np.round(times_s * FRAME_RATE_HZ).astype(int) + off
            frames = frames[(frames >= 0) & (frames < len(where))]
            where[frames] = np.maximum(where[frames], height * share)

    height = float(rng.uniform(0.4, 0.95))
    peak(beat, beats_s, height)
    if rng.random() < 0.6:
        between = beats_s[:-1] + np.diff(beats_s) / (3 if meter.is_compound else 2)
        peak(beat, between, height * (1.0 if rng.random() < 0.3 else float(rng.uniform(0.1, 0.9))))
    if rng.random() < 0.5:
        peak(downbeat, beats_s[numbers == 1], float(rng.uniform(0.3, 0.9)))
    nothing = np.zeros((len(beat), 1), np.float32)
    return Activations(FRAME_RATE_HZ, ("kick",), nothing, nothing, beat, downbeat)


def make_ideal_song(out: Path, seed: int) -> None:
    """Compose a song on drums by rule, straight, and keep it as if all of it were heard, if it is not there."""
    rng, meter = np.random.default_rng(seed), IDEAL_METERS[seed % len(IDEAL_METERS)]
    path = out / f"composed-ideal-{seed}-{meter.replace('/', '-')}.npz"
    if path.exists():
        return
    drummer = "machine" if rng.random() < 0.5 else "rule"
    song = compose(rng, [], [], Meter.parse(meter), IDEAL_S + 8, drummer, triplets=0.0)
    grid, times = draw_times(rng, song)
    begin = rng.uniform(0.2, 1.5)
    strokes = [
        Stroke(float(np.interp(at, grid, times)) + begin, DETECTED[instrument], max(1, round(127 * level)), 0.9)
        for at, instrument, level in song.strokes
        if instrument < OTHER_INDEX
    ]
    beats_s = np.interp(song.beats, grid, times) + begin
    known = beats_s < IDEAL_S - 0.3
    heard = hear_ideally(rng, song.meter, beats_s[known], song.numbers[known], IDEAL_S)
    nothing = Harmony(1.0, np.zeros((0, 24), np.float32))
    strokes = [s for s in strokes if s.time_s < IDEAL_S]
    keep_song(path, path.stem, meter, beats_s[known], song.numbers[known], heard, nothing, strokes)


@dataclass
class ComposedMaterial:
    """What songs are made of: the detector's training sounds, those that are kept out of it, and performances."""

    learnt: Library
    kept: Library
    grooves: list[Performance]
    fills: list[Performance]

    @classmethod
    def read(cls, bank: Path, performances: Path) -> ComposedMaterial:
        learnt, kept = (read_library(bank, [], held_out) for held_out in (False, True))
        add_waves(learnt)
        add_waves(kept)
        return cls(learnt, kept, *read_performances("train", performances))


def make_composed_song(material: ComposedMaterial, out: Path, seed: int) -> None:
    """Compose, play, hear and keep a song, if it is not there."""
    rng = np.random.default_rng(seed)
    meter, drummer = pick(rng, *SONGS_IN.items()), pick(rng, *DRUMMERS)
    seconds = float(rng.choice(SONG_LENGTHS_S))
    library = material.kept if rng.random() < KEPT_KITS else material.learnt
    song = compose(rng, material.grooves, material.fills, Meter.parse(meter), seconds + 30, drummer)
    path = out / f"composed-{song.drummer}-{seed}-{meter.replace('/', '-')}.npz"
    if path.exists():
        return
    plan, beats_s, numbers = plan_song(rng, library, song, seconds)
    samples = 0.1 * render([plan], library.samples, int(seconds * SAMPLE_RATE_HZ), seed)[0]
    keep_song(path, path.stem, meter, beats_s, numbers, compute_activations(samples), hear_harmony(samples))
    print(path.stem, flush=True)


_material: dict[str, ComposedMaterial] = {}


def _begin_work(bank: Path, performances: Path) -> None:
    _material["all"] = ComposedMaterial.read(bank, performances)


def _work(out: Path, seed: int) -> None:
    make_composed_song(_material["all"], out, seed)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("bank", type=Path, help="folder of workbench.training.bank")
    parser.add_argument("performances", type=Path, help="file of workbench.training.performances")
    parser.add_argument("out", type=Path)
    parser.add_argument("--count", type=int, default=2800)
    parser.add_argument("--ideal", type=int, default=0, metavar="COUNT", help="songs heard ideally, without sound, too")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    first = args.seed * 100_000
    for seed in range(first, first + args.ideal):
        make_ideal_song(args.out, seed)
    seeds = range(first, first + args.count)
    with ProcessPoolExecutor(args.workers, initializer=_begin_work, initargs=(args.bank, args.performances)) as pool:
        for _ in pool.map(partial(_work, args.out), seeds, chunksize=8):
            pass


if __name__ == "__main__":
    main()
