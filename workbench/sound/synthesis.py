"""Our own drum kit, synthesised: one shot for every instrument and loudness.

Nothing is sampled.  Drums are struck membranes: a sum of decaying partials at
the frequency ratios of an ideal circular membrane (zeros of the Bessel
functions; Rossing, *Science of Percussion Instruments*, 2000, ch. 1; ratios
from memory), sharpened for a moment by the hit, with the noise of stick,
beater and snare wires.  Cymbals are plates: hundreds of partials spread evenly
over frequency, of which the high ones bloom after the low ones and die first.
A harder hit is louder *and* brighter, and the sharpening of the pitch grows.

All shots are mono, float32, at most 1 in absolute value, their onset at sample
0, and the same for the same arguments on every call.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import signal

from workbench.chart.drumkit import instrument
from workbench.errors import WorkbenchError
from workbench.files.audio import SAMPLE_RATE_HZ

#: Loudness steps that are synthesised; between them only the level changes.
LAYER_VELOCITIES: tuple[int, ...] = (20, 42, 64, 86, 106, 127)

#: Different hits of the same loudness, so that repeated strokes are not copies.
VARIATIONS = 3

#: Amplitude grows with velocity to this power: 64 is 9 dB under 127.
VELOCITY_EXPONENT = 1.5

#: Partials of an ideal circular membrane over its lowest.
MEMBRANE_RATIOS = np.array(
    [1.0, 1.594, 2.136, 2.296, 2.653, 2.918, 3.156, 3.501, 3.600, 3.652, 4.060, 4.154, 4.480, 4.610, 4.832]
)

#: After so many times its decay a partial has fallen by 140 dB, and is left out.
_INAUDIBLE = 16.0

Voice = Callable[[float, int, np.random.Generator], np.ndarray]


def kit_sample(
    name: str,
    velocity: int = 100,
    sample_rate: int = SAMPLE_RATE_HZ,
    variation: int = 0,
    articulations: frozenset[str] = frozenset(),
) -> np.ndarray:
    """One stroke of one instrument.

    Parameters
    ----------
    name : str
        Instrument in the drum key.
    velocity : int, 1–127
    sample_rate : int, Hz
    variation : int
        Hit number; hits repeat after :data:`VARIATIONS`.
    articulations : frozenset of str
        Those that change the sound itself (half open, foot splash, rim shot,
        roll) choose another voice; the others are a matter of when strokes fall.

    Returns
    -------
    ndarray (n,), float32
        Read-only where shared.

    Raises
    ------
    ChartError
        If the drum key has no such instrument.
    WorkbenchError
        If velocity or sample rate is out of range.

    Examples
    --------
    >>> loud, soft = kit_sample("snare", 120), kit_sample("snare", 30)
    >>> bool(abs(loud).max() > 4 * abs(soft).max())
    True
    """
    instrument(name)
    if not 1 <= velocity <= 127:
        raise WorkbenchError(f"A velocity lies between 1 and 127, not {velocity!r}.")
    if not 8000 <= sample_rate <= 192000:
        raise WorkbenchError(f"A sample rate lies between 8000 and 192000 Hz, not {sample_rate!r}.")
    layer = min(range(len(LAYER_VELOCITIES)), key=lambda k: abs(LAYER_VELOCITIES[k] - velocity))
    shot = _layer(voice_for(name, articulations), layer, int(sample_rate), variation % VARIATIONS)
    return shot * np.float32((velocity / 127) ** VELOCITY_EXPONENT)


def voice_for(name: str, articulations: frozenset[str] = frozenset()) -> str:
    """The voice that plays an instrument with articulations."""
    if "half open" in articulations and name in ("open hi-hat", "closed hi-hat"):
        return "half-open hi-hat"
    if "foot splash" in articulations and name == "pedal hi-hat":
        return "foot splash"
    if "rim shot" in articulations and name == "snare":
        return "rim shot"
    return instrument(name).sounds_as


@lru_cache(maxsize=1024)
def _layer(voice: str, layer: int, sample_rate: int, variation: int) -> np.ndarray:
    """A shot with the colour of one loudness step and the energy of the loudest,
    so that level goes by velocity alone."""
    shot = _played(voice, layer, sample_rate, variation)
    if (layer, variation) != (len(LAYER_VELOCITIES) - 1, 0):
        loudest = _layer(voice, len(LAYER_VELOCITIES) - 1, sample_rate, 0).astype(float)
        shot *= np.sqrt((loudest**2).sum() / (shot**2).sum())
    else:
        shot *= _VOICES[voice][0] / np.abs(shot).max()
    out = shot.astype(np.float32)
    out.flags.writeable = False
    return out


def _played(voice: str, layer: int, sample_rate: int, variation: int) -> np.ndarray:
    # The cymbals' own partials come from their names, the hit from all three.
    seed = zlib.crc32(f"{voice}/{layer}/{variation}".encode())
    force = LAYER_VELOCITIES[layer] / 127
    shot = _VOICES[voice][1](force, sample_rate, np.random.default_rng(seed))
    fade = min(int(0.02 * sample_rate), len(shot) // 4)
    shot[-fade:] *= np.linspace(1, 0, fade)
    return shot


# -- building blocks -----------------------------------------------------------


def ring(
    frequency_hz: ArrayLike,
    amplitude: ArrayLike,
    decay_s: ArrayLike,
    duration_s: float,
    sample_rate: int,
    rng: np.random.Generator | None = None,
) -> np.ndarray:
    """A sum of exponentially decaying partials, (n,), float64.

    ``decay_s`` is the time in which a partial falls to 1/e.  Partials start in
    cosine phase, or in random phase if a generator is given.  Computed as one
    matrix product, so a thousand partials cost little.
    """
    partial_hz = np.asarray(frequency_hz, float)
    heard = partial_hz < 0.45 * sample_rate
    partial_hz = partial_hz[heard]
    level = np.broadcast_to(np.asarray(amplitude, complex), heard.shape)[heard]
    decay = np.broadcast_to(np.asarray(decay_s, float), heard.shape)[heard]
    if rng is not None:
        level = level * np.exp(2j * np.pi * rng.random(len(partial_hz)))
    block, count = 512, int(np.ceil(duration_s * sample_rate))
    sounding = min(count, int(np.ceil(_INAUDIBLE * decay.max(initial=0.0) * sample_rate)))
    rate = (-1 / decay + 2j * np.pi * partial_hz) / sample_rate
    inside = _steps(rate, block)
    across = level * _steps(block * rate, -(-sounding // block))
    # The real part of a complex product, as one real product: half the work.
    real = np.hstack([across.real, -across.imag]).astype(np.float32)
    out = np.zeros(count)
    out[:sounding] = (real @ np.hstack([inside.real, inside.imag]).astype(np.float32).T).ravel()[:sounding]
    return out


def _steps(rate: np.ndarray, count: int) -> np.ndarray:
    """``exp(k * rate)`` for k below ``count``, (count, rates): most are products of a few, which cost less."""
    few = 32
    fine = np.exp(rate * np.arange(few)[:, None])
    coarse = np.exp(few * rate * np.arange(-(-count // few))[:, None])
    return (coarse[:, None] * fine).reshape(few * len(coarse), len(rate))[:count]


def band_noise(
    duration_s: float, low_hz: float, high_hz: float, sample_rate: int, rng: np.random.Generator, order: int = 2
) -> np.ndarray:
    """Noise of unit RMS between two frequencies."""
    noise = rng.standard_normal(int(np.ceil(duration_s * sample_rate)) + 256)
    high_hz = min(high_hz, 0.45 * sample_rate)
    sos = signal.butter(order, [low_hz, high_hz], "bandpass", fs=sample_rate, output="sos")
    noise = signal.sosfilt(sos, noise)[256:]
    return noise / np.sqrt(np.mean(noise**2))


def _time(duration_s: float, sample_rate: int) -> np.ndarray:
    return np.arange(int(np.ceil(duration_s * sample_rate))) / sample_rate


def _burst(
    force: float, length_s: float, low_hz: float, high_hz: float, sample_rate: int, rng: np.random.Generator
) -> np.ndarray:
    """The knock of a stick or beater: noise that dies within milliseconds."""
    t = _time(8 * length_s, sample_rate)
    bright = low_hz + (high_hz - low_hz) * (0.35 + 0.65 * force)
    return band_noise(8 * length_s, low_hz, bright, sample_rate, rng, 1) * np.exp(-t / length_s)


def _membrane(
    pitch_hz: float,
    decay_s: float,
    force: float,
    glide: float,
    glide_s: float,
    duration_s: float,
    sample_rate: int,
    rng: np.random.Generator,
    tilt: float = 1.3,
    damping: float = 0.7,
) -> np.ndarray:
    """A struck head: partials that start sharp and settle on their pitch."""
    t = _time(duration_s, sample_rate)
    warped = t + glide * force * glide_s * (1 - np.exp(-t / glide_s))
    out = np.zeros_like(t)
    for k, ratio in enumerate(MEMBRANE_RATIOS):
        detune = 1 + 0.004 * rng.standard_normal()
        level = ratio ** -(tilt + 1.2 * (1 - force)) * rng.uniform(0.75, 1.25)
        if k == 0:
            level, detune = 1.0, 1.0
        tau = decay_s * ratio**-damping
        out += level * np.exp(-t / tau) * np.sin(2 * np.pi * pitch_hz * ratio * detune * warped)
    rise = np.minimum(t / 0.0006, 1.0)
    return out * rise


def _add(*parts: tuple[float, np.ndarray]) -> np.ndarray:
    out = np.zeros(max(len(x) for _, x in parts))
    for gain, x in parts:
        out[: len(x)] += gain * x
    return out


def _unit(x: np.ndarray) -> np.ndarray:
    return x / np.abs(x).max()


def _plate(kind: str, count: int, low_hz: float, high_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Partials of a cymbal: even density over frequency, own strength each."""
    rng = np.random.default_rng(zlib.crc32(kind.encode()))
    steps = (np.arange(count) + rng.uniform(0.1, 0.9, count)) / count
    frequency_hz = low_hz + (high_hz - low_hz) * steps**1.15
    return frequency_hz, rng.rayleigh(1.0, count)


def _colour(frequency_hz: np.ndarray, centre_hz: float, octaves: float) -> np.ndarray:
    """A broad hump over log frequency."""
    return np.exp(-0.5 * (np.log2(frequency_hz / centre_hz) / octaves) ** 2)


# -- voices --------------------------------------------------------------------


def _kick(force: float, sr: int, rng: np.random.Generator) -> np.ndarray:
    head = _membrane(52, 0.13, force, 1.1, 0.016, 0.55, sr, rng, tilt=1.0, damping=0.9)
    shell = _membrane(96, 0.07, force, 0.3, 0.02, 0.3, sr, rng, tilt=1.6)
    beater = _burst(force, 0.0028, 900, 5200, sr, rng)
    slap = ring([2350, 3400, 4100], [1, 0.6, 0.4], [0.005, 0.004, 0.003], 0.04, sr)
    wires = _wires(0.25, force, sr, rng, 0.05)
    return _add(
        (1.0, head), (0.35, shell), (0.09 + 0.16 * force, _unit(beater)), (0.12 * force, _unit(slap)), (0.012, wires)
    )


def _wires(duration_s: float, force: float, sr: int, rng: np.random.Generator, decay_s: float) -> np.ndarray:
    """Snare wires rattling against the head."""
    t = _time(duration_s, sr)
    low = band_noise(duration_s, 900, 3200, sr, rng)
    high = band_noise(duration_s, 3000, 6500 + 6500 * force, sr, rng)
    fast = np.exp(-t / (0.45 * decay_s))
    slow = np.exp(-t / decay_s)
    rise = 1 - np.exp(-t / 0.0007)
    grain = 1 + 0.35 * band_noise(duration_s, 60, 400, sr, rng, 1)
    return rise * (0.75 * low * slow + high * (0.7 * fast + 0.3 * slow)) * grain


def _snare_drum(force: float, sr: int, rng: np.random.Generator, ring_level: float = 0.0) -> np.ndarray:
    head = _membrane(186, 0.075, force, 0.10, 0.02, 0.5, sr, rng, tilt=0.9, damping=0.8)
    second = ring([331, 286, 512], [0.5, 0.3, 0.25], [0.05, 0.06, 0.035], 0.4, sr)
    wires = _wires(0.6, force, sr, rng, 0.055 + 0.045 * force)
    stick = _burst(force, 0.0012, 1200, 9000, sr, rng)
    overtones = ring([742, 968, 1322, 1811], [1, 0.7, 0.5, 0.3], [0.09, 0.07, 0.05, 0.03], 0.5, sr)
    return _add(
        (0.85, _unit(head)),
        (0.35, _unit(second)),
        (0.62 + 0.1 * (1 - force), _unit(wires)),
        (0.35 * force, _unit(stick)),
        (ring_level + 0.06, _unit(overtones)),
    )


def _snare(force: float, sr: int, rng: np.random.Generator) -> np.ndarray:
    return _snare_drum(force, sr, rng)


def _rim_shot(force: float, sr: int, rng: np.random.Generator) -> np.ndarray:
    return _add(
        (1.0, _snare_drum(min(1.0, force * 1.15), sr, rng, 0.45)), (0.5, _unit(_burst(1.0, 0.002, 1500, 9000, sr, rng)))
    )


def _side_stick(force: float, sr: int, rng: np.random.Generator) -> np.ndarray:
    wood = ring([1180, 1730, 2590, 3420, 4700], [1, 0.8, 0.5, 0.35, 0.2], [0.014, 0.011, 0.007, 0.005, 0.004], 0.15, sr)
    shell = _membrane(330, 0.03, force, 0.0, 0.02, 0.15, sr, rng)
    return _add(
        (1.0, _unit(wood)),
        (0.35, _unit(shell)),
        (0.4 * force, _unit(_burst(force, 0.001, 2000, 9000, sr, rng))),
        (0.05, _wires(0.15, force, sr, rng, 0.03)),
    )


def _tom(pitch_hz: float, decay_s: float) -> Voice:
    def play(force: float, sr: int, rng: np.random.Generator) -> np.ndarray:
        head = _membrane(pitch_hz, decay_s, force, 0.16, 0.05, 5 * decay_s, sr, rng, tilt=1.1, damping=0.85)
        lower = _membrane(pitch_hz * 1.06, 0.5 * decay_s, force, 0.1, 0.05, 3 * decay_s, sr, rng, tilt=2)
        stick = _burst(force, 0.003, 400, 6000, sr, rng)
        return _add(
            (1.0, _unit(head)),
            (0.25, _unit(lower)),
            (0.12 + 0.2 * force, _unit(stick)),
            (0.015, _wires(0.3, force, sr, rng, 0.08)),
        )

    return play


def play_hat(
    kind: str,
    decay_s: float,
    duration_s: float,
    centre_hz: float = 8200,
    low: float = 0.05,
    tick: float = 0.4,
    shake: float = 0.0,
    bloom_s: float = 0.0,
) -> Voice:
    """A hi-hat's voice: two plates whose partials die within ``decay_s`` around 5 kHz."""
    frequency_hz, own = _plate("hi-hat", 700, 320, 18500)

    def play(force: float, sr: int, rng: np.random.Generator) -> np.ndarray:
        colour = own * (
            _colour(frequency_hz, centre_hz * (0.75 + 0.3 * force), 0.85) + low * _colour(frequency_hz, 900, 0.9)
        )
        hit = colour * rng.uniform(0.6, 1.4, len(own))
        tau = decay_s * (frequency_hz / 5000) ** -0.35
        body = ring(frequency_hz, hit, tau, duration_s, sr, rng)
        # The clamped edges let a quieter, longer sizzle through.
        sizzle = ring(frequency_hz, hit * rng.uniform(0.5, 1.5, len(own)), 2.6 * tau, duration_s, sr, rng)
        sound = _add((1.0, _unit(body)), (0.22, _unit(sizzle)))
        t = np.arange(len(sound)) / sr
        if shake:
            # Two loose cymbals rattle against each other.
            sound *= 1 + shake * band_noise(duration_s, 15, 90, sr, rng, 1)[: len(sound)]
        sound *= 1 - np.exp(-t / (0.0004 + bloom_s))
        stick = _burst(force, 0.0012, 2500, 11000, sr, rng)
        return _add((1.0, _unit(sound)), (tick * force, _unit(stick)))

    return play


def play_cymbal(
    kind: str,
    decay_s: float,
    duration_s: float,
    centre_hz: float,
    count: int = 1100,
    low_hz: float = 180,
    bloom_s: float = 0.02,
    wash: float = 1.0,
    ping: float = 0.0,
    bell: float = 0.0,
    octaves: float = 1.25,
    damping: float = 0.55,
) -> Voice:
    """A cymbal's voice; ``kind`` settles its partials, so each name is another cymbal."""
    frequency_hz, own = _plate(kind, count, low_hz, 17500)
    rng_bell = np.random.default_rng(zlib.crc32((kind + "/bell").encode()))
    bell_hz = 540 * np.array([1, 1.47, 2.09, 2.56, 3.39, 4.08, 5.12, 6.3]) * rng_bell.uniform(0.985, 1.015, 8)

    def play(force: float, sr: int, rng: np.random.Generator) -> np.ndarray:
        bright = centre_hz * (0.55 + 0.5 * force)
        level = own * _colour(frequency_hz, bright, octaves) * rng.uniform(0.6, 1.4, len(own))
        tau = decay_s * (0.55 + 0.45 * force) * (1 + frequency_hz / 3000) ** -damping
        # The hit sets low partials going; the high ones take their energy.
        rise = bloom_s * (0.3 + 0.7 * np.minimum(frequency_hz / 6000, 2))
        phase = np.exp(2j * np.pi * rng.random(len(own)))
        shimmer = ring(frequency_hz, level * phase, tau, duration_s, sr) - ring(
            frequency_hz, level * phase * 0.85, 1 / (1 / tau + 1 / rise), duration_s, sr
        )
        parts = [(wash, _unit(shimmer))]
        if ping:
            near = _colour(frequency_hz, 3600 + 1500 * force, 0.6)
            strike = ring(frequency_hz, own * near, 0.05, 0.4, sr, rng)
            parts += [(ping, _unit(strike)), (0.5 * ping, _unit(_burst(force, 0.0015, 2500, 9000, sr, rng)))]
        else:
            parts.append((0.4 * force, _unit(_burst(force, 0.004, 700, 9000, sr, rng))))
        if bell:
            tone = ring(bell_hz, 1 / np.arange(1, 9) ** 0.6, 0.9 / np.arange(1, 9) ** 0.5, duration_s, sr)
            parts.append((bell, _unit(tone)))
        return _add(*parts)

    return play


def _tambourine(force: float, sr: int, rng: np.random.Generator) -> np.ndarray:
    out = np.zeros(int(0.35 * sr))
    frequency_hz = np.random.default_rng(7).uniform(4800, 13500, 60)
    for k in range(9):
        at = int(sr * (0 if k == 0 else rng.exponential(0.016)))
        jingle = ring(frequency_hz, rng.rayleigh(1.0, 60), rng.uniform(0.03, 0.07), 0.25, sr, rng)
        out[at : at + len(jingle)] += jingle[: len(out) - at] * (1 if k == 0 else rng.uniform(0.2, 0.7))
    return _add((1.0, _unit(out)), (0.1, _unit(_burst(force, 0.004, 500, 3000, sr, rng))))


def _cowbell(force: float, sr: int, rng: np.random.Generator) -> np.ndarray:
    metal = ring(
        [562, 845, 1130, 1690, 2440, 3380, 4790],
        [1, 0.9, 0.3, 0.35, 0.25, 0.2, 0.1],
        [0.09, 0.09, 0.05, 0.05, 0.03, 0.02, 0.02],
        0.5,
        sr,
    )
    return _add((1.0, _unit(metal)), (0.4 * force, _unit(_burst(force, 0.002, 1500, 8000, sr, rng))))


def _clap(force: float, sr: int, rng: np.random.Generator) -> np.ndarray:
    out = np.zeros(int(0.3 * sr))
    for at_s in (0.0, 0.009, 0.019, 0.028):
        tail = 0.06 if at_s == 0.028 else 0.006
        t = _time(0.25, sr)
        hand = band_noise(0.25, 850, 2600 + 2500 * force, sr, rng) * np.exp(-t / tail)
        at = int(at_s * sr)
        out[at : at + len(hand)] += hand[: len(out) - at]
    return out


#: For each voice: peak level of the hardest hit, and how it is played.
_VOICES: dict[str, tuple[float, Voice]] = {
    "kick": (0.95, _kick),
    "snare": (0.85, _snare),
    "rim shot": (0.95, _rim_shot),
    "side stick": (0.45, _side_stick),
    "high tom": (0.75, _tom(172, 0.20)),
    "mid tom": (0.78, _tom(124, 0.25)),
    "floor tom": (0.82, _tom(83, 0.33)),
    "closed hi-hat": (0.27, play_hat("closed", 0.024, 0.30)),
    "open hi-hat": (0.28, play_hat("open", 0.26, 1.3, 7000, 0.10, 0.25, 0.25)),
    "half-open hi-hat": (0.28, play_hat("half", 0.11, 0.8, 7200, 0.08, 0.3, 0.45)),
    "pedal hi-hat": (0.30, play_hat("pedal", 0.028, 0.25, 5200, 0.30, 0.0, 0.0, 0.002)),
    "foot splash": (0.22, play_hat("splash", 0.20, 1.0, 5600, 0.25, 0.0, 0.3, 0.002)),
    "ride": (0.28, play_cymbal("ride", 1.2, 3.0, 4200, 1000, 220, 0.012, wash=0.45, ping=1.0, octaves=1.0)),
    "ride bell": (0.34, play_cymbal("ride", 0.9, 3.0, 3600, 1000, 220, 0.012, wash=0.4, ping=0.5, bell=1.0)),
    "crash": (0.46, play_cymbal("crash", 1.0, 3.4, 5200)),
    "second crash": (0.46, play_cymbal("second crash", 1.2, 3.8, 4300, low_hz=150)),
    "splash": (0.4, play_cymbal("splash", 0.32, 1.4, 6200, 600, 400, 0.006)),
    "china": (0.45, play_cymbal("china", 0.55, 2.2, 4600, 900, 240, 0.008, octaves=0.9, damping=0.35)),
    "tambourine": (0.32, _tambourine),
    "cowbell": (0.4, _cowbell),
    "hand clap": (0.45, _clap),
}


# -- room ------------------------------------------------------------------------


@lru_cache(maxsize=8)
def room_response(sample_rate: int, decay_s: float = 0.38) -> np.ndarray:
    """Stereo impulse response of a small wooden room, (n, 2), without direct sound.

    ``decay_s`` is the time to fall by 60 dB at middle frequencies; highs fall
    sooner.  A few early reflections, then noise that thickens.
    """
    rng = np.random.default_rng(20)
    count = int(1.3 * decay_s * sample_rate)
    t = np.arange(count) / sample_rate
    out = np.zeros((count, 2))
    edges = (90, 500, 2000, 6000, 14000)
    for low, high, share in zip(edges, edges[1:], (1.15, 1.0, 0.75, 0.45)):
        for side in range(2):
            noise = band_noise(count / sample_rate, low, min(high, 0.44 * sample_rate), sample_rate, rng)
            level = np.sqrt(np.log2(high / low)) * (1.3 if low < 500 else 1.0)
            out[:, side] += level * noise[:count] * 10 ** (-3 * t / (decay_s * share))
    out *= (1 - np.exp(-t / 0.006))[:, None]
    for side in range(2):
        for _ in range(7):
            at = int(sample_rate * rng.uniform(0.003, 0.024))
            out[at, side] += rng.choice([-1, 1]) * rng.uniform(4, 9)
    return (out / np.sqrt((out**2).sum(axis=0))).astype(np.float32)


def add_room(samples: np.ndarray, sample_rate: int, level_db: float = -13.0, decay_s: float = 0.38) -> np.ndarray:
    """Dry stereo sound placed in the room; the result is longer by the room's tail."""
    response = room_response(sample_rate, decay_s)
    wet = signal.oaconvolve(samples, response, axes=0)
    wet *= 10 ** (level_db / 20)
    wet[: len(samples)] += samples
    return wet.astype(np.float32)
