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
from workbench.chart.playedbeats import beats_as_played, pocket_of

F = Fraction


def bars_of(count, off_s, parts=8):
    """Bars of hi-hats, each ``off_s(bar, position)`` seconds off its place."""
    return [
        WrittenBar(tuple(Note(F(k, parts), "closed hi-hat", deviation_s=off_s(b, F(k, parts))) for k in range(parts)))
        for b in range(count)
    ]


def test_a_lag_and_a_slow_drift_belong_to_the_beats():
    click = TimeMap.steady(16, 120)
    laid, _ = beats_as_played(click, bars_of(16, lambda b, p: 0.015 + 0.002 * b))
    for k in range(2, 14):
        assert laid.bar_start_s(k) - click.bar_start_s(k) == pytest.approx(0.015 + 0.002 * k, abs=0.003)
    assert laid.start_s == click.start_s and len(laid) == len(click)


def test_one_late_stroke_keeps_its_deviation():
    click = TimeMap.steady(8, 120)
    laid, _ = beats_as_played(click, bars_of(8, lambda b, p: 0.05 if (b, p) == (4, F(3, 8)) else 0.0))
    assert np.abs(laid.anchor_times_s - click.anchor_times_s).max() < 0.012


def test_scatter_is_no_tempo():
    """Of strokes that scatter alone the beats take up less than half."""
    rng = np.random.default_rng(3)
    click = TimeMap.steady(40, 100)
    laid, _ = beats_as_played(click, bars_of(40, lambda b, p: float(rng.normal(0, 0.012))))
    assert np.std(laid.anchor_times_s - click.anchor_times_s) < 0.006


def test_swing_is_no_drift():
    click = TimeMap.steady(8, 120)
    swung = bars_of(8, lambda b, p: 0.08 if p * 8 % 2 else 0.0)
    laid, pocket = beats_as_played(click, swung, "swing 8ths", 0.6)
    assert np.allclose(laid.anchor_times_s, click.anchor_times_s, atol=0.001)
    assert pocket.swing_ratio == pytest.approx(0.66)  # of a beat of 0.5 s, 80 ms later than its middle
    assert max(abs(lag.later_s) for lag in pocket.lags) < 0.002


def test_a_limb_that_lags_is_no_drift():
    """A pedal hi-hat 30 ms ahead of the hands on every 2 and 4."""
    click = TimeMap.steady(16, 120)
    foot = [Note(F(k, 4), "pedal hi-hat", deviation_s=-0.03) for k in (1, 3)]
    bars = [replace(b, notes=(*b.notes, *foot)) for b in bars_of(16, lambda b, p: 0.0)]
    laid, pocket = beats_as_played(click, bars)
    assert np.allclose(laid.anchor_times_s, click.anchor_times_s, atol=0.003)
    assert pocket.later_s("pedal hi-hat", F(0)) == pytest.approx(-0.03, abs=0.005)
    assert abs(pocket.later_s("closed hi-hat", F(0))) < 0.003
    assert pocket_of(click, bars) == pocket_of(click, bars[::-1])


def test_few_strokes_are_no_lag():
    click = TimeMap.steady(8, 120)
    bars = bars_of(8, lambda b, p: 0.0)
    bars[3] = bars[3].with_note(Note(F(0), "crash", deviation_s=0.05))
    assert beats_as_played(click, bars)[1].later_s("crash", F(0)) == pytest.approx(0.01, abs=0.002)


def test_a_beat_never_becomes_a_fraction_of_itself():
    click = TimeMap.steady(2, 3000)
    wild = bars_of(2, lambda b, p: 0.03 if p < F(1, 2) else -0.03)
    assert beats_as_played(click, wild)[0] == click


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
    laid, _ = beats_as_played(click, bars)
    assert (np.diff(laid.anchor_times_s) > 0).all()
    assert [replace(b, beat_times_s=c.beat_times_s) for b, c in zip(laid.bars, click.bars)] == list(click.bars)
    assert strokes or laid == click
