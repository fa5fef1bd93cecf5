"""Slower or faster at the same pitch, with the attacks of the drums kept.

The body of the sound goes through Signalsmith Stretch (python-stretch, MIT), a
phase vocoder that keeps pitch and level but, as every such method, smears an
attack over its window.  So each attack found in the recording is laid over the
result unstretched, at its exact new time, with a short blend on both sides.
Benchmark and comparison with other libraries: ``tests/benchmarks/bench_stretch.py``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import signal
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from workbench.errors import AnalysisError
from workbench.files.audio import Audio

#: Speeds at which a recording still sounds like itself.
SLOWEST, FASTEST = 0.25, 2.0

#: What is laid over unstretched: from so long before an attack to so long after.
BEFORE_S, AFTER_S = 0.016, 0.070
#: Blends at both ends of a kept attack.
BLEND_IN_S, BLEND_OUT_S = 0.010, 0.030
#: The vocoder's window: how far before an attack it is heard already.
PRE_ECHO_S = 0.140
#: Pre-echoes are turned down apart below and above this frequency.
SPLIT_HZ = 1500.0
#: An attack begins where its energy has this share of its first peak.
ONSET_SHARE = 0.1
#: Two attacks nearer than this are kept as one.
NEAREST_S = 0.018


def stretch_audio(audio: Audio, speed: float, attacks_s: ArrayLike | None = None) -> Audio:
    """Play a recording at another speed, its pitch unchanged.

    Parameters
    ----------
    audio : Audio
    speed : float, 0.25–2
        0.5 is half as fast.  The result has ``round(n / speed)`` samples; what
        was at time *t* is at ``t / speed``.
    attacks_s : sequence of float, seconds, optional
        Attacks to keep; None finds them, an empty sequence keeps none.

    Raises
    ------
    AnalysisError
        If the speed is out of range.

    Examples
    --------
    >>> stretch_audio(Audio(np.zeros((44100, 1)), 44100), 0.5).duration_s
    2.0
    """
    if not SLOWEST <= speed <= FASTEST:
        raise AnalysisError(f"Recordings can be played at {SLOWEST:g} to {FASTEST:g} times their speed, not {speed!r}.")
    if speed == 1.0 or len(audio.samples) == 0:
        return audio
    samples, rate = audio.samples, audio.sample_rate
    out = _stretched(samples, rate, speed)
    attacks = find_attacks(audio) if attacks_s is None else np.asarray(attacks_s, float)
    _hush_pre_echoes(out, samples, rate, speed, attacks)
    _keep_attacks(out, samples, rate, speed, attacks)
    return Audio(out, rate)


def _stretched(samples: np.ndarray, rate: int, speed: float) -> np.ndarray:
    """The phase vocoder's result, cut or filled to ``round(n / speed)``."""
    import python_stretch

    length = round(len(samples) / speed)
    # The library wants a little more than its own latency to work on.
    padding = max(0, int(0.25 * rate) - len(samples))
    x = np.ascontiguousarray(np.pad(samples, ((0, padding), (0, 0))).T, dtype=np.float32)
    worker = python_stretch.Signalsmith.Stretch()
    worker.preset(x.shape[0], rate)
    worker.setTimeFactor(speed)
    y = np.asarray(worker.process(x)).T
    out = np.zeros((length, samples.shape[1]), np.float32)
    n = min(length, len(y))
    out[:n] = y[:n]
    return out


def find_attacks(audio: Audio) -> np.ndarray:
    """Times at which something is struck, (n,), seconds, increasing.

    The rise of the logarithmic level in four bands, added up; peaks of it above
    a floor, each placed at the foot of its climb.
    """
    rate = audio.sample_rate
    mono = audio.mono().astype(float)
    step = max(1, round(0.001 * rate))
    if len(mono) < 50 * step:
        return np.zeros(0)
    rise = np.zeros(len(mono) // step)
    for low_hz, high_hz in ((30, 150), (150, 900), (900, 4000), (4000, 12000)):
        if low_hz > 0.4 * rate:
            continue
        band = [low_hz, min(high_hz, 0.45 * rate)]
        x = signal.sosfilt(signal.butter(2, band, "bandpass", fs=rate, output="sos"), mono)
        count = len(x) // step
        energy = (x[: count * step].reshape(count, step) ** 2).mean(axis=1)
        width = 12 if low_hz < 100 else 4
        energy = np.convolve(energy, np.hanning(width + 2)[1:-1] / np.hanning(width + 2).sum(), "same")
        level = np.log10(energy + 1e-7 + 3e-3 * energy.mean())
        lag = 10 if low_hz < 100 else 5
        climb = np.zeros(count)
        climb[lag:] = np.maximum(level[lag:] - level[:-lag], 0)
        # The rise lies in the middle of the lag.
        climb = np.concatenate([climb[lag // 2 :], np.zeros(lag // 2)])[:count]
        rise = rise + climb
    around = maximum_filter1d(rise, 501)
    height = np.maximum(1.2, 0.3 * around)
    peaks, _ = signal.find_peaks(rise, height=height, distance=round(NEAREST_S * 1000), prominence=0.8)
    return _refined(mono, peaks * step, rate) / rate


def settle_attacks(audio: Audio, times_s: ArrayLike) -> np.ndarray:
    """Known strokes (of a chart, say) moved to the attacks heard within 20 ms."""
    rate = audio.sample_rate
    mono = audio.mono().astype(float)
    known_s = np.asarray(times_s, float)
    inside = known_s[(known_s >= 0) & (known_s < audio.duration_s)]
    return _refined(mono, np.round(inside * rate).astype(int), rate, 0.020) / rate


def _refined(mono: np.ndarray, at: np.ndarray, rate: int, reach_s: float = 0.010) -> np.ndarray:
    """Attacks moved to the foot of the steepest climb of the level near them."""
    sharp = signal.sosfilt(signal.butter(1, min(300, 0.2 * rate), "highpass", fs=rate, output="sos"), mono)
    smooth = np.hanning(max(3, int(0.0015 * rate) | 1))
    energy = signal.fftconvolve(sharp**2, smooth / smooth.sum(), "same")
    lag, reach = max(1, int(0.0008 * rate)), int(reach_s * rate)
    out = []
    for k in at:
        low, high = max(0, k - reach), min(len(mono), k + reach)
        here = energy[low:high]
        if len(here) <= 2 * lag:
            continue
        steepest = int((here[lag:] - here[:-lag]).argmax())
        peak = steepest + int(here[steepest : steepest + reach].argmax())
        floor = here[: steepest + 1].min()
        under = np.flatnonzero(here[: peak + 1] <= floor + ONSET_SHARE * (here[peak] - floor))
        out.append(low + int(under[-1]))
    return np.array(sorted(set(out)), float)


def _hush_pre_echoes(out: np.ndarray, samples: np.ndarray, rate: int, speed: float, attacks_s: np.ndarray) -> None:
    """Turn down what sounds before an attack but did not in the recording.

    The vocoder spreads an attack over its window; ahead of it neither the low
    nor the high part may be louder than the recording had it there.
    """
    frame = max(1, int(0.005 * rate))
    if len(samples) < 4 * frame or len(out) < 4 * frame or not len(attacks_s):
        return
    sos = signal.butter(2, min(SPLIT_HZ, 0.2 * rate), "highpass", fs=rate, output="sos")
    high_out, high_in = (signal.sosfiltfilt(sos, x, axis=0).astype(np.float32) for x in (out, samples))
    for band_out, band_in in ((high_out, high_in), (out - high_out, samples - high_in)):
        gain = _allowed(_levels(band_out, frame), _levels(band_in, frame), frame / rate, speed, attacks_s)
        middle = (np.arange(len(gain)) + 0.5) * frame
        loss = np.interp(np.arange(len(out)), middle, gain - 1).astype(np.float32)
        out += band_out * loss[:, None]


def _levels(x: np.ndarray, frame: int) -> np.ndarray:
    """RMS of each frame, all channels together, smoothed a little."""
    count = -(-len(x) // frame)
    power = sum(column**2 for column in x.T) / x.shape[1]
    power = np.pad(power, (0, count * frame - len(x))).reshape(count, frame).mean(axis=1)
    # The running sum leaves tiny negative numbers where sound turns to silence.
    return np.sqrt(np.maximum(uniform_filter1d(power, 3, mode="nearest"), 0))


def _allowed(heard: np.ndarray, meant: np.ndarray, frame_s: float, speed: float, attacks_s: np.ndarray) -> np.ndarray:
    """Gain of each frame: 1 except ahead of attacks, where it takes off the excess."""
    at_s = (np.arange(len(heard)) + 0.5) * frame_s
    meant = np.interp(at_s * speed, (np.arange(len(meant)) + 0.5) * frame_s, meant)
    gain = np.ones(len(heard))
    for t in attacks_s:
        a = max(0, int((t / speed - PRE_ECHO_S) / frame_s))
        b = min(len(gain), int((t / speed - BEFORE_S + BLEND_IN_S) / frame_s))
        gain[a:b] = np.minimum(1, (meant[a:b] + 1e-6) / (heard[a:b] + 1e-6))
    return uniform_filter1d(gain, 3, mode="nearest")


def _keep_attacks(out: np.ndarray, samples: np.ndarray, rate: int, speed: float, attacks_s: np.ndarray) -> None:
    kept: list[float] = []
    for t in np.sort(attacks_s):
        if not kept or t - kept[-1] >= NEAREST_S:
            kept.append(float(t))
    for t, following in zip(kept, [*kept[1:], np.inf]):
        before_s = BEFORE_S
        after_s = min(AFTER_S, following - t - 0.006, (following - t) / speed - BEFORE_S)
        source = round(t * rate) - round(before_s * rate)
        target = round(t / speed * rate) - round(before_s * rate)
        length = round((before_s + after_s) * rate)
        skip = max(0, -source, -target)
        source, target, length = source + skip, target + skip, length - skip
        length = min(length, len(samples) - source, len(out) - target)
        if length <= 8:
            continue
        x, y = samples[source : source + length], out[target : target + length]
        y[:] = _blended(x, y, rate, skip > 0)


def _blended(kept: np.ndarray, body: np.ndarray, rate: int, from_start: bool) -> np.ndarray:
    """``kept`` in the middle, ``body`` at both ends, at steady loudness."""
    n = len(kept)
    rise = 0 if from_start else min(round(BLEND_IN_S * rate), n // 4)
    fall = min(round(BLEND_OUT_S * rate), n // 2)
    angle = np.full(n, np.pi / 2)
    angle[:rise] = np.linspace(0, np.pi / 2, rise, endpoint=False)
    angle[n - fall :] = np.linspace(np.pi / 2, 0, fall)
    a, b = np.sin(angle), np.cos(angle)
    # Alike signals add by amplitude, unlike ones by power.
    likeness = np.ones(n)
    for part in (slice(0, rise), slice(n - fall, n)):
        energy = np.sqrt((kept[part] ** 2).sum() * (body[part] ** 2).sum())
        likeness[part] = np.clip((kept[part] * body[part]).sum() / energy, 0, 1) if energy > 0 else 0.0
    scale = 1 / np.sqrt(a * a + b * b + 2 * a * b * likeness)
    return (kept * (a * scale)[:, None] + body * (b * scale)[:, None]).astype(np.float32)
