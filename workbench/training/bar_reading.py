"""Learn to read bars (:mod:`workbench.listening.bar_reader`) from the songs of :mod:`workbench.training.bar_chooser`::

    python -m workbench.training.bar_reading workbench/listening/bar_reader.json build/songs/*

Composed songs first, then all songs by their weight, so that the right readings of each song are likeliest.  Now and
then a batch is read without most of the measures, so that the mean bar counts.  Needs PyTorch; one core is enough.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
import torch
from scipy.special import softmax
from torch import nn

from workbench.chart.meter import Meter
from workbench.listening.bar_reader import (
    BEAT_VALUES,
    FARTHEST,
    FARTHEST_BAR,
    MeanBars,
    ReaderNetwork,
    mean_bars,
    places,
    read_networks,
)
from workbench.listening.chooser import MEASURES, SONG_METERS
from workbench.training.bar_chooser import ADDED, CHOOSER_FOLDS, Table, learnt_from, read_song, report

#: Units of the layers of a beat and of a bar, share of inputs left out, decay, and songs a batch.
READER_UNITS, READER_BAR_UNITS, READER_LEFT_OUT, READER_DECAY, READER_SONGS_A_BATCH = 24, 32, 0.2, 1e-3, 48

#: How often the songs are gone through and the rate at first: composed songs, then all.
READER_FIRST_ROUNDS, READER_FIRST_RATE, READER_ROUNDS, READER_RATE = 8, 3e-3, 6, 2e-3

#: So many networks that begin otherwise.
READER_NETWORKS = 3

#: Share of batches that are read without measures but these.
WITHOUT_MEASURES = 0.5
ALWAYS_MEASURED = [
    MEASURES.index(name)
    for name in (
        *("tempo", "tempo_square", "bar_s", "bar_s_square", "steady", "bends", "changes"),
        *("thirds", "hits_a_beat", "kicks_a_beat", *(f"meter_{m}" for m in SONG_METERS)),
    )
]


@dataclass(frozen=True)
class ReadSong:
    """The readings of a song and their mean bars, half precision."""

    table: Table
    bars: MeanBars

    def some(self, kept: np.ndarray) -> MeanBars:
        """The mean bars of some readings."""
        begin = np.cumsum(self.bars.counts) - self.bars.counts
        rows = [np.arange(begin[k], begin[k] + self.bars.counts[k]) for k in kept]
        return MeanBars(self.bars.values[np.concatenate(rows)].astype(np.float32), self.bars.counts[kept])


class Reader(nn.Module):
    """:class:`~workbench.listening.bar_reader.ReaderNetwork` as it learns."""

    def __init__(self, songs: Sequence[ReadSong]) -> None:
        super().__init__()
        values = np.concatenate([s.bars.values[::7].astype(np.float32) for s in songs])
        measures = np.concatenate([s.table.measures for s in songs]).astype(np.float32)
        for name, of, least in (("bar_", values, 0.03), ("", measures, 0.05)):
            self.register_buffer(f"{name}mean", torch.from_numpy(of.mean(axis=0)))
            self.register_buffer(f"{name}scale", torch.from_numpy(np.maximum(of.std(axis=0), least)))
        always = torch.zeros(len(MEASURES))
        always[ALWAYS_MEASURED] = 1.0
        self.register_buffer("always", always)
        self.beat, self.around = nn.Linear(BEAT_VALUES, READER_UNITS), nn.Linear(3 * READER_UNITS, READER_UNITS)
        self.whole = nn.Linear(10 * READER_UNITS + len(MEASURES), READER_BAR_UNITS)
        self.out, self.linear = nn.Linear(READER_BAR_UNITS, 1, bias=False), nn.Linear(len(MEASURES), 1, bias=False)
        nn.init.zeros_(self.linear.weight)
        self.left_out = nn.Dropout(READER_LEFT_OUT)

    def forward(self, bars: MeanBars, measures: np.ndarray) -> torch.Tensor:
        at = places(bars.counts)
        values = (torch.from_numpy(bars.values) - self.bar_mean) / self.bar_scale
        beat = torch.relu(self.beat(self.left_out(values.clamp(-FARTHEST_BAR, FARTHEST_BAR))))
        around = torch.relu(self.around(torch.cat([beat[at.before], beat, beat[at.after]], dim=1)))
        both = torch.cat([beat, around], dim=1)
        total = torch.zeros(len(bars.counts), both.shape[1]).index_add_(0, torch.from_numpy(at.reading), both)
        mean = total / torch.from_numpy(bars.counts)[:, None]
        middle = torch.maximum(*(both[m] for m in at.middles))
        seen = [both[at.first], both[at.second], middle, both[at.last]]
        scaled = (torch.from_numpy(measures) - self.mean) / self.scale
        scaled = scaled.clamp(-FARTHEST, FARTHEST)
        if self.training and torch.rand(()) < WITHOUT_MEASURES:
            scaled = scaled * self.always
        whole = self.whole(self.left_out(torch.cat([mean, *(s - mean for s in seen), scaled], dim=1)))
        return (self.out(torch.relu(whole)) + self.linear(scaled))[:, 0]

    def network(self) -> ReaderNetwork:
        """As it is shipped."""
        parts = {name: getattr(self, name).numpy() for name in ("bar_mean", "bar_scale", "mean", "scale")}
        for name in ("beat", "around", "whole"):
            layer = getattr(self, name)
            parts |= {name: layer.weight.detach().numpy().T, f"{name}_bias": layer.bias.detach().numpy()}
        parts |= {name: getattr(self, name).weight.detach().numpy()[0] for name in ("out", "linear")}
        return ReaderNetwork(**{f.name: np.array(parts[f.name]) for f in fields(ReaderNetwork)})


def learn(reader: Reader, songs: Sequence[ReadSong], rounds: int, rate: float, seed: int) -> None:
    """Songs are drawn by their weight; AdamW, its rate falling as a cosine."""
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    weight = ADDED.weigh([s.table for s in songs])
    weight[[not s.table.right.any() or bool(s.table.right.all()) for s in songs]] = 0.0
    batches = rounds * -(-int((weight > 0).sum()) // READER_SONGS_A_BATCH)
    optimizer = torch.optim.AdamW(reader.parameters(), rate, weight_decay=READER_DECAY)
    falling = torch.optim.lr_scheduler.LambdaLR(optimizer, lambda k: (1 + np.cos(np.pi * k / batches)) / 2)
    sifted = MEASURES.index("sifted_behind")
    reader.train()
    for _ in range(batches):
        drawn = [songs[k] for k in rng.choice(len(songs), READER_SONGS_A_BATCH, p=weight / weight.sum())]
        kept = [learnt_from(s.table, s.table.measures[:, sifted], rng) for s in drawn]
        some = [s.some(k) for s, k in zip(drawn, kept)]
        bars = MeanBars(np.concatenate([b.values for b in some]), np.concatenate([b.counts for b in some]))
        measures = np.concatenate([s.table.measures[k] for s, k in zip(drawn, kept)]).astype(np.float32)
        score = reader(bars, measures).split([len(k) for k in kept])
        right = [torch.from_numpy(s.table.right[k]) for s, k in zip(drawn, kept)]
        loss = sum(torch.logsumexp(v, 0) - torch.logsumexp(v[r], 0) for v, r in zip(score, right)) / len(drawn)
        optimizer.zero_grad()
        loss.backward()
        optimizer.step()
        falling.step()
    reader.eval()


def fit(songs: Sequence[ReadSong], networks: int = READER_NETWORKS) -> tuple[ReaderNetwork, ...]:
    """Networks learnt from songs, those composed first."""
    composed = [s for s in songs if s.table.name.startswith("composed")] or list(songs)
    out = []
    for seed in range(networks):
        torch.manual_seed(seed)
        reader = Reader(songs)
        learn(reader, composed, READER_FIRST_ROUNDS, READER_FIRST_RATE, seed)
        learn(reader, songs, READER_ROUNDS, READER_RATE, seed)
        out.append(reader.network())
    return tuple(out)


def scores(networks: Sequence[ReaderNetwork], song: ReadSong) -> np.ndarray:
    """How the networks rate the readings of a song, (readings,)."""
    bars = MeanBars(song.bars.values.astype(np.float32), song.bars.counts)
    return np.mean([n.scores(bars, song.table.measures.astype(float)) for n in networks], axis=0)


def read_songs(folders: Sequence[Path]) -> Iterator[ReadSong]:
    """Songs of folders in meters that are considered unasked."""
    for path in sorted(p for folder in folders for p in folder.glob("*.npz")):
        heard, found, table = read_song(path)
        if Meter.parse(table.meter) in SONG_METERS:
            bars = mean_bars(heard, found)
            yield ReadSong(table, MeanBars(bars.values.astype(np.float16), bars.counts))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path, help="the reader that is written")
    parser.add_argument("songs", nargs="+", type=Path, help="folders of songs")
    parser.add_argument("--folds", action="store_true", help="tell how songs are read that were not learnt from")
    parser.add_argument("--keep", action="store_true", help="the file's networks stay beside those learnt anew")
    args = parser.parse_args()
    torch.set_num_threads(1)
    songs = list(read_songs(args.songs))
    if args.folds:
        by_fold = [fit([s for s in songs if s.table.fold != k]) for k in range(CHOOSER_FOLDS)]
        played = [s for s in songs if not s.table.name.startswith("composed")]
        report("in folds", [s.table for s in played], [softmax(scores(by_fold[s.table.fold], s)) for s in played])
    kept = read_networks(json.loads(args.out.read_text())) if args.keep else ()
    write(args.out, (*kept, *fit(songs)))


def write(path: Path, networks: Sequence[ReaderNetwork]) -> None:
    """Keep networks as plain numbers."""
    data = [{f.name: np.round(getattr(n, f.name).astype(float), 4).tolist() for f in fields(n)} for n in networks]
    path.write_text(json.dumps(data, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
