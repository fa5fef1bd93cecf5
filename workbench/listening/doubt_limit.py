"""How much of a draft is put in doubt: as much as is worth a visit.

The likeliest errors are asked about as long as one is expected in every :data:`VISITS_PER_ERROR` visits, so a clear
recording has few doubts, and a dense one many.  What lies at one place takes one visit, and so does a question that
is asked in many bars (:mod:`workbench.reading.questions`), if one answer holds in all of them.  Of a machine it nearly
always does, and there the detector is surer than right: more is asked.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from workbench.chart import Chart
from workbench.chart.machinetime import is_by_machine
from workbench.reading.questions import Doubt, doubts_of, questions

#: Of all that is in doubt in a song an error is expected in every so many visits; this keeps clear recordings from
#: being covered with marks.  Chosen by hand, no source.
VISITS_PER_ERROR = 2.75


@dataclass(frozen=True)
class Asked:
    """What is asked about.

    Attributes
    ----------
    least : float
        What is less likely an error is not asked about, however many are expected elsewhere.
    one_answer : float
        How often one answer is right for all doubts of a question in several bars, however many.
    """

    least: float
    one_answer: float


#: In drafts of human performances one answer is right in 0.66 to 0.84, in programmed music in 0.88 to 0.98
#: (``listening/README.md``); the least probabilities keep dense mixes from being covered with marks.
ASKED_OF_PLAYERS, ASKED_OF_MACHINES = Asked(0.08, 0.7), Asked(0.02, 0.9)


def limit_of_doubt(asked: Sequence[Sequence[Doubt]], worth: Asked = ASKED_OF_PLAYERS) -> float:
    """The least probability of an error that is worth a visit.

    A wrong hit in a missing one's place is one error.  Where the answers to a question differ it takes a visit for
    itself and one for each of its places.

    Parameters
    ----------
    asked : sequence of sequences of Doubt
        Questions, each with its doubts.
    worth : Asked

    Examples
    --------
    >>> from fractions import Fraction
    >>> errors = (0.9, 0.02, 0.3, 0.1)
    >>> limit_of_doubt([[Doubt(k, Fraction(0), "snare", error)] for k, error in enumerate(errors)])
    0.1
    """
    by_error = sorted(
        ((d.error, k, d) for k, question in enumerate(asked) for d in question), key=lambda x: (-x[0], x[1])
    )
    expected: dict[object, list[float]] = {}
    costs: dict[object, float] = {}
    times: Counter[int] = Counter()
    found, visits, limit = 0.0, 0.0, 1.0
    for error, question, doubt in by_error:
        if error < worth.least:
            break
        at = expected.setdefault(doubt.place, [0.0, 0.0])
        found -= max(at)
        at[doubt.hit is not None] += error
        found += max(at)
        times[question] += 1
        visits += (1 - worth.one_answer) * (times[question] == 2)
        before = costs.get(doubt.place, 0.0)
        costs[doubt.place] = max(before, 1.0 if times[question] == 1 else 1 - worth.one_answer)
        visits += costs[doubt.place] - before
        if found * VISITS_PER_ERROR >= visits:
            limit = error
    return limit


def put_in_doubt(chart: Chart) -> Chart:
    """A draft with the limit of doubt that is its song's own, less the possible hits that are beyond it."""
    worth = ASKED_OF_MACHINES if is_by_machine(chart.time_map) else ASKED_OF_PLAYERS
    limit = limit_of_doubt(questions(chart, doubts_of(chart, 1 - worth.least)), worth)
    possible = tuple(h for h in chart.possible_hits if h.probability >= limit)
    # Confidences have three digits; that of the limit itself is in doubt too.
    return replace(chart, possible_hits=possible, doubt_below=round(1 - limit + 0.0005, 4))
