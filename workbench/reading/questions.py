"""What a draft asks its user: doubts, and which of them are one question.

A song repeats itself, and what is wrong in one bar of a draft is mostly wrong in the bars like it.  Doubts of one
drum at one written place of bars that are alike are therefore one question, asked at the first of them; whoever
answers it may answer all of them.  The page has the same rule (``grid/js/questions.js``).  How often one answer is
right for all of a question: ``workbench/listening/README.md``.

Two sounds of one drum (open and closed hi-hat) in doubt at the same place of bars that are alike stay two questions:
joined, 10 of 28 had one right answer (drafts of 26 performances of Groove MIDI's validation and test splits and of six
annotated recordings, alone and in the mix), and going through them took 1 % more visits.  Who has answered the one is
offered the same answer for the other instead (``grid/js/alike.js``).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from workbench.chart import Chart, PossibleHit, is_doubtful
from workbench.chart.drumkit import drum_key_order

#: Bars are alike if they share at least this part of their hits: twice what both have, of what each has (Dice's
#: coefficient).  Of 0, 0.5, 0.6, 0.7 and 0.8 the one with the fewest visits for an error in mixes of human
#: performances; alone and in programmed music 0.5 needs a little fewer.
ALIKE_FROM = Fraction(3, 5)
#: What lies further away is another song, bars.
ALIKE_WITHIN_BARS = 256


@dataclass(frozen=True)
class Doubt:
    """A hit in doubt, or a possible hit.

    Attributes
    ----------
    bar_index : int
    position : Fraction, whole notes from the bar line
    instrument : str
    error : float, 0–1
        How likely the hit is wrong, or the possible hit was played.
    hit : PossibleHit or None
        None for a hit that is written.
    """

    bar_index: int
    position: Fraction
    instrument: str
    error: float
    hit: PossibleHit | None = None

    @property
    def place(self) -> tuple[int, Fraction]:
        """Where it is written, or would be: what lies there is looked at together."""
        return self.bar_index, self.position


def doubts_of(chart: Chart, below: float | None = None) -> list[Doubt]:
    """The doubts of a chart in the order of the music.

    Parameters
    ----------
    chart : Chart
    below : float, 0–1, optional
        Hits less sure than this are in doubt, by default the chart's own limit.
    """
    below = chart.doubt_below if below is None else below
    found = [Doubt(k, n.position, n.instrument, 1 - n.confidence) for k, n in chart.notes() if is_doubtful(n, below)]
    found += [Doubt(k, n.position, n.instrument, h.probability, h) for k, n, h in chart.possible_notes()]
    return sorted(found, key=lambda d: (d.place, drum_key_order(d.instrument), d.hit is not None))


def questions(chart: Chart, doubts: Iterable[Doubt]) -> list[list[Doubt]]:
    """Doubts of a chart that are one question each: the same drum, written or possible, at the same place of bars like
    the first of them.

    Parameters
    ----------
    chart : Chart
    doubts : iterable of Doubt, in the order of the music
    """
    number: dict[tuple[Fraction, str], int] = defaultdict(lambda: len(number))
    hits = [sum(1 << number[n.key] for n in bar.notes) for bar in chart.bars]
    found: dict[object, list[list[Doubt]]] = defaultdict(list)
    for doubt in doubts:
        k, timed = doubt.bar_index, chart.time_map.bars[doubt.bar_index]
        same = found[doubt.position, doubt.instrument, doubt.hit is None, timed.meter, timed.length]
        for question in same:
            first = question[0].bar_index
            if k - first <= ALIKE_WITHIN_BARS and _are_alike(hits[first], hits[k]):
                question.append(doubt)
                break
        else:
            same.append([doubt])
    return sorted((q for same in found.values() for q in same), key=lambda q: q[0].place)


def _are_alike(a: int, b: int) -> bool:
    """Whether two bars are alike, each given as a set of hits: the bits of a number."""
    both, all_hits = 2 * (a & b).bit_count(), a.bit_count() + b.bit_count()
    return both * ALIKE_FROM.denominator >= all_hits * ALIKE_FROM.numerator
