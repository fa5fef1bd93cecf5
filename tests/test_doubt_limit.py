"""How much of a draft is put in doubt."""

from dataclasses import replace
from fractions import Fraction as F

import numpy as np

from tests.test_machinetime import played
from workbench.chart import Chart, Note, PossibleHit, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.listening.doubt_limit import (
    ASKED_OF_MACHINES,
    ASKED_OF_PLAYERS,
    VISITS_PER_ERROR,
    limit_of_doubt,
    put_in_doubt,
)
from workbench.reading.questions import Doubt

HIT = PossibleHit(1.0, "crash", 60, 0.3)


def each_its_own(errors, missing=None):
    missing = np.zeros(len(errors), bool) if missing is None else missing
    return [[Doubt(k, F(0), "snare", float(e), HIT if m else None)] for k, (e, m) in enumerate(zip(errors, missing))]


def test_an_error_is_expected_in_every_so_many_visits_whatever_the_song():
    rng = np.random.default_rng(2)
    for most in (0.2, 0.6, 1.0):  # a clear recording, and a dense one
        error, missing = rng.uniform(0, most, 400) ** 2, rng.random(400) < 0.3
        limit = limit_of_doubt(each_its_own(error, missing))
        marked = error[error >= limit]
        assert len(marked) == 0 or marked.sum() * VISITS_PER_ERROR >= len(marked)
        more = np.sort(error)[-len(marked) - 1 :]
        assert more.sum() * VISITS_PER_ERROR < len(more) or more[0] < ASKED_OF_PLAYERS.least


def test_a_wrong_hit_and_what_was_played_instead_are_one_visit_and_one_error():
    apart = each_its_own([0.5, 0.5, 0.3, 0.2], [False, True, False, False])
    pair = [apart[0], [replace(apart[1][0], bar_index=0)], *apart[2:]]
    # At one place 0.5 in 1 visit, 0.8 in 2, 1.0 in 3; apart 1.5 in 4.
    assert limit_of_doubt(pair) == 0.3 and limit_of_doubt(apart) == 0.2


def test_a_question_in_many_bars_is_worth_more_than_as_many_questions():
    many = [Doubt(k, F(0), "snare", 0.2) for k in range(8)]
    assert limit_of_doubt([[d] for d in many]) == 1.0, "0.2 in a visit is too little"
    assert 1 + (1 - ASKED_OF_PLAYERS.one_answer) * 8 < 8 * 0.2 * VISITS_PER_ERROR
    assert limit_of_doubt([many]) == 0.2


def test_a_draft_keeps_the_possible_hits_within_its_limit():
    bars = [WrittenBar((Note(F(0), "kick", confidence=c),)) for c in (0.5, 0.98, 0.98)]
    hits = tuple(PossibleHit(2.0 * k + 1.0, "snare", 60, p) for k, p in enumerate((0.6, 0.1, 0.09)))
    draft = put_in_doubt(Chart(TimeMap.steady(3, 120), tuple(bars), possible_hits=hits))
    assert draft.possible_hits == hits and draft.doubt_below == 0.9105
    clear = put_in_doubt(replace(draft, possible_hits=hits[1:], bars=(bars[1], *bars[1:])))
    assert clear.possible_hits == () and clear.doubt_below < 0.01


def test_more_is_asked_about_music_of_machines():
    """One answer holds in all bars there, and what is told is surer than right."""
    many = [Doubt(k, F(0), "snare", 0.04) for k in range(12)]
    sure = [Doubt(k, F(1, 2), "kick", 0.9) for k in range(2)]
    assert limit_of_doubt([[d] for d in sure] + [many]) == 0.9
    assert limit_of_doubt([[d] for d in sure] + [many], ASKED_OF_MACHINES) == 0.04
    hits = tuple(PossibleHit(2.0 * k + 1.0, "snare", 60, 0.04) for k in range(6))
    notes = [WrittenBar((Note(F(0), "kick", confidence=0.3),)) for _ in range(6)]
    machine = Chart(TimeMap.steady(6, 120), tuple(notes), possible_hits=hits)
    assert put_in_doubt(machine).possible_hits == hits
    assert put_in_doubt(replace(machine, time_map=played(6, 0.015))).possible_hits == ()
