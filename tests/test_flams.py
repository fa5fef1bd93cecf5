"""Which strokes are a flam or drag, and which stay notes of their own."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from workbench.chart.drumkit import DETECTED
from workbench.chart.events import Stroke
from workbench.chart.meter import TimeMap
from workbench.chart.ornaments import GRACE_S, grace_strokes, join_grace_strokes

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


@settings(max_examples=60, deadline=None)
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


def test_grace_strokes_stand_before_their_stroke():
    stroke = Stroke(1.0, "snare", 90)
    assert [s.time_s for s in grace_strokes(stroke, {"drag"})] == pytest.approx([1 - 2 * GRACE_S, 1 - GRACE_S])
    assert len(grace_strokes(stroke, {"flam", "accent"})) == 1 and grace_strokes(stroke, {"ghost"}) == []
