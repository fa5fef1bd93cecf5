"""Two lists of strokes held side by side.

Strokes are paired one to one: the largest number of pairs whose times differ
by at most a window, and among those the ones that lie closest together (the
matching that :mod:`mir_eval` counts, with its smallest total distance).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from workbench.chart.events import Stroke

#: Window of the usual measure of onsets, seconds (mir_eval.onset, after MIREX).
ONSET_WINDOW_S = 0.05


@dataclass(frozen=True)
class Comparison:
    """Which strokes of two lists belong together.

    Attributes
    ----------
    same : tuple of (int, int)
        Indices of pairs of the same instrument.
    renamed : tuple of (int, int)
        Pairs at the same time whose instruments differ.
    only_first, only_second : tuple of int
        What is left over on either side.
    """

    same: tuple[tuple[int, int], ...]
    renamed: tuple[tuple[int, int], ...]
    only_first: tuple[int, ...]
    only_second: tuple[int, ...]

    @property
    def f_measure(self) -> float:
        """Twice the pairs of the same instrument over all strokes; 1 for two empty lists."""
        total = 2 * (len(self.same) + len(self.renamed)) + len(self.only_first) + len(self.only_second)
        return 2 * len(self.same) / total if total else 1.0


def compare_strokes(
    first: Sequence[Stroke],
    second: Sequence[Stroke],
    window_s: float = ONSET_WINDOW_S,
    renamed_window_s: float | None = None,
    alike: Callable[[str], str] = lambda name: name,
) -> Comparison:
    """Pair the strokes of two lists.

    Parameters
    ----------
    first, second : sequence of Stroke
        In any order.
    window_s : float, seconds
        Largest difference in time of a pair of one instrument.
    renamed_window_s : float, seconds, optional
        The same for pairs of different instruments; ``window_s`` by default,
        below 0 for none.
    alike : callable
        Maps an instrument's name to what counts as the same instrument.

    Returns
    -------
    Comparison
        Pairs in order of the first list.
    """
    groups: dict[str, tuple[list[int], list[int]]] = {}
    for side, strokes in enumerate((first, second)):
        for k, s in enumerate(strokes):
            groups.setdefault(alike(s.instrument), ([], []))[side].append(k)
    same: list[tuple[int, int]] = []
    for a, b in groups.values():
        same += _paired(first, a, second, b, window_s)
    taken = ({i for i, _ in same}, {j for _, j in same})
    left = [k for k in range(len(first)) if k not in taken[0]]
    right = [k for k in range(len(second)) if k not in taken[1]]
    renamed = _paired(first, left, second, right, window_s if renamed_window_s is None else renamed_window_s)
    taken = ({i for i, _ in renamed}, {j for _, j in renamed})
    return Comparison(
        tuple(sorted(same)),
        tuple(sorted(renamed)),
        tuple(k for k in left if k not in taken[0]),
        tuple(k for k in right if k not in taken[1]),
    )


def match_times(first_s: np.ndarray, second_s: np.ndarray, window_s: float) -> list[tuple[int, int]]:
    """Pair two lists of times: as many pairs as possible, as close as possible.

    Parameters
    ----------
    first_s, second_s : ndarray (n,), (m,), seconds, in any order
    window_s : float, seconds

    Returns
    -------
    list of (int, int)
        Indices into the two lists, in order of the first.
    """
    first_s, second_s = np.asarray(first_s, float), np.asarray(second_s, float)
    times = np.concatenate([first_s, second_s])
    order = np.argsort(times, kind="stable")
    # Only events without a gap wider than the window can depend on each other.
    cuts = np.flatnonzero(np.diff(times[order]) > window_s) + 1
    pairs: list[tuple[int, int]] = []
    n = len(first_s)
    for cluster in np.split(order, cuts):
        a, b = cluster[cluster < n], cluster[cluster >= n] - n
        if not len(a) or not len(b):
            continue
        apart = np.abs(first_s[a][:, None] - second_s[b][None, :])
        # A pair more counts for more than all that closeness can gain.
        most = min(apart.shape)
        gain = np.where(apart <= window_s + 1e-9, most + 1 - apart / max(window_s, 1e-9), 0.0)
        rows, columns = linear_sum_assignment(gain, maximize=True)
        pairs += [(int(a[r]), int(b[c])) for r, c in zip(rows, columns) if gain[r, c] > 0]
    return sorted(pairs)


def _paired(
    first: Sequence[Stroke], a: Sequence[int], second: Sequence[Stroke], b: Sequence[int], window_s: float
) -> list[tuple[int, int]]:
    first_s, second_s = (np.array([strokes[k].time_s for k in ks]) for strokes, ks in ((first, a), (second, b)))
    return [(a[i], b[j]) for i, j in match_times(first_s, second_s, window_s)]
