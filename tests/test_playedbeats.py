"""Beats laid where a player puts them."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.effort import examples
from workbench.chart import Note, WrittenBar
from workbench.chart.meter import Meter, TimeMap
from workbench.chart.playedbeats import beats_as_played, swung_place

F = Fraction


def bars_of(count, off_s, parts=8):
    """Bars of hi-hats, each ``off_s(bar, position)`` seconds off its place."""
    return [
        WrittenBar(tuple(Note(F(k, parts), "closed hi-hat", deviation_s=off_s(b, F(k, parts))) for k in range(parts)))
        for b in range(count)
    ]


def test_a_lag_and_a_slow_drift_belong_to_the_beats():
    click = TimeMap.steady(16, 120)
    laid = beats_as_played(click, bars_of(16, lambda b, p: 0.015 + 0.002 * b))
    for k in range(2, 14):
        assert laid.bar_start_s(k) - click.bar_start_s(k) == pytest.approx(0.015 + 0.002 * k, abs=0.003)
    assert laid.start_s == click.start_s and len(laid) == len(click)


def test_one_late_stroke_keeps_its_deviation():
    click = TimeMap.steady(8, 120)
    laid = beats_as_played(click, bars_of(8, lambda b, p: 0.05 if (b, p) == (4, F(3, 8)) else 0.0))
    assert np.abs(laid.anchor_times_s - click.anchor_times_s).max() < 0.012


def test_scatter_is_no_tempo():
    """Of strokes that scatter alone the beats take up less than half."""
    rng = np.random.default_rng(3)
    click = TimeMap.steady(40, 100)
    laid = beats_as_played(click, bars_of(40, lambda b, p: float(rng.normal(0, 0.012))))
    assert np.std(laid.anchor_times_s - click.anchor_times_s) < 0.006


def test_swing_is_no_drift():
    click = TimeMap.steady(8, 120)
    swung = bars_of(8, lambda b, p: 0.08 if p * 8 % 2 else 0.0)
    laid = beats_as_played(click, swung, "swing 8ths", 0.66)
    assert np.allclose(laid.anchor_times_s, click.anchor_times_s, atol=0.001)
    assert not np.allclose(beats_as_played(click, swung).anchor_times_s, click.anchor_times_s, atol=0.02)


def test_places_that_swing():
    assert swung_place(0.5, "swing 8ths", 0.66) == pytest.approx(0.66)
    assert swung_place(0.25, "swing 16ths", 0.6) == pytest.approx(0.3)
    assert {swung_place(p, "straight", 0.5) for p in (0.25, 1 / 3)} == {0.25, 1 / 3}


def test_a_beat_never_becomes_a_fraction_of_itself():
    click = TimeMap.steady(2, 3000)
    wild = bars_of(2, lambda b, p: 0.03 if p < F(1, 2) else -0.03)
    assert beats_as_played(click, wild) == click


@examples(30)
@given(
    st.lists(st.tuples(st.integers(0, 23), st.floats(-0.06, 0.06)), max_size=30, unique_by=lambda x: x[0]),
    st.sampled_from([Meter(4, 4), Meter(6, 8), Meter(7, 8)]),
)
def test_any_strokes_leave_bars_in_order_and_nothing_without_strokes(strokes, meter):
    click = TimeMap.steady(4, 90, meter)
    bars = [WrittenBar() for _ in range(4)]
    for place, off_s in strokes:
        note = Note(F(place % 6, 8), "kick", deviation_s=off_s)
        bars[place // 6] = bars[place // 6].with_note(note)
    laid = beats_as_played(click, bars)
    assert (np.diff(laid.anchor_times_s) > 0).all()
    assert [replace(b, beat_times_s=c.beat_times_s) for b, c in zip(laid.bars, click.bars)] == list(click.bars)
    assert strokes or laid == click
