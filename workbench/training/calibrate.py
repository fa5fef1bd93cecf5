"""Read lateness and confidence from a validation run, and write them beside the weights.

Matching follows mir_eval (C. Raffel et al., ISMIR 2014): a peak and a stroke
within 50 ms, each used once.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from pathlib import Path

import numpy as np
from mir_eval.util import match_events

from workbench.chart.drumkit import DETECTED
from workbench.listening.detect import find_peaks, refine_times
from workbench.training.planning import SETTINGS

PAIRING_S = 0.05
LOWEST_PEAK = 0.05

#: Instruments' own thresholds are those that raised F, or left it, on two validation sets of different clips (open
#: hi-hat 0.59 to 0.61 and 0.61 to 0.64).  Closed hi-hats: in clean patterns of a kept-out font the network fills in
#: even notes that nobody plays, with activations around 0.55.
THRESHOLD = 0.5
OTHER_THRESHOLDS = {"closed hi-hat": 0.6, "open hi-hat": 0.4, "ride bell": 0.4, "floor tom": 0.45, "kick": 0.45}
CALIBRATION_BINS = np.linspace(0.0, 1.0, 21)
FEWEST_PEAKS = 8


def collect_peaks(validation: dict[str, np.ndarray], column: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """All peaks of one instrument over the clips with drums.

    Returns
    -------
    height : ndarray (peaks,), 0–1
    is_stroke : ndarray (peaks,), bool
    late_s : ndarray (hits,), peak time less stroke time
    """
    heard, strokes, settings = validation["heard"], validation["strokes"], validation["settings"]
    end = heard.shape[1] / 100 - 0.03
    heights, hits, late = [], [], []
    for clip in np.flatnonzero(settings[:, SETTINGS.index("has_drums")] > 0):
        onset = heard[clip, :, column].astype(np.float32) / 255
        frames = find_peaks(onset, LOWEST_PEAK)
        times = refine_times(onset, frames)
        mine = (strokes[:, 0] == clip) & (strokes[:, 2] == column) & (strokes[:, 1] < end)
        truth = np.sort(strokes[mine, 1])
        pairs = match_events(truth, times, PAIRING_S) if len(truth) and len(times) else []
        hit = np.zeros(len(times), bool)
        for t, p in pairs:
            hit[p] = True
            late.append(times[p] - truth[t])
        heights.append(onset[frames])
        hits.append(hit)
    return np.concatenate(heights), np.concatenate(hits), np.array(late)


def fit_confidence(height: np.ndarray, is_stroke: np.ndarray) -> tuple[list[float], list[float]]:
    """Share of peaks that are strokes, by height: a rising step-wise curve (pool adjacent violators).

    Source: R. E. Barlow et al., *Statistical Inference under Order
    Restrictions*, 1972 (isotonic regression).
    """
    place = np.clip(np.digitize(height, CALIBRATION_BINS) - 1, 0, len(CALIBRATION_BINS) - 2)
    pools: list[list[float]] = []
    for k in range(len(CALIBRATION_BINS) - 1):
        inside = place == k
        if inside.sum() >= FEWEST_PEAKS:
            pools.append([float(height[inside].sum()), float(is_stroke[inside].sum()), float(inside.sum())])
            while len(pools) > 1 and pools[-2][1] / pools[-2][2] >= pools[-1][1] / pools[-1][2]:
                last = pools.pop()
                pools[-1] = [a + b for a, b in zip(pools[-1], last, strict=True)]
    activation = [round(p[0] / p[2], 3) for p in pools]
    confidence = [round(p[1] / p[2], 3) for p in pools]
    return activation or [0.0], confidence or [0.0]


def calibrate(validation: dict[str, np.ndarray]) -> dict[str, dict[str, object]]:
    """Lateness and confidence of every instrument."""
    table: dict[str, dict[str, object]] = {}
    for column, name in enumerate(DETECTED):
        height, is_stroke, late = collect_peaks(validation, column)
        activation, confidence = fit_confidence(height, is_stroke)
        points = np.linspace(0.05, 1.0, 20)
        table[name] = {
            "threshold": OTHER_THRESHOLDS.get(name, THRESHOLD),
            "onset_bias_s": round(float(np.median(late)) if len(late) else 0.0, 4),
            "activation": [round(float(p), 2) for p in points],
            "confidence": [round(float(c), 3) for c in np.interp(points, activation, confidence)],
        }
    return table


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__.split("\n", 1)[0],
        epilog=(
            "Example: python -m workbench.training.calibrate build/validation.npz "
            "workbench/listening/weights/detector.onnx"
        ),
    )
    parser.add_argument("validation", type=Path, help="written by workbench.training.validate")
    parser.add_argument("model", type=Path, help="the .onnx file; its .json is written beside it")
    args = parser.parse_args()
    with np.load(args.validation) as data:
        table = calibrate(dict(data))
    digest = hashlib.sha256(args.model.read_bytes()).hexdigest()
    text = json.dumps({"sha256": digest, "instruments": table}, indent=1)
    args.model.with_suffix(".json").write_text(text + "\n")
    for name, row in table.items():
        print(f"{name:15s} {1000 * float(str(row['onset_bias_s'])):+.1f} ms")


if __name__ == "__main__":
    main()
