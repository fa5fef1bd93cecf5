"""How much the pulse of the whole song counts when bars are chosen (:mod:`workbench.listening.song_pulse`), and
that recordings begin with a bar (:mod:`workbench.listening.opening`): four numbers, fitted on songs that its network
did not learn from, some of them heard from anywhere on::

    python -m workbench.training.pulse_weights workbench/listening/weights/song_pulse.json build/kept-out/*
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.special import log_softmax, logsumexp

from workbench.listening.bar_correction import correction
from workbench.listening.bar_reader import pooled
from workbench.listening.song_pulse import TOLD, song_pulse
from workbench.training.bar_chooser import read_song

#: No song's surprise counts more than this, natural log; and how strongly the weights are held to (1, 0, 0, 0).
MOST_SURPRISE, HELD = 9.2, 0.002


def fit(told: Sequence[np.ndarray], right: Sequence[np.ndarray]) -> np.ndarray:
    """Weights of what is told of readings (:data:`~workbench.listening.song_pulse.TOLD`), from songs with a right
    one."""
    songs = [(x, r) for x, r in zip(told, right, strict=True) if r.any()]
    none = np.eye(len(TOLD))[0]

    def surprise(weights: np.ndarray) -> float:
        each = [min(-logsumexp(log_softmax(x @ weights)[r]), MOST_SURPRISE) for x, r in songs]
        return float(np.mean(each) + HELD * np.square(weights - none).sum())

    return np.asarray(minimize(surprise, np.array([1.0, 0.2, 0.2, 0.5]), method="L-BFGS-B").x)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path, help="the .json file beside the network")
    parser.add_argument("songs", nargs="+", type=Path, help="folders of songs")
    args = parser.parse_args()
    network, songs = song_pulse(), []
    for path in sorted(p for folder in args.songs for p in folder.glob("*.npz")):
        heard, found, table = read_song(path)
        measures = table.measures.astype(float)
        before = correction().corrected(pooled(heard, found, measures), measures)
        songs.append((network.told(before, heard, found), table.right))
    weights = fit(*zip(*songs, strict=True))
    told = json.loads(args.out.read_text()) | dict(zip(TOLD, np.round(weights, 3).tolist()))
    args.out.write_text(json.dumps(told) + "\n")
    print(f"{len(songs)} songs: {weights.round(3).tolist()}")


if __name__ == "__main__":
    main()
