"""Learn which reading of a song's bars is right (:mod:`workbench.listening.chooser`).

From the songs of :mod:`workbench.training.bar_songs` and
:mod:`workbench.training.module_songs`, whose bars are known::

    python -m workbench.training.bar_chooser workbench/listening/bar_chooser.json build/songs/train build/songs/modules

Every reading of every song is measured; a reading is right if its beats and
bar lines are (F > 0.9 at ±70 ms each, and within 0.05 of the best there is) and,
where one such reading is, its meter.  Learning starts from the file's first
network, learnt once from 183 songs, nearly all human performances in 4/4: how
much it counts, and what a second network adds to it, maximise the probability of
the right readings of each song.  The second is the mean of three that begin
differently, side by side as one wider hidden layer.  Folds of songs, those of one
performance or one package together, tell how well the networks choose, and fit
the temperature that makes their probabilities honest.  The same songs give the
same networks.  After new weights of the detector, hear the songs anew first.
"""

from __future__ import annotations

import argparse
import json
import zlib
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import softmax

from workbench.chart.meter import Meter
from workbench.listening.chooser import (
    MEASURES,
    NETWORK_PARTS,
    SONG_METERS,
    Candidate,
    Chooser,
    ChooserNetwork,
    Heard,
    candidates,
    measure,
    read_chooser,
)
from workbench.listening.readings import song_grids
from workbench.training.bar_songs import BarSong

SAME_BEAT_S = 0.07
RIGHT, ALMOST = 0.9, 0.05


@dataclass(frozen=True)
class Table:
    """The readings of one song: measures, F of their beats and bar lines, and whether their meter is the song's; and
    how much the song counts beside others in 4/4, or not in 4/4."""

    name: str
    group: str
    meter: str
    measures: np.ndarray
    quality: np.ndarray
    named: np.ndarray
    weight: float = 1.0

    @cached_property
    def right(self) -> np.ndarray:
        worst = self.quality.min(axis=1)
        found = (worst > RIGHT) & (worst > worst.max() - ALMOST)
        return found & self.named if (found & self.named).any() else found

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
        np.array([str(c.meter) == song.meter for c in found]),
        MODULE_WEIGHT if song.name.startswith("module") else PERFORMANCE_WEIGHT,
    )


def tables(folders: Sequence[Path], workers: int = 2) -> Iterator[Table]:
    """Measured songs of folders in the order of their names."""
    paths = sorted(p for folder in folders for p in folder.glob("*.npz"))
    if workers == 1:
        yield from map(table, paths)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(table, paths)


#: How many of all songs count as 4/4, whatever meters the songs are in; the rest of the prior is
#: :data:`~workbench.listening.chooser.MORE_FOUR`.
FOUR_SHARE = 0.75

#: How much a song counts beside a composed one: modules are music as somebody wrote it, performances as one played it.
MODULE_WEIGHT, PERFORMANCE_WEIGHT = 8.0, 12.0

#: Units of the hidden layer of each network that is added, and how they are learnt: the squares of all weights, times
#: the decay, are added to the mean loss of a batch of songs.
CHOOSER_UNITS, CHOOSER_SEEDS, CHOOSER_DECAY, CHOOSER_ROUNDS, CHOOSER_RATE, SONGS_A_BATCH = 16, 3, 3e-3, 12, 5e-3, 128

#: So many readings of a song are learnt from, among them the likeliest and the right ones.
LEARNT_READINGS = 48


def read_first(path: Path) -> tuple[ChooserNetwork, float]:
    """The first network of a chooser's file, and its temperature."""
    known = read_chooser(json.loads(path.read_text()))
    return known.first, known.first_temperature


def song_weights(songs: Sequence[Table]) -> np.ndarray:
    """How much each song counts, mean 1."""
    weight = np.array([s.weight for s in songs])
    four = np.array([s.is_four for s in songs])
    for here, share in ((four, FOUR_SHARE), (~four, 1.0 - FOUR_SHARE)):
        weight[here] *= share / max(weight[here].sum(), 1e-9)
    return weight / weight.mean()


def _learnt_from(song: Table, before: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Readings of a song that are learnt from: likely ones, right ones, and some of the others."""
    count = len(before)
    if count <= LEARNT_READINGS:
        return np.arange(count)
    kept = np.zeros(count, dtype=bool)
    kept[np.argsort(-song.measures[:, MEASURES.index("sifted_behind")])[: LEARNT_READINGS // 2]] = True
    kept[np.argsort(-before)[: LEARNT_READINGS // 8]] = True
    kept[rng.permutation(np.flatnonzero(song.right))[: LEARNT_READINGS // 8]] = True
    kept[rng.permutation(np.flatnonzero(~kept))[: LEARNT_READINGS - kept.sum()]] = True
    return np.flatnonzero(kept)


def fit(first: ChooserNetwork, songs: Sequence[Table]) -> tuple[ChooserNetwork, float]:
    """What is added to the first network, and how much that counts."""
    songs = [s for s in songs if s.right.any() and not s.right.all()]
    every = np.concatenate([s.measures for s in songs]).astype(float)
    mean, scale = every.mean(axis=0), np.maximum(every.std(axis=0), 0.02)
    blank = ChooserNetwork(MEASURES, mean, scale, *np.zeros((4, 1)))
    rng = np.random.default_rng(0)
    shape = len(songs), LEARNT_READINGS
    x, before = np.zeros((*shape, len(MEASURES)), np.float32), np.zeros(shape, np.float32)
    right, there = np.zeros(shape, bool), np.zeros(shape, bool)
    for k, song in enumerate(songs):
        score = first.scores(song.measures.astype(float))
        kept = _learnt_from(song, score, rng)
        here = k, slice(len(kept))
        x[here], before[here] = blank.scaled(song.measures[kept].astype(float)), score[kept]
        right[here], there[here] = song.right[kept], True
    weight = song_weights(songs).astype(np.float32)
    found = [_descend(x, before, right, there, weight, seed) for seed in range(CHOOSER_SEEDS)]
    first_weight, linear = (np.mean([f[k] for f in found], axis=0) for k in (0, 1))
    hidden, bias, out = (np.concatenate([f[k] for f in found], axis=-1) for k in (2, 3, 4))
    return ChooserNetwork(MEASURES, mean, scale, linear, hidden, bias, out / CHOOSER_SEEDS), float(first_weight)


def _descend(
    x: np.ndarray, before: np.ndarray, right: np.ndarray, there: np.ndarray, weight: np.ndarray, seed: int
) -> list[np.ndarray]:
    """Weight of the first network, linear weights, hidden layer, bias and out of one network, by Adam (D. Kingma,
    J. Ba, *Adam: a method for stochastic optimization*, ICLR 2015), its rate falling as a cosine."""
    rng = np.random.default_rng(seed)
    songs, _, m = x.shape
    w = [
        np.array(0.55),
        np.zeros(m),
        rng.normal(0, 0.08, (m, CHOOSER_UNITS)),
        np.zeros(CHOOSER_UNITS),
        rng.normal(0, 0.1, CHOOSER_UNITS),
    ]
    w = [p.astype(np.float32) for p in w]
    moments = [[np.zeros_like(p) for p in w] for _ in range(2)]
    steps, step = CHOOSER_ROUNDS * -(-songs // SONGS_A_BATCH), 0
    for _ in range(CHOOSER_ROUNDS):
        order = rng.permutation(songs)
        for batch in np.split(order, range(SONGS_A_BATCH, songs, SONGS_A_BATCH)):
            share, linear, hidden, bias, out = w
            inner = np.tanh(x[batch] @ hidden + bias)
            score = np.where(there[batch], share * before[batch] + x[batch] @ linear + inner @ out, -np.inf)
            slope = softmax(score, axis=1) - softmax(np.where(right[batch], score, -np.inf), axis=1)
            slope = (slope * weight[batch, None] / len(batch)).astype(np.float32)
            back = slope[..., None] * out * (1 - inner**2)
            gradient = [
                np.sum(slope * before[batch]),
                np.tensordot(slope, x[batch], 2) + 2 * CHOOSER_DECAY * linear,
                np.tensordot(x[batch], back, ((0, 1), (0, 1))) + 2 * CHOOSER_DECAY * hidden,
                back.sum(axis=(0, 1)),
                np.tensordot(slope, inner, 2) + 2 * CHOOSER_DECAY * out,
            ]
            rate, step = CHOOSER_RATE * (1 + np.cos(np.pi * step / steps)) / 2, step + 1
            for p, g, slow, square in zip(w, gradient, *moments):
                slow += 0.1 * (g - slow)
                square += 0.001 * (g**2 - square)
                p -= rate * (slow / (1 - 0.9**step)) / (np.sqrt(square / (1 - 0.999**step)) + 1e-8)
    return w


def cross_validated(first: ChooserNetwork, songs: Sequence[Table]) -> list[np.ndarray]:
    """Scores of each song's readings by networks that learnt from the other folds."""
    found = [Chooser(first, *fit(first, [s for s in songs if s.fold != k]), 1.0, 1.0) for k in range(CHOOSER_FOLDS)]
    return [found[s.fold].scores(s.measures.astype(float)) for s in songs]


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
    parser.add_argument("out", type=Path, help="the chooser; what is added to its first network is learnt anew")
    parser.add_argument("songs", nargs="+", type=Path, help="folders of songs")
    args = parser.parse_args()
    songs = [s for s in tables(args.songs) if Meter.parse(s.meter) in SONG_METERS]
    first, own = read_first(args.out)
    scores = cross_validated(first, songs)
    for folder in args.songs:
        names = {p.stem for p in folder.glob("*.npz")}
        mine = [k for k, s in enumerate(songs) if s.name in names]
        report(folder.name, [songs[k] for k in mine], [scores[k] for k in mine])
    write(args.out, Chooser(first, *fit(first, songs), temperature(songs, scores), own), len(songs))


def write(path: Path, found: Chooser, songs: int) -> None:
    """Keep a chooser as plain numbers."""
    data: dict[str, object] = {"songs": songs}
    for name, net in (("first", found.first), ("added", found.added)):
        parts = {part: np.round(getattr(net, part), 4).tolist() for part in NETWORK_PARTS}
        data[name] = {"measures": list(net.measures), **parts}
    data |= {k: round(getattr(found, k), 4) for k in ("first_weight", "temperature", "first_temperature")}
    path.write_text(json.dumps(data, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
