"""A wider network that answers as a narrower one does, to go on learning from (T. Chen, I. Goodfellow, J. Shlens,
*Net2Net: accelerating learning via knowledge transfer*, ICLR 2016).

Each new unit copies an old one; what follows takes a share of each copy, so that the sum stays.  The shares are uneven
and the copies a little off, or copies would learn the same for ever.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch

from workbench.listening.features import BANDS
from workbench.training.network import SLOW, Network

#: How far copies are off, as a share of the spread of their weights.
OFF = 0.03


@dataclass(frozen=True)
class Copies:
    """Which old unit each new one copies, and the share of it that counts afterwards."""

    of: np.ndarray
    share: np.ndarray

    @classmethod
    def draw(cls, rng: np.random.Generator, before: int, now: int) -> Copies:
        """Every old unit once, then some again; *now* is at least *before*."""
        of = np.concatenate([np.arange(before), rng.permutation(np.arange(now - before) % before)])
        part = rng.uniform(0.3, 0.7, now)
        return cls(of, part / np.bincount(of, part, before)[of])

    @classmethod
    def same(cls, count: int) -> Copies:
        """No unit is new."""
        return cls(np.arange(count), np.ones(count))

    def spread(self, each: int) -> Copies:
        """Of units that stand for *each* values in a row."""
        of = (self.of[:, None] * each + np.arange(each)).ravel()
        return Copies(of, np.repeat(self.share, each))

    @staticmethod
    def join(*parts: tuple[Copies, int]) -> Copies:
        """Of values beside each other; each with how many there were before."""
        first = np.cumsum([0, *(before for _, before in parts)])
        of = np.concatenate([copies.of + at for (copies, _), at in zip(parts, first, strict=False)])
        return Copies(of, np.concatenate([copies.share for copies, _ in parts]))


def widen(state: dict[str, torch.Tensor], network: Network, seed: int = 1) -> dict[str, torch.Tensor]:
    """Parameters of *network* with which it answers (nearly) as a narrower one with *state* does.

    The slow path keeps its width: its attention is normalised over all of its units.
    """
    rng = np.random.default_rng(seed)
    now = network.state_dict()
    old = {k: v.float().numpy() for k, v in state.items()}
    out: dict[str, np.ndarray] = {"shift": old["shift"]}

    def table(name: str, rows: Copies, columns: Copies) -> None:
        weight = old[name][rows.of][:, columns.of]
        share = columns.share.reshape(1, -1, *[1] * (weight.ndim - 2))
        fresh = np.arange(len(rows.of)) >= old[name].shape[0]
        noise = OFF * old[name].std() * rng.standard_normal(weight.shape)
        out[name] = weight * share + noise * fresh.reshape(-1, *[1] * (weight.ndim - 1))

    channels = Copies.same(old["front.0.0.weight"].shape[1])
    for k in (0, 1, 3, 4, 6):
        wider = Copies.draw(rng, len(old[f"front.{k}.1.bias"]), len(now[f"front.{k}.1.bias"]))
        table(f"front.{k}.0.weight", wider, channels)
        for part in ("weight", "bias", "running_mean", "running_var"):
            out[f"front.{k}.1.{part}"] = old[f"front.{k}.1.{part}"][wider.of]
        out[f"front.{k}.1.num_batches_tracked"] = old[f"front.{k}.1.num_batches_tracked"]
        channels = wider
    width = Copies.draw(rng, len(old["gather.0.bias"]), len(now["gather.0.bias"]))
    table("gather.0.weight", width, channels.spread(BANDS // 8))
    out["gather.0.bias"] = old["gather.0.bias"][width.of]

    def recurrent(name: str, inputs: Copies) -> Copies:
        units = old[f"{name}.weight_hh_l0"].shape[1]
        both = []
        for end in ("", "_reverse"):
            more = now[f"{name}.weight_hh_l0{end}"].shape[1] - units
            hidden = Copies.draw(rng, units, units + more)
            gates = Copies.join(*[(hidden, units)] * 3)
            for part, columns in (("ih", inputs), ("hh", hidden)):
                weight = old[f"{name}.weight_{part}_l0{end}"]
                fresh = np.tile(np.arange(units + more) >= units, 3)[:, None]
                wider = weight[gates.of][:, columns.of] * columns.share
                out[f"{name}.weight_{part}_l0{end}"] = (
                    wider + OFF * weight.std() * rng.standard_normal(wider.shape) * fresh
                )
                out[f"{name}.bias_{part}_l0{end}"] = old[f"{name}.bias_{part}_l0{end}"][gates.of]
            both.append((hidden, units))
        return Copies.join(*both)

    fast = recurrent("fast1", width)
    before = old["slow_in.weight"].shape[1] // SLOW
    table("slow_in.weight", Copies.same(len(old["slow_in.bias"])), Copies.join(*[(fast, before)] * SLOW))
    for name in old:
        if name.startswith(("slow1", "slow2", "attend", "slow_in.bias")):
            out[name] = old[name]
    slow = 2 * old["slow2.weight_hh_l0"].shape[1]
    last = recurrent("fast2", Copies.join((fast, before), (Copies.same(slow), slow)))
    both = Copies.join((last, 2 * old["fast2.weight_hh_l0"].shape[1]), (width, len(old["gather.0.bias"])))
    table("heads.weight", Copies.same(len(old["heads.bias"])), both)
    out["heads.bias"] = old["heads.bias"]
    return {k: torch.as_tensor(np.asarray(v)).to(now[k].dtype) for k, v in out.items()}
