"""What drummers play where in a bar: the tables behind the bar tracker.

Run once, from a copy of the Groove MIDI data set (CC BY 4.0; J. Gillick et
al., *Learning to groove with inverse sequence transformations*, ICML 2019)::

    python -m workbench.training.bar_patterns groove-midi workbench/bar_patterns.json

Every 4/4 bar of the training split is counted into twelve parts a beat and
six roles (:data:`workbench.bars.ROLES`); a mixture of Poisson rates is fitted
by expectation maximisation, after the idea of bar-long rhythm patterns of
F. Krebs, S. Böck and G. Widmer, *Rhythmic pattern modeling for beat and
downbeat tracking in musical audio*, ISMIR 2013.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter1d

from workbench.bars import PARTS_PER_BEAT, ROLES, roles_of
from workbench.events import Stroke
from workbench.meter import Meter
from workbench.training.groove_performances import read_performances

#: Fewest expected strokes of any role in any part of a bar: what a detector makes up.
FLOOR = 0.01

#: Spread of strokes about their place, in parts of the beat.
SCATTER_PARTS = 0.9


def read_bars(data: Path, meter: Meter) -> np.ndarray:
    """Counts of all bars of the training split in a meter.

    Returns
    -------
    ndarray (bars, parts of a bar, roles)
    """
    out = []
    per_bar = meter.counted_beats * PARTS_PER_BEAT
    quarters_per_part = float(meter.beat_length * 4) / PARTS_PER_BEAT
    for performance in read_performances(data, ("train",)):
        if performance.is_fill or performance.meter != meter or not performance.strokes:
            continue
        quarters = np.array([q for q, _, _ in performance.strokes])
        roles = roles_of([Stroke(float(q), name, velocity)
                          for q, name, velocity in performance.strokes])
        parts = np.round(quarters / quarters_per_part).astype(int)
        counts = np.zeros((parts.max() // per_bar + 1, per_bar, len(ROLES)))
        np.add.at(counts, (parts // per_bar, parts % per_bar, roles), 1.0)
        whole = np.minimum(counts[: parts.max() // per_bar], 1.0)
        out.append(whole[whole.sum(axis=(1, 2)) > 1])
    return np.concatenate(out)


def fit_mixture(bars: np.ndarray, count: int, rounds: int = 60, seed: int = 0):
    """Rates (patterns, parts, roles) and shares (patterns,) of a Poisson mixture."""
    rng = np.random.default_rng(seed)
    flat = bars.reshape(len(bars), -1)
    shares = rng.dirichlet(np.ones(count) * 5.0, size=len(bars))
    for _ in range(rounds):
        weight = shares.sum(axis=0) + 1e-9
        rates = ((shares.T @ flat).reshape(count, *bars.shape[1:]) + 0.5 * bars.mean(axis=0)) / (
            weight[:, None, None] + 0.5)
        # Played strokes scatter around their part of the beat.
        rates = gaussian_filter1d(rates, SCATTER_PARTS, axis=1, mode="wrap")
        rates = np.maximum(rates, FLOOR)
        flat_rates = rates.reshape(count, -1)
        score = flat @ np.log(flat_rates).T - flat_rates.sum(axis=1) + np.log(weight / weight.sum())
        shares = np.exp(score - score.max(axis=1, keepdims=True))
        shares /= shares.sum(axis=1, keepdims=True)
    return rates, weight / weight.sum()


def without_beat(bars: np.ndarray, beat: int) -> np.ndarray:
    """Bars with one beat cut out: what the same drummers might play in a shorter meter."""
    start = beat * PARTS_PER_BEAT
    return np.delete(bars, np.s_[start:start + PARTS_PER_BEAT], axis=1)


def bars_of_meters(data: Path) -> dict[str, np.ndarray]:
    """Bars to learn from for each meter.

    The data set hardly has others than 4/4; bars of 3/4 are its 4/4 bars with a
    beat cut out, besides its own, and bars of 2/4 the halves of its 4/4 bars.
    """
    four = read_bars(data, Meter(4, 4))
    half = 2 * PARTS_PER_BEAT
    three = np.concatenate([without_beat(four, beat)[beat::6] for beat in (1, 2, 3)])
    own_three = read_bars(data, Meter(3, 4))
    return {
        "4/4": four,
        "3/4": np.concatenate([three, *[own_three] * 4]),
        "2/4": np.concatenate([four[:, :half], four[:, half:]])[::2],
        "6/8": read_bars(data, Meter(6, 8)),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", type=Path, help="folder of the Groove MIDI data set")
    parser.add_argument("out", type=Path)
    parser.add_argument("--patterns", type=int, default=16)
    args = parser.parse_args()
    meters = {}
    for meter, bars in bars_of_meters(args.data).items():
        count = args.patterns if len(bars) > 1000 else 6
        rates, shares = fit_mixture(bars, count)
        meters[meter] = {"bars_counted": len(bars), "shares": [round(float(s), 4) for s in shares],
                         "rates": np.round(rates, 3).tolist()}
        print(f"{meter}: {len(bars)} bars, {count} patterns")
    data = {"source": "Groove MIDI data set, training split, CC BY 4.0",
            "parts_per_beat": PARTS_PER_BEAT, "roles": list(ROLES), "meters": meters}
    args.out.write_text(json.dumps(data, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
