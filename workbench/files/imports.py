"""How a file by others is to be read, and what was lost in reading it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from workbench.chart import Chart
from workbench.chart.drumkit import KitLine
from workbench.escaping import one_line

#: Most sentences about one file, and most bars named in one of them.
MOST_PROBLEMS = 100
_MOST_BARS_NAMED = 24


@dataclass(frozen=True)
class ImportOptions:
    """What a user says of a file by others.

    Attributes
    ----------
    part : str
        Name of the part or track to read; by default all drum parts are read together.
    kit_map : tuple of KitLine
        What the MIDI keys of its kit mean, where they mean not what General MIDI says.
    as_written : bool
        Each bar of a score once, with its repeats and jumps as signs; by default in the order heard.
    finest : int, optional
        Of a MIDI performance: the shortest notes to write, 8 or 16, and their triplets.
    """

    part: str = ""
    kit_map: tuple[KitLine, ...] = ()
    as_written: bool = False
    finest: int | None = None


#: Everything as it is usually read.
USUAL = ImportOptions()


@dataclass
class Losses:
    """Strokes left out, by what is the matter and by bar.

    Examples
    --------
    >>> lost = Losses()
    >>> lost.add("A cue note of the snare was left out", "3")
    >>> lost.add("A cue note of the snare was left out", "4", 2)
    >>> lost.sentences(), lost.in_bar("4")
    (['A cue note of the snare was left out (3 in bars 3, 4).'], 2)
    """

    counts: dict[str, Counter[str]] = field(default_factory=dict)

    def add(self, what: str, bar: str, count: int = 1) -> None:
        """Count strokes of a bar, told by its printed number."""
        self.counts.setdefault(what, Counter())[bar] += count

    def in_bar(self, bar: str) -> int:
        """How many strokes of a bar were left out."""
        return sum(own[bar] for own in self.counts.values())

    def sentences(self) -> list[str]:
        """One for each thing that is the matter."""
        return [f"{what} ({own.total()} in {_bars(own)})." for what, own in sorted(self.counts.items())]


def _bars(numbers: Iterable[str]) -> str:
    named = list(numbers)
    more = f" and {len(named) - _MOST_BARS_NAMED} more" if len(named) > _MOST_BARS_NAMED else ""
    return f"bar{'s' if len(named) > 1 else ''} {', '.join(named[:_MOST_BARS_NAMED])}{more}"


@dataclass(frozen=True)
class Imported:
    """A chart read from a file by others, and what could not be understood.

    Attributes
    ----------
    chart : Chart
    problems : tuple of str
        One sentence for each thing left out or guessed; empty if all was understood.
        Of a great many the first :data:`MOST_PROBLEMS` are told and the rest counted.
    losses : Losses
        The strokes left out; told in ``problems`` too.
    bar_numbers : tuple of str
        Of a score: the number that each bar of the chart has on its pages.
    remarks : tuple of str
        What is good to know though nothing is amiss, such as whether a score was read as played.
    """

    chart: Chart
    problems: tuple[str, ...] = ()
    losses: Losses = field(default_factory=Losses)
    bar_numbers: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        problems = [*self.problems, *self.losses.sentences()]
        told = [one_line(p) for p in problems[:MOST_PROBLEMS]]
        if len(problems) > len(told):
            told.append(f"{len(problems) - len(told)} more like these.")
        object.__setattr__(self, "problems", tuple(told))
