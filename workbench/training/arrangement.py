"""Generated backing: bass, chords and a lead from sampled notes, on the drums' beat.

Common practice, no source: a progression in a random key changing every bar or
two; bass on the kick or in even notes; chords held or strummed on beats and
off-beats; a lead from the scale.
"""

from __future__ import annotations

import numpy as np

from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.training.library import Library

_MAJOR = np.array([0, 2, 4, 5, 7, 9, 11])
_MINOR = np.array([0, 2, 3, 5, 7, 8, 10])


def nearest_note(notes: list[tuple[int, int, int]], pitch: float) -> tuple[int, int, float]:
    """Sample (offset, length) nearest in pitch and the speed that tunes it."""
    base, offset, length = min(notes, key=lambda item: abs(item[0] - pitch))
    return offset, length, float(2 ** ((pitch - base) / 12))


def arrange_notes(
    rng: np.random.Generator,
    library: Library,
    beat_s: np.ndarray,
    bar_s: np.ndarray,
    kicks_s: np.ndarray,
    clip_s: float,
    rows: tuple[int, int, int],
) -> tuple[list[list[float]], list[list[float]]]:
    """Events (ints, floats) of a generated backing over the clip's beats (or groups of eighths) and bar lines."""
    ints: list[list[float]] = []
    floats: list[list[float]] = []
    scale = _MAJOR if rng.random() < 0.5 else _MINOR
    key = int(rng.integers(12))
    change = int(rng.choice([1, 1, 2]))
    degrees = rng.integers(0, 7, 4)
    degrees[0] = 0

    def pick(role: str) -> list[tuple[int, int, int]]:
        return library.notes[role][rng.integers(len(library.notes[role]))]

    def sound(
        notes: list[tuple[int, int, int]], row: int, at_s: float, pitch: float, length_s: float, gain: float
    ) -> None:
        if -1.0 < at_s < clip_s:
            offset, length, rate = nearest_note(notes, pitch)
            ints.append([row, at_s * SAMPLE_RATE_HZ, offset, length, length_s * SAMPLE_RATE_HZ])
            floats.append([rate, gain, 0.0, 1 / (0.04 * SAMPLE_RATE_HZ), 0.0])

    def chord_at(time_s: float) -> np.ndarray:
        bar = max(0, int(np.searchsorted(bar_s, time_s + 0.05, "right")) - 1)
        degree = degrees[(bar // change) % 4]
        return key + np.array([scale[(degree + k) % 7] + 12 * ((degree + k) // 7) for k in (0, 2, 4)])

    beat_length = float(np.median(np.diff(beat_s)))
    jitter = rng.choice([0.002, 0.008])
    if rng.random() < 0.85:
        notes = pick("bass")
        style = rng.random()
        times = (
            kicks_s
            if style < 0.5 and len(kicks_s)
            else beat_s
            if style < 0.7
            else np.sort(np.concatenate([beat_s, beat_s + beat_length / 2]))
        )
        gain, hold = rng.uniform(0.5, 1.2), rng.uniform(0.4, 1.0)
        for at, following in zip(times, [*times[1:], times[-1] + beat_length], strict=True):
            root = chord_at(at)[0] if rng.random() < 0.8 else rng.choice(chord_at(at))
            sound(
                notes,
                rows[0],
                at + rng.normal(0, jitter),
                28 + (root - 4) % 12 + 12 * (rng.random() < 0.1),
                max(0.06, hold * (following - at)),
                gain * rng.uniform(0.7, 1.1),
            )
    for _ in range(int(rng.choice([0, 1, 2, 3], p=[0.1, 0.4, 0.35, 0.15]))):
        role = str(rng.choice(["guitar", "keys", "pad"], p=[0.45, 0.35, 0.2]))
        notes, gain = pick(role), rng.uniform(0.15, 0.6)
        style = rng.random()
        if role == "pad" or style < 0.25:
            times = bar_s
        elif style < 0.5:
            times = beat_s
        elif style < 0.75:
            times = np.sort(np.concatenate([beat_s, beat_s + beat_length / 2]))
        else:
            times = beat_s + beat_length / 2
            times = times[rng.random(len(times)) < 0.8]
        if len(times) == 0:
            continue
        hold = rng.uniform(0.2, 1.0)
        spread = rng.uniform(0, 0.02) if role == "guitar" else 0.003
        for at, following in zip(times, [*times[1:], times[-1] + beat_length], strict=True):
            for k, pitch in enumerate(chord_at(at)):
                sound(
                    notes,
                    rows[1],
                    at + k * spread + rng.normal(0, jitter),
                    48 + pitch % 24,
                    max(0.08, hold * (following - at)),
                    gain,
                )
    if rng.random() < 0.55:
        notes, gain, at = pick("lead"), rng.uniform(0.3, 0.9), float(rng.uniform(0, 2))
        step, place = beat_length * rng.choice([0.25, 0.5, 1.0]), int(rng.integers(7, 14))
        grid = bar_s[0] if len(bar_s) else 0.0
        at = grid + np.ceil((at - grid) / step) * step
        while at < clip_s:
            length = step * rng.choice([1, 1, 2, 3])
            place = int(np.clip(place + rng.integers(-3, 4), 4, 18))
            if rng.random() < 0.8:
                sound(
                    notes,
                    rows[2],
                    at + rng.normal(0, jitter),
                    48 + key + scale[place % 7] + 12 * (place // 7),
                    length * 0.9,
                    gain,
                )
            at += length
    return ints, floats
