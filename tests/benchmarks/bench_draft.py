"""Speed and memory of drafting, against librosa's pipeline on the same samples.

Baseline, in the same run: ``librosa.effects.percussive`` + ``onset.onset_detect``
+ ``beat.beat_track`` at the recording's own rate.  Each side runs in a process
of its own, which tells its peak memory; the baseline's import is not counted,
the draft's is.

    python -m tests.benchmarks.bench_draft                 240 s, both detectors
    python -m tests.benchmarks.bench_draft --hours 2       a long recording (minutes)
    python -m tests.benchmarks.bench_draft --recording mix.flac
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from tests.benchmarks.spectral import DETECTORS

DEMO = Path(__file__).parents[2] / "data" / "demo" / "copper-weather.ogg"

#: What must hold for 240 s: time as a share of the baseline's, peak memory in MiB.
MOST_TIME, MOST_MEMORY_MIB, MOST_MEMORY_LONG_MIB = 0.33, 1536, 3072

BASELINE = """
import sys, time, json, resource, numpy as np, soundfile, librosa
samples, rate = soundfile.read(sys.argv[1], dtype="float32", always_2d=True)
mono = np.ascontiguousarray(samples.mean(axis=1))
start = time.perf_counter()
drums = librosa.effects.percussive(mono)
librosa.onset.onset_detect(y=drums, sr=rate)
librosa.beat.beat_track(y=drums, sr=rate)
"""
DRAFT = """
import sys, time, json, resource
start = time.perf_counter()
from workbench.listening.draft import draft_chart
if sys.argv[2] == "spectral":
    from tests.benchmarks.spectral import listen_with
    listen_with("spectral")
draft_chart(sys.argv[1])
"""
TELL = """
print(json.dumps({"seconds": time.perf_counter() - start,
                  "memory_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""


def measure(program: str, *args: str) -> dict:
    """Seconds and peak memory of a program in a process of its own."""
    done = subprocess.run([sys.executable, "-c", program + TELL, *args], check=True, capture_output=True, text=True)
    return json.loads(done.stdout.strip().splitlines()[-1])


def write_recording(source: Path, seconds: float, path: Path) -> None:
    """A recording of a given length: the source over and over."""
    samples, rate = soundfile.read(source, dtype="float32", always_2d=True)
    left = int(seconds * rate)
    with soundfile.SoundFile(path, "w", rate, samples.shape[1], "PCM_16") as file:
        while left > 0:
            for start in range(0, min(left, len(samples)), 2**20):
                file.write(np.clip(samples[start : min(start + 2**20, left)], -1, 1))
            left -= len(samples)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--recording", type=Path, default=DEMO)
    parser.add_argument("--seconds", type=float, default=240.0)
    parser.add_argument("--hours", type=float, help="draft a recording of this length instead, no baseline")
    parser.add_argument("--detector", choices=DETECTORS, action="append")
    args = parser.parse_args()
    seconds = args.hours * 3600 if args.hours else args.seconds
    good = True
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "recording.wav"
        write_recording(args.recording, seconds, path)
        base = None
        if not args.hours:
            base = measure(BASELINE, str(path))
            print(
                f"librosa percussive + onset_detect + beat_track, {seconds:.0f} s: "
                f"{base['seconds']:.1f} s, {base['memory_mib']:.0f} MiB"
            )
        for detector in args.detector or DETECTORS:
            own = measure(DRAFT, str(path), detector)
            line = (
                f"draft ({detector}), {seconds:.0f} s: {own['seconds']:.1f} s "
                f"({own['seconds'] / seconds * 60:.2f} s a minute), {own['memory_mib']:.0f} MiB"
            )
            most = MOST_MEMORY_LONG_MIB if args.hours else MOST_MEMORY_MIB
            good &= own["memory_mib"] <= most
            if base:
                ratio = own["seconds"] / base["seconds"]
                line += f"; ratio {ratio:.2f} (at most {MOST_TIME})"
                good &= ratio <= MOST_TIME
            print(line + f"; memory at most {most} MiB")
    print("within limits" if good else "BEYOND LIMITS")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
