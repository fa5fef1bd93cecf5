"""Listen to kept-out kits, performances and backing (or those trained on), and keep what networks say.

The result, one ``.npz`` for each network, holds activations, as the product hears them, the clips' levels, their true
strokes and beats, and what the attacks of toms add at low pitches, from which they are named;
:mod:`workbench.training.calibrate` reads thresholds, timing and confidence from it.  Needs torch.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

import numpy as np
import torch

from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.detect import CLOSED_HAT, find_peaks, nothing_rises, refine_times
from workbench.listening.features import FRAME_RATE_HZ, compute_features
from workbench.listening.naming import low_levels
from workbench.listening.timbre import keep_levels
from workbench.training import mixing
from workbench.training.library import read_library
from workbench.training.network import SLOW, Network, read_state
from workbench.training.performances import TOMS, read_performances
from workbench.training.planning import SETTINGS, Material, Plan, plan_clear_clip, plan_clip

#: Peaks of toms from this height on are measured.
LOWEST_TOM = 0.3
#: Levels are kept as bytes, in steps of so much (natural logarithm) from the softest on.
LEVEL_STEP, SOFTEST_LEVEL = 0.055, -7.0


def to_bytes(levels: np.ndarray) -> np.ndarray:
    """Levels in one byte each."""
    return np.clip(np.round((levels.astype(np.float32) - SOFTEST_LEVEL) / LEVEL_STEP), 0, 255).astype(np.uint8)


def from_bytes(kept: np.ndarray) -> np.ndarray:
    """Levels (frames, 2, bands) of what :func:`to_bytes` made of them, to half a step."""
    return (kept * np.float32(LEVEL_STEP) + np.float32(SOFTEST_LEVEL)).astype(np.float16)


def tom_levels(onset: np.ndarray, samples: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """When toms may be struck (n,), seconds, and what each attack adds at low pitches (n, bands)."""
    peaks = [refine_times(onset[:, k], find_peaks(onset[:, k], LOWEST_TOM)) for k in TOMS]
    time_s = np.unique(np.concatenate(peaks))
    return time_s, low_levels(samples, time_s).astype(np.float16)


def listen(
    weights: list[Path],
    material: Material,
    clips: int,
    clip_s: float,
    seed: int,
    xp: object,
    device: torch.device,
    plan: Callable[[np.random.Generator, Material, float], Plan] = plan_clip,
) -> list[dict[str, np.ndarray]]:
    """Activations (uint8, 255 = certain) of *clips* clips by each network, every second one without backing."""
    networks = [Network().to(device).eval() for _ in weights]
    for network, file in zip(networks, weights, strict=True):
        network.load_state_dict(read_state(file))
    frames = round(clip_s * FRAME_RATE_HZ) // SLOW * SLOW
    audio = xp.asarray(material.library.samples)  # type: ignore[attr-defined]
    heard: list[list[np.ndarray]] = [[] for _ in weights]
    toms: list[list[tuple[np.ndarray, np.ndarray]]] = [[] for _ in weights]
    strokes, beats, settings, levels = [], [], [], []
    rng = np.random.default_rng(seed)
    for first in range(0, clips, 8):
        plans = [plan(rng, material, clip_s) for _ in range(min(8, clips - first))]
        for k, one in enumerate(plans):
            if k % 2 == 0 and one.settings[SETTINGS.index("has_drums")]:
                one.settings[SETTINGS.index("has_backing")] = 0.0
        sound = mixing.render(plans, audio, round(clip_s * SAMPLE_RATE_HZ), seed + first, xp)  # type: ignore[arg-type]
        sound = sound / xp.sqrt((sound**2).mean(axis=1, keepdims=True) + 1e-8)  # type: ignore[attr-defined]
        features = torch.from_dlpack(compute_features(sound, 0, frames, xp)).to(device)  # type: ignore[arg-type]
        seen = features.cpu().numpy()
        still = np.stack([nothing_rises(one) for one in seen])
        levels += [to_bytes(keep_levels(one)) for one in seen]
        samples = torch.from_dlpack(sound).cpu().numpy()
        for said, attacks, network in zip(heard, toms, networks, strict=True):
            with torch.no_grad():
                likely = torch.sigmoid(network(features)).cpu().numpy()
            likely[..., CLOSED_HAT][still] = 0
            said.append(np.round(likely * 255).astype(np.uint8))
            for k, one in enumerate(likely, first):
                time_s, level = tom_levels(one, samples[k - first])
                attacks.append((np.column_stack([np.full(len(time_s), k), time_s]), level))
        for k, one in enumerate(plans, first):
            strokes.append(np.column_stack([np.full(len(one.strokes), k), one.strokes]))
            beats.append(np.column_stack([np.full(len(one.beats), k), one.beats]))
            settings.append(one.settings)
    truth = {"strokes": np.concatenate(strokes), "beats": np.concatenate(beats), "settings": np.stack(settings)}
    truth["levels"] = np.stack(levels)
    return [
        {"heard": np.concatenate(said), "tom_at": np.concatenate(at), "tom_level": np.concatenate(level), **truth}
        for said, (at, level) in zip(heard, (zip(*attacks, strict=True) for attacks in toms), strict=True)
    ]


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__.split("\n", 1)[0],
        epilog=(
            "Example: python -m workbench.training.validate --weights build/run1/average.pt "
            "--bank build/bank "
            "--backing build/backing --performances build/performances.npz --out build/validation.npz"
        ),
    )
    parser.add_argument("--weights", type=Path, nargs="+", required=True)
    parser.add_argument("--bank", type=Path, required=True)
    parser.add_argument("--backing", type=Path, nargs="+", required=True)
    parser.add_argument("--performances", type=Path, required=True)
    parser.add_argument("--out", type=Path, nargs="+", required=True, help="a file for each of the weights")
    parser.add_argument("--split", choices=("train", "validation"), default="validation")
    parser.add_argument("--clips", type=int, default=320)
    parser.add_argument("--clip-s", type=float, default=24.0)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--clear", action="store_true", help="clips that are heard more or less easily")
    args = parser.parse_args()
    xp: object = np
    if torch.cuda.is_available():
        import cupy

        xp = cupy
    grooves, fills = read_performances(args.split, args.performances)
    material = Material(read_library(args.bank, args.backing, held_out=args.split == "validation"), grooves, fills)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    plan = plan_clear_clip if args.clear else plan_clip
    said = listen(args.weights, material, args.clips, args.clip_s, args.seed, xp, device, plan)
    for file, heard in zip(args.out, said, strict=True):
        np.savez_compressed(file, **heard)
        print(f"{args.clips} clips written to {file}")


if __name__ == "__main__":
    main()
