"""What the network of the whole song learns from (:mod:`workbench.training.song_pulse`).

Pictures of songs whose bars are known, as the shipped detector heard them (:mod:`workbench.training.bar_songs`,
:mod:`~workbench.training.module_songs`, :mod:`~workbench.training.midi_songs`), kept together in one file::

    python -m workbench.training.song_pictures build/pictures.npz build/songs/*

and, beside them, drum parts drawn as if they had been heard (:mod:`workbench.training.performances`), strokes lost,
misnamed and invented.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from workbench.chart.drumkit import DETECTED
from workbench.listening.song_pulse import (
    BASS_ROWS,
    CHORD_ROWS,
    PICTURE_ROWS,
    PULSE_ROWS,
    SONG_PICTURE_RATE_HZ,
    STROKE_ROW,
    STROKE_ROWS,
    picture,
    show_strokes,
)
from workbench.training.bar_songs import BarSong
from workbench.training.performances import Performance

#: Frames of an example: 41 s.
EXAMPLE_FRAMES = 2048

#: So many frames on either side of a beat count as it, and as half of it.
WHOLE_BEAT, HALF_BEAT = 1, 2
#: So long before the first known beat, and after the last, there is certainly no other, seconds.
KNOWN_AROUND_S = 0.5

#: How often songs are drawn, by the beginning of their names; songs of drummers in 4/4, and in other meters.
SHARES = {"midi": 0.3, "module": 0.15, "four": 0.35, "other": 0.2}

#: Detected names in rows; what has no name is not drawn.
PART_ROWS = np.array([STROKE_ROW[name] for name in DETECTED] + [-1])
HIT_ROWS = len(STROKE_ROWS)


@dataclass(frozen=True)
class Example:
    """A picture and what is known of it.

    Attributes
    ----------
    name, meter : str
    shown : ndarray (PICTURE_ROWS, frames)
        uint8 as it is kept, 255 for 1; float32 as it is learnt from.
    beats_s : ndarray (n,)
    numbers : ndarray (n,)
        In the bar, from 1.
    """

    name: str
    meter: str
    shown: np.ndarray
    beats_s: np.ndarray
    numbers: np.ndarray

    @property
    def kind(self) -> str:
        """One of :data:`SHARES`."""
        made = next((kind for kind in ("midi", "module") if self.name.startswith(kind)), None)
        return made or ("four" if self.meter == "4/4" else "other")

    def target(self) -> np.ndarray:
        """Beat and downbeat at each frame, (2, frames), 0–1."""
        out = np.zeros((2, self.shown.shape[1]), np.float32)
        frames = self.beats_s * SONG_PICTURE_RATE_HZ
        for off in range(-HALF_BEAT - 1, HALF_BEAT + 2):
            at = np.round(frames).astype(int) + off
            far = np.abs(at - frames)
            worth = np.where(far <= WHOLE_BEAT, 1.0, np.where(far <= HALF_BEAT, 0.5, 0.0))
            inside = (at >= 0) & (at < out.shape[1])
            np.maximum.at(out[0], at[inside], worth[inside])
            inside &= self.numbers == 1
            np.maximum.at(out[1], at[inside], worth[inside])
        return out

    def known(self) -> np.ndarray:
        """Where bars are known, (frames,), bool."""
        out = np.zeros(self.shown.shape[1], bool)
        if len(self.beats_s):
            first, last = self.beats_s[0] - KNOWN_AROUND_S, self.beats_s[-1] + KNOWN_AROUND_S
            out[max(0, int(first * SONG_PICTURE_RATE_HZ)) : int(last * SONG_PICTURE_RATE_HZ)] = True
        return out


def draw_weights(songs: Sequence[Example]) -> np.ndarray:
    """How often each song is drawn, (songs,), sum 1."""
    kinds = np.array([s.kind for s in songs])
    weights = np.sum([share * (kinds == k) / max((kinds == k).sum(), 1) for k, share in SHARES.items()], axis=0)
    return np.asarray(weights / weights.sum())


def altered(song: Example, rng: np.random.Generator) -> Example:
    """A song somewhat faster or slower, with rows lost, strokes lost, drums louder or softer, or a silence in it."""
    shown, beats_s = song.shown.astype(np.float32) / 255.0, song.beats_s.astype(float)
    if rng.random() < 0.7:
        slower = np.exp(rng.uniform(-0.18, 0.18))
        at = np.arange(int(shown.shape[1] * slower)) / slower
        shown = np.stack([np.interp(at, np.arange(len(row)), row) for row in shown]).astype(np.float32)
        beats_s = beats_s * slower
    pulse, harmony, hits = shown[PULSE_ROWS], shown[PULSE_ROWS.stop :], shown[:HIT_ROWS]
    if rng.random() < 0.35:
        pulse[:] = 0.0
    elif rng.random() < 0.3:
        pulse[rng.integers(2)] = 0.0
    if rng.random() < 0.3:
        harmony[:] = 0.0
    if rng.random() < 0.1:
        hits[:] = 0.0
    hits[rng.random(HIT_ROWS) < 0.06] = 0.0
    if rng.random() < 0.15:
        hat, ride = STROKE_ROW["closed hi-hat"], STROKE_ROW["ride"]
        hits[hat], hits[ride] = np.maximum(hits[hat], hits[ride]), 0.0
    if rng.random() < 0.4:
        kept = rng.random((HIT_ROWS, hits.shape[1] // 3 + 1)) > 0.1 * rng.random()
        hits *= np.repeat(kept, 3, axis=1)[:, : hits.shape[1]]
    hits *= rng.uniform(0.6, 1.2, (HIT_ROWS, 1)).astype(np.float32)
    if rng.random() < 0.15:
        first = rng.integers(shown.shape[1])
        shown[:, first : first + rng.integers(50, 400)] = 0.0
    return replace(song, shown=shown, beats_s=beats_s)


def cut(song: Example, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """:data:`EXAMPLE_FRAMES` of a song, silence around it if it is shorter: picture, target, and where it is known."""
    parts = song.shown, song.target(), song.known().astype(np.float32)
    over = song.shown.shape[1] - EXAMPLE_FRAMES
    if over > 0:
        first = rng.integers(over + 1)
        shown, target, known = (part[..., first : first + EXAMPLE_FRAMES] for part in parts)
    else:
        before = int(rng.integers(-over + 1))
        shown, target, known = (np.pad(part, [(0, 0)] * (part.ndim - 1) + [(before, -over - before)]) for part in parts)
    return shown, target, known


def simulated(part: Performance, rng: np.random.Generator) -> Example:
    """A stretch of a drum part as if it had been heard, its beats not heard, its harmony invented or none."""
    beat_s = 60.0 / np.clip(part.tempo_bpm * np.exp(rng.uniform(-0.2, 0.2)), 50.0, 215.0)
    long_s = EXAMPLE_FRAMES / SONG_PICTURE_RATE_HZ
    beats_shown = long_s / beat_s
    first = 0.0 if rng.random() < 0.3 else rng.uniform(0.0, max(0.1, part.length - 0.7 * beats_shown))
    lead_s = rng.uniform(0.0, 2.0) if rng.random() < 0.6 else 0.0
    drift = rng.uniform(0.0, 0.03) * (rng.random() < 0.3)
    wave, phase = 2 * np.pi / rng.uniform(16.0, 60.0), rng.uniform(0.0, 2 * np.pi)

    def time_s(beat: np.ndarray) -> np.ndarray:
        since = beat - first
        return lead_s + beat_s * (since + drift / wave * (np.sin(since * wave + phase) - np.sin(phase)))

    rows = PART_ROWS[part.instrument]
    here = (part.beat >= first - 0.05) & (part.beat < first + beats_shown + 1) & (rows >= 0)
    here &= rng.random(len(here)) > 0.12 * rng.random()
    rows, velocities = rows[here].copy(), part.velocity[here]
    frames = (time_s(part.beat[here]) + rng.normal(0.0, 0.006, here.sum())) * SONG_PICTURE_RATE_HZ
    misnamed = rng.random(len(rows)) < 0.05 * rng.random()
    rows[misnamed] = rng.integers(0, HIT_ROWS, misnamed.sum())
    shown = np.zeros((PICTURE_ROWS, EXAMPLE_FRAMES), np.float32)
    show_strokes(shown, rows, frames, velocities, 1.0 - 0.5 * rng.random(len(rows)) ** 3)
    invented = rng.poisson(6.0 * rng.random())
    at = rng.integers(0, HIT_ROWS, invented), rng.integers(0, EXAMPLE_FRAMES, invented)
    shown[at] = rng.uniform(0.2, 0.8, invented)
    beats = np.arange(np.ceil(first - 1e-6), min(part.length, first + beats_shown) + 1e-6)
    beats_s, numbers = time_s(beats), beats.astype(int) % part.beats_per_bar + 1
    inside = (beats_s >= 0) & (beats_s < long_s)
    if len(frames):
        # After the last stroke nothing tells where beats lie.
        inside &= beats_s < frames.max() / SONG_PICTURE_RATE_HZ + 1.0
    beats_s, numbers = beats_s[inside], numbers[inside]
    if rng.random() < 0.5 and len(beats_s) > 8:
        _invent_harmony(shown, beats_s, numbers, beat_s, rng)
    return Example("part", f"{part.beats_per_bar}/4", shown, beats_s, numbers)


def _invent_harmony(
    shown: np.ndarray, beats_s: np.ndarray, numbers: np.ndarray, beat_s: float, rng: np.random.Generator
) -> None:
    """Changes on every bar line or every other, now and then half a beat early, and some of the bass elsewhere."""
    lines_s = beats_s[numbers == 1][:: int(rng.choice([1, 1, 2]))]
    elsewhere_s = beats_s[rng.random(len(beats_s)) < rng.choice([0.0, 0.1, 0.25])]
    early_s = 0.5 * beat_s if rng.random() < 0.12 else 0.0
    off = np.arange(-4, 12)
    shape = 1.0 - np.abs(off - 3) / 9.0
    for times_s, rows in ((lines_s, (*BASS_ROWS, *CHORD_ROWS)), (elsewhere_s, BASS_ROWS)):
        for row in rows:
            for time_s in times_s[rng.random(len(times_s)) > 0.15]:
                at = int((time_s - early_s + rng.normal(0.0, 0.05)) * SONG_PICTURE_RATE_HZ) + off
                inside = (at >= 0) & (at < shown.shape[1])
                height = rng.uniform(0.15, 0.8) * shape
                shown[row, at[inside]] = np.maximum(shown[row, at[inside]], height[inside])
    harmony = shown[PULSE_ROWS.stop :]
    harmony += rng.uniform(0.0, 0.12) * rng.random(harmony.shape).astype(np.float32)


def keep_pictures(path: Path, songs: Sequence[Example]) -> None:
    """Keep songs in one file."""
    np.savez_compressed(
        path,
        names=[s.name for s in songs],
        meters=[s.meter for s in songs],
        shown=np.concatenate([s.shown for s in songs], axis=1),
        frames=[s.shown.shape[1] for s in songs],
        beats_s=np.concatenate([s.beats_s for s in songs]).astype(np.float32),
        numbers=np.concatenate([s.numbers for s in songs]).astype(np.uint8),
        beats=[len(s.beats_s) for s in songs],
    )


def read_pictures(path: Path) -> list[Example]:
    """Songs as :func:`keep_pictures` keeps them."""
    with np.load(path) as kept:
        data = {k: kept[k] for k in kept.files}
    frames, beats = (np.cumsum(data[k])[:-1] for k in ("frames", "beats"))
    shown, beats_s, numbers = (
        np.split(data[k], at, axis=-1) for k, at in (("shown", frames), ("beats_s", beats), ("numbers", beats))
    )
    songs = zip(data["names"], data["meters"], shown, beats_s, numbers, strict=True)
    return [Example(str(name), str(meter), *of_song) for name, meter, *of_song in songs]


def picture_of(path: Path) -> Example:
    """The picture of a song that was heard."""
    song = BarSong.read(path)
    shown = picture(song.activations, song.strokes, song.harmony)
    kept = np.round(255.0 * np.clip(shown, 0.0, 1.0)).astype(np.uint8)
    return Example(song.name, song.meter, kept, song.beats_s, song.numbers)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path, help="the file of pictures that is written")
    parser.add_argument("songs", nargs="+", type=Path, help="folders of songs")
    args = parser.parse_args()
    paths = sorted(p for folder in args.songs for p in folder.glob("*.npz"))
    songs = [picture_of(path) for path in paths]
    keep_pictures(args.out, songs)
    print(f"{len(songs)} songs, {sum(s.shown.shape[1] for s in songs) / SONG_PICTURE_RATE_HZ / 3600:.1f} h")


if __name__ == "__main__":
    main()
