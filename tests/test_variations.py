"""Variations: exact, complete, and in words."""

from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.charts import written_bars
from tests.effort import examples
from tests.parts import ROCK, bar, rebuild
from workbench.chart.meter import Meter, TimeMap
from workbench.reading.variations import describe_changes

FOUR = TimeMap.steady(1, 120).bars[0]
BASE = dict(H="x.x.x.x.x.x.x.x.", S="....x.......x...", K="x.......x.x.....")


@examples(150)
@given(written_bars(), written_bars())
def test_base_and_changes_give_the_bar_back_exactly(base, actual):
    changes = describe_changes(FOUR, base.content, actual.content)
    assert rebuild(base.content, changes) == actual.content
    for a in changes:
        # Nothing is said that is not there, and nothing twice.
        assert a.text and a.removed <= base.content and a.added <= actual.content
        for b in changes:
            assert a is b or not (a.removed & b.removed or a.added & b.added)
    assert (changes == ()) == (base.content == actual.content)


@examples(100)
@given(st.sets(st.integers(0, 15), max_size=5), st.sets(st.integers(0, 15), max_size=5))
def test_small_changes_of_the_kick_are_told_exactly(before, after):
    def content(places):
        return bar(H="x.x.x.x.x.x.x.x.", K="".join("x" if k in places else "." for k in range(16))).content

    changes = describe_changes(FOUR, content(before), content(after))
    assert rebuild(content(before), changes) == content(after)
    assert all("kick" in c.text for c in changes)


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "rows, said",
    [
        (dict(H="x.x.x.x.x.x.x.o."), ["open hi-hat on the & of 4"]),
        (dict(K="x.......x......."), ["no kick on the & of 3"]),
        (dict(K="x.......x.x...x."), ["kick on the & of 4"]),
        (dict(K="x.......x..x...."), ["kick on the a of 3 instead of the & of 3"]),
        (dict(K=""), ["no kick"]),
        (dict(S="....x.......x..o"), ["ghost note on the a of 4"]),
        (dict(S="....x..o.o..x..."), ["ghost notes on the a of 2 and the e of 3"]),
        (dict(S="....f.......x..."), ["flam (snare) on 2"]),
        (dict(S="", X="....x.......x..."), ["side stick instead of snare on 2 and 4"]),
        (dict(H="..x.x.x.x.x.x.x.", C="x..............."), ["crash instead of hi-hat on 1"]),
        (dict(H="", R="x.x.x.x.x.x.x.x."), ["ride instead of the hi-hat: all 8ths"]),
        (dict(H="x.x.x.", S="..x...", K="x....."), ["different"]),
        (dict(H="x.x.x...........", S="....x...........", K="x..............."), ["stops after 2"]),
        (dict(H="", S="", K=""), ["tacet"]),
    ],
)
def test_words(rows, said):
    actual = bar(**{**BASE, **rows})
    texts = [c.text for c in describe_changes(FOUR, ROCK.content, actual.content)]
    assert len(texts) == len(said)
    assert all(t.startswith(s) for t, s in zip(texts, said)), texts


def test_closing_an_open_hi_hat_is_no_missing_stroke():
    open_4 = bar(H="x.x.x.x.x.x.x.o.")
    closed = bar(H="x.x.x.x.x.x.x.x.")
    gone = bar(H="x.x.x.x.x.x.x...")
    said = [describe_changes(FOUR, open_4.content, b.content)[0].text for b in (closed, gone)]
    assert said == ["hi-hat closed on the & of 4", "no open hi-hat on the & of 4"]


def test_soft_strokes_are_called_ghost_notes_where_none_are_written():
    soft = frozenset({F(7, 16)})
    base, actual = bar(S="....x..x....x...").content, bar(S="....x.......x...").content
    assert describe_changes(FOUR, base, actual, soft)[0].text == "no ghost note on the a of 2"
    assert describe_changes(FOUR, actual, base, frozenset(), soft)[0].text == "ghost note on the a of 2"
    assert describe_changes(FOUR, actual, base)[0].text == "snare on the a of 2"


def test_other_meters_are_counted_their_way():
    six = TimeMap.steady(1, 60, Meter(6, 8)).bars[0]
    base = bar(Meter(6, 8), H="xxxxxx", S="...x..").content
    actual = bar(Meter(6, 8), H="xxxxxo", S="...x..").content
    assert describe_changes(six, base, actual)[0].text == "open hi-hat on 6"
