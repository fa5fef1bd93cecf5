"""Train the detector on mixes without end.

Worker processes plan clips; each GPU renders its own batch, computes features
with the product's own code and takes a step.  Needs torch and, on a GPU, cupy.
"""

from __future__ import annotations

import argparse
import copy
import json
import os
import time
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from queue import Queue
from threading import Thread
from typing import Any

import numpy as np
import torch
import torch.distributed as dist
from torch import nn
from torch.utils.data import DataLoader, IterableDataset

from workbench.chart.drumkit import DETECTED
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.features import FRAME_RATE_HZ, compute_features
from workbench.training import mixing
from workbench.training.composed_songs import add_waves
from workbench.training.library import Library, read_library
from workbench.training.network import Network, read_state
from workbench.training.performances import read_performances
from workbench.training.planning import ROW_OF, ROWS, Material, plan_clip
from workbench.training.widening import widen

N = len(DETECTED)


class Clips(IterableDataset):  # type: ignore[misc]
    """Endless batches of plans; every worker draws from its own seed."""

    def __init__(self, material: Material, clip_s: float, batch: int, seed: int, backed: bool = False) -> None:
        super().__init__()
        self.material, self.clip_s, self.batch, self.seed, self.backed = material, clip_s, batch, seed, backed

    def __iter__(self) -> Iterator[dict[str, np.ndarray]]:
        info = torch.utils.data.get_worker_info()
        rng = np.random.default_rng((self.seed, info.id if info else 0))
        while True:
            plans = [plan_clip(rng, self.material, self.clip_s, self.backed) for _ in range(self.batch)]
            ints = np.concatenate([p.ints for p in plans])
            ints[:, 0] += ROWS * np.repeat(np.arange(self.batch, dtype=np.int32), [len(p.ints) for p in plans])
            joined = {"ints": ints, "floats": np.concatenate([p.floats for p in plans])}
            for name in ("eq_db", "wet", "settings", "onset", "velocity", "beat", "downbeat"):
                joined[name] = np.stack([getattr(p, name) for p in plans])
            yield joined


def loss_of(
    logits: torch.Tensor, batch: dict[str, torch.Tensor], taught: torch.Tensor | None = None
) -> tuple[torch.Tensor, dict[str, torch.Tensor]]:
    """Onsets (weight 3 on strokes), velocity at strokes, beats and downbeats where a pulse is heard.

    With the logits of another network, *taught*, its beats and downbeats are learnt instead of the true ones.
    """
    bce = nn.functional.binary_cross_entropy_with_logits
    onset, velocity = batch["onset"].float(), batch["velocity"].float()
    hits = bce(logits[..., :N], onset, weight=1 + 2 * onset)
    struck = (velocity > 0).float()
    loud = ((torch.sigmoid(logits[..., N : 2 * N]) - velocity) ** 2 * struck).sum() / (struck.sum() + 1)
    beat, downbeat = batch["beat"].float(), batch["downbeat"].float()
    if taught is not None:
        beat, downbeat = torch.sigmoid(taught[..., 2 * N :]).unbind(-1)
    known = (beat >= 0).float()
    pulse = bce(logits[..., 2 * N], beat.clamp(min=0), weight=known * (1 + 2 * beat.clamp(min=0))) + bce(
        logits[..., 2 * N + 1], downbeat.clamp(min=0), weight=known * (1 + 5 * downbeat.clamp(min=0))
    )
    parts = {"hits": hits.detach(), "loud": loud.detach(), "pulse": pulse.detach()}
    return hits * N + 2.0 * loud + pulse, parts


class Renderer:
    """Renders batches and computes their features one step ahead, on a GPU stream of its own."""

    def __init__(
        self, plans: Iterator[dict[str, np.ndarray]], library: Library, clip_s: float, seed: int, device: torch.device
    ) -> None:
        self.plans, self.clip_s, self.seed, self.device = plans, clip_s, seed, device
        self.xp: Any = np
        self.stream = None
        if device.type == "cuda":
            import cupy

            self.xp = cupy
            cupy.cuda.Device(device.index).use()
            self.stream = torch.cuda.Stream(device)
        self.rng = np.random.default_rng((seed, 1))
        self.audio = self.xp.asarray(library.samples)
        self.ready: Queue[dict[str, torch.Tensor] | Exception] = Queue(2)
        Thread(target=self._run, daemon=True).start()

    def _render(self, batch: dict[str, np.ndarray], seed: int) -> dict[str, torch.Tensor]:
        frames = round(self.clip_s * FRAME_RATE_HZ)
        ints, floats = (np.asarray(batch[k]) for k in ("ints", "floats"))
        events = mixing.lower_kicks(self.rng, ints, floats, len(batch["settings"]))
        sound, audible = mixing.render_arrays(
            *events,
            batch["eq_db"],
            batch["wet"],
            batch["settings"],
            self.audio,
            round(self.clip_s * SAMPLE_RATE_HZ),
            seed,
            self.xp,
            audible_frames=frames,
        )
        features = compute_features(sound, 0, frames, self.xp)
        targets = {k: torch.as_tensor(batch[k]).to(self.device) for k in ("onset", "velocity", "beat", "downbeat")}
        # What nobody could hear is not asked for, or the network learns to fill in what a pattern leads one to expect.
        heard = torch.from_dlpack(audible[:, self.xp.asarray(ROW_OF[:N])].astype(np.uint8)).to(self.device)
        targets |= {k: targets[k] * heard.transpose(1, 2) for k in ("onset", "velocity")}
        return {"features": torch.from_dlpack(features).clone(), **targets}

    def _run(self) -> None:
        rng = np.random.default_rng(self.seed)
        try:
            if self.stream is None:
                while True:
                    self.ready.put(self._render(next(self.plans), int(rng.integers(2**31))))
            self.xp.cuda.Device(self.device.index).use()
            torch.cuda.set_device(self.device)
            with torch.cuda.stream(self.stream), self.xp.cuda.ExternalStream(self.stream.cuda_stream):
                while True:
                    done = self._render(next(self.plans), int(rng.integers(2**31)))
                    self.stream.synchronize()
                    self.ready.put(done)
        except Exception as error:
            self.ready.put(error)

    def take(self) -> dict[str, torch.Tensor]:
        """The next batch, with ``features``."""
        batch = self.ready.get()
        if isinstance(batch, Exception):
            raise batch
        if self.stream is not None:
            for tensor in batch.values():
                tensor.record_stream(torch.cuda.current_stream(self.device))
        return batch


def keep_average(average: dict[str, torch.Tensor], folder: Path) -> None:
    """Write ``average.pt`` in one move: whoever copies it meanwhile gets a whole file."""
    torch.save(average, folder / "average.new")
    os.replace(folder / "average.new", folder / "average.pt")


def mask_bands(features: torch.Tensor, rng: np.random.Generator) -> torch.Tensor:
    """Blank a few bands of some clips, so that no answer hangs on one of them."""
    for k in range(len(features)):
        if rng.random() < 0.3:
            width, first = int(rng.integers(2, 12)), int(rng.integers(0, 70))
            features[k, :, :, first : first + width] = features[k, :, :, first : first + width].mean()
    return features


def main() -> None:
    """Command line; run under ``torchrun`` for several GPUs."""
    parser = argparse.ArgumentParser(
        description=__doc__.split("\n", 1)[0],
        epilog=(
            "Example: torchrun --nproc-per-node 2 -m workbench.training.train --bank build/bank "
            "--backing build/backing "
            "--performances build/performances.npz --minutes 9 --out build/run1"
        ),
    )
    parser.add_argument("--bank", type=Path, required=True)
    parser.add_argument("--backing", type=Path, nargs="+", required=True)
    parser.add_argument(
        "--performances", type=Path, nargs="+", required=True, help="files written by performances or midi_songs"
    )
    parser.add_argument("--modules", type=Path, nargs="+", default=(), help="folders of module_clips or midi_songs")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--steps", type=int, default=10**9, help="stop after so many steps at the latest")
    parser.add_argument("--clip-s", type=float, default=12.0)
    parser.add_argument("--batch", type=int, default=64, help="clips a step on each GPU")
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--last-rate", type=float, default=0.02, help="learning rate at the end, as a share of --rate")
    parser.add_argument("--start-from", type=Path, help="weights of an earlier run, of this network or a narrower one")
    parser.add_argument(
        "--keep-pulse",
        action="store_true",
        help="hear beats as the earlier run does: what reads them need not learn anew",
    )
    parser.add_argument("--workers", type=int, default=14, help="planning processes for each GPU")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()

    rank, world = int(os.environ.get("LOCAL_RANK", 0)), int(os.environ.get("WORLD_SIZE", 1))
    began = time.time()
    on_gpu = torch.cuda.is_available()
    library = read_library(args.bank, args.backing, seed=1, modules=args.modules)
    add_waves(library)
    grooves, fills = read_performances("train", *args.performances)
    clips = Clips(Material(library, grooves, fills), args.clip_s, args.batch, args.seed * 100 + rank)
    loader = iter(
        DataLoader(clips, batch_size=None, num_workers=args.workers, prefetch_factor=3 if args.workers else None)
    )
    first = next(loader)
    if on_gpu:
        torch.cuda.set_device(rank)
    if world > 1:
        dist.init_process_group("nccl" if on_gpu else "gloo")
    device = torch.device("cuda", rank) if on_gpu else torch.device("cpu")
    torch.manual_seed(args.seed)
    torch.backends.cudnn.benchmark = True
    renderer = Renderer(chain([first], loader), library, args.clip_s, args.seed + rank, device)
    network = Network().to(device)
    if args.start_from:
        network.load_state_dict(widen(read_state(args.start_from), network))
    teacher = copy.deepcopy(network).eval() if args.keep_pulse else None
    average = {k: v.detach().clone().float() for k, v in network.state_dict().items()}
    model = (
        nn.parallel.DistributedDataParallel(network, device_ids=[rank] if on_gpu else None) if world > 1 else network
    )
    optimiser = torch.optim.AdamW(network.parameters(), lr=args.rate, weight_decay=1e-2)
    rng = np.random.default_rng(args.seed + rank)
    args.out.mkdir(parents=True, exist_ok=True)
    log = open(args.out / f"log{rank}.jsonl", "w")
    if rank == 0:
        print(
            f"{sum(p.numel() for p in network.parameters()) / 1e6:.2f} M parameters, library of "
            f"{len(library.samples) / SAMPLE_RATE_HZ / 60:.0f} minutes, ready after {time.time() - began:.0f} s",
            flush=True,
        )
    step, sums = 0, {}
    limit = args.minutes * 60
    began_training = time.time()
    stop = torch.zeros(1, device=device)
    while True:
        share = min(1.0, max((time.time() - began) / limit, step / args.steps))
        if step % 20 == 0:
            stop[0] = float(share >= 1.0)
            if world > 1:
                dist.broadcast(stop, 0)
            if stop.item():
                break
        warm = min(1.0, (step + 1) / 200)
        rate = args.rate * warm * (args.last_rate + (1 - args.last_rate) * 0.5 * (1 + np.cos(np.pi * share)))
        for group in optimiser.param_groups:
            group["lr"] = rate
        batch = renderer.take()
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=on_gpu):
            features = mask_bands(batch["features"], rng)
            logits = model(features)
            with torch.no_grad():
                taught = teacher(features).float() if teacher else None
        loss, parts = loss_of(logits.float(), batch, taught)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        norm = nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        if torch.isfinite(norm):
            optimiser.step()
        keep = min(0.999, (1 + step) / (10 + step))
        with torch.no_grad():
            for k, v in network.state_dict().items():
                average[k].lerp_(v.float(), 1 - keep)
        for k, v in {**parts, "loss": loss.detach()}.items():
            sums[k] = sums.get(k, 0) + v
        step += 1
        if step % 100 == 0:
            line = {
                "step": step,
                "s": round(time.time() - began_training),
                "rate": float(rate),
                **{k: round(float(v) / 100, 5) for k, v in sums.items()},
            }
            log.write(json.dumps(line) + "\n")
            log.flush()
            if rank == 0 and step % 300 == 0:
                print(line, flush=True)
            sums = {}
        if step % 200 == 0 and rank == 0:
            keep_average(average, args.out)
    if rank == 0:
        keep_average(average, args.out)
        print(f"{step} steps, {step * args.batch * world} clips in {time.time() - began_training:.0f} s", flush=True)
    if world > 1:
        dist.destroy_process_group()
    os._exit(0)


if __name__ == "__main__":
    main()
