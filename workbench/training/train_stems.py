"""Train the network that tells drums from the rest, on mixes whose drums are known.

Clips are planned and mixed as for the detector (:mod:`workbench.training.train`),
with their drums kept apart through the chain.  Needs torch and, on a GPU, cupy.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import time
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import torch
import torch.distributed as dist
from torch import nn
from torch.utils.data import DataLoader

from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.sound.frames import STEP, WINDOW, count_frames, taper
from workbench.training import mixing
from workbench.training.library import read_library
from workbench.training.network import read_state, write_state
from workbench.training.performances import read_performances
from workbench.training.planning import DRUM_ROWS, EQ_POINTS, ROWS, SETTINGS, Material
from workbench.training.stem_network import StemNetwork
from workbench.training.train import Clips, Renderer

#: Level of the drums against the rest, dB, and shares of clips without a rest and with two bands at once.
DRUMS_DB, DRUMS_ALONE, TWO_BANDS = (-12.0, 6.0), 0.06, 0.4

#: Share of backing that is made brighter, by up to so many dB from 9 kHz on: voices hiss, strings rattle.
BRIGHT, BRIGHTER_DB = 0.5, 20.0

#: Windows through which answers are compared, samples; errors are weighed by band through the middle one.
COMPARED = (512, 2048, 4096)

#: Edges of the bands in which errors and shares count alike, hertz.
BAND_EDGES_HZ = (0, 120, 300, 1000, 3000, 6000, 10000, 16000)

#: Weights of the errors of whole clips, of the bands, and of the shares of drums lost and of the rest taken along; in
#: the lowest bands a kick lost is worse than some bass taken along.
WHOLE, BY_BAND, BY_SHARE = 0.5, 0.3, 0.8
LOST = (2.0, 1.5, 1.0, 1.0, 1.0, 1.0, 1.0)

#: Errors this far below the mix, in power, are as good as none.
GOOD_ENOUGH = 1e-3

#: Seconds between saves.
SAVE_S = 120.0


class StemRenderer(Renderer):
    """Batches of ``mix`` and ``drums``, (clips, samples)."""

    def _render(self, batch: dict[str, np.ndarray], seed: int) -> dict[str, torch.Tensor]:
        rng, xp = np.random.default_rng(seed), self.xp
        arrays = {name: torch.as_tensor(table).numpy() for name, table in batch.items()}
        settings, eq_db = arrays["settings"].copy(), arrays["eq_db"].copy()
        clips = len(settings)
        settings[:, SETTINGS.index("drums_db")] = rng.uniform(*DRUMS_DB, clips)
        settings[:, SETTINGS.index("has_backing")] *= rng.random(clips) >= DRUMS_ALONE
        backing = (clips, ROWS - DRUM_ROWS, 1)
        brighter = (rng.random(backing) < BRIGHT) * rng.uniform(0, BRIGHTER_DB, backing)
        eq_db[:, DRUM_ROWS:ROWS] += (brighter * np.clip(np.arange(EQ_POINTS) - 5, 0, 2) / 2).astype(eq_db.dtype)
        ints, floats = mixing.lower_kicks(rng, arrays["ints"], arrays["floats"], clips)
        mix, drums = mixing.render_arrays(
            ints,
            floats,
            eq_db,
            arrays["wet"],
            settings,
            self.audio,
            round(self.clip_s * SAMPLE_RATE_HZ),
            seed,
            xp,
            apart=True,
        )
        level = (rng.random(clips) < TWO_BANDS) * 10 ** (rng.uniform(-9, 0, clips) / 20)
        more = xp.roll(mix - drums, int(rng.integers(mix.shape[1])), axis=1)
        mix = mix + xp.asarray(level.astype(np.float32))[:, None] * xp.roll(more, 1, axis=0)
        return {
            "mix": torch.nan_to_num(torch.from_dlpack(mix)).clamp(-30, 30),
            "drums": torch.nan_to_num(torch.from_dlpack(xp.ascontiguousarray(drums))).clamp(-30, 30),
        }


def spectra_of(sound: torch.Tensor) -> torch.Tensor:
    """Spectra (clips, frames, bins), complex, as :func:`workbench.sound.frames.compute_frames` computes them."""
    window = torch.from_numpy(taper()).to(sound.device)
    frames, before = count_frames(sound.shape[1]), WINDOW - STEP
    after = (frames - 1) * STEP + WINDOW - before - sound.shape[1]
    return torch.fft.rfft(nn.functional.pad(sound, (before, after)).unfold(1, WINDOW, STEP) * window)


def sound_of(spectra: torch.Tensor, samples: int) -> torch.Tensor:
    """Sound (clips, samples) of spectra, as :func:`workbench.sound.frames.restore_sound` restores it."""
    window = torch.from_numpy(taper()).to(spectra.device)
    frames = torch.fft.irfft(spectra, WINDOW) * window
    parts = WINDOW // STEP
    pieces = [nn.functional.pad(frames[..., k * STEP : (k + 1) * STEP], (0, 0, k, parts - 1 - k)) for k in range(parts)]
    return sum(pieces).flatten(1)[:, WINDOW - STEP :][:, :samples]


def separate(model: nn.Module, mix: torch.Tensor, half: bool = False) -> torch.Tensor:
    """The drums of mixes (clips, samples); *half* computes in half precision."""
    spectra = spectra_of(mix)
    with torch.autocast(mix.device.type, dtype=torch.bfloat16, enabled=half):
        factors = model(torch.view_as_real(spectra))
    return sound_of(spectra * torch.view_as_complex(factors.float().contiguous()), mix.shape[1])


def _pressed(spectra: torch.Tensor) -> torch.Tensor:
    """Spectra with their levels' square roots, so that quiet sounds count."""
    cells = torch.view_as_real(spectra)
    return cells * ((cells * cells).sum(dim=-1, keepdim=True) + 1e-4) ** -0.25


def loss_of(heard: torch.Tensor, batch: dict[str, torch.Tensor]) -> tuple[torch.Tensor, dict[str, torch.Tensor]]:
    """Differences of drums and of rest through several windows, errors of clips and of bands, and shares.

    In each band, what was heard is so much of the drums plus so much of the rest (least squares): all of the one
    and nothing of the other is wanted.
    """
    mix, drums = batch["mix"], batch["drums"]
    apart = mix.new_zeros(())
    for size in COMPARED:
        window = torch.hann_window(size, device=mix.device)

        def look(sound: torch.Tensor, size: int = size, window: torch.Tensor = window) -> torch.Tensor:
            return torch.stft(sound, size, size // 4, window=window, return_complex=True) * (0.375 * size) ** -0.5

        mixed, wanted, got = look(mix), look(drums), look(heard)
        apart = apart + (_pressed(got) - _pressed(wanted)).abs().mean()
        apart = apart + (_pressed(mixed - got) - _pressed(mixed - wanted)).abs().mean()
        if size == COMPARED[1]:
            bands, shares = _by_band(mixed, wanted, got)
    whole = (mix**2).mean(dim=1) + 1e-4
    error = ((heard - drums) ** 2).mean(dim=1)
    energy = torch.log(error / whole + GOOD_ENOUGH).mean()
    with torch.no_grad():
        ours, others = (drums**2).mean(dim=1), ((mix - drums) ** 2).mean(dim=1)
        both = (ours > 0.01 * whole) & (others > 0.01 * whole)
        sdr = 10 * torch.log10((ours + 1e-9) / (error + 1e-9))
        sdr = sdr[both].median() if bool(both.any()) else sdr.new_zeros(())
    parts = {"apart": apart, "energy": energy, "bands": bands, "shares": shares, "sdr": sdr}
    loss = apart + WHOLE * energy + BY_BAND * bands + BY_SHARE * shares
    return loss, {name: value.detach() for name, value in parts.items()}


def _by_band(mixed: torch.Tensor, wanted: torch.Tensor, got: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """Mean logarithm of the errors of bands, and mean share of drums lost plus share of the rest taken along."""
    hz = torch.linspace(0, SAMPLE_RATE_HZ / 2, mixed.shape[1], device=mixed.device)
    edges = torch.tensor(BAND_EDGES_HZ, device=mixed.device)
    members = ((hz >= edges[:-1, None]) & (hz < edges[1:, None])).float()

    def product(a: torch.Tensor, b: torch.Tensor) -> torch.Tensor:
        """Products of two sounds in each band, (clips, bands)."""
        return (a * b.conj()).real.mean(dim=2) @ members.T

    rest = mixed - wanted
    drums_power, rest_power, crossed = product(wanted, wanted), product(rest, rest), product(wanted, rest)
    power = drums_power + rest_power + 1e-5
    errors = torch.log(product(got - wanted, got - wanted) / power + GOOD_ENOUGH).mean()
    # A little is added to both powers: where one sound is hardly there, nothing is asked of its share.
    first, second = drums_power + 0.01 * power, rest_power + 0.01 * power
    drums_got, rest_got = product(got, wanted) + 0.01 * power, product(got, rest)
    whole = first * second - crossed**2
    lost = (1 - (drums_got * second - rest_got * crossed) / whole).abs() * drums_power / (drums_power + 0.05 * power)
    taken = ((rest_got * first - drums_got * crossed) / whole).abs() * rest_power / (rest_power + 0.05 * power)
    return errors, (lost * torch.tensor(LOST, device=lost.device) + taken).mean()


def _save(file: Path, write: Any) -> None:
    """Write a file whole or not at all; a full disk must not end a run."""
    try:
        part = file.with_name("part-" + file.name)
        write(part)
        os.replace(part, file)
    except Exception as error:
        print(f"not saved: {error}", flush=True)


def main() -> None:
    """Command line; one process a GPU, with RANK, WORLD_SIZE, MASTER_ADDR and MASTER_PORT set."""
    parser = argparse.ArgumentParser(
        description=__doc__.split("\n", 1)[0],
        epilog=(
            "Example: torchrun --nproc-per-node 2 -m workbench.training.train_stems --bank build/bank "
            "--backing build/backing --performances build/performances.npz --minutes 9 --out build/stems"
        ),
    )
    parser.add_argument("--bank", type=Path, required=True)
    parser.add_argument("--backing", type=Path, nargs="+", required=True)
    parser.add_argument("--performances", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True, help="folder for averages and the log")
    parser.add_argument("--state", type=Path, help="file to go on from, if it is there, and to leave behind")
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--stop-after", type=int, default=10**9, help="steps at the latest")
    parser.add_argument("--schedule", type=float, nargs=2, default=(0.0, 1.0), help="share of the whole training")
    parser.add_argument("--clip-s", type=float, default=5.0)
    parser.add_argument("--batch", type=int, default=32, help="clips a step on each GPU")
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--last-rate", type=float, default=0.01, help="learning rate at the end, as a share of --rate")
    parser.add_argument("--start-from", type=Path, help="weights, where there is no state")
    parser.add_argument("--workers", type=int, default=12, help="planning processes for each GPU")
    parser.add_argument("--single", action="store_true", help="single precision on a GPU too")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()

    rank, world = int(os.environ.get("LOCAL_RANK", 0)), int(os.environ.get("WORLD_SIZE", 1))
    began = time.time()
    on_gpu = torch.cuda.is_available()
    half = on_gpu and not args.single
    library = read_library(args.bank, args.backing, seed=1)
    grooves, fills = read_performances("train", args.performances)
    clips = Clips(Material(library, grooves, fills), args.clip_s, args.batch, args.seed * 100 + rank, backed=True)
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
    torch.set_float32_matmul_precision("high")
    renderer = StemRenderer(chain([first], loader), library, args.clip_s, args.seed * 1000 + rank, device)
    network = StemNetwork().to(device)
    saved = None
    if args.state and args.state.exists():
        try:
            saved = torch.load(args.state, map_location=device, weights_only=True)
            network.load_state_dict(saved["network"])
        except Exception as error:
            print(f"the state was not read: {error}", flush=True)
            saved = None
    if saved is None and args.start_from and args.start_from.exists():
        network.load_state_dict(read_state(args.start_from))
    parameters = list(network.parameters())
    average = [p.detach().clone() for p in parameters]
    optimiser = torch.optim.AdamW(parameters, lr=args.rate, weight_decay=1e-2, betas=(0.9, 0.99))
    averaged = 0
    if saved:
        optimiser.load_state_dict(saved["optimiser"])
        average = [saved["average"][name] for name, _ in network.named_parameters()]
        averaged = saved["averaged"]
    model = (
        nn.parallel.DistributedDataParallel(network, device_ids=[rank] if on_gpu else None) if world > 1 else network
    )
    args.out.mkdir(parents=True, exist_ok=True)

    def averages() -> dict[str, torch.Tensor]:
        return dict(zip((name for name, _ in network.named_parameters()), average, strict=True))

    def save() -> None:
        """Averages for use, and all that is needed to go on."""
        _save(args.out / "average.npz", lambda file: write_state(averages(), file))
        if args.state:
            args.state.parent.mkdir(parents=True, exist_ok=True)
            state = {
                "network": network.state_dict(),
                "optimiser": optimiser.state_dict(),
                "average": averages(),
                "averaged": averaged,
            }
            _save(args.state, lambda file: torch.save(state, file))

    def tell(line: dict[str, Any]) -> None:
        print(json.dumps(line), flush=True)
        with open(args.out / "log.jsonl", "a") as log:
            log.write(json.dumps(line) + "\n")

    if rank == 0:
        size = sum(p.numel() for p in parameters) / 1e6
        minutes = len(library.samples) / SAMPLE_RATE_HZ / 60
        tell({"millions": round(size, 2), "library_minutes": round(minutes), "ready_s": round(time.time() - began)})
    step, skipped, last_save, sums = 0, 0, time.time(), {}
    limit, began_training = args.minutes * 60, time.time()
    stop = torch.zeros(1, device=device)
    while True:
        done = min(1.0, max((time.time() - began) / limit, step / args.stop_after))
        if step % 20 == 0:
            stop[0] = float(done >= 1.0)
            if world > 1:
                dist.broadcast(stop, 0)
            if stop.item():
                break
        share = args.schedule[0] + done * (args.schedule[1] - args.schedule[0])
        warm = 1.0 if saved else min(1.0, (step + 1) / 200)
        rate = float(args.rate * warm * (args.last_rate + (1 - args.last_rate) * 0.5 * (1 + np.cos(np.pi * share))))
        for group in optimiser.param_groups:
            group["lr"] = rate
        batch = renderer.take()
        loss, parts = loss_of(separate(model, batch["mix"], half), batch)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        norm = nn.utils.clip_grad_norm_(parameters, 1.0)
        if torch.isfinite(norm):
            optimiser.step()
            averaged += 1
            keep = min(0.999, averaged / (10 + averaged))
            torch._foreach_lerp_(average, [p.detach() for p in parameters], 1 - keep)
            for name, value in {**parts, "loss": loss.detach()}.items():
                sums.setdefault(name, []).append(value)
        else:
            skipped += 1
        step += 1
        if rank == 0 and step in (5, 20, 50) or step % 100 == 0:
            if rank == 0:
                means = {k: round(float(torch.stack(v).mean()), 4) for k, v in sums.items()}
                now = time.time() - began_training
                tell({"step": step, "s": round(now, 1), "rate": rate, "skipped": skipped, **means})
            sums = {}
        if rank == 0 and time.time() - last_save > SAVE_S:
            save()
            last_save = time.time()
    if rank == 0:
        save()
        tell({"steps": step, "clips": step * args.batch * world, "s": round(time.time() - began_training)})
    for worker in multiprocessing.active_children():
        worker.kill()
    os._exit(0)


if __name__ == "__main__":
    main()
