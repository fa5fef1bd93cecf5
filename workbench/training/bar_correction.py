"""Learn what finished music adds to the choice of bars (:mod:`workbench.listening.bar_correction`)::

    python -m workbench.training.bar_correction workbench/listening/bar_correction.json build/songs/*

From songs of known bars that the shipped detector heard: MIDI songs and tracker modules of games
(:mod:`workbench.training.midi_songs`, :mod:`workbench.training.module_songs`) beside performances of drummers
(:mod:`workbench.training.bar_songs`), so that what is learnt of the one takes nothing from the other.  Of what the
network adds a part is believed (:data:`PART_BELIEVED`).
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from workbench.chart.meter import Meter
from workbench.listening.bar_correction import LEAST_PROBABLE, BarCorrection
from workbench.listening.bar_reader import pooled
from workbench.listening.chooser import MEASURES, NETWORK_PARTS, SONG_METERS, ChooserNetwork
from workbench.training.bar_chooser import Learning, Table, fit_added, read_song

CORRECTING = Learning(0.6, {"": 1.0, "midi": 1.0, "module": 2.0}, units=16, seeds=3, decay=0.01, rounds=30, rate=0.01)

#: So much of what is learnt is believed.  Some of the drummers' songs are those that chooser and reader learnt from,
#: and speak too little against it.
PART_BELIEVED = 0.35

#: Measures that it does not know: the music that is learnt from keeps its meter and, but for little, its tempo.
NOT_MEASURED = ("changes", "bends", "spread", "steady")


def fit(songs: Sequence[Table], probabilities: Sequence[np.ndarray]) -> BarCorrection:
    """What songs add to the probabilities of their readings."""
    known = [k for k, name in enumerate(MEASURES) if name not in NOT_MEASURED]
    blank = np.isin(np.arange(len(MEASURES)), known).astype(np.float32)
    network, before = fit_added(
        CORRECTING,
        [replace(s, measures=s.measures * blank) for s in songs],
        [np.log(p + LEAST_PROBABLE) for p in probabilities],
        1.0,
    )
    believed = ChooserNetwork(
        tuple(MEASURES[k] for k in known),
        network.mean[known],
        network.scale[known],
        PART_BELIEVED * network.linear[known],
        network.hidden[known],
        network.bias,
        PART_BELIEVED * network.out,
    )
    return BarCorrection(PART_BELIEVED * before + 1 - PART_BELIEVED, believed)


def write(path: Path, found: BarCorrection, songs: int) -> None:
    """Keep a correction as plain numbers."""
    parts = {part: np.round(getattr(found.network, part), 4).tolist() for part in NETWORK_PARTS}
    data = {
        "songs": songs,
        "before": round(found.before, 4),
        "network": {"measures": list(found.network.measures), **parts},
    }
    path.write_text(json.dumps(data, separators=(",", ":")) + "\n")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path, help="the correction that is written")
    parser.add_argument("songs", nargs="+", type=Path, help="folders of songs")
    args = parser.parse_args()
    tables, before = [], []
    for path in sorted(p for folder in args.songs for p in folder.glob("*.npz")):
        heard, found, table = read_song(path)
        if Meter.parse(table.meter) in SONG_METERS:
            tables.append(table)
            before.append(pooled(heard, found, table.measures.astype(float)))
    write(args.out, fit(tables, before), len(tables))


if __name__ == "__main__":
    main()
