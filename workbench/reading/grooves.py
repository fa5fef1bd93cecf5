"""The groove of a stretch: its base bars, and what drummers call it.

The base of a part is a phrase of one, two or four of its own bars: the bars
that the others differ from least, a longer phrase only where it saves more
differences than it adds.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from workbench.chart import Chart
from workbench.chart.drumkit import TIMEKEEPERS
from workbench.grouping import grouped
from workbench.reading.groove_names import known_as, name_groove
from workbench.reading.patterns import crash_opens

#: What is written of a note: (position, instrument, articulations).
Written = frozenset[tuple[Fraction, str, frozenset[str]]]

# Numbers whose origin is not named: chosen by eye, no source.
#: Each further base bar must save this many differences.
PHRASE_PRICE = 1.5
#: Fewest bars of a groove of its own beside another on the same time-keeper, and fewest strokes in which it is
#: another; parting grooves must save so many differences in so many bars.
LEAST_BARS, OTHER_STROKES = 4, 2


@dataclass(frozen=True)
class Groove:
    """The base of a part.

    Attributes
    ----------
    base_bars : tuple of int
        Bars of the chart that stand for the groove, one for each bar of the
        base phrase.
    bar_indices : tuple of int
        All bars of this groove.
    phase : tuple of int
        For each of ``bar_indices``: which bar of the base phrase it repeats.
    names : tuple of str
        What it is, the most telling first: "backbeat on 2 and 4", …
    known_as : str
        The name by which a student knows it, "rock eighths with a push"; "" if it has none.
    """

    base_bars: tuple[int, ...]
    bar_indices: tuple[int, ...]
    phase: tuple[int, ...]
    names: tuple[str, ...]
    known_as: str = ""

    @property
    def text(self) -> str:
        """Its name, unless that is said anyway, and exactly what it is: "samba: no snare; kick on 1, …"."""
        exact = "; ".join(self.names)
        return exact if re.search(rf"\b{re.escape(self.known_as)}\b", exact) else f"{self.known_as}: {exact}"

    @property
    def phrase_bars(self) -> int:
        return len(self.base_bars)

    def base_of(self, bar_index: int) -> int:
        """The base bar that a bar repeats."""
        return self.base_bars[self.phase[self.bar_indices.index(bar_index)]]


def base_written(chart: Chart, base_bar: int, bar_index: int) -> Written:
    """Base of a bar; in a shorter bar only as much of it as fits."""
    bars = chart.time_map.bars
    whole, length = chart.bars[base_bar].content, bars[bar_index].length
    return whole if length >= bars[base_bar].length else frozenset(w for w in whole if w[0] < length)


def find_groove(
    chart: Chart,
    runs: Sequence[range],
    disturbed: frozenset[int],
    limit: float | None = None,
    timekeeper: str | None = None,
) -> Groove:
    """The groove that runs of bars have in common.

    Parameters
    ----------
    chart : Chart
    runs : sequence of range
        Stretches of bars that repeat each other; a phrase begins with each.
    disturbed : frozenset of int
        Bars with fills, left out of the choice where others are left.
    limit : float, optional
        Ghost notes lie below this velocity (:func:`~workbench.chart.ghosts.ghost_limit`).
    timekeeper : str, optional
        On what the stretches keep time: where only bars with fills do, those that do most stand for them.
    """
    bars = [k for run in runs for k in run]
    place = {k: k - run.start for run in runs for k in run}
    meters = Counter(chart.time_map.bars[k].meter for k in bars if chart.bars[k].notes)
    usual = max(meters, key=lambda m: meters[m]) if meters else None
    whole = [
        k
        for k in bars
        if chart.bars[k].notes and chart.time_map.bars[k].meter == usual and not chart.time_map.bars[k].is_pickup
    ]
    clean = [k for k in whole if k not in disturbed] or whole or bars
    kept = {k: sum(TIMEKEEPERS.get(n.instrument) == timekeeper for n in chart.bars[k].notes) for k in whole}
    if timekeeper and any(kept.values()) and not any(kept[k] for k in clean):
        clean = [k for k in whole if kept[k] == max(kept.values())]
    content = {k: _without_opening(chart.bars[k].content) for k in clean}
    best: tuple[float, tuple[int, ...]] | None = None
    for length in (1, 2, 4):
        if length > 1 and len(clean) < 2 * length:
            break
        base = _base(chart, content, place, clean, length)
        if base is None or length > 1 and not _repeats(content, place, clean, base):
            continue
        price: float = sum(len(content[k] ^ content[base[place[k] % length]]) for k in clean)
        for i in range(1, length):
            price += min(len(content[base[i]] ^ content[b]) for b in base[:i]) + PHRASE_PRICE
        if best is None or price < best[0]:
            best = (price, base)
    base = best[1] if best else (bars[0],)
    phase = tuple(place[k] % len(base) for k in bars)
    return Groove(base, tuple(bars), phase, name_groove(chart, base, limit), known_as(chart, base, limit))


def alike_runs(chart: Chart, runs: Sequence[range], disturbed: frozenset[int]) -> list[list[range]]:
    """Runs of bars parted where another groove begins, those of the same groove together.

    A groove is another if some :data:`OTHER_STROKES` strokes that most of its bars have are not most others', or
    the other way round, for :data:`LEAST_BARS` bars or more; a phrase that alternates is one groove.
    """
    pieces = [piece for run in runs for piece in _parted(chart, run, disturbed)]
    groups: list[tuple[frozenset, list[range]]] = []
    for piece in pieces:
        usual = _usual(chart, [k for k in piece if k not in disturbed] or list(piece))
        same = next((g for u, g in groups if len(u ^ usual) < OTHER_STROKES), None)
        if same is None:
            groups.append((usual, [piece]))
        else:
            same.append(piece)
    return [group for _, group in groups]


def _parted(chart: Chart, run: range, disturbed: frozenset[int]) -> list[range]:
    """The cheapest cuts of a run: differences from what is usual between them, and a price for each cut."""
    drums = [_drums(chart, k) for k in run]
    keys = sorted(frozenset().union(*drums))
    struck = np.array([[key in own for key in keys] for own in drums], int).reshape(len(run), len(keys))
    clean = np.array([k not in disturbed for k in run], int)
    counts = np.vstack([np.zeros(len(keys), int), np.cumsum(struck * clean[:, None], axis=0)])
    bars = np.concatenate([[0], np.cumsum(clean)])
    best, came_from = np.full(len(run) + 1, np.inf), np.zeros(len(run) + 1, int)
    best[0] = 0.0
    for j in range(1, len(run) + 1):
        i = np.arange(j)
        n, c = (bars[j] - bars[i])[:, None], counts[j] - counts[i]
        price = best[i] + np.minimum(c, n - c).sum(axis=1) + OTHER_STROKES * LEAST_BARS
        price[(j - i < LEAST_BARS) & (i > 0)] = np.inf
        if j < LEAST_BARS and j < len(run):
            continue
        best[j], came_from[j] = price.min(), int(np.argmin(price))
    cuts = [len(run)]
    while cuts[-1]:
        cuts.append(came_from[cuts[-1]])
    return [range(run.start + a, run.start + b) for a, b in zip(cuts[::-1], cuts[-2::-1])]


def _drums(chart: Chart, bar_index: int) -> frozenset[tuple[Fraction, str]]:
    """What tells grooves on one time-keeper apart: kick, full snare and side stick."""
    return frozenset(
        n.key
        for n in chart.bars[bar_index].notes
        if n.instrument in ("kick", "snare", "side stick") and not n.articulations & {"ghost"}
    )


def _usual(chart: Chart, bars: Sequence[int]) -> frozenset[tuple[Fraction, str]]:
    """Strokes that more than half of some bars have."""
    counts = Counter(key for k in bars for key in _drums(chart, k))
    return frozenset(key for key, count in counts.items() if 2 * count > len(bars))


def _without_opening(content: Written) -> Written:
    """A bar without its cymbals on 1, where a crash may stand for any of them."""
    return frozenset(w for w in content if w[0] or w[1] not in TIMEKEEPERS or TIMEKEEPERS[w[1]] == "toms")


def _base(
    chart: Chart, content: dict[int, Written], place: dict[int, int], clean: list[int], length: int
) -> tuple[int, ...] | None:
    """The bar of each phase from which the others differ least, the first such."""
    base = []
    for phase in range(length):
        members = [k for k in clean if place[k] % length == phase]
        if not members:
            return None
        kinds = grouped((content[k], k) for k in members)
        # What opens a bar is told apart only where no crash stands for it.
        opening = {k: chart.bars[k].content - content[k] for k in members}
        plain = [k for k in members if not crash_opens(chart.bars[k])] or members
        odd = {k: sum(opening[k] != opening[o] for o in plain) for k in members}
        # Bit sets: a song compares its bars some hundred thousand times.
        bit: dict = {}
        sets = [(sum(bit.setdefault(w, 1 << len(bit)) for w in kind), ks) for kind, ks in kinds.items()]
        alike = min(sets, key=lambda item: (_price(item[0], item[1], sets, odd), item[1][0]))[1]
        whole = Counter(chart.bars[k].content for k in alike)
        most = max(whole.values())
        usual = [k for k in alike if whole[chart.bars[k].content] == most]
        base.append(min(usual, key=lambda k: (odd[k], crash_opens(chart.bars[k]), k)))
    return tuple(base)


def _price(kind: int, bars: list[int], kinds: list[tuple[int, list[int]]], odd: dict[int, int]) -> float:
    """How unlike a kind of bar (bits of its strokes) is to all others, and its opening to theirs."""
    unlike = sum(_unlike(kind, other) * len(ks) for other, ks in kinds)
    return unlike + min(odd[k] for k in bars) / max(kind.bit_count(), 1)


def _unlike(a: int, b: int) -> float:
    """Share of strokes that only one has: does not favour bars with few strokes."""
    return (a ^ b).bit_count() / max((a | b).bit_count(), 1)


def _repeats(content: dict[int, Written], place: dict[int, int], clean: list[int], base: tuple[int, ...]) -> bool:
    """Whether a longer phrase comes back: most bars close to their own base bar."""
    for phase, bar in enumerate(base):
        gaps = sorted(len(content[k] ^ content[bar]) for k in clean if place[k] % len(base) == phase)
        if gaps[len(gaps) // 2] > max(2, len(content[bar]) // 8):
            return False
    return True
