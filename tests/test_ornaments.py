"""Which strokes are a flam or drag, and which stay notes of their own."""

from fractions import Fraction as F

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.effort import examples
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.drumkit import DETECTED
from workbench.chart.events import Stroke
from workbench.chart.meter import TimeMap
from workbench.chart.ornaments import GRACE_GAP_S, ROLL_GAP_S, join_grace_strokes, play_note, roll_end
from workbench.notation.notevalues import write_bar

TIME_MAP = TimeMap.steady(8, 120)  # a thirty-second lasts 62.5 ms


def signs(*played, name="snare", time_map=TIME_MAP):
    """(time, sign) of the notes that (time, velocity) become."""
    strokes = [Stroke(t, name, v) for t, v in played]
    return [(round(n.stroke.time_s, 4), n.sign) for n in join_grace_strokes(strokes, time_map)]


@pytest.mark.parametrize("gap_s", [0.03, 0.04, 0.05, 0.055])
def test_a_softer_stroke_just_before_is_a_grace_stroke(gap_s):
    assert signs((1.0, 60), (1.0 + gap_s, 100)) == [(round(1.0 + gap_s, 4), "flam")]
    assert signs((1.0, 60), (1.0 + gap_s, 100), name="floor tom") == [(round(1.0 + gap_s, 4), "flam")]


def test_two_soft_strokes_just_before_are_a_drag():
    assert signs((1.0, 50), (1.03, 50), (1.06, 100)) == [(1.06, "drag")]


def test_nobody_plays_flams_on_kick_and_cymbals():
    for name in ("kick", "ride", "closed hi-hat"):
        assert [sign for _, sign in signs((1.0, 60), (1.045, 100), name=name)] == ["", ""]


def test_a_rebound_is_no_flam():
    assert signs((1.0, 100), (1.045, 50)) == [(1.0, ""), (1.045, "")]


def test_one_stroke_detected_twice_is_one():
    assert signs((1.0, 100), (1.012, 70)) == [(1.0, "")]


def test_a_run_of_thirty_seconds_and_a_roll_lose_nothing():
    fast = TimeMap.steady(8, 160)
    run = [(1.0 + k * 60 / 160 / 8, 70 + 5 * k) for k in range(6)]  # 47 ms apart, growing
    assert len(signs(*run, time_map=fast)) == 6
    roll = [(1.0 + 0.03 * k, 60) for k in range(12)]
    assert [sign for _, sign in signs(*roll)] == [""] * 12


def test_a_pair_of_thirty_seconds_stays_a_pair_at_a_fast_tempo():
    pair = ((1.0, 80), (1.047, 90))
    assert [sign for _, sign in signs(*pair, time_map=TimeMap.steady(8, 160))] == ["", ""]
    assert [sign for _, sign in signs(*pair, time_map=TimeMap.steady(8, 100))] == ["flam"]


@examples(60)
@given(
    st.lists(
        st.builds(
            Stroke, st.integers(0, 4000).map(lambda ms: ms / 1000), st.sampled_from(DETECTED), st.integers(1, 127)
        ),
        max_size=40,
        unique_by=lambda s: (s.time_s, s.instrument),
    )
)
def test_every_stroke_belongs_to_one_note(strokes):
    found = join_grace_strokes(strokes, TIME_MAP)
    assert sorted(s for n in found for s in n.strokes) == sorted(strokes)
    assert all(len(n.strokes) == 1 or len({s.instrument for s in n.strokes}) == 1 for n in found)


def chart_of(*notes):
    """One bar at 120: (position, instrument, *articulations) of each note."""
    bar = WrittenBar(tuple(Note(F(p), name, 90, frozenset(said)) for p, name, *said in notes))
    return Chart(TimeMap.steady(1, 120), (bar,))


def test_grace_strokes_stand_before_their_stroke():
    chart = chart_of(("1/2", "snare", "drag"), ("3/4", "snare", "flam", "accent"), ("7/8", "snare", "ghost"))
    played = [play_note(chart, 0, n) for n in chart.bars[0].notes]
    assert [s.time_s for s in played[0]] == pytest.approx([1, 1 - 2 * GRACE_GAP_S, 1 - GRACE_GAP_S])
    assert [len(strokes) for strokes in played] == [3, 2, 1]
    assert max(s.velocity for s in played[0][1:]) < played[0][0].velocity


@pytest.mark.parametrize("sign, strokes", [("flam", 2), ("drag", 3)])
def test_what_is_played_is_heard_as_written(sign, strokes):
    chart = chart_of(("1/2", "snare", sign))
    (group,) = join_grace_strokes(play_note(chart, 0, chart.bars[0].notes[0]), chart.time_map)
    assert group.sign == sign and group.stroke.time_s == 1.0 and len(group.strokes) == strokes


def test_a_roll_fills_the_time_to_its_end_evenly():
    chart = chart_of(("1/2", "snare", "roll"))
    times = sorted(s.time_s for s in play_note(chart, 0, chart.bars[0].notes[0]))
    assert times[0] == 1.0 and np.ptp(np.diff([*times, 2.0])) < 1e-9
    assert np.diff(times)[0] == pytest.approx(ROLL_GAP_S, rel=0.05)


@examples(100)
@given(
    st.dictionaries(
        st.integers(0, 7).map(lambda k: F(k, 8)), st.sampled_from(["roll", "accent"]), min_size=1, max_size=8
    )
)
def test_a_roll_lasts_as_long_as_it_is_written(hits):
    chart = chart_of(*((p, "snare", sign) for p, sign in hits.items()))
    for voice in write_bar(chart, 0).voices:
        for event in voice.events:
            for note in event.notes:
                if "roll" in note.articulations:
                    assert roll_end(chart, 0, note) == event.position + event.value.length
