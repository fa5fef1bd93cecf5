"""Let the packaged detector listen to the backing, and strike passages with drums off its list."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from workbench.chart.drumkit import DETECTED
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.detect import compute_activations, find_peaks
from workbench.training.backing import BackingPassage, read_backing, write_backing

#: Strokes a second that may be heard.  Toms are not asked for: timpani and low strings sound like them.
FEW_STROKES_PER_S = 0.6
SCREENED_KIT = ("kick", "snare", "side stick", "closed hi-hat", "open hi-hat", "pedal hi-hat", "ride", "crash")
STROKE_FROM = 0.45


def count_strokes(samples: np.ndarray) -> float:
    """Strokes of the kit a second that the detector hears in a passage (n,) at 44.1 kHz."""
    onset = compute_activations(samples).onset
    strokes = sum(len(find_peaks(onset[:, DETECTED.index(name)], STROKE_FROM)) for name in SCREENED_KIT)
    return strokes / max(1.0, len(samples) / SAMPLE_RATE_HZ)


def without_drums(folders: list[Path]) -> Iterator[tuple[BackingPassage, np.ndarray]]:
    """Sung phrases, and the passages in which (almost) no drums are heard."""
    for folder in folders:
        passages, samples = read_backing(folder)
        for passage in passages:
            x = samples[passage.start : passage.start + passage.length]
            if passage.package == "espeak-ng" or count_strokes(x) < FEW_STROKES_PER_S:
                yield passage, x


def main() -> None:
    """Command line: joins one or more backings into one without drums."""
    parser = argparse.ArgumentParser(
        description=__doc__.split("\n", 1)[0],
        epilog="Example: python -m workbench.training.screen build/screened build/backing",
    )
    parser.add_argument("out", type=Path, help="folder to write")
    parser.add_argument("backings", type=Path, nargs="+")
    args = parser.parse_args()
    write_backing(without_drums(args.backings), args.out)


if __name__ == "__main__":
    main()
