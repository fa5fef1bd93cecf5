"""How a composed song is built: its bars, in sections, with the groups that its meter is counted in.

Shares, groups and tempi are common practice, no source.  Places are in quarters.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from workbench.chart.meter import Meter

#: How bars of each meter may be grouped, in quarters.
GROUPS: dict[str, tuple[tuple[float, ...], ...]] = {
    "2/4": ((1, 1),),
    "3/4": ((1, 1, 1),),
    "4/4": ((1, 1, 1, 1),),
    "5/4": ((3, 2), (3, 2), (2, 3), (2, 1, 2)),
    "6/4": ((3, 3), (4, 2), (2, 2, 2), (2, 4)),
    "7/4": ((4, 3), (4, 3), (3, 4), (2, 2, 3), (3, 2, 2)),
    "3/8": ((1.5,),),
    "5/8": ((1.5, 1), (1, 1.5)),
    "6/8": ((1.5, 1.5),),
    "7/8": ((1, 1, 1.5), (1, 1, 1.5), (1.5, 1, 1), (1, 1.5, 1)),
    "9/8": ((1.5, 1.5, 1.5),),
    "12/8": ((1.5, 1.5, 1.5, 1.5),),
}

#: Usual tempo of each meter, quarters a minute, its spread (natural log), the slowest and the fastest.
SONG_TEMPI: dict[str, tuple[float, float, float, float]] = {
    "2/4": (105, 0.25, 60, 180),
    "3/4": (125, 0.28, 66, 220),
    "4/4": (112, 0.27, 58, 205),
    "5/4": (128, 0.25, 70, 200),
    "6/4": (125, 0.22, 75, 190),
    "7/4": (130, 0.22, 75, 200),
    "3/8": (115, 0.2, 75, 165),
    "5/8": (125, 0.2, 82, 190),
    "6/8": (102, 0.25, 55, 165),
    "7/8": (132, 0.2, 82, 195),
    "9/8": (105, 0.22, 60, 165),
    "12/8": (98, 0.28, 50, 165),
}

#: Slow waltzes, whose bar is as long as one of 6/8: their tempo, and how many of the songs in 3/4 they are.
SLOW_WALTZ, SLOW_WALTZES = (84.0, 0.18, 58.0, 112.0), 0.4

#: Meters that bars or sections of a song that changes its meter are in, and how often.
BAR_CHANGES = {
    "4/4": (("2/4", 0.5), ("3/4", 0.25), ("5/4", 0.1), ("6/4", 0.15)),
    "4": (("4/4", 0.5), ("3/4", 0.25), ("2/4", 0.25)),
    "8": (("6/8", 0.4), ("5/8", 0.3), ("7/8", 0.3)),
}
SECTION_CHANGES = {
    "4/4": (("3/4", 0.45), ("5/4", 0.15), ("7/4", 0.15), ("6/4", 0.15), ("2/4", 0.1)),
    "4": (("4/4", 1.0),),
    "8": (("6/8", 0.5), ("5/8", 0.2), ("7/8", 0.3)),
}

_ORDERS = (("AABB", 0.2), ("ABAB", 0.25), ("AABA", 0.1), ("ABCB", 0.12), ("ABAC", 0.1), ("A", 0.13), ("ABCD", 0.1))

Choice = TypeVar("Choice")


def pick(rng: np.random.Generator, *choices: tuple[Choice, float]) -> Choice:
    """One of several, each with its share."""
    share = np.array([s for _, s in choices], dtype=float)
    return choices[int(rng.choice(len(choices), p=share / share.sum()))][0]


def quarters(meter: Meter) -> float:
    """Length of a bar."""
    return float(4 * meter.bar_length)


def beat_quarters(meter: Meter) -> float:
    """Length of a counted beat."""
    return float(4 * meter.beat_length)


@dataclass(frozen=True)
class SongBar:
    """One bar of a song.

    Attributes
    ----------
    meter : Meter
    groups : tuple of float, quarters
    letter : str
        Of its section; sections of one letter in one meter are alike.
    number, of : int
        Which bar of its section it is, from 0, and how many there are.
    section : int
        Number of the section in the song, from 0.
    begin : float, quarters
    """

    meter: Meter
    groups: tuple[float, ...]
    letter: str
    number: int
    of: int
    section: int
    begin: float = 0.0

    @property
    def length(self) -> float:
        return quarters(self.meter)

    @property
    def is_last(self) -> bool:
        return self.number == self.of - 1

    @property
    def group_starts(self) -> np.ndarray:
        return np.concatenate([[0.0], np.cumsum(self.groups)[:-1]])

    @property
    def middle(self) -> float:
        """Where the group nearest the middle of the bar begins; its end, if there is one group only."""
        inner = self.group_starts[1:]
        return float(inner[np.abs(inner - self.length / 2).argmin()]) if len(inner) else self.length


def draw_tempo(rng: np.random.Generator, meter: Meter) -> float:
    """Quarters a minute of a song."""
    slow = meter == Meter(3, 4) and rng.random() < SLOW_WALTZES
    middle, spread, slowest, fastest = SLOW_WALTZ if slow else SONG_TEMPI[str(meter)]
    return float(np.clip(np.exp(rng.normal(np.log(middle), spread)), slowest, fastest))


def lay_form(
    rng: np.random.Generator, meter: Meter, quarters_per_minute: float, seconds: float, changing: bool
) -> list[SongBar]:
    """Bars of a song that lasts at least so long; a *changing* one has bars or sections in other meters."""
    bar_s = quarters(meter) * 60 / quarters_per_minute
    per = pick(rng, (4, 0.42), (8, 0.45), (2, 0.03), (6, 0.03), (12, 0.04), (16, 0.03))
    if bar_s < 1.1:
        per *= 2
    if bar_s > 3.2:
        per = pick(rng, (4, 0.7), (2, 0.2), (8, 0.1))
    order = pick(rng, *_ORDERS)
    groups = GROUPS[str(meter)][int(rng.integers(len(GROUPS[str(meter)])))]
    kind = "4/4" if meter == Meter(4, 4) else str(meter.unit)
    one_bar, one_section = None, None
    if changing and rng.random() < 0.6:
        one_bar = Meter.parse(pick(rng, *BAR_CHANGES[kind]))
    elif changing:
        one_section = Meter.parse(pick(rng, *SECTION_CHANGES[kind]))
    bars: list[SongBar] = []
    begin, section = 0.0, 0

    def add(other: Meter, letter: str, number: int, of: int) -> None:
        nonlocal begin
        here = groups if other == meter else GROUPS[str(other)][0]
        bars.append(SongBar(other, here, letter, number, of, section, begin))
        begin += quarters(other)

    while begin * 60 / quarters_per_minute < seconds + 3 * bar_s:
        place = section % len(order)
        count = per if rng.random() < 0.92 else max(2, per // 2)
        here = one_section if one_section is not None and 0 < place == len(order) - 1 else meter
        # The odd bar ends a section, beside its last bar or instead of it.
        change = one_bar is not None and rng.random() < 0.75
        of = count + int(change and rng.random() < 0.5)
        for k in range(of):
            add(one_bar if one_bar is not None and change and k == of - 1 else here, order[place], k, of)
        section += 1
    return bars
