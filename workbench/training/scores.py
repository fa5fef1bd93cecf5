"""F of one or more validation runs, side by side: by instrument and by family, drums alone and in the mix.

Matching as in :mod:`workbench.training.calibrate`; thresholds are the packaged detector's, so that two networks are
asked the same question.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from mir_eval.util import match_events

from workbench.chart.drumkit import DETECTED
from workbench.listening.detect import find_peaks, refine_times
from workbench.training.calibrate import OTHER_THRESHOLDS, PAIRING_S, THRESHOLD
from workbench.training.planning import SETTINGS

SCORED_FAMILIES = {
    "snares": ("snare", "side stick"),
    "hats": ("closed hi-hat", "open hi-hat", "pedal hi-hat"),
    "toms": ("high tom", "mid tom", "floor tom"),
    "cymbals": ("ride", "ride bell", "crash"),
}


def count(validation: dict[str, np.ndarray], clip: int, names: tuple[str, ...]) -> np.ndarray:
    """Matched strokes, strokes and peaks of a clip; several *names* are taken as one instrument."""
    columns = [DETECTED.index(name) for name in names]
    onset = validation["heard"][clip].astype(np.float32)[:, columns] / 255
    scaled = np.max(onset / [OTHER_THRESHOLDS.get(name, THRESHOLD) for name in names], axis=1)
    times = refine_times(scaled, find_peaks(scaled, 1.0))
    strokes, end = validation["strokes"], validation["heard"].shape[1] / 100 - 0.03
    mine = (strokes[:, 0] == clip) & np.isin(strokes[:, 2], columns) & (strokes[:, 1] < end)
    truth = np.sort(strokes[mine, 1])
    if len(names) > 1 and len(truth):
        truth = truth[np.diff(truth, prepend=-1) > 0.02]
    pairs = match_events(truth, times, PAIRING_S) if len(truth) and len(times) else []
    return np.array([len(pairs), len(truth), len(times)])


def table(validation: dict[str, np.ndarray]) -> dict[str, dict[str, float]]:
    """F by instrument, family and over all instruments for every kind of clip; false strokes a minute without drums."""
    setting = {name: validation["settings"][:, k] for k, name in enumerate(SETTINGS)}
    drums, backing, plain = (setting[name] > 0 for name in ("has_drums", "has_backing", "plain"))
    kinds = {
        "alone": drums & ~backing,
        "alone, plain": drums & ~backing & plain,
        "mix": drums & backing,
        "mix, plain": drums & backing & plain,
        "mix, hard": drums & backing & ~plain,
    }
    rows = {name: (name,) for name in DETECTED} | SCORED_FAMILIES
    counts = {
        row: np.array([count(validation, clip, names) for clip in range(len(drums))]) for row, names in rows.items()
    }
    counts["all"] = np.sum([counts[name] for name in DETECTED], axis=0)
    result = {
        row: {kind: 2 * c[chosen, 0].sum() / max(1, c[chosen, 1:].sum()) for kind, chosen in kinds.items()}
        for row, c in counts.items()
    }
    minutes = (~drums).sum() * validation["heard"].shape[1] / 6000
    result["false a minute"] = {"no drums": counts["all"][~drums, 2].sum() / max(minutes, 1e-9)}
    return result


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__.split("\n", 1)[0],
        epilog="Example: python -m workbench.training.scores build/shipped.npz build/validation.npz",
    )
    parser.add_argument("validations", type=Path, nargs="+", help="written by workbench.training.validate")
    tables = []
    for file in parser.parse_args().validations:
        with np.load(file) as data:
            tables.append(table(dict(data)))
    for row, kinds in tables[0].items():
        cells = [f"{kind} " + " ".join(f"{t[row][kind]:.3f}" for t in tables) for kind in kinds]
        print(f"{row:15s} " + " | ".join(cells))


if __name__ == "__main__":
    main()
