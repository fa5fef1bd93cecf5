"""What a draft asks: the same doubt in bars that are alike is one question."""

from dataclasses import replace
from fractions import Fraction as F

from hypothesis import given
from hypothesis import strategies as st

from tests.charts import charts
from workbench.chart import Chart, Note, PossibleHit, WrittenBar
from workbench.chart.edits import AcceptHit, ChangeNote, SetDone, apply
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.reading.questions import doubts_of, questions

BEAT_S = 0.5
GROOVE = [Note(F(k, 8), "closed hi-hat") for k in range(8)] + [Note(F(0), "kick"), Note(F(1, 2), "kick")]
FILL = [Note(F(k, 16), "floor tom") for k in range(12)]


def possible(bar, position, name="snare", probability=0.3):
    return PossibleHit((bar + float(position)) * 4 * BEAT_S, name, 50, probability, "It is heard faintly.")


def chart(*bars, hits=()):
    time_map = TimeMap.steady(len(bars), 60 / BEAT_S)
    return Chart(time_map, tuple(WrittenBar(tuple(b)) for b in bars), possible_hits=hits, doubt_below=0.8)


def asked(of):
    return [[(d.bar_index, str(d.position), d.instrument) for d in q] for q in questions(of, doubts_of(of))]


def test_the_same_drum_at_the_same_place_of_bars_alike_is_one_question():
    ghosts = [possible(k, F(5, 16)) for k in (0, 1, 3)]
    one = chart(GROOVE, GROOVE, FILL, GROOVE[:-1], hits=(*ghosts, possible(2, F(5, 16)), possible(1, F(7, 16))))
    assert asked(one) == [
        [(0, "5/16", "snare"), (1, "5/16", "snare"), (3, "5/16", "snare")],
        [(1, "7/16", "snare")],  # another place
        [(2, "5/16", "snare")],  # a bar of another kind
    ]


def test_a_hit_in_doubt_and_a_possible_hit_are_different_questions():
    doubtful = [*GROOVE, Note(F(1, 4), "snare", confidence=0.5)]
    one = chart(doubtful, GROOVE, doubtful, hits=(possible(1, F(1, 4)),))
    assert asked(one) == [[(0, "1/4", "snare"), (2, "1/4", "snare")], [(1, "1/4", "snare")]]
    assert [round(d.error, 3) for d in doubts_of(one)] == [0.5, 0.3, 0.5]
    assert doubts_of(one, 0.4) == [d for d in doubts_of(one) if d.hit]


def test_bars_of_another_meter_ask_apart():
    same = chart(GROOVE, GROOVE, hits=(possible(0, F(1, 4)), possible(1, F(1, 4))))
    four, two = same.time_map.bars[0], Bar(Meter(2, 2), (2.0, 3.0))
    assert len(asked(same)) == 1
    assert len(asked(replace(same, time_map=TimeMap((four, two), 4.0)))) == 2


def test_what_is_settled_is_asked_no_more():
    """A confirmed hit leaves no other sound of the same drum possible there; a bar that is done asks nothing."""
    hat = Note(F(1, 8), "closed hi-hat", confidence=0.6)
    open_hat, crash = possible(0, F(1, 8), "open hi-hat"), possible(0, F(1, 8), "crash")
    one = chart([hat], [hat], hits=(open_hat, crash, possible(1, F(1, 8), "open hi-hat")))
    assert len(asked(one)) == 3 and len(one.possible_notes()) == 3
    kept = apply(one, ChangeNote(0, F(1, 8), "closed hi-hat", confirmed=True))
    assert asked(kept) == [[(0, "1/8", "crash")], [(1, "1/8", "open hi-hat")], [(1, "1/8", "closed hi-hat")]]
    assert kept.possible_hits == one.possible_hits, "nothing is lost: undone, it is asked again"
    done = apply(one, SetDone(0, 0))
    assert {d.bar_index for d in doubts_of(done)} == {1}
    assert doubts_of(apply(done, SetDone(0, 0, done=False)))[0].instrument == "crash"
    taken = apply(one, AcceptHit(open_hat.time_s, "open hi-hat"))
    assert [n.instrument for n in taken.bars[0].notes] == ["open hi-hat"]


@given(st.data())
def test_every_doubt_belongs_to_one_question(data):
    of = data.draw(charts())
    doubts = doubts_of(of)
    found = [d for q in questions(of, doubts) for d in q]
    assert sorted(map(doubts.index, found)) == list(range(len(doubts)))
    for question in questions(of, doubts):
        assert len({(d.position, d.instrument, d.hit is None) for d in question}) == 1
        assert [d.place for d in question] == sorted(d.place for d in question)
