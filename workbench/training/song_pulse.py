"""Learn to follow a whole song (:mod:`workbench.listening.song_pulse`), from pictures of songs and drum parts::

    python -m workbench.training.song_pulse build/song0.pt build/pictures.npz --performances build/performances.npz
    python -m workbench.training.export build/song?.pt workbench/listening/weights/song_pulse.onnx --song-pulse
    python -m workbench.training.pulse_weights workbench/listening/weights/song_pulse.json build/kept-out/*

Three minutes of a graphics card a network (``--seed``); more, and it knows the songs by heart.  Needs PyTorch.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import torch
from torch.utils.data import DataLoader, IterableDataset, get_worker_info

from workbench.training.performances import Performance, read_performances
from workbench.training.song_network import SongNetwork
from workbench.training.song_pictures import Example, altered, cut, draw_weights, read_pictures, simulated

#: Examples a batch, and which share of them are drum parts drawn as if heard.
SONG_BATCH, SIMULATED = 64, 0.5
#: Share left out while it learns, decay of weights, rate at most, and after so many steps.
SONG_LEFT_OUT, SONG_DECAY, SONG_RATE, SONG_WARM_UP = 0.25, 0.1, 2e-3, 200
#: How much the weights kept are those of before, at most, and how much a downbeat counts beside a beat.
KEPT_OF_BEFORE, DOWNBEAT_COUNTS = 0.999, 1.5


class Drawn(IterableDataset):
    """Batches without end: pictures, targets, and where they are known."""

    def __init__(self, songs: Sequence[Example], collections: Sequence[Sequence[Performance]], seed: int) -> None:
        self.songs, self.weights, self.seed = songs, draw_weights(songs), seed
        self.parts = [p for parts in collections for p in parts]
        shares = [1.0 / len(collections) / len(parts) for parts in collections for _ in parts]
        self.part_weights = np.array(shares)

    def __iter__(self) -> Iterator[tuple[torch.Tensor, ...]]:
        worker = get_worker_info()
        rng = np.random.default_rng([self.seed, 0 if worker is None else worker.id])
        of_parts = int(SONG_BATCH * SIMULATED) if self.parts else 0
        while True:
            heard = rng.choice(len(self.songs), SONG_BATCH - of_parts, p=self.weights)
            batch = [cut(altered(self.songs[k], rng), rng) for k in heard]
            if of_parts:
                drawn = rng.choice(len(self.parts), of_parts, p=self.part_weights)
                batch += [cut(simulated(self.parts[k], rng), rng) for k in drawn]
            yield tuple(torch.from_numpy(np.stack(part)) for part in zip(*batch, strict=True))


def loss_of(logits: torch.Tensor, target: torch.Tensor, known: torch.Tensor) -> torch.Tensor:
    """Mean cross entropy of a frame where bars are known, beats and downbeats together."""
    each = torch.nn.functional.binary_cross_entropy_with_logits(logits, target, reduction="none") * known[:, None]
    beat, downbeat = each.sum(dim=(0, 2)) / known.sum()
    return beat + DOWNBEAT_COUNTS * downbeat


def learn(drawn: Drawn, minutes: float, workers: int, device: str, most_steps: int | None = None) -> dict:
    """Weights, averaged over the last thousand steps, after so long; AdamW, its rate falling as a cosine."""
    torch.manual_seed(drawn.seed)
    network = SongNetwork(SONG_LEFT_OUT).to(device)
    optimizer = torch.optim.AdamW(network.parameters(), SONG_RATE, weight_decay=SONG_DECAY)
    mean = {k: v.clone() for k, v in network.state_dict().items()}
    began, told = time.monotonic(), 0.0
    for step, batch in enumerate(DataLoader(drawn, batch_size=None, num_workers=workers)):
        done = (time.monotonic() - began) / 60.0 / minutes if most_steps is None else step / most_steps
        if done >= 1.0:
            break
        for group in optimizer.param_groups:
            group["lr"] = SONG_RATE * min(1.0, step / SONG_WARM_UP) * (0.505 + 0.5 * np.cos(np.pi * done))
        picture, target, known = (part.to(device, non_blocking=True) for part in batch)
        with torch.autocast("cuda", torch.bfloat16, enabled=device == "cuda"):
            logits = network(picture)
        loss = loss_of(logits.float(), target, known)
        optimizer.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimizer.step()
        kept = min(KEPT_OF_BEFORE, step / (step + 50.0))
        for name, value in network.state_dict().items():
            mean[name] = kept * mean[name] + (1.0 - kept) * value if value.is_floating_point() else value.clone()
        if done - told > 0.1:
            told = done
            print(f"{step} steps, loss {loss.item():.4f}", flush=True)
    return mean


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path, help="the weights that are written, a .pt file")
    parser.add_argument("pictures", type=Path, help="made by workbench.training.song_pictures")
    parser.add_argument("--performances", nargs="*", type=Path, default=[], help="drum parts, a file a collection")
    parser.add_argument("--minutes", type=float, default=2.5)
    parser.add_argument("--steps", type=int, help="so many steps, however long they take")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=0)
    args = parser.parse_args()
    collections = [read_performances("train", file)[0] for file in args.performances]
    drawn = Drawn(read_pictures(args.pictures), collections, args.seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    weights = learn(drawn, args.minutes, args.workers, device, args.steps)
    torch.save({k: v.cpu() for k, v in weights.items()}, args.out)


if __name__ == "__main__":
    main()
