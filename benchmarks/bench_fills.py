"""Does the fill model hear fills, or only what goes with them in the data set?

    python -m benchmarks.bench_fills GROOVE_DIR

Groove MIDI's validation split (Gillick et al., ICML 2019, CC BY 4.0), 4/4.  Files
labelled fill are short and files labelled beat long, so whole files prove little:
the named baseline is the *length of the file alone*.  Beside it stand comparisons
of equal length, and fills put into human grooves against groove bars of other
performances put there in the same way, which a splice alone cannot tell apart.
Areas under the ROC curve of the model's mean log-odds; means over ten draws.
"""

from __future__ import annotations

import argparse
import random
from pathlib import Path

import numpy as np

from workbench.chart import Chart, WrittenBar
from workbench.fill_model import fill_logits, performance_score
from workbench.meter import Meter, TimeMap
from workbench.patterns import Patterns
from workbench.training.fill_tuning import roc_auc
from workbench.training.groove_performances import performance_chart, read_performances

DRAWS = 10
#: Seven bars of a groove, then the bar put in; three times.
SONG_BARS, PUT_IN = 24, (7, 15, 23)


def area(positive: list[float], negative: list[float]) -> float:
    """ROC AUC of two lists of scores."""
    labels = np.array([1] * len(positive) + [0] * len(negative), bool)
    return roc_auc(labels, np.array(positive + negative))


def patterns_of(bars: list[WrittenBar], tempo_bpm: float = 100.0) -> Patterns:
    return Patterns.of(Chart(TimeMap.steady(len(bars), tempo_bpm), tuple(bars)))


def excerpts(charts: list, bars: int) -> tuple[list[float], list[float]]:
    """Scores of fills of so many bars, and of stretches of grooves as long."""
    fills = [performance_score(patterns_of(list(c.bars[:bars]))) for p, c in charts
             if p.is_fill and sum(bool(b.notes) for b in c.bars) == bars]
    grooves = []
    for p, c in charts:
        for k in range(2, len(c) - bars - 1, 4):
            if not p.is_fill and len(c) >= 6 and all(b.notes for b in c.bars[k:k + bars]):
                grooves.append(performance_score(patterns_of(list(c.bars[k:k + bars]))))
    return fills, grooves


def put_into_grooves(charts: list, seed: int) -> tuple[list[float], list[float], list[float]]:
    """Scores of bars in songs: fills put in, foreign groove bars put in, the groove's own."""
    rng = random.Random(seed)
    fills = [(p, c) for p, c in charts if p.is_fill and len(c) == 1 and len(c.bars[0].notes) >= 5]
    grooves = [(p, c) for p, c in charts if not p.is_fill and len(c) >= SONG_BARS]
    rng.shuffle(fills)
    scores: tuple[list[float], list[float], list[float]] = ([], [], [])
    for i in range(0, len(fills) - 2, 3):
        own = [g for g in grooves if g[0].drummer == fills[i][0].drummer] or grooves
        performance, groove = rng.choice(own)
        others = [c for _, c in own if c is not groove] or [c for _, c in grooves if c is not groove]
        first = rng.randrange(2, len(groove) - 21)
        for kind in (0, 1):
            bars: list[WrittenBar] = []
            for j in range(3):
                other = rng.choice(others)
                new = fills[i + j][1].bars[0] if kind == 0 else other.bars[rng.randrange(2, len(other) - 2)]
                bars += [*groove.bars[first + 7 * j:first + 7 * j + 7], new]
            logits = fill_logits(patterns_of(bars, performance.tempo_bpm)).reshape(SONG_BARS, -1)
            for k, row in enumerate(logits):
                if np.isfinite(row).any():
                    scores[kind if k in PUT_IN else 2].append(float(row[np.isfinite(row)].mean()))
    return scores


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("groove", type=Path)
    folder = parser.parse_args().groove
    performances = [p for p in read_performances(folder, ("validation",)) if p.meter == Meter()]
    charts = [(p, performance_chart(p)) for p in performances]
    whole = {kind: [(performance_score(Patterns.of(c)), -float(c.time_map.starts[-1]))
                    for p, c in charts if p.is_fill == kind] for kind in (True, False)}
    print(f"whole files: model {area([s for s, _ in whole[True]], [s for s, _ in whole[False]]):.3f}, "
          f"length of the file alone {area([n for _, n in whole[True]], [n for _, n in whole[False]]):.3f}")
    for bars in (1, 2):
        fills, grooves = excerpts(charts, bars)
        print(f"excerpts of {bars} bar(s): {area(fills, grooves):.3f} ({len(fills)} fills, {len(grooves)} of grooves)")
    draws = [put_into_grooves(charts, seed) for seed in range(DRAWS)]
    for name, a, b in (("fills put into grooves against the groove's own bars", 0, 2),
                       ("foreign groove bars put in against its own bars", 1, 2),
                       ("fills against foreign groove bars, both put in", 0, 1)):
        print(f"{name}: {np.mean([area(d[a], d[b]) for d in draws]):.3f}")


if __name__ == "__main__":
    main()
