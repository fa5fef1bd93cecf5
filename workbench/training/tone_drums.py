"""Songs of computed drums: a kick of one falling tone, with or without attack, noises, and patterns that repeat.

The detector hears a kick without attack faintly, and a bass as a kick; which of them a song has, its patterns say.
The second pass learns that here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from workbench.chart.drumkit import DETECTED
from workbench.files.audio import SAMPLE_RATE_HZ

TONE, RATTLE, TICK = (DETECTED.index(name) for name in ("kick", "snare", "closed hi-hat"))
#: Sixteenths of a bar of 4/4.
STEPS_A_BAR = 16
#: Seconds of a sound.
SOUND_S = 0.5

Sound = Callable[[], np.ndarray]


def play_song(rng: np.random.Generator, backing: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """One song.

    Parameters
    ----------
    rng : numpy Generator
    backing : ndarray (n,), optional
        Music without drums, which the song then lasts as long as.

    Returns
    -------
    samples : ndarray (n,), float32
        Mono, :data:`~workbench.files.audio.SAMPLE_RATE_HZ`.
    strokes : ndarray (n, 2)
        In order: time_s, index in :data:`~workbench.chart.drumkit.DETECTED`.
    beats : ndarray (n, 2)
        time_s, and 1 for those that open a bar.
    """
    step_s = 15 / rng.uniform(70, 165)
    duration_s = rng.uniform(10, 34) if backing is None else len(backing) / SAMPLE_RATE_HZ
    start_s, pattern, sounds = rng.uniform(0.05, 1.0), _pattern(rng), _sounds(rng)
    out = np.zeros(round((duration_s + 2 * SOUND_S) * SAMPLE_RATE_HZ), np.float32)
    times_s = np.arange(start_s, duration_s - 0.3, step_s)
    strokes = []
    for k, time_s in enumerate(times_s):
        for column, sound in sounds.items():
            if pattern[column][k % STEPS_A_BAR] and rng.random() < 0.97:
                first = max(0, round((time_s + rng.normal(0, 0.002)) * SAMPLE_RATE_HZ))
                struck = sound() * rng.uniform(0.8, 1)
                out[first : first + len(struck)] += struck
                strokes.append((first / SAMPLE_RATE_HZ, column))
    out = out[: round(duration_s * SAMPLE_RATE_HZ)]
    if backing is not None:
        out = _loudness_one(out) * 10 ** (rng.uniform(-3, 6) / 20) + _loudness_one(backing)[: len(out)]
    beats = np.column_stack([times_s[::4], np.arange(len(times_s[::4])) % 4 == 0])
    return (out / np.abs(out).max() * 0.9).astype(np.float32), np.array(sorted(strokes)), beats


def _pattern(rng: np.random.Generator) -> dict[int, np.ndarray]:
    """Which sixteenths each drum plays."""
    kick: Sequence[Sequence[int]] = ([0, 4, 8, 12], [0, 8], *[[0, *np.flatnonzero(rng.random(STEPS_A_BAR) < 0.25)]] * 2)
    snare, hat = ([4, 12] if rng.random() < 0.75 else [8]), range(0, STEPS_A_BAR, rng.choice([1, 2, 2, 4]))
    played = {TONE: kick[rng.integers(len(kick))], RATTLE: snare, TICK: hat}
    out = {column: np.isin(np.arange(STEPS_A_BAR), list(steps)) for column, steps in played.items()}
    for column in (RATTLE, TICK):
        if rng.random() < 0.15:
            out[column][:] = False
    return out


def _sounds(rng: np.random.Generator) -> dict[int, Sound]:
    """A kit: decays a second, hertz of tones, loudnesses."""
    t = np.arange(round(SOUND_S * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    low_hz, falls_hz, falling, decay = rng.uniform(38, 80), rng.uniform(0, 90), rng.uniform(8, 60), rng.uniform(7, 30)
    phase = 2 * np.pi * (low_hz * t + falls_hz / falling * (1 - np.exp(-falling * t)))
    # A tone that begins elsewhere than at 0 has a click.
    begins = 0 if rng.random() < 0.6 else rng.uniform(0, 6)
    kick = np.sin(phase + begins) * np.exp(-decay * t) * np.minimum(t / rng.uniform(1e-4, 0.008), 1)
    rattles, tone_hz, tone, ticks = (
        rng.uniform(12, 40),
        rng.uniform(150, 260),
        rng.uniform(0, 0.8),
        rng.uniform(25, 120),
    )
    loud = rng.uniform((0.5, 0.4, 0.1), (1.1, 1.0, 0.6))

    def snare() -> np.ndarray:
        body = tone * np.sin(2 * np.pi * tone_hz * t) * np.exp(-1.5 * rattles * t)
        return loud[1] * (0.6 * rng.normal(size=len(t)) * np.exp(-rattles * t) + body)

    def hat() -> np.ndarray:
        return loud[2] * 0.35 * np.diff(rng.normal(size=len(t) + 2), 2) * np.exp(-ticks * t)

    return {TONE: lambda: loud[0] * kick, RATTLE: snare, TICK: hat}


def _loudness_one(samples: np.ndarray) -> np.ndarray:
    return np.asarray(samples / (np.sqrt(np.mean(samples**2)) + 1e-6))
