"""Learn what the rest of a song weighs in the second pass over it (:mod:`workbench.listening.second_pass`).

From clips heard by :mod:`workbench.training.validate`: a logistic regression on the evidence, added to the log odds
that each instrument's calibration gives; written into the detector's ``.json``.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

from workbench.chart.drumkit import DETECTED
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.activations import Activations
from workbench.listening.detect import Calibration, compute_activations, detect_strokes, read_calibration
from workbench.listening.harmony import hear_harmony
from workbench.listening.readings import track_readings
from workbench.listening.second_pass import Candidates, find_candidates, height_odds
from workbench.training.calibrate import PAIRING_S
from workbench.training.module_clips import read_modules
from workbench.training.planning import SETTINGS

N = len(DETECTED)


def bars_of(beats: np.ndarray, duration_s: float) -> TimeMap:
    """Bars of a clip from its beats (n, 2: time_s, number), whole bars added at both ends."""
    lines, counted = beats[beats[:, 1] == 1, 0], int(beats[:, 1].max(initial=4))
    lines = lines if len(lines) else np.zeros(1)
    length = float(np.median(np.diff(lines))) if len(lines) > 1 else 2.0
    before = lines[0] - length * np.arange(int(np.ceil(max(lines[0], 0) / length)), 0, -1)
    after = lines[-1] + length * np.arange(1, 1 + max(1, int(np.ceil((duration_s - lines[-1]) / length))))
    lines = np.concatenate([before, lines, after])
    bars = [Bar(Meter(counted, 4), tuple(np.linspace(a, b, counted + 1)[:-1])) for a, b in zip(lines, lines[1:])]
    return TimeMap(bars, lines[-1])


def hear_clips(file: Path) -> Iterator[tuple[bool, Candidates, np.ndarray, int]]:
    """Of each clip with drums: whether it has backing, its candidates, which of them are strokes, and how many
    strokes there are."""
    with np.load(file) as kept:
        data = dict(kept)
    setting = {name: data["settings"][:, k] > 0 for k, name in enumerate(SETTINGS)}
    for clip in np.flatnonzero(setting["has_drums"]):
        heard = data["heard"][clip].astype(np.float32) / 255
        duration_s = len(heard) / 100
        beats = data["beats"][data["beats"][:, 0] == clip][:, 1:]
        activations = Activations(100.0, DETECTED, heard[:, :N], heard[:, N : 2 * N], *heard[:, 2 * N :].T)
        found = find_candidates(activations, bars_of(beats, duration_s))
        strokes = data["strokes"][data["strokes"][:, 0] == clip][:, 1:]
        strokes = strokes[(strokes[:, 0] >= 0) & (strokes[:, 0] < duration_s - 0.03)]
        yield bool(setting["has_backing"][clip]), found, are_strokes(found, strokes), len(strokes)


def hear_modules(folder: Path) -> Iterator[tuple[bool, Candidates, np.ndarray, int]]:
    """The same of tracker modules, drums alone and in the mix, their bars as tracked."""
    for strokes, drums, rest in read_modules(folder):
        for backed in (False, True):
            samples = drums + rest if backed else drums
            heard = compute_activations(samples)
            readings = track_readings(
                heard, detect_strokes(heard), len(samples) / SAMPLE_RATE_HZ, hear_harmony(samples)
            )
            found = find_candidates(heard, readings[0].time_map)
            yield backed, found, are_strokes(found, strokes), len(strokes)


def are_strokes(found: Candidates, strokes: np.ndarray) -> np.ndarray:
    """Which candidates are strokes (n, 2 or more: time_s, instrument): of two near one the higher is."""
    right = np.zeros(len(found.time_s), bool)
    for column in range(N):
        free = strokes[strokes[:, 1] == column, 0].tolist()
        mine = np.flatnonzero(found.column == column)
        for k in mine[np.argsort(-found.height[mine])]:
            nearest = min(free, key=lambda t: abs(t - found.time_s[k]), default=np.inf)
            if abs(nearest - found.time_s[k]) <= PAIRING_S:
                right[k] = True
                free.remove(nearest)
    return right


def learn(sources: list[list[tuple[bool, Candidates, np.ndarray, int]]], calibration: Calibration) -> np.ndarray:
    """Constant and weights of the evidence that make the strokes likeliest; each source of clips counts as much.

    Clips draw their patterns; modules repeat their bars exactly, as much music does.
    """
    x, odds, right, share = [], [], [], []
    for clips in sources:
        count = sum(len(r) for _, _, r, _ in clips)
        for _, found, is_stroke, _ in clips:
            x.append(np.column_stack([np.ones(len(is_stroke)), found.evidence]))
            odds.append(height_odds(found, calibration))
            right.append(is_stroke)
            share.append(np.full(len(is_stroke), 1 / count / len(sources)))
    evidence, start, target, weight = (np.concatenate(part) for part in (x, odds, right, share))

    def loss(w: np.ndarray) -> tuple[float, np.ndarray]:
        z = start + evidence @ w
        p = 1 / (1 + np.exp(-np.clip(z, -30, 30)))
        value = float(weight @ (np.logaddexp(0, z) - target * z) + 1e-3 * w @ w)
        return value, evidence.T @ (weight * (p - target)) + 2e-3 * w

    return minimize(loss, np.zeros(evidence.shape[1]), jac=True).x


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("calibration", type=Path, help="the packaged detector's .json, of which 'song' is written anew")
    parser.add_argument("heard", type=Path, nargs="+", help="written by workbench.training.validate")
    parser.add_argument("--modules", type=Path, help="folder written by workbench.training.module_clips")
    args = parser.parse_args()
    calibration = read_calibration()
    sources = [[clip for file in args.heard for clip in hear_clips(file)]]
    sources += [list(hear_modules(args.modules))] if args.modules else []
    weights = learn(sources, calibration)
    data = json.loads(args.calibration.read_text())
    data["song"] = [round(float(w), 4) for w in weights]
    args.calibration.write_text(json.dumps(data, indent=1) + "\n")
    print(f"song: {data['song']}")


if __name__ == "__main__":
    main()
