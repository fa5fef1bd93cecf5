"""Fits the coefficients of the fill model.

    python -m workbench.training.fill_tuning PATH_TO_GROOVE_MIDI

Logistic regression (L2, L-BFGS) on bars of the Groove MIDI Dataset's training
split, each the mean of its beats' features: fills put into grooves against bars of
the same groove and against bars of other grooves put in likewise, and both
standing alone (:mod:`workbench.training.fill_examples`).  The signs of most
coefficients are held to what a drummer expects.  Features, penalty and the weight
of each kind of bar were chosen by cross-validation over the performances of that
split.  Writes ``workbench/reading/fill_model.json`` with the cross-validated areas under
the ROC curve.
"""

from __future__ import annotations

import json
import sys
import zlib
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

from workbench.reading import fill_model
from workbench.reading.patterns import Patterns
from workbench.training.fill_examples import PUT_IN, Played, excerpts, played, songs
from workbench.training.fill_measures import excerpt_area, song_areas
from workbench.training.groove_performances import read_performances

#: Strength of the L2 penalty on standardised coefficients.
PENALTY = 5.0

#: Weight of all bars of a kind together, (kind, is a fill).
WEIGHT: dict[tuple[str, bool], float] = {
    ("put in", True): 2.0,
    ("put in", False): 1.0,
    ("own", False): 3.0,
    ("1 alone", True): 0.7,
    ("1 alone", False): 0.7,
    ("2 alone", True): 0.35,
    ("2 alone", False): 0.35,
}

#: Folds of the cross-validation and draws of songs in each.
FOLDS, DRAWS = 5, 3

Bars = dict[tuple[str, bool], list[np.ndarray]]


def bar_features(performances: list[Played]) -> Bars:
    """Mean features of bars, by kind and whether they are fills."""
    out: Bars = {kind: [] for kind in WEIGHT}
    for bars in (1, 2):
        for excerpt in excerpts(performances, bars):
            patterns = Patterns.of(excerpt.chart)
            out[f"{bars} alone", excerpt.is_fill] += [row for row in _means(patterns) if row is not None]
    for seed in range(DRAWS):
        for song in songs(performances, seed):
            for k, row in enumerate(_means(Patterns.of(song.chart))):
                if row is not None:
                    kind = ("put in", song.has_fills) if k in PUT_IN else ("own", False)
                    out[kind].append(row)
    return out


def _means(patterns: Patterns) -> list[np.ndarray | None]:
    features = fill_model.beat_features(patterns)
    heard = patterns.beats.any(axis=(1, 2))
    bars = [slice(a, b) for a, b in zip(patterns.first_beat, patterns.first_beat[1:])]
    return [features[bar][heard[bar]].mean(axis=0) if heard[bar].any() else None for bar in bars]


def fit(groups: list[Bars]) -> tuple[np.ndarray, float]:
    """Coefficients and intercept."""
    rows = {kind: [row for g in groups for row in g[kind]] for kind in WEIGHT}
    x = np.vstack([r for kind in WEIGHT for r in rows[kind]])
    y = np.concatenate([np.full(len(rows[kind]), float(kind[1])) for kind in WEIGHT])
    weight = np.concatenate([np.full(len(rows[kind]), share / len(rows[kind])) for kind, share in WEIGHT.items()])
    weight *= len(x) / weight.sum()
    mean = np.average(x, axis=0, weights=weight)
    spread = np.sqrt(np.average((x - mean) ** 2, axis=0, weights=weight))
    z = np.column_stack([(x - mean) / spread, np.ones(len(x))])
    signs = {+1: (0.0, None), -1: (None, 0.0), 0: (None, None)}
    bounds = [*(signs[sign] for sign in fill_model.FEATURES.values()), (None, None)]

    def loss(b):
        s = z @ b
        value = (weight * (np.logaddexp(0, s) - y * s)).sum() + PENALTY / 2 * (b[:-1] ** 2).sum()
        slope = z.T @ (weight * (1 / (1 + np.exp(-s)) - y)) + PENALTY * np.append(b[:-1], 0)
        return value, slope

    b = minimize(loss, np.zeros(z.shape[1]), jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 500}).x
    coefficients = b[:-1] / spread
    return coefficients, float(b[-1] - coefficients @ mean)


def cross_validated(folds: list[list[Played]], groups: list[Bars]) -> dict[str, float]:
    """Areas under the ROC curve, each fold scored by coefficients fitted to the others."""
    found: dict[str, list[float]] = {}
    for k, fold in enumerate(folds):
        coefficients, intercept = fit(groups[:k] + groups[k + 1 :])

        def logits(patterns: Patterns, weights=coefficients, constant=intercept) -> np.ndarray:
            return fill_model.logits_of(patterns, weights, constant)

        areas = {f"excerpts of {bars} bar(s)": excerpt_area(fold, bars, logits) for bars in (1, 2)}
        for name, area in (areas | song_areas(fold, DRAWS, logits)).items():
            found.setdefault(name, []).append(area)
    return {name: round(float(np.mean(areas)), 4) for name, areas in found.items()}


def main(folder: str) -> None:
    folds: list[list[Played]] = [[] for _ in range(FOLDS)]
    for performance, chart in played(read_performances(Path(folder), ("train",))):
        folds[zlib.crc32(performance.name.encode()) % FOLDS].append((performance, chart))
    groups = [bar_features(fold) for fold in folds]
    areas = cross_validated(folds, groups)
    coefficients, intercept = fit(groups)
    data = {
        "made_by": "python -m workbench.training.fill_tuning",
        "data": "Groove MIDI Dataset (Gillick et al., ICML 2019), CC BY 4.0, training split",
        "roc_auc_cross_validated": areas,
        "intercept": round(intercept, 5),
        "coefficients": {n: round(float(c), 5) for n, c in zip(fill_model.FEATURES, coefficients)},
    }
    path = Path(fill_model.__file__).with_name("fill_model.json")
    path.write_text(json.dumps(data, indent=1) + "\n", "utf-8")
    print(json.dumps(data, indent=1))


if __name__ == "__main__":
    main(sys.argv[1])
