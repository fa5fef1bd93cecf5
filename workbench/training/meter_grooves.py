"""Grooves of other meters than 4/4, written by rule and played with a drummer's feel; and whether strokes tell a meter.

A song that is said to be in 6/8 must be music that a drummer would call 6/8, or nothing is learnt from it and
nothing measured with it.  Figures and shares are common practice, no source.  Places are in quarters, strokes
(quarters, instrument, velocity 1 to 127).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from workbench.chart.drumkit import instrument
from workbench.chart.meter import Meter

Stroke = tuple[float, str, int]

#: Kick and snare at the eighths of a bar; blanks lie between its groups.
GROOVES: dict[str, tuple[str, ...]] = {
    "2/4": ("k. s.", "kk s.", "k. sk", "k. ss"),
    "3/4": ("k. s. s.", "k. .. s.", "k. .k s.", "k. s. k.", "k. .k sk", "kk s. k.", "k. s. sk", "kk .. s.", "k. s. .."),
    "5/4": (
        *("k.k.s. k.s.", "k..ks. k.s.", "k...s. k.s.", "k..ks. kks.", "k.s.k. .ks.", "k.k.s. ..s."),
        *("k.s. k.k.s.", "k.s. k..ks.", "kks. k...s.", "k.s. kks.k.", "k.s. k.s.kk"),
    ),
    "6/4": (
        *("k...s... k.k.", "k..ks... kksk", "k.s.k.s. k...", "k..ks... k...", "k..ks..k ..ss", "k.s.kks. kkk."),
        *("k..... s.....", "k..k.. s...k.", "k.k... s.k...", "k..k.. s.k.k.", "k.k.s. k.....", "kk.... s..k.k"),
    ),
    "7/4": (
        *(
            "k.s.k.s. k.k.s.",
            "k.s.kks. k..ks.",
            "k...s.k. k...s.",
            "k.s.k.s. k.s.s.",
            "k.s.kks. k.s.k.",
            "k...s... k.s.k.",
        ),
        *("k.k.s. k.s.k.s.", "k..ks. k.s.kks.", "k...s. k.s.k.s.", "k.s.k. k.s.k.s."),
    ),
    "3/8": ("k.s", "kss", "ks.", "k.."),
    "5/8": ("k.. s.", "k.k s.", "k.. sk", "kk. s.", "k. s..", "k. s.k", "kk s..", "k. ks."),
    "6/8": ("k.. s..", "k.k s..", "k.. s.k", "k.k s.k", "kk. s..", "k.. sk.", "k.. s..", "k.k sk."),
    "7/8": (
        *("k. k. s..", "k. s. s..", "k. s. k.s", "k. s. ks.", "kk .k s..", "k. s. k..", "k. .k s.k"),
        *("k.. s. s.", "k.. k. s.", "k.. s. k.", "k.k s. sk", "k. k.. s.", "k. s.. s.", "k. s.k s."),
    ),
    "9/8": ("k.. s.. s..", "k.. k.. s..", "k.. s.. k..", "k.k s.. s.k", "k.. k.k s..", "k.k ... s.."),
    "12/8": (
        *("k.. ... s.. ...", "k.. ..k s.. ..k", "k.. k.. s.. ...", "k.. ..k s.. k.."),
        *("k.. s.. ..k sk.", "k.. s.. .kk s..", "kk. s.. ..k s.."),
    ),
}

#: A stroke of the snare so soft is a ghost note.
GHOST = 45
#: Strokes lie no farther from where they are written, seconds.
MOST_OFF_S = 0.035
#: A share of strokes that come between eighths and triplets as swung eighths do, from which a drummer swings.
SWUNG_SHARE = 0.6

_KEEPERS = ("closed hi-hat", "open hi-hat", "ride", "ride bell")
_FILL_DRUMS = ("snare", "high tom", "mid tom", "floor tom")


@dataclass
class DrummersFeel:
    """When and how hard a drummer strikes: (seconds late, velocity) of the strokes of a performance in their order.

    Attributes
    ----------
    played : dict
        By ``kick``, ``snare``, ``ghost``, ``on`` (time kept on a quarter) and ``off`` (between them).
    keeper : str
        What keeps time.
    ghosts : float
        Ghost notes a quarter.
    swung, foot : bool
        Eighths are swung; the foot keeps time on the hi-hat.
    """

    played: dict[str, list[tuple[float, int]]]
    keeper: str
    ghosts: float
    swung: bool
    foot: bool
    at: dict[str, int] = field(default_factory=dict)

    @classmethod
    def of(cls, rng: np.random.Generator, strokes: Sequence[Stroke], tempo_bpm: float) -> DrummersFeel:
        played: dict[str, list[tuple[float, int]]] = {part: [] for part in ("kick", "snare", "ghost", "on", "off")}
        kept = [name for _, name, _ in strokes if name in _KEEPERS]
        between = []
        for at, name, velocity in strokes:
            near = min(round(at * 4) / 4, round(at * 3) / 3, key=lambda place: abs(at - place))
            late = float(np.clip((at - near) * 60 / tempo_bpm, -MOST_OFF_S, MOST_OFF_S))
            if name in ("kick", "snare"):
                played["ghost" if name == "snare" and velocity < GHOST else name].append((late, velocity))
            elif name in _KEEPERS:
                on = abs(near - round(near)) < 1e-6
                played["on" if on else "off"].append((late, velocity))
                between += [abs(near % 1 - 2 / 3) < 1e-6] * (0.4 < near % 1 < 0.7)
        quarters = max(1.0, strokes[-1][0])
        return cls(
            played,
            max(_KEEPERS, key=kept.count),
            len(played["ghost"]) / quarters,
            len(between) > 8 and float(np.mean(between)) > SWUNG_SHARE,
            any(name == "pedal hi-hat" for _, name, _ in strokes),
            {part: int(rng.integers(len(found))) for part, found in played.items() if found},
        )

    def strike(self, rng: np.random.Generator, part: str) -> tuple[float, int]:
        """The next stroke of a part: seconds late, and velocity."""
        found = self.played[part]
        if not found:
            return float(rng.normal(0, 0.006)), int(rng.integers(30, 45) if part == "ghost" else rng.integers(75, 110))
        self.at[part] = (self.at[part] + 1) % len(found)
        return found[self.at[part]]


class GrooveBar:
    """A bar of a section: which part strikes where."""

    def __init__(
        self, rng: np.random.Generator, figure: str, meter: Meter, feel: DrummersFeel, quarters_per_minute: float
    ):
        groups = figure.split()
        letters = "".join(groups)
        self.length = len(letters) / 2
        self.heads = np.concatenate([[0], np.cumsum([len(g) for g in groups])])[:-1] / 2
        self.kick = [k / 2 for k, letter in enumerate(letters) if letter == "k"]
        self.snare = [k / 2 for k, letter in enumerate(letters) if letter == "s"]
        slow = quarters_per_minute < 105 and not feel.swung
        between = [k / 4 for k in range(1, 2 * len(letters)) if slow or k % 2 == 0]
        free = [place for place in between if place not in self.kick + self.snare]
        # A bar that answers differs by a kick.
        self.answer = sorted([*self.kick, float(rng.choice(free))]) if free and rng.random() < 0.5 else self.kick
        ghosts = min(len(free), rng.poisson(min(1.0, feel.ghosts) * self.length)) if meter.unit == 4 or slow else 0
        self.ghost = sorted(float(p) for p in rng.choice(free, ghosts, replace=False)) if ghosts else []
        self.time = self._time(rng, meter, slow)
        self.strong = self.heads if meter.unit == 8 else np.arange(self.length)

    def _time(self, rng: np.random.Generator, meter: Meter, slow: bool) -> np.ndarray:
        eighths, draw = np.arange(0, self.length - 1e-6, 0.5), rng.random()
        if meter.is_compound or meter == Meter(3, 8):
            return eighths if draw < 0.75 else eighths[np.arange(len(eighths)) % 3 != 1] if draw < 0.92 else self.heads
        if meter.unit == 8:
            return eighths if draw < 0.8 else self.heads
        return eighths if draw < 0.6 else eighths[::2] if draw < 0.85 or not slow else np.arange(2 * len(eighths)) / 4

    def play(
        self,
        rng: np.random.Generator,
        feel: DrummersFeel,
        keeper: str,
        answers: bool,
        crash: bool,
        until: float,
        foot: bool,
    ) -> list[tuple[float, str, str]]:
        """(place, instrument, part of the feel) up to a fill."""
        rows = [(at, "kick", "kick") for at in (self.answer if answers else self.kick)]
        rows += [(at, "snare", "snare") for at in self.snare] + [(at, "snare", "ghost") for at in self.ghost]
        rows += [(at, keeper, "on" if at in self.strong else "off") for at in self.time.tolist()]
        rows += [(at, "pedal hi-hat", "on") for at in self.snare if foot]
        if crash:
            rows = [row for row in rows if row[0] or row[1] != keeper] + [(0.0, "crash", "snare")]
            rows += [(0.0, "kick", "kick")] * (0.0 not in self.kick)
        rows = [row for row in rows if row[0] < until - 1e-6]
        places = np.arange(until, self.length - 1e-6, 0.25 if rng.random() < 0.5 and not feel.swung else 0.5)
        rows += [(at, _FILL_DRUMS[4 * k // len(places)], "snare") for k, at in enumerate(places.tolist())]
        return rows


def play_grooves(
    rng: np.random.Generator,
    strokes: Sequence[Stroke],
    tempo_bpm: float,
    meter: Meter,
    bars: int,
    quarters_per_minute: float,
) -> list[Stroke]:
    """So many bars of a meter as the drummer of a performance feels them: sections of four or eight bars that take
    turns, each opened by a crash and closed by a fill."""
    feel = DrummersFeel.of(rng, strokes, tempo_bpm)
    figure = str(rng.choice(GROOVES[str(meter)]))
    other = "ride" if feel.keeper != "ride" else "closed hi-hat"
    keepers = (feel.keeper, other if rng.random() < 0.5 else feel.keeper)
    sections = [GrooveBar(rng, figure, meter, feel, quarters_per_minute) for _ in keepers]
    part, second = int(rng.choice([4, 8])), 60 / quarters_per_minute
    out: list[Stroke] = []
    for bar in range(bars):
        letter, number = bar // part % 4 // 2, bar % part
        groove = sections[letter]
        ends = number == part - 1 and rng.random() < 0.85
        until = (
            float(groove.heads[-1 if len(groove.heads) < 3 or rng.random() < 0.6 else -2]) if ends else groove.length
        )
        foot = feel.foot and keepers[letter].startswith("ride")
        rows = groove.play(rng, feel, keepers[letter], number % 2 == 1, bar > 0 and number == 0, until, foot)
        for place, name, how in sorted(rows):
            late_s, velocity = feel.strike(rng, how)
            swung = feel.swung and meter.unit == 4 and place % 1 == 0.5
            out.append((bar * groove.length + place + swung / 6 + late_s / second, name, velocity))
    return sorted(out)


#: How much more kick and snare say than the rest.
FELT = 2.0
#: How much more alike bars must be than shorter stretches of the song that they are made of.
LONGER = 0.1
#: How much stronger the beats of a meter must be than what would be the beats of another.
STRONGER = 1.25


def tells_meter(strokes: Sequence[Stroke], meter: Meter, first: float = 0.0) -> bool:
    """Whether strokes alone say that they are in a meter, bars beginning at *first*.

    They come again after a bar rather than after any other time up to two bars, and clearly rather than after a part
    of it; a kick or a crash opens at least half of the bars; where beats divide in three, kicks and loud snares
    stand on them rather than elsewhere, in 3/4 on quarters rather than in the middle of the bar.
    """
    bar = int(16 * meter.bar_length)
    struck = [((at - first) * 4, name, velocity / 127) for at, name, velocity in strokes if at - first > -0.12]
    kinds = [name if name in ("kick", "snare") else instrument(name).family for _, name, _ in struck]
    rows = sorted(set(kinds))
    cells = np.zeros((bar * (1 + round(max((at for at, *_ in struck), default=0.0)) // bar), len(rows)))
    for (at, _, level), kind in zip(struck, kinds):
        here = round(at), rows.index(kind)
        cells[here] = max(cells[here], level * (FELT if kind in ("kick", "snare") else 1.0))
    if len(cells) < 4 * bar or not {"kick", "snare"} <= set(rows):
        return False

    def alike(later: int) -> float:
        a, b = (part - cells.mean(axis=0) for part in (cells[later:], cells[:-later]))
        return float((a * b).sum() / max(np.sqrt((a**2).sum() * (b**2).sum()), 1e-9))

    own = alike(bar)
    others = {later: alike(later) for later in range(4, 2 * bar, 2) if later != bar}
    if any(value > own - LONGER * (bar % later == 0) for later, value in others.items()):
        return False
    kick, snare = (cells[:, rows.index(name)].reshape(-1, bar) for name in ("kick", "snare"))
    crash = [at for at, name, _ in struck if "crash" in name]
    opened = (kick[:, 0] > 0) | np.isin(np.arange(len(kick)) * bar, np.round(crash))
    if opened.mean() < 0.5:
        return False
    strong = (kick + np.where(snare > FELT * GHOST / 127, 1.2 * snare, 0.0)).mean(axis=0)[::2]
    eighth = np.arange(len(strong))
    if meter.is_compound:
        inside = strong[(eighth % 3 == 0) & (eighth > 0)].mean()
        return bool(
            inside > STRONGER * max(strong[eighth % 3 > 0].mean(), strong[(eighth % 2 == 0) & (eighth % 3 > 0)].mean())
        )
    return meter != Meter(3, 4) or bool(max(strong[2], strong[4]) > strong[3])
