"""Learn which reading of a song's bars is right (:mod:`workbench.listening.chooser`).

From the songs of :mod:`workbench.training.bar_songs`,
:mod:`workbench.training.module_songs` and
:mod:`workbench.training.composed_songs`, whose bars are known::

    python -m workbench.training.bar_chooser workbench/listening/bar_chooser.json build/songs/*

Every reading of every song is measured; a reading is right if its beats and
bar lines are (F > 0.9 at ±70 ms each, and within 0.05 of the best there is) and,
where one such reading is, its meter.  The first network learns from recorded
players and modules what to add to the sum of evidence by which readings are
sifted, the second from all songs what to add to the first, so that the right readings
of each song are likeliest.  Each is the mean of some that begin differently, side by
side as one wider hidden layer.  Folds of songs, those of one performance or one
package together, tell how well the networks choose, and fit the temperatures that
make their probabilities honest.  The same songs give the same networks.  After new
weights of the detector, hear the songs anew first.
"""

from __future__ import annotations

import argparse
import json
import zlib
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
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
    """The readings of one song: measures, F of their beats and bar lines, and whether their meter is the song's."""

    name: str
    group: str
    meter: str
    measures: np.ndarray
    quality: np.ndarray
    named: np.ndarray

    @cached_property
    def right(self) -> np.ndarray:
        worst = self.quality.min(axis=1)
        found = (worst > RIGHT) & (worst > worst.max() - ALMOST)
        return found & self.named if (found & self.named).any() else found

    def only(self, kept: np.ndarray) -> Table:
        """The song with some of its readings."""
        return replace(self, measures=self.measures[kept], quality=self.quality[kept], named=self.named[kept])

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


def read_song(path: Path) -> tuple[Heard, list[Candidate], Table]:
    """What was heard of a song, its readings, and what is told of them."""
    song = BarSong.read(path)
    grids = song_grids(song.activations, song.strokes)
    heard = Heard(song.activations, song.strokes, song.harmony)
    found = candidates(heard, [(g, ()) for g in grids])
    told = Table(
        song.name,
        song.group,
        song.meter,
        measure(heard, found).astype(np.float32),
        np.array([quality(song, c) for c in found], dtype=np.float32),
        np.array([str(c.meter) == song.meter for c in found]),
    )
    return heard, found, told


def table(path: Path) -> Table:
    return read_song(path)[2]


def tables(folders: Sequence[Path], workers: int = 2) -> Iterator[Table]:
    """Measured songs of folders in the order of their names."""
    paths = sorted(p for folder in folders for p in folder.glob("*.npz"))
    if workers == 1:
        yield from map(table, paths)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(table, paths)


@dataclass(frozen=True)
class Learning:
    """How one of the networks is learnt.

    Attributes
    ----------
    four_share : float
        How many of all songs count as 4/4, whatever meters the songs are in.
    weights : dict
        How much a song counts beside others in 4/4, or not in 4/4, by the beginning of its name, the longest that fits.
    units, seeds : int
        Of the hidden layer of each network, and so many networks.
    decay : float
        The squares of all weights, times this, are added to the mean loss of a batch of songs.
    rounds, rate
        How often every song is seen, and the rate at first.
    """

    four_share: float
    weights: dict[str, float]
    units: int
    seeds: int
    decay: float
    rounds: int
    rate: float

    def weigh(self, songs: Sequence[Table]) -> np.ndarray:
        """How much each song counts; the mean of those that count at all is 1."""
        weight = np.array([self.weights[max(filter(s.name.startswith, self.weights), key=len)] for s in songs])
        four = np.array([s.is_four for s in songs])
        for here, share in ((four, self.four_share), (~four, 1.0 - self.four_share)):
            weight[here] *= share / max(weight[here].sum(), 1e-9)
        return weight / weight[weight > 0].mean()


#: Performances count as one played them, modules as somebody wrote them; of composed songs the first network learns
#: only from those that a drummer played as they are, and from those heard ideally.
FIRST = Learning(
    0.9,
    {"": 1.0, "module": 0.3, "composed": 0.0, "composed-own": 0.3, "composed-ideal": 1.0},
    units=8,
    seeds=3,
    decay=0.1,
    rounds=30,
    rate=0.01,
)
ADDED = Learning(
    0.75,
    {"": 12.0, "module": 8.0, "composed": 1.0, "composed-own": 6.0, "composed-human": 3.0, "composed-ideal": 7.0},
    units=16,
    seeds=3,
    decay=3e-3,
    rounds=12,
    rate=5e-3,
)
SONGS_A_BATCH = 128

#: So many readings of a song are learnt from, among them the likeliest and the right ones.
LEARNT_READINGS = 48

#: How much the sum of evidence counts at first, nats for each nat a second.
SIFTED = 3.0


def learnt_from(song: Table, before: np.ndarray, rng: np.random.Generator) -> np.ndarray:
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


def fit_added(
    learning: Learning, songs: Sequence[Table], scores: Sequence[np.ndarray], share: float
) -> tuple[ChooserNetwork, float]:
    """What to add to scores of the songs' readings, and how much those count, *share* at first."""
    weight = learning.weigh(songs)
    chosen = [k for k, s in enumerate(songs) if weight[k] > 0 and s.right.any() and not s.right.all()]
    every = np.concatenate([songs[k].measures for k in chosen]).astype(float)
    mean, scale = every.mean(axis=0), np.maximum(every.std(axis=0), 0.02)
    blank = ChooserNetwork(MEASURES, mean, scale, *np.zeros((4, 1)))
    rng = np.random.default_rng(0)
    shape = len(chosen), min(LEARNT_READINGS, max(len(songs[k].measures) for k in chosen))
    x, before = np.zeros((*shape, len(MEASURES)), np.float32), np.zeros(shape, np.float32)
    right, there = np.zeros(shape, bool), np.zeros(shape, bool)
    for row, k in enumerate(chosen):
        kept = learnt_from(songs[k], scores[k], rng)
        here = row, slice(len(kept))
        x[here], before[here] = blank.scaled(songs[k].measures[kept].astype(float)), scores[k][kept]
        right[here], there[here] = songs[k].right[kept], True
    counts = (weight[chosen] / weight[chosen].mean()).astype(np.float32)
    found = [_descend(learning, x, before, right, there, counts, share, seed) for seed in range(learning.seeds)]
    share, linear = (np.mean([f[k] for f in found], axis=0) for k in (0, 1))
    hidden, bias, out = (np.concatenate([f[k] for f in found], axis=-1) for k in (2, 3, 4))
    return ChooserNetwork(MEASURES, mean, scale, linear, hidden, bias, out / learning.seeds), float(share)


def _descend(
    learning: Learning,
    x: np.ndarray,
    before: np.ndarray,
    right: np.ndarray,
    there: np.ndarray,
    weight: np.ndarray,
    share: float,
    seed: int,
) -> list[np.ndarray]:
    """Weight of the scores before, linear weights, hidden layer, bias and out of one network, by Adam (D. Kingma,
    J. Ba, *Adam: a method for stochastic optimization*, ICLR 2015), its rate falling as a cosine."""
    rng = np.random.default_rng(seed)
    songs, _, m = x.shape
    units, decay = learning.units, learning.decay
    w = [np.array(share), np.zeros(m), rng.normal(0, 0.08, (m, units)), np.zeros(units), rng.normal(0, 0.1, units)]
    w = [p.astype(np.float32) for p in w]
    moments = [[np.zeros_like(p) for p in w] for _ in range(2)]
    steps, step = learning.rounds * -(-songs // SONGS_A_BATCH), 0
    for _ in range(learning.rounds):
        order = rng.permutation(songs)
        for batch in np.split(order, range(SONGS_A_BATCH, songs, SONGS_A_BATCH)):
            share_now, linear, hidden, bias, out = w
            inner = np.tanh(x[batch] @ hidden + bias)
            score = np.where(there[batch], share_now * before[batch] + x[batch] @ linear + inner @ out, -np.inf)
            slope = softmax(score, axis=1) - softmax(np.where(right[batch], score, -np.inf), axis=1)
            slope = (slope * weight[batch, None] / len(batch)).astype(np.float32)
            back = slope[..., None] * out * (1 - inner**2)
            gradient = [
                np.sum(slope * before[batch]),
                np.tensordot(slope, x[batch], 2) + 2 * decay * linear,
                np.tensordot(x[batch], back, ((0, 1), (0, 1))) + 2 * decay * hidden,
                back.sum(axis=(0, 1)),
                np.tensordot(slope, inner, 2) + 2 * decay * out,
            ]
            rate, step = learning.rate * (1 + np.cos(np.pi * step / steps)) / 2, step + 1
            for p, g, slow, square in zip(w, gradient, *moments):
                slow += 0.1 * (g - slow)
                square += 0.001 * (g**2 - square)
                p -= rate * (slow / (1 - 0.9**step)) / (np.sqrt(square / (1 - 0.999**step)) + 1e-8)
    return w


def fit_first(songs: Sequence[Table]) -> ChooserNetwork:
    """The network of players: the sum of evidence, and what it learns to add to that."""
    sifted = MEASURES.index("sifted_behind")
    net, share = fit_added(FIRST, songs, [s.measures[:, sifted].astype(float) for s in songs], SIFTED)
    linear = net.linear.copy()
    linear[sifted] += share * net.scale[sifted]
    return replace(net, linear=linear)


def fit(songs: Sequence[Table], first: ChooserNetwork | None = None) -> Chooser:
    """Both networks, or what is added to a first one, at temperature 1."""
    first = first or fit_first(songs)
    scores = [first.scores(s.measures.astype(float)) for s in songs]
    return Chooser(first, *fit_added(ADDED, songs, scores, FIRST_SHARE), 1.0, 1.0)


#: How much the first network counts at first beside what is added.
FIRST_SHARE = 0.55


def cross_validated(songs: Sequence[Table], first: ChooserNetwork | None = None) -> list[Chooser]:
    """For each fold of songs a chooser that learnt from the others."""
    return [fit([s for s in songs if s.fold != k], first) for k in range(CHOOSER_FOLDS)]


def with_temperatures(found: Chooser, songs: Sequence[Table], by_fold: Sequence[Chooser]) -> Chooser:
    """A chooser whose probabilities are honest about the songs when its networks learnt from other folds."""
    played = [s for s in songs if not s.name.startswith("composed")] or songs
    scores = [by_fold[s.fold].scores(s.measures.astype(float)) for s in played]
    four = MEASURES.index("meter_4/4")
    in_four = [s.only(s.measures[:, four] > 0) for s in played if s.is_four]
    alone = [by_fold[s.fold].first.scores(s.measures.astype(float)) for s in in_four]
    return replace(found, temperature=temperature(played, scores), first_temperature=temperature(in_four, alone))


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
    parser.add_argument("out", type=Path, help="the chooser that is written")
    parser.add_argument("songs", nargs="+", type=Path, help="folders of songs")
    parser.add_argument(
        "--keep-first", action="store_true", help="learn only what is added to the file's first network"
    )
    args = parser.parse_args()
    songs = [s for s in tables(args.songs) if Meter.parse(s.meter) in SONG_METERS]
    first = read_chooser(json.loads(args.out.read_text())).first if args.keep_first else None
    by_fold = cross_validated(songs, first)
    found = with_temperatures(fit(songs, first), songs, by_fold)
    for folder in args.songs:
        names = {p.stem for p in folder.glob("*.npz")}
        mine = [s for s in songs if s.name in names]
        judges = [replace(found, first=by_fold[s.fold].first, added=by_fold[s.fold].added) for s in mine]
        report(folder.name, mine, [j.probabilities(s.measures.astype(float)) for j, s in zip(judges, mine)])
    write(args.out, found, len(songs))


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
