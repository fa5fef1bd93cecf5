"""Compare mixes and features of the GPU with those of the CPU, and time them.  Needs cupy."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.features import compute_features
from workbench.training import mixing
from workbench.training.library import read_library
from workbench.training.performances import read_performances
from workbench.training.planning import ROWS, Material, plan_clip


def main() -> None:
    """Command line: largest difference in events and features, milliseconds a clip."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--bank", type=Path, required=True)
    parser.add_argument("--backing", type=Path, nargs="+", required=True)
    parser.add_argument("--performances", type=Path, required=True)
    args = parser.parse_args()
    import cupy

    library = read_library(args.bank, args.backing)
    material = Material(library, *read_performances("train", args.performances))
    plans = [plan_clip(np.random.default_rng(k), material, 12.0) for k in range(64)]
    audio, samples = cupy.asarray(library.samples), 12 * SAMPLE_RATE_HZ
    one = plans[0]
    here = mixing.add_events(library.samples, one.ints, one.floats, ROWS, samples)
    there = mixing.add_events(audio, cupy.asarray(one.ints), cupy.asarray(one.floats), ROWS, samples, cupy).get()
    sound = mixing.render(plans, audio, samples, 1, cupy)
    features = compute_features(sound, 0, 1200, cupy)
    apart = np.abs(features[0].get() - compute_features(sound[0].get(), 0, 1200)).max()
    cupy.cuda.Device().synchronize()
    began = time.time()
    for _ in range(3):
        compute_features(mixing.render(plans, audio, samples, 1, cupy), 0, 1200, cupy)
    cupy.cuda.Device().synchronize()
    print(
        f"events differ by {np.abs(here - there).max():.2e} of {np.abs(here).max():.2f}, "
        f"features by {apart:.2e}; "
        f"{(time.time() - began) / 3 / 64 * 1e3:.2f} ms a clip; "
        f"all finite: {bool(cupy.isfinite(features).all())}"
    )


if __name__ == "__main__":
    main()
