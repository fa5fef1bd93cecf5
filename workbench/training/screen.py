"""Let an earlier network listen to the backing, and strike passages with drums off its list.  Needs torch."""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path
from types import ModuleType

import numpy as np
import torch

from workbench.detect import find_peaks
from workbench.drumkit import DETECTED
from workbench.features import compute_features, loudness_gain
from workbench.training.backing import Passage, read_backing
from workbench.training.network import SLOW, Network, read_state

#: Strokes a second that may be heard.  Toms are not asked for: timpani and low strings sound like them.
FEW_STROKES_PER_S = 0.6
KIT = tuple(
    DETECTED.index(n)
    for n in ("kick", "snare", "side stick", "closed hi-hat", "open hi-hat", "pedal hi-hat", "ride", "crash")
)
CERTAIN = 0.45


def count_strokes(network: Network, samples: np.ndarray, device: torch.device, xp: ModuleType) -> float:
    """Strokes of the kit a second that the network hears in a passage."""
    features = compute_features(xp.asarray((samples * loudness_gain(samples)).astype(np.float32)), xp=xp)
    features = features[: len(features) // SLOW * SLOW]
    with torch.no_grad():
        heard = torch.sigmoid(network(torch.from_dlpack(features)[None].to(device)))[0].cpu().numpy()
    return sum(len(find_peaks(heard[:, k], CERTAIN)) for k in KIT) / max(1.0, len(features) / 100)


def main() -> None:
    """Command line: joins one or more backings into one without drums."""
    parser = argparse.ArgumentParser(
        description=__doc__.split("\n", 1)[0],
        epilog=(
            "Example: python -m workbench.training.screen build/run1/average.pt "
            "build/screened build/backing build/backing2"
        ),
    )
    parser.add_argument("weights", type=Path)
    parser.add_argument("out", type=Path, help="folder to write (samples as .npy)")
    parser.add_argument("backings", type=Path, nargs="+")
    args = parser.parse_args()
    device, xp = torch.device("cpu"), np
    if torch.cuda.is_available():
        import cupy

        device, xp = torch.device("cuda"), cupy
    network = Network().to(device).eval()
    network.load_state_dict(read_state(args.weights))
    listed: list[Passage] = []
    parts: list[np.ndarray] = []
    at = dropped = 0
    with ThreadPoolExecutor() as pool:
        backings = list(pool.map(read_backing, args.backings))
    for passages, samples in backings:
        for passage in passages:
            x = samples[passage.start : passage.start + passage.length]
            if passage.package != "espeak-ng" and count_strokes(network, x, device, xp) >= FEW_STROKES_PER_S:
                dropped += 1
                continue
            passage.start = at
            at += len(x)
            parts.append(x.astype(np.float16))
            listed.append(passage)
    args.out.mkdir(parents=True, exist_ok=True)
    np.save(args.out / "backing.npy", np.concatenate(parts))
    (args.out / "backing.json").write_text(json.dumps([asdict(p) for p in listed]))
    print(f"kept {len(listed)} passages, {at / 44100 / 60:.0f} minutes; dropped {dropped}")


if __name__ == "__main__":
    main()
