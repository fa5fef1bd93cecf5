"""Drum sounds made by calculation: stranger hats, cymbals, toms, kicks and snares than any bank holds.

Among them sounds as drum machines make them, and what such machines put beside
the kit: claps, bursts of noise, shakers, congas, cowbells, blips.

Noise, inharmonic partials and falling tones with random decays; common
synthesis practice, no source.  Each voice has two or three layers, the softer
ones darker.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor

import numpy as np
from scipy.signal import butter, sosfilt

from workbench.chart.drumkit import DETECTED
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.sound.synthesis import play_cymbal, play_hat
from workbench.training.bank import LONGEST_S, PRE_ROLL, Shot
from workbench.training.sources import OTHER

#: Voices made of each instrument.
COUNTS = {
    "closed hi-hat": 150,
    "open hi-hat": 110,
    "pedal hi-hat": 40,
    "ride": 70,
    "ride bell": 60,
    "crash": 120,
    "high tom": 30,
    "mid tom": 30,
    "floor tom": 30,
    "kick": 65,
    "snare": 90,
    "side stick": 30,
    "tambourine": 10,
    OTHER: 120,
}
_SEEDS = (*DETECTED, OTHER)


def _band(rng: np.random.Generator, x: np.ndarray, low: float, high: float) -> np.ndarray:
    high = min(high, 0.45 * SAMPLE_RATE_HZ)
    low = min(max(low, 20.0), high * 0.8)
    return sosfilt(butter(int(rng.integers(1, 3)), (low, high), "bandpass", fs=SAMPLE_RATE_HZ, output="sos"), x)


def _decay(n: int, seconds: float) -> np.ndarray:
    return np.exp(-np.arange(n) / (seconds * SAMPLE_RATE_HZ))


def _metal(rng: np.random.Generator, n: int, low: float, high: float, decay_s: float, partials: int) -> np.ndarray:
    """Inharmonic partials whose higher ones fade sooner."""
    t = np.arange(n) / SAMPLE_RATE_HZ
    hz = np.sort(np.exp(rng.uniform(np.log(low), np.log(high), partials)))
    tau = decay_s * (low / hz) ** rng.uniform(0.1, 0.6) * rng.uniform(0.4, 1.6, partials)
    level = rng.uniform(0.2, 1.0, partials) * (hz / low) ** rng.uniform(-0.6, 0.3)
    out = np.zeros(n)
    for f, d, a, p in zip(hz, tau, level, rng.uniform(0, 2 * np.pi, partials), strict=True):
        out += a * np.sin(2 * np.pi * f * t + p) * np.exp(-t / d)
    return out / np.sqrt(partials)


def _cymbal(rng: np.random.Generator, decay_s: float, bell: float, n: int, strike: float) -> np.ndarray:
    noise = rng.standard_normal(n)
    low = np.exp(rng.uniform(np.log(250), np.log(3500)))
    top = np.exp(rng.uniform(np.log(7000), np.log(17000)))
    body = _band(rng, noise, low, top) * _decay(n, decay_s * rng.uniform(0.3, 1.2))
    air = _band(rng, noise, 6000, top) * _decay(n, decay_s * rng.uniform(0.1, 0.6))
    click = _band(rng, noise, 1500, 12000) * _decay(n, rng.uniform(0.002, 0.02))
    tone = _metal(rng, n, rng.uniform(250, 900), rng.uniform(5000, 13000), decay_s, int(rng.integers(12, 60)))
    out = rng.uniform(0.3, 1) * body + rng.uniform(0, 0.8) * air + strike * rng.uniform(0.2, 2) * click + bell * tone
    swell = 1 - np.exp(-np.arange(n) / (SAMPLE_RATE_HZ * rng.uniform(0.0003, 0.004)))
    return out * swell


def _drum(rng: np.random.Generator, hz: float, decay_s: float, n: int, noise: float, drop: float) -> np.ndarray:
    t = np.arange(n) / SAMPLE_RATE_HZ
    sweep = hz * (1 + drop * np.exp(-t / rng.uniform(0.01, 0.06)))
    tone = np.sin(2 * np.pi * np.cumsum(sweep) / SAMPLE_RATE_HZ) * _decay(n, decay_s)
    for ratio in rng.uniform(1.4, 3.2, 3):
        tone += (
            rng.uniform(0, 0.4)
            * np.sin(2 * np.pi * ratio * np.cumsum(sweep) / SAMPLE_RATE_HZ)
            * _decay(n, decay_s * rng.uniform(0.2, 0.6))
        )
    head = _band(rng, rng.standard_normal(n), rng.uniform(500, 3000), rng.uniform(4000, 12000)) * _decay(
        n, rng.uniform(0.002, 0.03)
    )
    return tone + noise * head


def _machine_hat(rng: np.random.Generator, decay_s: float, n: int) -> np.ndarray:
    """A drum machine's hat: high-passed noise, or six square waves through a narrow band; bright, thin or dark."""
    if rng.random() < 0.5:
        source = rng.standard_normal(n)
    else:
        t, hz = np.arange(n) / SAMPLE_RATE_HZ, rng.uniform(200, 1100, 6)
        source = np.sign(np.sin(2 * np.pi * hz[:, None] * t)).sum(axis=0)
    low = np.exp(rng.uniform(np.log(1200), np.log(9500)))
    return _band(rng, _band(rng, source, low, 4 * low), low, 16000) * _decay(n, decay_s)


def _percussion(rng: np.random.Generator, n: int) -> np.ndarray:
    """A struck sound that is no instrument of the drum key."""
    kind = rng.choice(
        ["clap", "burst", "shaker", "conga", "cowbell", "wood", "blip"], p=[0.3, 0.2, 0.15, *[0.1] * 3, 0.05]
    )
    noise, t = rng.standard_normal(n), np.arange(n) / SAMPLE_RATE_HZ
    if kind == "clap":
        low = rng.uniform(500, 1500)
        level = 0.6 * _decay(n, rng.uniform(0.03, 0.15))
        for start in np.cumsum(rng.uniform(0.006, 0.014, int(rng.integers(2, 5)))):
            level += np.where(t >= start, np.exp(-np.maximum(t - start, 0) / rng.uniform(0.002, 0.006)), 0)
        return _band(rng, noise, low, rng.uniform(2, 6) * low) * level
    if kind == "burst":
        low = np.exp(rng.uniform(np.log(150), np.log(6000)))
        return _band(rng, noise, low, rng.uniform(1.5, 8) * low) * _decay(
            n, np.exp(rng.uniform(np.log(0.01), np.log(0.3)))
        )
    if kind == "shaker":
        swell = 1 - np.exp(-t / rng.uniform(0.005, 0.03))
        return _band(rng, noise, rng.uniform(2500, 7000), 14000) * swell * _decay(n, rng.uniform(0.01, 0.05))
    if kind == "conga":
        return _drum(rng, rng.uniform(220, 650), rng.uniform(0.03, 0.2), n, rng.uniform(0, 0.3), rng.uniform(0, 0.1))
    if kind == "cowbell":
        hz = rng.uniform(400, 900) * np.array([[1.0], [rng.uniform(1.35, 1.6)]])
        return _band(rng, np.sign(np.sin(2 * np.pi * hz * t)).sum(axis=0), 400, 5000) * _decay(
            n, rng.uniform(0.03, 0.15)
        )
    if kind == "wood":
        return _metal(rng, n, rng.uniform(700, 2500), 5000, rng.uniform(0.01, 0.06), int(rng.integers(2, 5)))
    sweep = rng.uniform(200, 1500) * (1 + rng.uniform(0, 6) * np.exp(-t / rng.uniform(0.01, 0.08)))
    return np.sin(2 * np.pi * np.cumsum(sweep) / SAMPLE_RATE_HZ) * _decay(n, rng.uniform(0.02, 0.2))


def _plate(rng: np.random.Generator, instrument: str) -> np.ndarray:
    """A hat or cymbal as the workbench's own kit computes them, of other partials, decay and colour."""
    kind = f"{instrument} {rng.integers(2**31)}"
    colour = {
        "bloom_s": rng.uniform(0.004, 0.03),
        "octaves": rng.uniform(0.8, 1.5),
        "damping": rng.uniform(0.3, 0.7),
        "count": int(rng.integers(500, 1200)),
        "low_hz": rng.uniform(120, 450),
    }
    seconds, centre = LONGEST_S[instrument], rng.uniform(3200, 7000)
    if "hi-hat" in instrument:
        decay = np.exp(rng.uniform(*np.log((0.1, 0.45) if instrument == "open hi-hat" else (0.015, 0.06))))
        voice = play_hat(kind, decay, seconds, rng.uniform(5000, 9500), rng.uniform(0.03, 0.3), rng.uniform(0, 0.5))
    elif instrument == "ride":
        wash, ping = rng.uniform(0.2, 0.9), rng.uniform(0.5, 1.2)
        voice = play_cymbal(kind, rng.uniform(0.6, 1.6), seconds, centre, wash=wash, ping=ping, **colour)
    elif instrument == "ride bell":
        wash, bell = rng.uniform(0.15, 0.6), rng.uniform(0.6, 1.5)
        voice = play_cymbal(
            kind, rng.uniform(0.5, 1.3), seconds, centre, wash=wash, ping=rng.uniform(0.2, 0.8), bell=bell, **colour
        )
    else:
        voice = play_cymbal(kind, np.exp(rng.uniform(*np.log((0.3, 1.7)))), seconds, centre, **colour)
    return voice(rng.uniform(0.6, 1.0), SAMPLE_RATE_HZ, rng)


#: How often a voice is a computed plate, and how often a drum machine's.
PLATES = {"closed hi-hat": 0.1, "pedal hi-hat": 0.1, "open hi-hat": 0.2, "ride": 0.25, "ride bell": 0.35, "crash": 0.35}
MACHINES = {"closed hi-hat": 0.4, "pedal hi-hat": 0.3, "open hi-hat": 0.3, "ride": 0.06, "crash": 0.1}


def make_stroke(instrument: str, rng: np.random.Generator) -> np.ndarray:
    """One stroke of an invented instrument, peak 0.9, attack at the bank's pre-roll."""
    seconds = LONGEST_S[instrument]
    n = int(seconds * SAMPLE_RATE_HZ) - PRE_ROLL
    draw = rng.random()
    plate, machine = PLATES.get(instrument, 0.0), MACHINES.get(instrument, 0.0)
    if instrument == OTHER:
        x = _percussion(rng, n)
    elif draw < plate:
        x = np.pad(_plate(rng, instrument), (0, n))[:n]
    elif draw < plate + machine:
        shortest = {"open hi-hat": 0.1, "ride": 0.15, "crash": 0.2}.get(instrument, 0.012)
        x = _machine_hat(rng, shortest * np.exp(rng.uniform(0, np.log(6))), n)
    elif instrument in ("closed hi-hat", "pedal hi-hat"):
        x = _cymbal(
            rng,
            np.exp(rng.uniform(np.log(0.012), np.log(0.12))),
            rng.uniform(0, 0.8),
            n,
            1.0 if instrument == "closed hi-hat" else 0.3,
        )
    elif instrument == "open hi-hat":
        x = _cymbal(rng, np.exp(rng.uniform(np.log(0.12), np.log(0.7))), rng.uniform(0, 0.8), n, 0.7)
    elif instrument == "ride":
        x = _cymbal(rng, rng.uniform(0.3, 1.5), rng.uniform(0.2, 1.2), n, rng.uniform(0.8, 2.5))
    elif instrument == "ride bell":
        x = _metal(
            rng, n, rng.uniform(500, 1200), rng.uniform(4000, 9000), rng.uniform(0.2, 0.9), int(rng.integers(5, 14))
        )
        x = 1.5 * x + rng.uniform(0.05, 0.4) * _cymbal(rng, rng.uniform(0.3, 1.0), 0.2, n, 1.0)
    elif instrument == "crash":
        kind = rng.random()
        if kind < 0.15:  # a splash
            x = _cymbal(rng, rng.uniform(0.08, 0.35), rng.uniform(0, 0.6), n, 0.6)
        elif kind < 0.3:  # a china
            trash = _band(rng, rng.standard_normal(n), rng.uniform(500, 1500), rng.uniform(3500, 9000))
            x = trash * _decay(n, rng.uniform(0.1, 0.7)) + _cymbal(
                rng, rng.uniform(0.2, 1.0), rng.uniform(0.3, 1), n, 0.6
            )
        else:
            x = _cymbal(rng, rng.uniform(0.4, 2.0), rng.uniform(0, 0.6), n, 0.3)
    elif instrument == "tambourine":
        gaps = np.cumsum(rng.exponential(0.008, 6))
        x = np.zeros(n)
        for gap in gaps:
            k = int(gap * SAMPLE_RATE_HZ)
            x[k:] += rng.uniform(0.3, 1) * _metal(rng, n - k, 3500, 14000, 0.06, 20)
    elif instrument == "kick":
        ring, noise = (0.05, 0.25), 0.7
        if draw > 0.75:  # a machine's: a long falling tone and little else
            ring, noise = (0.15, 0.5), 0.15
        x = _drum(rng, rng.uniform(38, 85), rng.uniform(*ring), n, rng.uniform(0, noise), rng.uniform(0.2, 3.0))
    elif instrument in ("high tom", "mid tom", "floor tom"):
        low, high = {"high tom": (130, 240), "mid tom": (100, 170), "floor tom": (60, 115)}[instrument]
        noise, drop = ((0.0, 0.05), (0.3, 1.2)) if draw > 0.75 else ((0.05, 0.5), (0.02, 0.4))
        x = _drum(rng, rng.uniform(low, high), rng.uniform(0.08, 0.4), n, rng.uniform(*noise), rng.uniform(*drop))
    elif instrument == "snare":
        body = _drum(rng, rng.uniform(140, 280), rng.uniform(0.03, 0.12), n, 0.4, rng.uniform(0.0, 0.4))
        wires = _band(rng, rng.standard_normal(n), rng.uniform(400, 2500), rng.uniform(6000, 15000))
        # Some have no wires: a tom's voice in the snare's place.
        wired = rng.uniform(0.4, 2.0) if draw > 0.12 else rng.uniform(0, 0.08)
        x = rng.uniform(0.2, 1) * body + wired * wires * _decay(n, rng.uniform(0.03, 0.16))
    elif instrument == "side stick":
        x = _metal(
            rng, n, rng.uniform(350, 900), rng.uniform(2500, 6000), rng.uniform(0.01, 0.05), int(rng.integers(3, 8))
        )
        x += rng.uniform(0.05, 0.4) * rng.standard_normal(n) * _decay(n, rng.uniform(0.002, 0.01))
    else:
        raise ValueError(f"no recipe for {instrument}")
    x[:22] *= np.linspace(0, 1, 22)
    fade = int(0.02 * SAMPLE_RATE_HZ)
    x[-fade:] *= np.linspace(1, 0, fade)
    x = np.concatenate([np.zeros(PRE_ROLL), x])
    return (0.9 * x / np.max(np.abs(x))).astype(np.float32)


def _make_voice(task: tuple[int, str, int]) -> list[tuple[Shot, np.ndarray]]:
    seed, instrument, k = task
    rng = np.random.default_rng((seed, k, _SEEDS.index(instrument)))
    hard = make_stroke(instrument, rng)
    soft = sosfilt(butter(1, rng.uniform(2500, 9000), fs=SAMPLE_RATE_HZ, output="sos"), hard).astype(np.float32)
    soft = 0.9 * soft / np.max(np.abs(soft))
    kit = f"procedural {seed}"
    return [
        (Shot(kit, instrument, str(k), 0, length=len(soft)), soft),
        (Shot(kit, instrument, str(k), 1, length=len(hard)), hard),
    ]


def make_voices(seed: int, most: int = 1000) -> list[tuple[Shot, np.ndarray]]:
    """Procedural voices, at most *most* an instrument, two layers each: a darker soft one and a hard one."""
    tasks = [(seed, instrument, k) for instrument, count in COUNTS.items() for k in range(min(count, most))]
    with ProcessPoolExecutor() as pool:
        return [pair for pairs in pool.map(_make_voice, tasks, chunksize=8) for pair in pairs]
