"""Charts and clicks as sound: exact places, exact lengths, seamless loops."""

from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.chart.ornaments import GRACE_GAP_S
from workbench.errors import ChartError, WorkbenchError
from workbench.files.audio import Audio
from workbench.sound.rendering import (
    CLICKS,
    Hit,
    click_positions,
    click_sample,
    count_in_clicks,
    hits_of,
    loop_length,
    mix_hits,
    mixed,
    pan_gains,
    place_of,
    placed,
    render_chart,
    render_click,
    render_count_in,
)
from workbench.sound.synthesis import kit_sample

RATE = 44100


def rock_bar(**changes):
    notes = [Note(F(k, 8), "closed hi-hat", 80 + 10 * (k % 2 == 0)) for k in range(8)]
    notes += [
        Note(F(0), "kick", 100),
        Note(F(1, 2), "kick", 95),
        Note(F(1, 4), "snare", 110),
        Note(F(3, 4), "snare", 110),
    ]
    return WrittenBar(tuple(replace(n, **changes) for n in notes))


def rock_chart(bars=2, tempo_bpm=100.0, start_s=0.0):
    return Chart(TimeMap.steady(bars, tempo_bpm, start_s=start_s), (rock_bar(),) * bars)


def one(instrument="snare", *said, position=F(1, 2), **more):
    bar = WrittenBar((Note(position, instrument, 100, frozenset(said), **more),))
    return Chart(TimeMap.steady(1, 120.0), (bar,))


def test_strokes_fall_on_their_times():
    hits = hits_of(rock_chart(start_s=3.0))
    assert len(hits) == 24
    assert [b.time_s for b in hits if b.instrument == "snare"] == pytest.approx([0.6, 1.8, 3.0, 4.2])


def test_the_feel_is_played():
    chart = one(deviation_s=0.012)
    assert hits_of(chart)[0].time_s == pytest.approx(1.012)


def test_a_flam_has_one_soft_stroke_before():
    grace, stroke = hits_of(one("snare", "flam"))
    assert stroke.time_s - grace.time_s == pytest.approx(GRACE_GAP_S)
    assert grace.velocity < 0.6 * stroke.velocity


def test_a_drag_has_two_soft_strokes_before():
    hits = hits_of(one("snare", "drag"))
    assert len(hits) == 3 and hits[2].velocity > hits[0].velocity == hits[1].velocity


def test_a_roll_fills_the_half_note_it_is_written_with():
    times = [b.time_s for b in hits_of(one("snare", "roll"))]
    assert len(times) >= 16 and times[0] == pytest.approx(1.0) and 1.9 < times[-1] < 2.0
    assert np.ptp(np.diff(times)) < 1e-9


def test_a_choked_cymbal_stops():
    free, choked = (render_chart(one("crash", *said), room=False).samples for said in ((), ("choke",)))
    assert np.abs(choked[int(1.4 * RATE) :]).max() == 0
    assert np.abs(free[int(1.4 * RATE) :]).max() > 0.01


def test_closing_the_hi_hat_ends_an_open_one():
    opened = [Hit(0.0, "open hi-hat", 100)]
    closed = [*opened, Hit(0.25, "pedal hi-hat", 1)]
    a, b = (mix_hits(x, RATE, RATE, room=False) for x in (opened, closed))
    after = slice(int(0.55 * RATE), RATE)
    assert np.abs(b[after]).max() < 0.1 * np.abs(a[after]).max()


def test_a_stroke_sounds_at_its_very_sample():
    out = mix_hits([Hit(0.5, "side stick", 127)], RATE, RATE, room=False)
    assert not out[: RATE // 2].any() and np.abs(out[RATE // 2 : RATE // 2 + 3]).max() > 0
    shot = kit_sample("side stick", 127)[:, None] * pan_gains(place_of("side stick"))
    assert out[RATE // 2 : RATE // 2 + len(shot)] == pytest.approx(shot[: RATE // 2])


@pytest.mark.parametrize("tempo_bpm", [61.7, 100.0, 133.33])
def test_loops_have_the_exact_length(tempo_bpm):
    chart = rock_chart(2, tempo_bpm)
    assert len(render_chart(chart, RATE, loop=True).samples) == round(8 * 60 / tempo_bpm * RATE)
    assert (
        len(render_click(chart.time_map, "quarter", RATE, loop=True).samples)
        == len(render_chart(chart, RATE, loop=True).samples)
        == loop_length(chart.time_map, RATE)
    )


def test_a_loop_is_a_lap_of_endless_playing():
    """The seam lies far below −60 dBFS against the same bars played on and on."""
    bars = (
        rock_bar(),
        WrittenBar(
            (
                *rock_bar().without(F(7, 8), "closed hi-hat").notes,
                Note(F(7, 8), "open hi-hat", 100),
                Note(F(7, 8), "crash", 100),
                Note(F(0), "snare", 60, deviation_s=-0.01),
            )
        ),
    )
    chart = Chart(TimeMap.steady(2, 120.0), bars)
    lap = render_chart(chart, RATE, loop=True).samples
    n = len(lap)
    on_and_on = [replace(b, time_s=b.time_s + k * n / RATE) for k in range(6) for b in hits_of(chart)]
    whole = mix_hits(on_and_on, 6 * n, RATE)
    difference = np.abs(whole[4 * n : 5 * n] - lap).max()
    assert 20 * np.log10(difference + 1e-12) < -60


def test_without_loop_the_last_strokes_ring_out():
    chart = one("crash", position=F(15, 16))
    assert np.abs(render_chart(chart).samples[2 * RATE + 1000 :]).max() > 0.01


def test_lying_on_the_recording():
    chart = rock_chart(start_s=1.5)
    audio = render_chart(chart, whole_recording=True, room=False)
    assert not audio.samples[: int(1.5 * RATE)].any() and audio.samples[int(1.5 * RATE) :].any()


# -- click ---------------------------------------------------------------------

BAR_4_4 = Bar(Meter(4, 4), (0.0, 0.5, 1.0, 1.5))


@pytest.mark.common_practice
@pytest.mark.parametrize(
    "kind, places",
    [
        ("quarter", [F(0), F(1, 4), F(1, 2), F(3, 4)]),
        ("eighth", [F(k, 8) for k in range(8)]),
        ("off-beat", [F(1, 8), F(3, 8), F(5, 8), F(7, 8)]),
        ("2 and 4", [F(1, 4), F(3, 4)]),
    ],
)
def test_where_the_click_falls_in_4_4(kind, places):
    assert [p for p, _ in click_positions(BAR_4_4, kind)] == places


@pytest.mark.common_practice
def test_where_the_click_falls_in_6_8():
    bar = Bar(Meter(6, 8), (0.0, 0.75))
    assert [p for p, _ in click_positions(bar, "quarter")] == [F(0), F(3, 8)]
    assert len(click_positions(bar, "eighth")) == 6


@pytest.mark.parametrize("kind", CLICKS)
def test_only_one_is_accented(kind):
    for position, accented in click_positions(BAR_4_4, kind):
        assert accented == (position == 0)


def test_a_pick_up_clicks_like_the_end_of_its_bar():
    bar = Bar(Meter(4, 4), (0.0, 0.5), F(1, 2))
    assert click_positions(bar, "quarter") == [(F(0), False), (F(1, 4), False)]
    assert click_positions(bar, "2 and 4") == [(F(1, 4), False)]


def test_the_click_sounds_on_the_beats():
    x = render_click(TimeMap.steady(1, 120.0), "quarter", RATE).samples[:, 0]
    for k in range(4):
        here = x[k * RATE // 2 : k * RATE // 2 + 200]
        assert here == pytest.approx(click_sample(RATE, k == 0)[:200])
    assert not x[int(0.1 * RATE) : int(0.49 * RATE)].any()


def test_an_unknown_click_is_refused():
    with pytest.raises(WorkbenchError, match="A click is one of"):
        click_positions(BAR_4_4, "waltz")


def test_a_count_in_ends_on_the_bar_line():
    assert len(render_count_in(BAR_4_4, 90.0, RATE, 2).samples) == round(8 * 60 / 90 * RATE)


@pytest.mark.common_practice
def test_before_a_pick_up_the_beats_it_lacks_are_counted_too():
    pickup = Bar(Meter(4, 4), (0.0, 0.5), F(1, 2))
    clicks, seconds = count_in_clicks(pickup, 120.0)
    assert [t for t, _ in clicks] == pytest.approx([0, 0.5, 1, 1.5, 2, 2.5]) and seconds == 3.0
    assert [accented for _, accented in clicks] == [True, False, False, False, True, False]
    assert len(render_count_in(pickup, 120.0, RATE).samples) == 3 * RATE


def test_a_count_in_needs_a_bar():
    with pytest.raises(WorkbenchError, match="at least one bar"):
        count_in_clicks(BAR_4_4, 90.0, 0)


def test_bars_that_do_not_exist_are_refused():
    with pytest.raises(ChartError, match="There is no bar"):
        hits_of(rock_chart(), 1, 5)


# -- mixing ----------------------------------------------------------------------


def test_panning_keeps_the_power():
    for place in np.linspace(-1, 1, 9):
        assert (pan_gains(place) ** 2).sum() == pytest.approx(2, rel=1e-5)
    assert pan_gains(-1) == pytest.approx([np.sqrt(2), 0], abs=1e-6)


def test_placing_mono_and_stereo():
    mono = Audio(np.ones((10, 1)), RATE)
    assert placed(mono, -6.0206, 0.0) == pytest.approx(np.full((10, 2), 0.5), abs=1e-4)
    stereo = Audio(np.tile([0.0, 1.0], (10, 1)), RATE)
    left = placed(stereo, 0.0, -1.0)
    assert left[:, 1].max() == 0 and left[:, 0].min() > 0.5


def test_mixing_adds_up_to_the_longest():
    assert mixed([np.ones((3, 2)), np.ones((5, 2))])[:, 0].tolist() == [2, 2, 2, 1, 1]
