"""Fits the coefficients of the fill model.

    python -m workbench.training.fill_tuning PATH_TO_GROOVE_MIDI

Logistic regression (L2, L-BFGS) on the beats of the Groove MIDI Dataset's
training split: beats of performances labelled *fill* against beats of those
labelled *beat*, both classes weighing the same and long performances by the
square root of their length; the signs of some coefficients are held to what a
drummer expects.  Writes ``workbench/fill_model.json`` with the
areas under the ROC curve of both splits.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.stats import rankdata

from workbench import fill_model
from workbench.patterns import Patterns
from workbench.training.groove_performances import performance_chart, read_performances

#: Strength of the L2 penalty on standardised coefficients.
PENALTY = 1.0


def roc_auc(is_positive: np.ndarray, scores: np.ndarray) -> float:
    """Area under the ROC curve (Mann–Whitney statistic)."""
    is_positive = np.asarray(is_positive, bool)
    ranks = rankdata(scores)
    n1, n0 = is_positive.sum(), (~is_positive).sum()
    return float((ranks[is_positive].sum() - n1 * (n1 + 1) / 2) / (n1 * n0))


def _bound(name: str) -> tuple[float | None, float | None]:
    """Signs a drummer expects: toms, drums alone and hands off the cymbal speak
    for a fill; time kept and repetition against it."""
    if name.startswith(("tom", "no time", "places of drums")):
        return 0.0, None
    if name.startswith(("time-keeping", "repeated")):
        return None, 0.0
    return None, None


def fit(features: list[np.ndarray], labels: list[bool]) -> tuple[np.ndarray, float]:
    """Coefficients and intercept for beats grouped by performance."""
    x = np.vstack(features)
    y = np.concatenate([np.full(len(f), float(label)) for f, label in zip(features, labels)])
    weight = np.concatenate([np.full(len(f), len(f) ** -0.5) for f in features])
    for value in (0.0, 1.0):
        weight[y == value] *= 0.5 * len(y) / weight[y == value].sum()
    mean, spread = x.mean(axis=0), x.std(axis=0)
    spread[spread == 0] = 1.0
    z = np.column_stack([(x - mean) / spread, np.ones(len(x))])

    bounds = [_bound(name) for name in fill_model.FEATURE_NAMES] + [(None, None)]

    def loss(b):
        s = z @ b
        value = (weight * (np.logaddexp(0, s) - y * s)).sum() + PENALTY / 2 * (b[:-1] ** 2).sum()
        slope = z.T @ (weight * (1 / (1 + np.exp(-s)) - y)) + PENALTY * np.append(b[:-1], 0)
        return value, slope

    b = minimize(loss, np.zeros(z.shape[1]), jac=True, method="L-BFGS-B", bounds=bounds,
                 options={"maxiter": 500}).x
    coefficients = b[:-1] / spread
    return coefficients, float(b[-1] - coefficients @ mean)


def main(folder: str) -> None:
    sets: dict[str, list] = {"train": [], "validation": []}
    for performance in read_performances(Path(folder)):
        patterns = Patterns.of(performance_chart(performance))
        heard = patterns.beats.any(axis=(1, 2))
        features = fill_model.beat_features(patterns)[heard]
        if len(features):
            sets[performance.split].append((features, performance.is_fill))
    coefficients, intercept = fit(*map(list, zip(*sets["train"])))
    areas = {}
    for split, items in sets.items():
        for name, shortest in (("all", 0), ("8 beats or longer", 8)):
            chosen = [(f, label) for f, label in items if len(f) >= shortest]
            scores = np.array([(f @ coefficients + intercept).mean() for f, _ in chosen])
            areas[f"{split}, {name}"] = round(roc_auc([label for _, label in chosen], scores), 4)
    data = {
        "made_by": "python -m workbench.training.fill_tuning",
        "data": "Groove MIDI Dataset (Gillick et al., ICML 2019), CC BY 4.0, training split",
        "roc_auc_fill_against_beat": areas,
        "intercept": round(intercept, 5),
        "coefficients": {n: round(float(c), 5)
                         for n, c in zip(fill_model.FEATURE_NAMES, coefficients)},
    }
    path = Path(fill_model.__file__).with_name("fill_model.json")
    path.write_text(json.dumps(data, indent=1) + "\n", "utf-8")
    print(json.dumps(areas, indent=1))


if __name__ == "__main__":
    main(sys.argv[1])
