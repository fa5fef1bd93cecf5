"""Two versions of a song, or two charts of one, bar by bar.

The bars are paired in order by dynamic programming (O. Gotoh, J. Mol. Biol.
162, 1982: gaps that are dear to open and cheap to continue), so a live version
with four bars more is still compared with the right bars; then every pair is
told like a variation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from operator import itemgetter
from typing import Any

import numpy as np

from workbench.chart import Chart
from workbench.chart.counting import bar_list, capital, number_runs
from workbench.errors import ChartError
from workbench.escaping import for_markdown
from workbench.facts import facts
from workbench.reading.grooves import Written
from workbench.reading.patterns import VOICES, likeness, voices_of
from workbench.reading.variations import Change, describe_changes

# Numbers whose origin is not named: chosen by trial, no source.
#: What a pair of bars must be alike (0–1) to be worth more than no pair.
WORTH_PAIRING = 0.25

#: Price of leaving bars without a partner: for the first, for each further one.
OPEN_GAP, LONGER_GAP = 0.6, 0.12

#: Most bars of a version, an hour of common time: for longer ones pairing would take minutes and gigabytes.
MOST_COMPARED = 2_000

#: Tempi closer than this share are the same.
TEMPO_DIFFERENCE = 0.01


@dataclass(frozen=True)
class VersionChange:
    """What some bars play otherwise in the second version.

    Attributes
    ----------
    text : str
    first_bars, second_bars : tuple of int
        Bar indices in either chart, pair by pair; one of them is empty where
        bars have no partner.
    """

    text: str
    first_bars: tuple[int, ...]
    second_bars: tuple[int, ...]


@dataclass(frozen=True)
class Versions:
    """Two charts, compared.

    Attributes
    ----------
    first, second : Chart
    pairs : tuple of (int, int)
        Bars that belong together, increasing.
    only_first, only_second : tuple of int
        Bars without a partner.
    changes : tuple of VersionChange
        What changed, the same thing said once, in the order of the bars.
    """

    first: Chart
    second: Chart
    pairs: tuple[tuple[int, int], ...]
    only_first: tuple[int, ...]
    only_second: tuple[int, ...]
    changes: tuple[VersionChange, ...]

    @property
    def same_bars(self) -> int:
        """Pairs that play the same."""
        return sum(self.first.bars[i].content == self.second.bars[j].content for i, j in self.pairs)

    def lines(self) -> tuple[str, ...]:
        """The comparison in words."""
        out = [f"{self.same_bars} of {len(self.pairs)} paired bars play the same"]
        tempi = [c.time_map.mean_tempo_bpm() for c in (self.first, self.second)]
        if abs(tempi[0] / tempi[1] - 1) > TEMPO_DIFFERENCE:
            word = "faster" if tempi[1] > tempi[0] else "slower"
            out.append(f"the second is {word}: {tempi[1]:.0f} against {tempi[0]:.0f} bpm")
        for c in self.changes:
            out.append(f"{self._where(c)}: {c.text}")
        return tuple(out)

    def to_markdown(self) -> str:
        """The comparison as a page."""
        first, second = (for_markdown(c.title or word) for c, word in ((self.first, "first"), (self.second, "second")))
        head, *changes = self.lines()
        return "\n".join(
            [f"# {first} and {second}", "", capital(head) + ".", "", *(f"- {line}" for line in changes), ""]
        )

    _repr_markdown_ = to_markdown

    def to_data(self) -> dict:
        """The comparison as plain data, bars as players number them."""
        first, second = (
            (lambda bars, c=c: [c.time_map.bar_number(k) for k in bars]) for c in (self.first, self.second)
        )
        return {
            "pairs": list(zip(first(i for i, _ in self.pairs), second(j for _, j in self.pairs))),
            "only_first": first(self.only_first),
            "only_second": second(self.only_second),
            "changes": [
                facts(c, "text", first_bars=first(c.first_bars), second_bars=second(c.second_bars))
                for c in self.changes
            ],
        }

    def _where(self, change: VersionChange) -> str:
        a, b = change.first_bars, change.second_bars
        if not a:
            return f"{bar_list(self.second.time_map, b)} of the second"
        here = bar_list(self.first.time_map, a)
        if not b:
            return f"{here} of the first"
        there = bar_list(self.second.time_map, b)
        return here if here == there else f"{here} ({there} of the second)"


def compare_versions(first: Chart, second: Chart) -> Versions:
    """Pair the bars of two charts and say what changed from the first to the second.

    Raises
    ------
    ChartError
        If one of them has more than :data:`MOST_COMPARED` bars.
    """
    longest = max(len(first), len(second))
    if longest > MOST_COMPARED:
        raise ChartError(
            f"One of the versions has {longest:,} bars, more than the {MOST_COMPARED:,} that can be compared; "
            "cut it into songs."
        )
    pairs = _pair(_likeness(first, second))
    paired_first, paired_second = {i for i, _ in pairs}, {j for _, j in pairs}
    only_first = tuple(k for k in range(len(first)) if k not in paired_first)
    only_second = tuple(k for k in range(len(second)) if k not in paired_second)
    found: dict[Change | str, tuple[list[int], list[int]]] = {}
    for i, j in pairs:
        timed = second.time_map.bars[j]
        if timed.meter != first.time_map.bars[i].meter:
            text = f"{timed.meter} instead of {first.time_map.bars[i].meter}"
            _note(found, text, i, j)
        base: Written = frozenset(w for w in first.bars[i].content if w[0] < timed.length)
        for change in describe_changes(timed, base, second.bars[j].content):
            _note(found, change, i, j)
    changes = [VersionChange(c if isinstance(c, str) else c.text, tuple(a), tuple(b)) for c, (a, b) in found.items()]
    for first_alone, second_alone in _alone(only_first, only_second):
        other = "second" if first_alone else "first"
        changes.append(VersionChange(f"not in the {other} version", first_alone, second_alone))
    changes.sort(key=lambda c: (c.first_bars or c.second_bars, c.text))
    return Versions(first, second, tuple(pairs), only_first, only_second, tuple(changes))


def _note(found: dict, change: Change | str, i: int, j: int) -> None:
    a, b = found.setdefault(change, ([], []))
    a.append(i)
    b.append(j)


def _alone(first: Sequence[int], second: Sequence[int]) -> Iterator[tuple[tuple[int, ...], tuple[int, ...]]]:
    """Runs of bars without a partner, of the first and of the second."""
    yield from ((tuple(range(a, b + 1)), ()) for a, b in number_runs(first))
    yield from (((), tuple(range(a, b + 1))) for a, b in number_runs(second))


def _likeness(first: Chart, second: Chart) -> np.ndarray:
    """Likeness of every bar of one chart to every bar of the other, 0–1."""
    weight = dict(VOICES)
    columns: dict = {}
    rows = []
    for chart in (first, second):
        for bar in chart.bars:
            rows.append({columns.setdefault((n.position, v), len(columns)) for n in bar.notes for v in voices_of(n)})
    vectors = np.zeros((len(rows), max(len(columns), 1)), np.float32)
    for k, row in enumerate(rows):
        vectors[k, list(row)] = 1.0
    weights = np.array([weight[v] for _, v in columns] or [1.0], np.float32)
    return likeness(vectors, weights)[: len(first), len(first) :]


#: A gain and the pairs that led to it, (pairs before, pair).
Way = tuple[float, Any]


def _pair(alike: np.ndarray) -> list[tuple[int, int]]:
    """Best pairing in order; gaps are affine."""
    gain = (alike - WORTH_PAIRING).tolist()
    never: Way = (-np.inf, None)
    gap: Callable[[int], Way] = lambda bars: (-OPEN_GAP - LONGER_GAP * (bars - 1), None)
    less: Callable[[Way, float], Way] = lambda way, price: (way[0] - price, way[1])
    best = partial(max, key=itemgetter(0))
    # Ways that end with a pair, with a bar of the first alone, with one of the second alone.
    row = [((0.0, None), never, never), *((never, never, gap(j + 1)) for j in range(alike.shape[1]))]
    for i in range(len(alike)):
        new = [(never, gap(i + 1), never)]
        for j, (diagonal, above) in enumerate(zip(row, row[1:])):
            left, (total, pairs) = new[j], best(diagonal)
            longer = less(left[2], LONGER_GAP)
            new.append(
                (
                    (total + gain[i][j], (pairs, (i, j))),
                    best((less(above[1], LONGER_GAP), less(above[0], OPEN_GAP))),
                    best((longer, less(left[0], OPEN_GAP), less(left[1], OPEN_GAP))),
                )
            )
        row = new
    out, (_, pairs) = [], best(row[-1])
    while pairs:
        pairs, pair = pairs
        out.append(pair)
    return out[::-1]
