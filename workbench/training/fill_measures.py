"""How well fills are told from what is no fill, as areas under the ROC curve."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from scipy.stats import rankdata

from workbench.reading.patterns import Patterns
from workbench.reading.read import read_part
from workbench.training.fill_examples import PUT_IN, Played, excerpts, songs

#: From the patterns of a chart to the log-odds of each beat, (beats,); minus
#: infinity where nothing sounds.
Logits = Callable[[Patterns], np.ndarray]


def roc_auc(is_positive: np.ndarray, scores: np.ndarray) -> float:
    """Area under the ROC curve (Mann–Whitney statistic)."""
    is_positive = np.asarray(is_positive, bool)
    ranks = rankdata(scores)
    n1, n0 = is_positive.sum(), (~is_positive).sum()
    return float((ranks[is_positive].sum() - n1 * (n1 + 1) / 2) / (n1 * n0))


def area(positive: Sequence[float], negative: Sequence[float]) -> float:
    """Area under the ROC curve of two lists of scores."""
    return roc_auc(np.arange(len(positive) + len(negative)) < len(positive), np.array([*positive, *negative]))


def excerpt_area(performances: Sequence[Played], bars: int, logits: Logits) -> float:
    """Fills of so many bars against stretches of grooves as long, each standing alone."""
    scores: dict[bool, list[float]] = {True: [], False: []}
    for excerpt in excerpts(performances, bars):
        scores[excerpt.is_fill].append(mean_logit(logits(Patterns.of(excerpt.chart))))
    return area(scores[True], scores[False])


def song_areas(performances: Sequence[Played], draws: int, logits: Logits) -> dict[str, float]:
    """Bars of songs against one another, by their mean log-odds; means over draws of songs."""
    found: dict[str, list[float]] = {
        "fills put into grooves against foreign groove bars put in likewise": [],
        "fills put into grooves against the groove's own bars": [],
        "foreign groove bars put in against the groove's own bars": [],
    }
    for seed in range(draws):
        fills, foreign, own = [], [], []
        for song in songs(performances, seed):
            patterns = Patterns.of(song.chart)
            rows = np.split(logits(patterns), patterns.first_beat[1:-1])
            for k in np.flatnonzero(patterns.sounding):
                bars = own if k not in PUT_IN else fills if song.has_fills else foreign
                bars.append(mean_logit(rows[k]))
        for name, positive, negative in zip(found, (fills, fills, foreign), (foreign, own, own)):
            found[name].append(area(positive, negative))
    return {name: float(np.mean(areas)) for name, areas in found.items()}


def called_fills(performances: Sequence[Played], draws: int) -> dict[str, float]:
    """Share of bars that the reading calls fills, by what they are."""
    called: dict[str, list[bool]] = {"fills put in": [], "foreign groove bars put in": [], "the groove's own bars": []}
    for seed in range(draws):
        for song in songs(performances, seed):
            found = {k for fill in read_part(song.chart).fills for k in fill.span.bars}
            put_in = "fills put in" if song.has_fills else "foreign groove bars put in"
            for k in range(len(song.chart)):
                called[put_in if k in PUT_IN else "the groove's own bars"].append(k in found)
    return {name: float(np.mean(bars)) for name, bars in called.items()}


def mean_logit(logits: np.ndarray) -> float:
    """Mean log-odds over the sounding beats: how much a stretch is a fill."""
    return float(logits[np.isfinite(logits)].mean())
