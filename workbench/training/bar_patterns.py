"""What drummers play where in a bar: the tables behind the bar tracker.

Run once, from a copy of the Groove MIDI data set (CC BY 4.0; J. Gillick et
al., *Learning to groove with inverse sequence transformations*, ICML 2019)::

    python -m workbench.training.bar_patterns groove-midi workbench/listening/bar_patterns.json

Every 4/4 bar of the training split is counted into twelve parts a beat and
six roles (:data:`workbench.listening.bars.ROLES`); a mixture of Poisson rates is fitted
by expectation maximisation, after the idea of bar-long rhythm patterns of
F. Krebs, S. Böck and G. Widmer, *Rhythmic pattern modeling for beat and
downbeat tracking in musical audio*, ISMIR 2013.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter1d

from workbench.chart.events import Stroke
from workbench.chart.meter import Meter
from workbench.listening.bars import PARTS_PER_BEAT, ROLES, roles_of
from workbench.training.groove_performances import read_performances

#: Fewest expected strokes of any role in any part of a bar: what a detector makes up.
LEAST_RATE = 0.01

#: Spread of strokes about their place, in parts of the beat.
SCATTER_PARTS = 0.9

#: Narrowest spread of a pattern's tempo (natural log).
NARROWEST_TEMPO = 0.2


def read_bars(data: Path, meter: Meter) -> tuple[np.ndarray, np.ndarray]:
    """Counts of all bars of the training split in a meter, and their tempi.

    Returns
    -------
    ndarray (bars, parts of a bar, roles), ndarray (bars,)
        The second is the natural log of counted beats a minute.
    """
    out, tempi = [], []
    per_bar = meter.counted_beats * PARTS_PER_BEAT
    quarters_per_part = float(meter.beat_length * 4) / PARTS_PER_BEAT
    for performance in read_performances(data, ("train",)):
        if performance.is_fill or performance.meter != meter or not performance.strokes:
            continue
        quarters = np.array([q for q, _, _ in performance.strokes])
        roles = roles_of([Stroke(float(q), name, velocity) for q, name, velocity in performance.strokes])
        parts = np.round(quarters / quarters_per_part).astype(int)
        counts = np.zeros((parts.max() // per_bar + 1, per_bar, len(ROLES)))
        np.add.at(counts, (parts // per_bar, parts % per_bar, roles), 1.0)
        whole = np.minimum(counts[: parts.max() // per_bar], 1.0)
        out.append(whole[whole.sum(axis=(1, 2)) > 1])
        tempo = performance.tempo_bpm / float(meter.beat_length * 4)
        tempi.append(np.full(len(out[-1]), np.log(tempo)))
    return np.concatenate(out), np.concatenate(tempi)


@dataclass(frozen=True)
class Mixture:
    """MeterPatterns: rates (patterns, parts, roles), shares, mean and spread of log tempo."""

    rates: np.ndarray
    shares: np.ndarray
    tempo_mean: np.ndarray
    tempo_spread: np.ndarray


def fit_mixture(bars: np.ndarray, log_tempo: np.ndarray, count: int, rounds: int = 60, seed: int = 0) -> Mixture:
    """Expectation maximisation of a mixture of Poisson rates and log-normal tempi."""
    rng = np.random.default_rng(seed)
    flat = bars.reshape(len(bars), -1)
    member = rng.dirichlet(np.ones(count) * 5.0, size=len(bars))
    for _ in range(rounds):
        weight = member.sum(axis=0) + 1e-9
        rates = ((member.T @ flat).reshape(count, *bars.shape[1:]) + 0.5 * bars.mean(axis=0)) / (
            weight[:, None, None] + 0.5
        )
        # Played strokes scatter around their part of the beat.
        rates = gaussian_filter1d(rates, SCATTER_PARTS, axis=1, mode="wrap")
        rates = np.maximum(rates, LEAST_RATE)
        mean = member.T @ log_tempo / weight
        square = (member * np.square(log_tempo[:, None] - mean)).sum(axis=0) / weight
        spread = np.sqrt(square + NARROWEST_TEMPO**2)
        flat_rates = rates.reshape(count, -1)
        score = flat @ np.log(flat_rates).T - flat_rates.sum(axis=1) + np.log(weight / weight.sum())
        score -= 0.5 * np.square((log_tempo[:, None] - mean) / spread) + np.log(spread)
        member = np.exp(score - score.max(axis=1, keepdims=True))
        member /= member.sum(axis=1, keepdims=True)
    return Mixture(rates, weight / weight.sum(), mean, spread)


#: Common grooves in 6/8, one letter an eighth: x nearly always, o often, . seldom
#: (common practice, no source); the data set has hardly any.
SIX_EIGHT = (
    {"kick": "x.....", "backbeat": "...x..", "time": "xxxxxx"},
    {"kick": "x.o..o", "backbeat": "...x..", "time": "xxxxxx"},
    {"kick": "x....o", "backbeat": "...x..", "time": "xoxxox"},
    {"kick": "x.oo..", "backbeat": "...x..", "time": "x.xx.x"},
    {"kick": "x....x", "backbeat": "...x..", "time": "xxxxxx"},
)


def draw_bars(written: dict[str, str], count: int, rng: np.random.Generator) -> np.ndarray:
    """Bars played after a written groove, with what players leave out and add."""
    chance = {"x": 0.93, "o": 0.5, ".": 0.04}
    usual = {"ghost": 0.06, "crash": 0.004, "tom": 0.02, "kick": 0.04, "backbeat": 0.03, "time": 0.05}
    eighths = len(next(iter(written.values())))
    step = 2 * PARTS_PER_BEAT // eighths
    bars = np.zeros((count, 2 * PARTS_PER_BEAT, len(ROLES)))
    for column, role in enumerate(ROLES):
        for k in range(eighths):
            likely = chance[written[role][k]] if role in written else usual[role]
            likely = max(likely, 0.12) if role == "crash" and k == 0 else likely
            bars[:, k * step, column] = rng.random(count) < likely
            bars[:, k * step + step // 2, column] = rng.random(count) < 0.12 * likely
    return bars


def without_beat(bars: np.ndarray, beat: int) -> np.ndarray:
    """Bars with one beat cut out: what the same drummers might play in a shorter meter."""
    start = beat * PARTS_PER_BEAT
    return np.delete(bars, np.s_[start : start + PARTS_PER_BEAT], axis=1)


def bars_of_meters(data: Path) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Bars to learn from for each meter, and their tempi.

    The data set hardly has others than 4/4; bars of 3/4 are its 4/4 bars with a
    beat cut out, besides its own; bars of 2/4 the halves of its 4/4 bars; bars of
    6/8 its own and :data:`SIX_EIGHT`.
    """
    four, four_tempo = read_bars(data, Meter(4, 4))
    three, three_tempo = read_bars(data, Meter(3, 4))
    six, six_tempo = read_bars(data, Meter(6, 8))
    rng = np.random.default_rng(0)
    drawn = [draw_bars(written, 100, rng) for written in SIX_EIGHT]
    tempi = rng.normal(np.log(60.0), 0.3, 100 * len(SIX_EIGHT))
    half = 2 * PARTS_PER_BEAT
    cut = [np.s_[beat::6] for beat in (1, 2, 3)]
    return {
        "4/4": (four, four_tempo),
        "3/4": (
            np.concatenate([*(without_beat(four, k + 1)[c] for k, c in enumerate(cut)), *[three] * 4]),
            np.concatenate([*(four_tempo[c] for c in cut), *[three_tempo] * 4]),
        ),
        "2/4": (
            np.concatenate([four[::2, :half], four[1::2, half:]]),
            np.concatenate([four_tempo[::2], four_tempo[1::2]]),
        ),
        "6/8": (np.concatenate([six, *drawn]), np.concatenate([six_tempo, tempi])),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", type=Path, help="folder of the Groove MIDI data set")
    parser.add_argument("out", type=Path)
    parser.add_argument("--patterns", type=int, default=24)
    args = parser.parse_args()
    meters = {}
    for meter, (bars, log_tempo) in bars_of_meters(args.data).items():
        count = args.patterns if len(bars) > 1000 else 8
        found = fit_mixture(bars, log_tempo, count)
        meters[meter] = {
            "bars_counted": len(bars),
            "shares": np.round(found.shares, 4).tolist(),
            "tempo_mean": np.round(found.tempo_mean, 3).tolist(),
            "tempo_spread": np.round(found.tempo_spread, 3).tolist(),
            "rates": np.round(found.rates, 3).tolist(),
        }
        print(f"{meter}: {len(bars)} bars, {count} patterns")
    data = {
        "source": "Groove MIDI data set, training split, CC BY 4.0",
        "parts_per_beat": PARTS_PER_BEAT,
        "roles": list(ROLES),
        "meters": meters,
    }
    args.out.write_text(json.dumps(data, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
