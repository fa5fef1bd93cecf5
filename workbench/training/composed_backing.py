"""Bass, chords, a lead and broken chords on the bars of a composed song.

Chords follow a progression for each letter of the form, changing with the bars; voices
enter and leave with sections; figures repeat bar by bar.  Rules and shares are
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from workbench.training.song_form import SongBar, beat_quarters, pick

#: Major, minor, dorian and mixolydian, in semitones, and how often.
SCALES = (
    ((0, 2, 4, 5, 7, 9, 11), 0.35),
    ((0, 2, 3, 5, 7, 8, 10), 0.4),
    ((0, 2, 3, 5, 7, 9, 10), 0.12),
    ((0, 2, 4, 5, 7, 9, 10), 0.13),
)


class BackingNote(NamedTuple):
    """A note of the backing: place and length in quarters, role and number of its instrument, MIDI pitch, gain, and
    how unevenly its voice is played, seconds."""

    at: float
    length: float
    role: str
    instrument: int
    pitch: int
    gain: float
    jitter_s: float


@dataclass(frozen=True)
class _Chords:
    """Key, and the chords of each letter of the form."""

    scale: tuple[int, ...]
    key: int
    progressions: dict[str, list[int]]
    rhythm: float

    @classmethod
    def draw(cls, rng: np.random.Generator, letters: Sequence[str]) -> _Chords:
        scale = pick(rng, *SCALES)
        found: dict[str, list[int]] = {}
        for letter in letters:
            if found and rng.random() < 0.2:
                found[letter] = found[letters[0]]
                continue
            count = pick(rng, (4, 0.6), (2, 0.15), (8, 0.15), (3, 0.02), (1, 0.08))
            others = (0, 0.15), (3, 0.25), (4, 0.25), (5, 0.2), (1, 0.07), (2, 0.04), (6, 0.04)
            first = 0 if rng.random() < 0.7 else int(rng.choice([3, 4, 5]))
            found[letter] = [first, *(pick(rng, *others) for _ in range(count - 1))]
        # Bars a chord lasts.
        rhythm = pick(rng, (1.0, 0.5), (2.0, 0.2), (0.5, 0.16), (4.0, 0.09), (99.0, 0.05))
        return cls(scale, int(rng.integers(12)), found, rhythm)

    def degree(self, bar: SongBar, at: float) -> int:
        """Of the chord at a place in a bar."""
        chords = self.progressions[bar.letter]
        half = 2 * bar.number + int(at >= bar.middle - 1e-6)
        return chords[(half if self.rhythm == 0.5 else int(bar.number // self.rhythm)) % len(chords)]

    def tone(self, degree: int, above: int) -> int:
        """Semitones of a tone so many steps of the scale above a chord's root."""
        octave, step = divmod(degree + above, 7)
        return self.key + self.scale[step] + 12 * octave


def figure(rng: np.random.Generator, bar: SongBar, density: float, syncopated: float, step: float) -> np.ndarray:
    """Places within a bar, mostly where the meter is strong."""
    at = np.arange(0, bar.length - 1e-6, step)
    beat = at / beat_quarters(bar.meter)
    likely = np.where(np.abs(beat - np.round(beat)) < 1e-3, 0.6, 0.35)
    likely[(np.abs(at[:, None] - bar.group_starts) < 1e-3).any(axis=1)] = 0.85
    likely[0] = 1.25
    likely = likely * (1 - syncopated) + 0.6 * syncopated
    on = rng.random(len(at)) < np.clip(1.5 * density * likely, 0, 1)
    if rng.random() < 0.9 - 0.4 * syncopated or not on.any():
        on[0] = True
    return at[on]


#: How each role's notes are laid, and how often.
BASS_STYLES = (
    *(("kick", 0.2), ("figure", 0.28), ("eighths", 0.2), ("beats", 0.08)),
    *(("one", 0.08), ("walk", 0.06), ("off", 0.05), ("octaves", 0.07)),
)
CHORD_STYLES = (
    *(("bar", 0.26), ("beats", 0.13), ("eighths", 0.14)),
    *(("off", 0.12), ("figure", 0.28), ("broken", 0.1)),
)


class _Voice:
    """One voice through the song."""

    def __init__(self, rng: np.random.Generator, role: str, chords: _Chords, triplets: bool, even: bool) -> None:
        self.role, self.chords, self.triplets = role, chords, triplets
        self.sound = {"broken": "keys", "chords": pick(rng, ("guitar", 0.4), ("keys", 0.35), ("pad", 0.25))}.get(
            role, role
        )
        self.instrument = int(rng.integers(10**6))
        self.gain = float(rng.uniform(0.4, 1.2) if role == "bass" else rng.uniform(0.15, 0.65))
        self.hold = float(rng.uniform(0.35, 1.0))
        self.syncopated = float(rng.choice([0.0, 0.2, 0.5, 0.8], p=[0.4, 0.3, 0.2, 0.1]))
        self.jitter_s = 0.0 if even else float(rng.choice([0.002, 0.008, 0.014]))
        self.octave = 12 * int(rng.integers(2)) if role == "bass" else 0
        styles = {"bass": BASS_STYLES, "chords": CHORD_STYLES}.get(role)
        self.style = pick(rng, *styles) if styles else role
        self.two_bars, self.fifths = rng.random() < 0.4, rng.random() < 0.5
        self.pushed = rng.random() < 0.13
        self.order = [int(k) for k in (rng.permutation(4) if rng.random() < 0.5 else range(4))]
        self.cycle = pick(rng, (3, 0.25), (4, 0.5), (6, 0.1), (8, 0.15))
        self.figures: dict[tuple, tuple[np.ndarray, list[int]]] = {}

    def note(self, at: float, length: float, pitch: int, gain: float) -> BackingNote:
        return BackingNote(at, max(0.12, length), self.sound, self.instrument, pitch, self.gain * gain, self.jitter_s)

    def play(self, rng: np.random.Generator, bar: SongBar, kicks: np.ndarray) -> list[BackingNote]:
        if self.role == "lead":
            return self._lead(rng, bar)
        if self.style == "broken":
            return self._broken(bar)
        places = self._places(rng, bar, kicks)
        out: list[BackingNote] = []
        for k, at in enumerate(places.tolist()):
            following = places[k + 1] if k + 1 < len(places) else bar.length
            hold = max(self.hold, 0.8) if self.style == "bar" else self.hold
            degree, length = self.chords.degree(bar, at), hold * (following - at)
            begin = bar.begin + at
            if self.pushed and at < 1e-6 and self.style in ("bar", "figure", "beats") and begin > 0:
                begin -= 0.5
            level = 1.0 if at < 1e-6 else 0.85
            if self.role == "bass":
                out.append(self.note(begin, length, self._bass(rng, degree, k), level))
            else:
                tones = (0, 2) if self.sound == "guitar" and rng.random() < 0.2 else (0, 2, 4)
                out += [self.note(begin, length, 48 + self.chords.tone(degree, t) % 24, level) for t in tones]
        return out

    def _bass(self, rng: np.random.Generator, degree: int, index: int) -> int:
        above = 0
        if index and self.style == "walk":
            above = int(rng.choice([1, 2, 3, 4, 5]))
        elif index and self.fifths and self.style != "octaves":
            above = 4 if rng.random() < (0.7 if self.style == "one" else 0.25) else 0
        raised = 12 if self.style == "octaves" and index % 2 else 0
        return 28 + (self.chords.tone(degree, above) - 4) % 12 + self.octave + raised

    def _places(self, rng: np.random.Generator, bar: SongBar, kicks: np.ndarray) -> np.ndarray:
        """Where the voice plays within a bar."""
        beat, length = beat_quarters(bar.meter), bar.length
        if self.style == "figure":
            finest = 1 / 3 if self.triplets and bar.meter.unit == 4 else pick(rng, (0.5, 0.75), (0.25, 0.25))
            return self._figure(rng, bar, float(rng.uniform(0.35, 0.9)), finest)[0]
        if self.style == "kick":
            here = kicks[(kicks >= bar.begin - 0.1) & (kicks < bar.begin + length - 0.1)] - bar.begin
            return here if len(here) else np.zeros(1)
        if self.style in ("eighths", "octaves"):
            return np.arange(0, length - 1e-6, 0.5)
        if self.style in ("beats", "walk"):
            return np.arange(0, length - 1e-6, beat)
        if self.style == "off":
            return np.arange(1.0 if bar.meter.is_compound else beat / 2, length - 1e-6, beat)
        # "one" and "bar": the bar line, and the middle where chords change there.
        rhythm = self.chords.rhythm
        if self.style == "bar" and rhythm >= 2 and bar.number % min(int(rhythm), 4) and rng.random() < 0.6:
            return np.zeros(0)
        middle = rhythm == 0.5 if self.style == "bar" else length > 3.9 and rng.random() < 0.4
        return np.array([0.0, bar.middle]) if middle and bar.middle < length else np.zeros(1)

    def _figure(
        self, rng: np.random.Generator, bar: SongBar, density: float, finest: float
    ) -> tuple[np.ndarray, list[int]]:
        """Places of a figure that comes again every bar, or every second, and steps of a melody on them."""
        key = bar.letter, bar.meter, bar.number % (2 if self.two_bars else 1)
        if key not in self.figures:
            places = figure(rng, bar, density, self.syncopated, finest)
            step, steps = int(rng.integers(4, 12)), []
            for _ in places:
                step = int(np.clip(step + rng.integers(-3, 4), 0, 14))
                steps.append(step if rng.random() < 0.7 else step // 2 * 2)
            self.figures[key] = places, steps
        return self.figures[key]

    def _lead(self, rng: np.random.Generator, bar: SongBar) -> list[BackingNote]:
        finest = pick(rng, (0.5, 0.6), (0.25, 0.15), (beat_quarters(bar.meter), 0.25))
        places, steps = self._figure(rng, bar, float(rng.uniform(0.3, 0.8)), finest)
        if bar.number % 4 == 3 and self.two_bars:  # a rest where a phrase ends
            places, steps = places[: max(1, len(places) // 2)], steps[: max(1, len(steps) // 2)]
        out = []
        for k, at in enumerate(places.tolist()):
            following = places[k + 1] if k + 1 < len(places) else bar.length
            pitch = 60 + self.chords.tone(0, steps[k]) % 36
            out.append(self.note(bar.begin + at, self.hold * (following - at), pitch, float(rng.uniform(0.8, 1.1))))
        return out

    def _broken(self, bar: SongBar) -> list[BackingNote]:
        step = 0.25 if self.two_bars else 0.5
        out = []
        for k in range(round(bar.length / step)):
            above = (0, 2, 4, 7)[self.order[k % self.cycle % 4]]
            pitch = 48 + self.chords.tone(self.chords.degree(bar, k * step), above) % 36
            out.append(self.note(bar.begin + k * step, step * self.hold, pitch, 0.8))
        return out


def accompany(
    rng: np.random.Generator, bars: Sequence[SongBar], kicks: np.ndarray, triplets: bool, even: bool, chip: bool = False
) -> list[BackingNote]:
    """What is played with the drums.

    Parameters
    ----------
    bars : sequence of SongBar
    kicks : ndarray (n,), quarters
        Where the bass may play, too.
    triplets : bool
        Quarters are divided in three.
    even : bool
        Played exactly on the grid.
    chip : bool
        As small synthesizers played it: more broken chords.
    """
    letters = list(dict.fromkeys(bar.letter for bar in bars))
    sections = bars[-1].section + 1
    chords = _Chords.draw(rng, letters)
    roles = ["bass"] if rng.random() < 0.9 else []
    roles += ["chords"] * int(rng.choice([0, 1, 2, 3], p=[0.1, 0.45, 0.32, 0.13]))
    roles += ["lead"] * (rng.random() < 0.55) + ["broken"] * (chip and rng.random() < 0.5)
    building, out = rng.random() < (0.5 if chip else 0.25), []
    for role in roles or ["bass"]:
        voice = _Voice(rng, role, chords, triplets, even)
        enters = int(rng.integers(min(sections, 4))) if building else 0
        silent = set(rng.integers(0, sections, 2).tolist()) if rng.random() < 0.2 else set()
        for bar in bars:
            if bar.section >= enters and bar.section not in silent:
                out += voice.play(rng, bar, kicks)
    return out
