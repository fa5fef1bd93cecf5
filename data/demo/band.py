"""The band behind the demo song's drums: bass, electric piano, guitar, lead.

Each function plays one note or chord and returns mono float64 of about unit
peak.  Partials decay as on a plucked string (high ones sooner); the guitar is
such strings through saturation and a dull loudspeaker.
"""

from __future__ import annotations

import numpy as np
from scipy import signal

from workbench.sound.synthesis import band_noise, ring


def pitch_hz(midi_note: int) -> float:
    """Equal temperament, A4 = 440 Hz (ISO 16)."""
    return 440.0 * 2 ** ((midi_note - 69) / 12)


def _string(frequency_hz, length_s, sample_rate, decay_s, brightness, pluck=0.13, stiffness=2e-4):
    n = np.arange(1, 41)
    partials_hz = frequency_hz * n * np.sqrt(1 + stiffness * n**2)
    level = np.abs(np.sin(np.pi * n * pluck)) / n**brightness
    return ring(partials_hz, level * np.exp(-0.5j * np.pi), decay_s / (1 + 0.18 * n), length_s, sample_rate)


def _shape(x, sample_rate, rise_s=0.003, release_s=0.03):
    up = min(int(rise_s * sample_rate), len(x))
    down = min(int(release_s * sample_rate), len(x))
    x[:up] *= np.linspace(0, 1, up)
    x[-down:] *= np.linspace(1, 0, down)
    return x


def bass(note: int, length_s: float, sample_rate: int) -> np.ndarray:
    x = _string(pitch_hz(note), length_s, sample_rate, 0.9, 1.15, 0.2)
    x = np.tanh(1.6 * x / np.abs(x).max())
    sos = signal.butter(2, 1400, fs=sample_rate, output="sos")
    return _shape(signal.sosfilt(sos, x), sample_rate, 0.002, 0.02)


def electric_piano(notes, length_s: float, sample_rate: int, force: float = 0.7) -> np.ndarray:
    out = 0.0
    for k, note in enumerate(notes):
        f = pitch_hz(note)
        tine = ring(
            f * np.array([1, 2.0, 3.0, 4.01, 7.1, 12.2]),
            [1, 0.42 * force, 0.2 * force, 0.12, 0.22 * force, 0.1 * force],
            [1.3, 0.9, 0.6, 0.5, 0.12, 0.05],
            length_s,
            sample_rate,
        )
        shift = int(0.006 * k * sample_rate)
        out = out + np.concatenate([np.zeros(shift), tine[: len(tine) - shift]])
    t = np.arange(len(out)) / sample_rate
    return _shape(out / np.abs(out).max() * (1 + 0.12 * np.sin(2 * np.pi * 5.1 * t)), sample_rate)


def guitar(notes, length_s: float, sample_rate: int, seed: int = 0, muted: bool = False) -> np.ndarray:
    """Distorted chord, struck once."""
    rng = np.random.default_rng(seed)
    out = 0.0
    for note in notes:
        f = pitch_hz(note) * 2 ** (rng.normal(0, 3) / 1200)
        out = out + _string(f, length_s, sample_rate, 0.12 if muted else 2.2, 0.8)
    scrape = band_noise(length_s, 1500, 5000, sample_rate, rng)[: len(out)]
    t = np.arange(len(out)) / sample_rate
    out = out / np.abs(out).max() + 0.05 * scrape * np.exp(-t / 0.008)
    out = np.tanh(9 * out)
    speaker = signal.butter(3, [85, 4200], "bandpass", fs=sample_rate, output="sos")
    return _shape(signal.sosfilt(speaker, out), sample_rate, 0.002, 0.04)


def lead(note: int, length_s: float, sample_rate: int) -> np.ndarray:
    """A held voice-like tone: vibrato that comes late, soft edges."""
    t = np.arange(int(length_s * sample_rate)) / sample_rate
    bend = 0.006 * np.clip((t - 0.18) / 0.3, 0, 1) * np.sin(2 * np.pi * 5.4 * t)
    phase = 2 * np.pi * np.cumsum(pitch_hz(note) * (1 + bend)) / sample_rate
    f = pitch_hz(note)
    out = np.zeros_like(t)
    for n in range(1, 16):
        formant = np.exp(-(((n * f - 750) / 500) ** 2)) + 0.6 * np.exp(-(((n * f - 1500) / 600) ** 2)) + 0.12
        out += formant / n**0.6 * np.sin(n * phase + 0.3 * n * n)
    breath = band_noise(length_s + 0.01, 2500, 7000, sample_rate, np.random.default_rng(note))
    out = out / np.abs(out).max() + 0.012 * breath[: len(out)]
    return _shape(out, sample_rate, 0.03, 0.08)
