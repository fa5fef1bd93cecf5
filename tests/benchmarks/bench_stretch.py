"""Time stretching compared: attack smear, timing of attacks, level, speed.

``python -m tests.benchmarks.bench_stretch [FOLDER]`` measures on a folder of annotated
recordings (drum/NAME.flac or mix/NAME.flac, class/NAME.txt), or on the demo song.
Baselines: Signalsmith Stretch plain (python-stretch), librosa's phase vocoder;
WSOLA (audiotsm) and harmonic-percussive overlap-add (pytsmod) where installed.

An attack is measured where the annotation has a stroke alone (none 100 ms before,
none 60 ms after).  Its onset is where the smoothed level above 300 Hz passes a
tenth of its peak; its timing error is the shift by which the level around the
onset fits best after stretching; its rise is the time from a tenth to nine tenths
of the peak.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy import signal

import workbench as wb
from workbench.files.audio import Audio, load_audio
from workbench.files.chartfile import read_chart
from workbench.sound.stretch import settle_attacks, stretch_audio

RATE = 44100
SPEEDS = (0.5, 0.75)
LONGEST_S = 20.0
AROUND_S, AFTER_S, SEARCH_S = 0.008, 0.025, 0.020


def level(x: np.ndarray) -> np.ndarray:
    sos = signal.butter(2, 300, "highpass", fs=RATE, output="sos")
    smooth = signal.windows.hann(int(0.0015 * RATE) | 1)
    return np.maximum(signal.fftconvolve(signal.sosfiltfilt(sos, x) ** 2, smooth / smooth.sum(), "same"), 0)


def attack(level_: np.ndarray, near_s: float) -> tuple[float, float, float] | None:
    """Onset (s), rise (s) and peak level of the attack near a moment."""
    first, last = int((near_s - 0.02) * RATE), int((near_s + 0.03) * RATE)
    if first < 0 or last > len(level_):
        return None
    here = level_[first:last]
    k, floor = int(here.argmax()), np.median(here[: int(0.01 * RATE)])
    if k < 10 or here[k] < 10 * floor or here[k] <= 0:
        return None
    low = np.flatnonzero(here[: k + 1] <= floor + 0.1 * (here[k] - floor))
    high = np.flatnonzero(here[: k + 1] >= floor + 0.9 * (here[k] - floor))
    if not len(low):
        return None
    return (first + low[-1]) / RATE, (high[high > low[-1]][0] - low[-1]) / RATE, here[k]


def measure(before: np.ndarray, after: np.ndarray, strokes_s: np.ndarray, speed: float) -> dict:
    """Errors (ms), rises (ms) and level changes (dB) of all clear attacks."""
    a, b = level(before), level(after)
    out: dict[str, list] = {"error": [], "rise_before": [], "rise_after": [], "level": []}
    lead, tail, search = (round(t * RATE) for t in (AROUND_S, AFTER_S, SEARCH_S))
    for stroke in strokes_s:
        found = attack(a, stroke)
        if found is None:
            continue
        i, j = round(found[0] * RATE), round(found[0] / speed * RATE)
        if i < lead or j < lead + search or j + tail + search > len(b):
            continue
        shape = np.sqrt(a[i - lead : i + tail])
        shape = shape - shape.mean()
        heard = np.sqrt(b[j - lead - search : j + tail + search])
        fits = []
        for k in range(0, 2 * search, 8):
            there = heard[k : k + len(shape)] - heard[k : k + len(shape)].mean()
            fits.append(shape @ there / (np.linalg.norm(there) + 1e-12))
        shift_s = (int(np.argmax(fits)) * 8 - search) / RATE
        out["error"].append(abs(shift_s) * 1e3)
        again = attack(b, found[0] / speed + shift_s)
        if again is not None:
            out["rise_before"].append(found[1] * 1e3)
            out["rise_after"].append(again[1] * 1e3)
            out["level"].append(10 * np.log10(again[2] / found[2]))
    return out


def alone(strokes_s: np.ndarray) -> np.ndarray:
    """Strokes with none near them; those within 20 ms count as one."""
    kept = [t for k, t in enumerate(strokes_s) if k == 0 or t - strokes_s[k - 1] > 0.02]
    return np.array(
        [
            t
            for k, t in enumerate(kept)
            if (k == 0 or t - kept[k - 1] > 0.1) and (k + 1 == len(kept) or kept[k + 1] - t > 0.06)
        ]
    )


Stretcher = Callable[[np.ndarray, float, np.ndarray], np.ndarray]


def stretchers() -> dict[str, Stretcher]:
    import librosa

    found: dict[str, Stretcher] = {
        "ours, strokes known": lambda x, s, t: (
            stretch_audio(Audio(x, RATE), s, settle_attacks(Audio(x, RATE), t)).samples
        ),
        "ours, attacks found": lambda x, s, t: stretch_audio(Audio(x, RATE), s).samples,
        "Signalsmith Stretch": lambda x, s, t: stretch_audio(Audio(x, RATE), s, ()).samples,
        "librosa phase vocoder": lambda x, s, t: np.stack(
            [librosa.effects.time_stretch(c, rate=s) for c in x.T], axis=1
        ),
    }
    try:
        from audiotsm import wsola
        from audiotsm.io.array import ArrayReader, ArrayWriter

        def by_wsola(x: np.ndarray, speed: float, strokes_s: np.ndarray) -> np.ndarray:
            writer = ArrayWriter(x.shape[1])
            wsola(x.shape[1], speed=speed).run(ArrayReader(x.T.copy()), writer)
            return writer.data.T

        found["WSOLA (audiotsm)"] = by_wsola
    except ImportError:
        print("audiotsm is not installed: WSOLA is left out")
    try:
        from pytsmod import hptsm

        found["HPS overlap-add (pytsmod)"] = lambda x, s, t: np.stack(
            [hptsm(c.astype(float), 1 / s) for c in x.T], axis=1
        )
    except ImportError:
        print("pytsmod is not installed: harmonic-percussive overlap-add is left out")
    return found


def recordings(folder: Path | None):
    """(kind, mono samples, strokes in seconds) of each recording."""
    if folder is None:
        recording, truth = wb.demo_song(), wb.demo_song(what="chart")
        chart = read_chart(truth)
        strokes = np.array(sorted(chart.note_time_s(k, n) for k, n in chart.notes()))
        yield "demo song", load_audio(recording, RATE, mono=True).samples, strokes
        return
    for kind in ("drum", "mix"):
        for path in sorted((folder / kind).glob("*.flac")):
            lines = (folder / "class" / f"{path.stem}.txt").read_text().split("\n")
            strokes = np.array(sorted(float(line.split()[0]) for line in lines if line.strip()))
            yield kind, load_audio(path, RATE, mono=True).samples, strokes


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    print("median error ms | 95 % | over 2 ms | rise ms (before) | level dB | times real time")
    songs = [(kind, x[: int(LONGEST_S * RATE)], t[t < LONGEST_S - 1]) for kind, x, t in recordings(folder)]
    for kind in dict.fromkeys(k for k, _, _ in songs):
        for speed in SPEEDS:
            for name, stretch in stretchers().items():
                all_: dict[str, list] = {}
                spent_s = made_s = 0.0
                for _, x, strokes in (s for s in songs if s[0] == kind):
                    start = time.perf_counter()
                    y = stretch(x, speed, strokes)
                    spent_s += time.perf_counter() - start
                    made_s += len(y) / RATE
                    for key, values in measure(
                        x[:, 0].astype(float), y[:, 0].astype(float), alone(strokes), speed
                    ).items():
                        all_.setdefault(key, []).extend(values)
                error = np.array(all_["error"])
                print(
                    f"{kind:9s} x{speed:<4g} {name:26s} {np.median(error):5.2f} | "
                    f"{np.percentile(error, 95):5.1f} | {np.mean(error > 2):4.0%} | "
                    f"{np.median(all_['rise_after']):5.2f} ({np.median(all_['rise_before']):.2f}) | "
                    f"{np.median(all_['level']):+5.1f} | {made_s / spent_s:4.0f}  (n {len(error)})"
                )


if __name__ == "__main__":
    main()
