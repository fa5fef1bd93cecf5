"""Backing: passages without drums from openly licensed recorded music, and sung syllables.

A passage is kept where few broadband attacks are heard; later runs let an
earlier network drop what has drums all the same (:mod:`workbench.training.screen`).
The result is one Ogg Vorbis file and one JSON list.
"""

from __future__ import annotations

import argparse
import json
import random
import subprocess
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass
from itertools import chain
from math import gcd
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import resample_poly

from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.training import sources

PASSAGE_S = 16.0
SMALLEST_FILE = 600_000

#: Root mean square of each passage.
BACKING_LEVEL = 0.12

#: Attacks a second that a passage may have in the lowest and in the highest band.
FEW_ATTACKS_PER_S = (1.2, 0.6)

_CONSONANTS = "b d f g h k l m n p r s sh t v w y z ch j".split()
_VOWELS = "ah ay ee eye oh oo ow ooh aah".split()


@dataclass
class BackingPassage:
    """One entry of the backing's list; ``start`` and ``length`` in samples."""

    package: str
    title: str
    start: int = 0
    length: int = 0


def count_attacks(samples: np.ndarray, sample_rate: int = SAMPLE_RATE_HZ) -> tuple[float, float]:
    """Sudden rises a second below 120 Hz and above 6 kHz.

    A rise is 12 dB (low) or 9 dB (high) within 30 ms after at least as loud
    a moment as the passage's median less 10 dB (own choice).
    """
    hop, window = sample_rate // 100, 1024
    n = max(1, (len(samples) - window) // hop)
    frames = np.lib.stride_tricks.sliding_window_view(samples, window)[::hop][:n] * np.hanning(window)
    power = np.abs(np.fft.rfft(frames)) ** 2
    hz = np.fft.rfftfreq(window, 1 / sample_rate)
    counts = []
    for band, rise_db in ((hz < 120, 12.0), ((hz > 6000) & (hz < 15000), 9.0)):
        level = 10 * np.log10(power[:, band].sum(axis=1) + 1e-7)
        rise = level[3:] - level[:-3]
        hit = (rise > rise_db) & (level[3:] > np.percentile(level, 95) - 18)
        counts.append(np.sum(hit[1:] & ~hit[:-1]) / (n / 100))
    return counts[0], counts[1]


def without_drums(samples: np.ndarray) -> bool:
    """Whether a passage has few attacks in the bands of kick and cymbals."""
    return all(count < few for count, few in zip(count_attacks(samples), FEW_ATTACKS_PER_S, strict=True))


def passages(
    root: Path, per_file: int, keep: Callable[[np.ndarray], bool], seed: int
) -> Iterator[tuple[BackingPassage, np.ndarray]]:
    """Up to *per_file* passages of each piece under *root* (one folder a package)."""
    rng = random.Random(seed)
    wanted = {p.name for p in sources.PACKAGES if "backing" in p.use}
    files = sorted(
        p
        for p in root.rglob("*")
        if p.suffix in (".ogg", ".mp3", ".opus", ".flac")
        and p.relative_to(root).parts[0] in wanted
        and p.stat().st_size > SMALLEST_FILE
    )
    for path in files:
        package = path.relative_to(root).parts[0]
        if package == "fretsonfire-songs-sectoid" and path.stem != "guitar":
            continue
        try:
            with soundfile.SoundFile(path) as file:
                length = int(PASSAGE_S * file.samplerate)
                count = min(per_file * 2, max(1, file.frames // length))
                spots = rng.sample(range(max(1, file.frames // length)), count)
                kept = 0
                for spot in spots:
                    file.seek(spot * length)
                    x = file.read(length, dtype="float32", always_2d=True)
                    x = x.mean(axis=1) if rng.random() < 0.7 or x.shape[1] == 1 else x[:, rng.randrange(2)]
                    g = gcd(file.samplerate, SAMPLE_RATE_HZ)
                    if file.samplerate != SAMPLE_RATE_HZ:
                        x = resample_poly(x, SAMPLE_RATE_HZ // g, file.samplerate // g).astype(np.float32)
                    level = float(np.sqrt(np.mean(x**2))) if len(x) else 0.0
                    if len(x) < 8 * SAMPLE_RATE_HZ or level < 0.003 or not keep(x):
                        continue
                    yield BackingPassage(package, path.stem), x * np.float32(BACKING_LEVEL / level)
                    kept += 1
                    if kept == per_file:
                        break
        except soundfile.LibsndfileError as error:
            print(f"left out: {error}", flush=True)


def sung_phrases(count: int, seed: int) -> Iterator[tuple[BackingPassage, np.ndarray]]:
    """Nonsense syllables from espeak-ng in many voices, slow and pitched, like a singer's consonants."""
    rng = random.Random(seed)
    voices = ("en", "en-us", "de", "fr", "es", "it", "pt-br", "sv", "pl", "el")
    variants = ("", "+f1", "+f2", "+f3", "+f4", "+f5", "+m1", "+m2", "+m3", "+m4", "+m5", "+m6", "+m7")
    for k in range(count):
        words = " ".join(
            "".join(rng.choice(_CONSONANTS) + rng.choice(_VOWELS) for _ in range(rng.randint(1, 3)))
            for _ in range(rng.randint(5, 10))
        )
        with tempfile.TemporaryDirectory() as folder:
            wav = Path(folder) / "voice.wav"
            subprocess.run(
                [
                    "espeak-ng",
                    "-v",
                    rng.choice(voices) + rng.choice(variants),
                    "-p",
                    str(rng.randint(20, 99)),
                    "-s",
                    str(rng.randint(80, 190)),
                    "-w",
                    str(wav),
                    words,
                ],
                check=True,
                capture_output=True,
            )
            x, rate = soundfile.read(wav, dtype="float32")
        g = gcd(rate, SAMPLE_RATE_HZ)
        x = resample_poly(x, SAMPLE_RATE_HZ // g, rate // g).astype(np.float32)
        level = float(np.sqrt(np.mean(x**2)))
        if level > 1e-4:
            yield BackingPassage("espeak-ng", f"voice {k}"), x * np.float32(BACKING_LEVEL / level)


def read_backing(folder: Path) -> tuple[list[BackingPassage], np.ndarray]:
    """The backing's list and its samples, float32."""
    found = [BackingPassage(**d) for d in json.loads((folder / "backing.json").read_text())]
    return found, soundfile.read(folder / "backing.ogg", dtype="float32")[0]


def write_backing(found: Iterable[tuple[BackingPassage, np.ndarray]], folder: Path) -> None:
    """Write passages one after the other: ``backing.ogg`` and ``backing.json``."""
    folder.mkdir(parents=True, exist_ok=True)
    listed: list[BackingPassage] = []
    at = 0
    with soundfile.SoundFile(
        folder / "backing.ogg", "w", SAMPLE_RATE_HZ, 1, format="OGG", subtype="VORBIS", compression_level=0.82
    ) as out:
        for passage, x in found:
            passage.start, passage.length = at, len(x)
            at += len(x)
            for k in range(0, len(x), SAMPLE_RATE_HZ):
                out.write(np.clip(x[k : k + SAMPLE_RATE_HZ], -1, 1))
            listed.append(passage)
            if len(listed) % 50 == 0:
                print(f"{len(listed)} passages, {at / SAMPLE_RATE_HZ / 60:.1f} minutes", flush=True)
    (folder / "backing.json").write_text(json.dumps([asdict(p) for p in listed]))
    print(f"{len(listed)} passages, {at / SAMPLE_RATE_HZ / 60:.1f} minutes")


def main() -> None:
    """Command line: unpacked packages in, backing out."""
    parser = argparse.ArgumentParser(
        description=__doc__.split("\n", 1)[0],
        epilog="Example: python -m workbench.training.backing build/packages build/backing",
    )
    parser.add_argument("packages", type=Path, help="folder with one unpacked Debian package a folder (dpkg -x)")
    parser.add_argument("backing", type=Path, help="folder to write")
    parser.add_argument("--per-file", type=int, default=2, help="passages from each piece")
    parser.add_argument("--voices", type=int, default=150, help="sung phrases")
    parser.add_argument(
        "--keep-all",
        action="store_true",
        help="drop nothing here; workbench.training.screen will, with an earlier network",
    )
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    keep = (lambda samples: True) if args.keep_all else without_drums
    found = chain(passages(args.packages, args.per_file, keep, args.seed), sung_phrases(args.voices, args.seed))
    write_backing(found, args.backing)


if __name__ == "__main__":
    main()
