"""What sentences about a draft rest on, and how likely they are true.

A draft's hits were heard, not written: some were not played, and some that were played are missing.  What is
said of them (a change in a bar, the way of a fill) is as sure as its strokes, and as sure as the silences that
it speaks of.  Both are estimated by logistic regression on drafts of human performances of the Groove MIDI data
set, rendered with and without other instruments (``python -m tests.benchmarks.bench_statements GROOVE --fit``).
What a user confirmed or a score brought is certain.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

from workbench.chart import Chart, Note
from workbench.chart.drumkit import drum_key_order, instrument
from workbench.reading.grooves import Groove

# Numbers whose origin is not named: chosen by eye, no source.
#: Hits less sure than this, and not confirmed, count as doubtful.  On validation clips and tracker modules doubts and
#: possible hits together reach half of the errors, an error in every second visit; a higher limit reaches more, but
#: costs many visits where a recording is clear.
DOUBT_BELOW = 0.75
#: What a draft is worth that needs fewer corrections a bar than this.
QUALITIES = ((0.5, "Nearly right"), (1.5, "Good"), (3.0, "Fair"), (5.0, "Poor"), (float("inf"), "Too poor to trust"))
#: Of fewer hits of an instrument none is said to be mostly doubtful.
FEWEST_HITS = 3

#: Sentences at least so likely to be true are told plainly, others marked "listen first"; those less likely than
#: the second are left out.  Set so that of plain ones 97 in 100 are true (``bench_statements``).
TOLD_FROM, SAID_FROM = 0.94, 0.5
#: Log-odds that a hit was played: of its confidence's, of the share of the groove's other bars that have it, and 0.
HIT_WEIGHTS = (1.34, 1.51, 0.28)
#: Log-odds that nothing was played where nothing was heard: of the mean confidence's of the same stroke in other
#: bars, of the share of them that have it, of drums that others cover, and 0.
SILENCE_WEIGHTS = (0.68, -2.89, -1.60, 3.67)
#: How often a stroke said to be a ghost note, a flam or the like, or no such thing, is just that.
ORNAMENT_SURE = 0.85
#: How often a fill has no other kick than those heard: bass and toms cover it.
NO_OTHER_KICK = 0.65
#: Confidences count no nearer to 0 and 1 than this.
CLOSEST = 0.02

#: How a doubtful sentence begins.
LISTEN_FIRST = "listen first"

#: A stroke in a bar: position and instrument.
Key = tuple[Fraction, str]


@dataclass(frozen=True)
class Grounds:
    """What a sentence rests on.

    Attributes
    ----------
    hits : int
        Hits that it speaks of.
    least_sure : float
        Confidence of the least sure of them, 0–1.
    bars : int
        Bars that agree.
    certainty : float
        How likely it is true, 0–1.
    """

    hits: int = 0
    least_sure: float = 1.0
    bars: int = 0
    certainty: float = 1.0

    @property
    def is_plain(self) -> bool:
        """Whether the sentence is told without a mark."""
        return self.certainty >= TOLD_FROM

    @property
    def is_left_out(self) -> bool:
        """Whether it is not told at all."""
        return self.certainty < SAID_FROM

    def marked(self, text: str) -> str:
        """A sentence with its mark, if it needs one."""
        return text if self.is_plain else f"{LISTEN_FIRST}: {text}"


#: Of what was written or confirmed.
CERTAIN = Grounds()


def is_doubtful(note: Note) -> bool:
    """Whether a note is neither confirmed nor heard surely."""
    return not note.confirmed and note.confidence < DOUBT_BELOW


def expected_corrections(chart: Chart) -> list[float]:
    """How many corrections each bar is likely to need: hits that are wrong, and possible hits that were played.

    A wrong hit and a possible hit at one place are one correction.
    """
    wrong: dict[tuple[int, Fraction], float] = {}
    missed: dict[tuple[int, Fraction], float] = {}
    for k, note in chart.notes():
        if not note.confirmed:
            wrong[k, note.position] = wrong.get((k, note.position), 0.0) + 1 - note.confidence
    for k, note, hit in chart.possible_notes():
        missed[k, note.position] = missed.get((k, note.position), 0.0) + hit.probability
    out = [0.0] * len(chart)
    for place in wrong.keys() | missed.keys():
        out[place[0]] += max(wrong.get(place, 0.0), missed.get(place, 0.0))
    return out


def quality(corrections_per_bar: float) -> str:
    """What so many corrections a bar say of a draft, as a sentence.

    Examples
    --------
    >>> quality(8.2)
    'Too poor to trust: expect 8 corrections a bar.'
    """
    word = next(word for most, word in QUALITIES if corrections_per_bar < most)
    number = f"{corrections_per_bar:.0f}" if corrections_per_bar >= 2 else f"{corrections_per_bar:.1f}"
    return f"{word}: expect {number} corrections a bar."


def doubtful_hits(chart: Chart) -> Counter[str]:
    """How many hits of each instrument are doubtful."""
    return Counter(n.instrument for _, n in chart.notes() if is_doubtful(n))


def mostly_doubtful(chart: Chart) -> str:
    """Instruments most of whose hits are doubtful: "high tom (13 of 13), mid tom (4 of 7)"; empty if there are none."""
    hits, doubtful = Counter(n.instrument for _, n in chart.notes()), doubtful_hits(chart)
    names = sorted((n for n in doubtful if hits[n] >= FEWEST_HITS and doubtful[n] > hits[n] / 2), key=drum_key_order)
    return ", ".join(f"{name} ({doubtful[name]} of {hits[name]})" for name in names)


def heard_confidence(note: Note) -> float:
    """How sure a note is: 1 where a user confirmed it."""
    return 1.0 if note.confirmed else note.confidence


def is_covered(name: str) -> bool:
    """Whether other sounds of a song often cover an instrument: kick, hi-hat and ride."""
    return instrument(name).family in ("kick", "hi-hat") or name in ("ride", "ride bell")


class HeardBars:
    """How surely the strokes of some bars were heard, and that others were not played in them.

    Parameters
    ----------
    chart : Chart
    bars : iterable of int
        Bars of one groove: what recurs in them is the surer.
    """

    def __init__(self, chart: Chart, bars: Iterable[int]) -> None:
        self.chart, self.bars = chart, tuple(bars)
        self._confidence: dict[Key, dict[int, float]] = defaultdict(dict)
        for k in self.bars:
            for n in chart.bars[k].notes:
                self._confidence[n.key][k] = heard_confidence(n)
        self._possible = {(k, n.key): hit.probability for k, n, hit in chart.possible_notes()}
        self._unsure = any(c < 1 for found in self._confidence.values() for c in found.values())

    def confidence(self, bar_index: int, key: Key) -> float:
        """Of a hit of the draft."""
        return self._confidence[key].get(bar_index, 0.0)

    def played(self, bar_index: int, key: Key) -> float:
        """How likely a hit of the draft was played, 0–1."""
        found = self._confidence[key]
        confidence = found.get(bar_index, 0.0)
        if confidence >= 1.0:
            return 1.0
        share = (len(found) - 1) / max(len(self.bars) - 1, 1)
        return _probability(HIT_WEIGHTS[0] * _log_odds(confidence) + HIT_WEIGHTS[1] * share + HIT_WEIGHTS[2])

    def silent(self, bar_index: int, key: Key) -> float:
        """How likely a stroke that the draft has not in a bar was not played there, 0–1."""
        notes = self.chart.bars[bar_index].notes
        if not self._unsure or notes and all(n.confirmed for n in notes):
            return 1.0
        found = {k: c for k, c in self._confidence[key].items() if k != bar_index}
        mean = sum(found.values()) / len(found) if found else 0.5
        weights = SILENCE_WEIGHTS
        usual = _probability(
            weights[0] * _log_odds(mean)
            + weights[1] * len(found) / len(self.bars)
            + weights[2] * is_covered(key[1])
            + weights[3]
        )
        # What the draft left out but thinks possible is no silence.
        return min(usual, 1 - self._possible.get((bar_index, key), 0.0))


def base_grounds(heard: HeardBars, groove: Groove) -> Grounds:
    """What the base of a groove rests on: each of its strokes on the bar of the groove that has it surest."""
    hits, least, certainty = 0, 1.0, 1.0
    for base in groove.base_bars:
        for key in heard.chart.bars[base].pattern:
            best = max(groove.bar_indices, key=lambda k: heard.confidence(k, key))
            hits, least = hits + 1, min(least, heard.confidence(best, key))
            certainty *= heard.played(best, key)
    return Grounds(hits, least, len(groove.bar_indices), certainty)


@cache
def _log_odds(probability: float) -> float:
    p = min(max(probability, CLOSEST), 1 - CLOSEST)
    return math.log(p / (1 - p))


def _probability(log_odds: float) -> float:
    return 1 / (1 + math.exp(-log_odds))
