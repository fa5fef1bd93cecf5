"""Drums and rest apart, measured on recordings whose drums are known.

``python -m tests.benchmarks.bench_stems DATA [NAME …]``: DATA holds drum/NAME.flac,
mix/NAME.flac and class/NAME.txt, sample by sample the same song.

SDR is the energy of the true stem over that of the error, dB (no allowance for gain or filter); beside it
mir_eval.separation's SDR (E. Vincent, R. Gribonval, C. Févotte, *Performance measurement in blind audio source
separation*, IEEE TASLP 2006), which allows a 512-tap filter.  Levels "got" are least squares: mixed = a * drums + b *
rest, a / b in dB.  Attacks are measured as in bench_stretch, on the drums alone.
"""

from __future__ import annotations

import argparse
import resource
import time
import warnings
from pathlib import Path

import numpy as np
from scipy import signal

from tests.benchmarks.bench_stretch import alone, measure
from workbench.files.audio import Audio, load_audio
from workbench.sound.separation import separate, separate_blocks

RATE = 44100
ASKED_DB = (-15.0, 8.0)
LONG_S = 240


def sdr(true: np.ndarray, found: np.ndarray) -> float:
    return 10 * np.log10(np.sum(true**2) / (np.sum((found - true) ** 2) + 1e-12))


def weights_of(x: np.ndarray, drums: np.ndarray, rest: np.ndarray) -> np.ndarray:
    """Shares of drums and rest in a sound, by least squares."""
    return np.abs(np.linalg.lstsq(np.stack([drums, rest], axis=1), x, rcond=None)[0])


def got_db(x: np.ndarray, drums: np.ndarray, rest: np.ndarray) -> float:
    a, b = weights_of(x, drums, rest)
    return 20 * np.log10(a / b)


def rest_at_strokes(rest: np.ndarray, found: np.ndarray, strokes_s: np.ndarray) -> float:
    """Median change of the rest's level in the 50 ms after strokes, dB."""
    changes = []
    for t in strokes_s:
        here = slice(round(t * RATE), round((t + 0.05) * RATE))
        if np.mean(rest[here] ** 2) > 1e-6:
            changes.append(10 * np.log10(np.mean(found[here] ** 2) / np.mean(rest[here] ** 2) + 1e-12))
    return float(np.median(changes))


def measure_song(folder: Path, name: str) -> dict[str, float]:
    mix, drums = (load_audio(folder / kind / f"{name}.flac", RATE, mono=True).samples[:, 0] for kind in ("mix", "drum"))
    n = min(len(mix), len(drums))
    mix, drums = mix[:n], drums[:n]
    # The drums in the mix may be scaled.
    drums = drums * np.float32(np.sum(mix * drums) / np.sum(drums**2))
    rest = mix - drums
    lines = (folder / "class" / f"{name}.txt").read_text().split("\n")
    strokes_s = np.array(sorted(float(line.split()[0]) for line in lines if line.strip()))
    began = time.perf_counter()
    found = separate(Audio(mix, RATE))
    row = {"s": time.perf_counter() - began}
    d, r = found.drums.samples[:, 0], found.rest.samples[:, 0]
    row |= {"drums": sdr(drums, d), "rest": sdr(rest, r), "before": 10 * np.log10(np.sum(drums**2) / np.sum(rest**2))}
    import mir_eval

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        figures = mir_eval.separation.bss_eval_sources(np.stack([drums, rest]), np.stack([d, r]), False)
    row |= {"mir_eval drums": figures[0][0], "mir_eval rest": figures[0][1]}
    row["left"] = got_db(r, drums, rest)
    high = signal.butter(8, 5000, "highpass", fs=RATE, output="sos")
    high_drums, high_rest = (signal.sosfiltfilt(high, x) for x in (drums, rest))
    for asked in ASKED_DB:
        mixed = found.mixed(asked).samples[:, 0]
        row[f"{asked:+g}"] = got_db(mixed, drums, rest)
        row[f"{asked:+g} high"] = got_db(signal.sosfiltfilt(high, mixed), high_drums, high_rest)
    row["rest at strokes"] = rest_at_strokes(rest, r, strokes_s)
    attacks = measure(drums.astype(float), d.astype(float), alone(strokes_s), 1.0)
    row["onset ms"] = float(np.median(attacks["error"]))
    row["rise"] = float(np.median(attacks["rise_after"]) / np.median(attacks["rise_before"]))
    return row


def measure_cost(folder: Path, name: str) -> None:
    """Time and memory for four minutes of stereo, in blocks."""
    mix = load_audio(folder / "mix" / f"{name}.flac", RATE, mono=True).samples
    mix = np.repeat(mix, 2, axis=1)
    blocks = (np.roll(mix, k, axis=0) for k in range(-(-LONG_S * RATE // len(mix))))
    began, frames = time.perf_counter(), 0
    cpu = time.process_time()
    for drums, _ in separate_blocks(blocks, RATE):
        frames += len(drums)
    spent, length = time.perf_counter() - began, frames / RATE
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"stereo, {length:.0f} s: {spent:.0f} s, {spent / length:.2f} of real time "
        f"({(time.process_time() - cpu) / length:.2f} s of processor a second), at most {peak:.0f} MiB"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("data", type=Path)
    parser.add_argument("names", nargs="*", help="recordings (default: all)")
    parser.add_argument("--no-cost", action="store_true", help="leave time and memory out")
    args = parser.parse_args()
    names = args.names or sorted(p.stem for p in (args.data / "mix").glob("*.flac"))
    rows = []
    for name in names:
        rows.append(measure_song(args.data, name))
        print(name, "  ".join(f"{k} {v:.2f}" for k, v in rows[-1].items()), flush=True)
    print("median", "  ".join(f"{k} {np.median([row[k] for row in rows]):.2f}" for k in rows[0]))
    if not args.no_cost:
        measure_cost(args.data, names[0])


if __name__ == "__main__":
    main()
