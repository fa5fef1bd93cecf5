"""Learn which reading of a song's bars is right (:mod:`workbench.listening.chooser`).

From the songs of :mod:`workbench.training.bar_songs` and
:mod:`workbench.training.module_songs`, whose bars are known::

    python -m workbench.training.bar_chooser workbench/listening/bar_chooser.json build/songs/train build/songs/modules

Every reading of every song is measured; a reading is right if its beats and
bar lines are (F > 0.9 at ±70 ms each, and within 0.05 of the best there is).
The network maximises the probability of the right readings of each song.  Folds
of songs, those of one performance together, tell how well it chooses, and fit
the temperature that makes its probabilities honest.  Everything is seeded: the
same songs give the same network.  After new weights of the detector, hear the
songs anew first.
"""

from __future__ import annotations

import argparse
import json
import zlib
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import minimize, minimize_scalar

from workbench.chart.meter import Meter
from workbench.listening.chooser import MEASURES, SONG_METERS, Candidate, ChooserNetwork, Heard, candidates, measure
from workbench.listening.readings import song_grids
from workbench.training.bar_songs import BarSong

SAME_BEAT_S = 0.07
RIGHT, ALMOST = 0.9, 0.05


@dataclass(frozen=True)
class Table:
    """The readings of one song: measures, and F of their beats and bar lines."""

    name: str
    group: str
    meter: str
    measures: np.ndarray
    quality: np.ndarray

    @property
    def right(self) -> np.ndarray:
        worst = self.quality.min(axis=1)
        return (worst > RIGHT) & (worst > worst.max() - ALMOST)

    @property
    def is_four(self) -> bool:
        return self.meter == "4/4"

    @property
    def fold(self) -> int:
        return zlib.crc32(self.group.encode()) % CHOOSER_FOLDS


CHOOSER_FOLDS = 4


def f_measure(known: np.ndarray, found: np.ndarray) -> float:
    """As mir_eval.beat.f_measure, much faster."""
    if not len(known) or not len(found):
        return 0.0
    matched, k = 0, 0
    for t in known:
        while k < len(found) and found[k] < t - SAME_BEAT_S:
            k += 1
        if k < len(found) and found[k] <= t + SAME_BEAT_S:
            matched, k = matched + 1, k + 1
    return 2.0 * matched / (len(known) + len(found))


def quality(song: BarSong, candidate: Candidate) -> tuple[float, float]:
    beats = candidate.grid.beats_s
    lines = beats[[k for k in candidate.path.starts if 0 <= k < len(beats)]]
    lo, hi = song.beats_s[0] - 0.1, song.beats_s[-1] + 0.1
    beats, lines = (x[(x > lo) & (x < hi)] for x in (beats, lines))
    return f_measure(song.beats_s, beats), f_measure(song.beats_s[song.numbers == 1], lines)


def table(path: Path) -> Table:
    song = BarSong.read(path)
    grids = song_grids(song.activations, song.strokes)
    heard = Heard(song.activations, song.strokes, song.harmony)
    found = candidates(heard, [(g, ()) for g in grids])
    return Table(
        song.name,
        song.group,
        song.meter,
        measure(heard, found).astype(np.float32),
        np.array([quality(song, c) for c in found], dtype=np.float32),
    )


def tables(folders: Sequence[Path], workers: int = 2) -> Iterator[Table]:
    """Measured songs of folders in the order of their names."""
    paths = sorted(p for folder in folders for p in folder.glob("*.npz"))
    if workers == 1:
        yield from map(table, paths)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(table, paths)


#: Songs in other meters than 4/4 count less: there are many here, few in the world.
ODD_WEIGHT = 0.25

#: The network learns what to add to the sum of evidence by which readings are sifted, which counts this much, nats
#: for each nat a second.
SIFTED = 3.0


def fit(
    songs: Sequence[Table], units: int = 8, decay: float = 0.02, seed: int = 0, rounds: int = 200
) -> ChooserNetwork:
    """The network that makes the right readings of the songs likeliest."""
    songs = [s for s in songs if s.right.any() and not s.right.all()]
    every = np.concatenate([s.measures for s in songs])
    mean, scale = every.mean(axis=0), np.maximum(every.std(axis=0), 0.05)
    x = np.clip((every - mean) / scale, -6.0, 6.0).astype(np.float32)
    right = np.concatenate([s.right for s in songs])
    counts = [len(s.measures) for s in songs]
    starts, song = np.concatenate([[0], np.cumsum(counts)])[:-1], np.repeat(np.arange(len(songs)), counts)
    weight = np.array([1.0 if s.is_four else ODD_WEIGHT for s in songs])
    weight /= weight.sum()
    m = x.shape[1]
    rng = np.random.default_rng(seed)
    usual = np.zeros(m + m * units + 2 * units)
    usual[MEASURES.index("sifted_behind")] = SIFTED * scale[MEASURES.index("sifted_behind")]
    first = usual + np.concatenate(
        [np.zeros(m), rng.normal(0, 0.1, m * units), np.zeros(units), rng.normal(0, 0.1, units)]
    )

    def parts(w: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        return w[:m], w[m : m + m * units].reshape(m, units), w[-2 * units : -units], w[-units:]

    def loss(w: np.ndarray) -> tuple[float, np.ndarray]:
        linear, hidden, bias, out = (part.astype(np.float32) for part in parts(w))
        inner = np.tanh(x @ hidden + bias)
        score = x @ linear + inner @ out
        score = score - np.maximum.reduceat(score, starts)[song]
        likely = np.exp(score)
        all_sum, right_sum = np.add.reduceat(likely, starts), np.add.reduceat(likely * right, starts) + 1e-30
        value = -(weight * np.log(right_sum / all_sum)).sum()
        slope = ((likely / all_sum[song] - likely * right / right_sum[song]) * weight[song]).astype(np.float32)
        back = slope[:, None] * out * (1 - inner**2)
        gradient = np.concatenate([x.T @ slope, (x.T @ back).ravel(), back.sum(axis=0), inner.T @ slope])
        return float(value) + 0.5 * decay * float((w - usual) @ (w - usual)), gradient + decay * (w - usual)

    found = minimize(loss, first, jac=True, method="L-BFGS-B", options={"maxiter": rounds})
    return ChooserNetwork(mean, scale, *parts(found.x))


def cross_validated(songs: Sequence[Table], **kw: float) -> list[np.ndarray]:
    """Scores of each song's readings by a network that learnt from the other folds."""
    nets = [fit([s for s in songs if s.fold != k], **kw) for k in range(CHOOSER_FOLDS)]
    return [nets[s.fold].scores(s.measures.astype(float)) for s in songs]


def temperature(songs: Sequence[Table], scores: Sequence[np.ndarray]) -> float:
    """What to divide the scores by so that the right readings of unseen songs are likeliest."""

    def loss(log_t: float) -> float:
        total = 0.0
        for song, score in zip(songs, scores):
            if song.right.any():
                s = score / np.exp(log_t)
                s = np.exp(s - s.max())
                total -= np.log(max(s[song.right].sum() / s.sum(), 1e-9))
        return total

    return float(np.exp(minimize_scalar(loss, bounds=(-1.0, 2.5), method="bounded").x))


def report(title: str, songs: Sequence[Table], scores: Sequence[np.ndarray]) -> None:
    """Means of F of beats and bar lines: chosen, and of the best reading there is."""
    chosen = np.array([s.quality[int(v.argmax())] for s, v in zip(songs, scores)])
    best = np.array([s.quality[int(s.quality.min(axis=1).argmax())] for s in songs])
    old = np.array([s.quality[int(s.measures[:, MEASURES.index("sifted_behind")].argmax())] for s in songs])
    print(
        f"{title:24s} {len(songs):4d} songs   by the sum of evidence {old[:, 0].mean():.3f} {old[:, 1].mean():.3f}   "
        f"chosen {chosen[:, 0].mean():.3f} {chosen[:, 1].mean():.3f}   "
        f"best there is {best[:, 0].mean():.3f} {best[:, 1].mean():.3f}",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("songs", nargs="+", type=Path, help="folders of songs")
    parser.add_argument("--decay", type=float, default=0.02)
    parser.add_argument("--units", type=int, default=8)
    args = parser.parse_args()
    songs = [s for s in tables(args.songs) if Meter.parse(s.meter) in SONG_METERS]
    scores = cross_validated(songs, units=args.units, decay=args.decay)
    for folder in args.songs:
        names = {p.stem for p in folder.glob("*.npz")}
        mine = [k for k, s in enumerate(songs) if s.name in names]
        report(folder.name, [songs[k] for k in mine], [scores[k] for k in mine])
    net = fit(songs, units=args.units, decay=args.decay)
    weights = {k: np.round(getattr(net, k), 4).tolist() for k in ("mean", "scale", "linear", "hidden", "bias", "out")}
    weights["temperature"] = round(temperature(songs, scores), 3)
    data = {"songs": len(songs), "measures": list(MEASURES), "network": weights}
    args.out.write_text(json.dumps(data, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
