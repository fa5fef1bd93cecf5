"""How much it counts whether a moment has the very sound of a drum (:mod:`workbench.listening.same_sound`): fitted on
songs whose strokes are known exactly, drums alone and in the mix::

    python -m workbench.training.same_sound_weight build/modules build/midi

It prints the weight of each family of drums, and the same of those drums only that are named rightly as a whole: what
is wrong in others is the name, which no waveform tells.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import minimize_scalar

from workbench.chart.drumkit import DETECTED, instrument
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.detect import read_calibration
from workbench.listening.harmony import hear_harmony
from workbench.listening.readings import track_readings
from workbench.listening.same_sound import tell_same_sounds, whiten
from workbench.listening.second_pass import find_candidates, logit, read_network
from workbench.training.module_clips import read_modules

#: So much of a song is heard, seconds.
HEARD_OF_SONG_S = 60
#: Drums more of whose likely strokes are right are named rightly.
NAMED_RIGHTLY = 0.5

_FAMILY = np.array([instrument(name).family for name in DETECTED])


@dataclass(frozen=True)
class Told:
    """What is told of the candidates of a song.

    Attributes
    ----------
    column : ndarray (n,), int
    before : ndarray (n,)
        Log odds of the second pass.
    evidence : ndarray (n,)
        Of the waveform, natural log.
    right : ndarray (n,), bool
    """

    column: np.ndarray
    before: np.ndarray
    evidence: np.ndarray
    right: np.ndarray

    def of_rightly_named(self) -> Told:
        """Only of drums that are named rightly."""
        likely = self.before > 0
        named = [
            k for k in np.unique(self.column[likely]) if self.right[likely & (self.column == k)].mean() > NAMED_RIGHTLY
        ]
        rows = np.isin(self.column, named)
        return Told(self.column[rows], self.before[rows], self.evidence[rows], self.right[rows])


def tell(samples: np.ndarray, strokes: np.ndarray) -> Told:
    """What is told of a recording's candidates; its strokes (n, 2: seconds, instrument) are known."""
    from workbench.training.second_pass_learning import are_strokes, hear  # needs torch

    activations, detected = hear(samples)
    bars = track_readings(activations, detected, activations.duration_s, hear_harmony(samples))[0].time_map
    found = find_candidates(activations, detected, bars, read_calibration())
    sure = read_network().probabilities(found)
    heard_s = found.time_s - read_calibration().onset_bias_s[found.column]
    evidence = tell_same_sounds(whiten(samples), heard_s, found.column, found.height, sure)
    return Told(found.column, logit(sure), evidence, are_strokes(found, strokes))


def tell_folder(folder: Path) -> Iterator[Told]:
    """What is told of songs written by :mod:`workbench.training.module_clips`, alone and in the mix."""
    for song in read_modules(folder):
        length = min(len(song.drums), len(song.rest), HEARD_OF_SONG_S * SAMPLE_RATE_HZ)
        strokes = song.strokes[song.strokes[:, 0] < length / SAMPLE_RATE_HZ]
        for samples in (song.drums[:length], song.drums[:length] + song.rest[:length]):
            if len(strokes) and samples.any():
                yield tell(samples.astype(np.float32), strokes)


def fit(songs: Sequence[Told], family: str) -> float:
    """The weight of the evidence that makes what is right of a family's candidates likeliest; each song counts as
    much."""

    def surprise(weight: float) -> float:
        total = 0.0
        for song in songs:
            mine = _FAMILY[song.column] == family
            if mine.any():
                odds = song.before[mine] + weight * song.evidence[mine]
                total += np.mean(np.logaddexp(0, odds) - song.right[mine] * odds)
        return total

    return float(minimize_scalar(surprise, bounds=(-1.0, 2.0), method="bounded").x)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("songs", nargs="+", type=Path, help="folders written by workbench.training.module_clips")
    args = parser.parse_args()
    songs = [told for folder in args.songs for told in tell_folder(folder)]
    named = [song.of_rightly_named() for song in songs]
    print(f"{len(songs)} songs")
    for family in dict.fromkeys(_FAMILY):
        print(f"{family:12} {fit(songs, family):5.2f}, named rightly {fit(named, family):5.2f}", flush=True)


if __name__ == "__main__":
    main()
