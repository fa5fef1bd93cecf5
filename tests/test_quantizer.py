"""Written positions of played strokes; re-laying a chart on other bars."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.effort import examples
from workbench.chart import Chart
from workbench.chart.drumkit import DETECTED
from workbench.chart.events import Stroke
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.chart.quantizer import quantize

F = Fraction
ROCK = [(F(k, 8), "closed hi-hat") for k in range(8)] + [
    (F(0), "kick"),
    (F(5, 8), "kick"),
    (F(1, 2), "kick"),
    (F(1, 4), "snare"),
    (F(3, 4), "snare"),
]
SIXTEENTHS = ROCK + [(F(7, 16), "snare"), (F(9, 16), "snare"), (F(3, 16), "kick")]
TRIPLET_FILL = [(F(k, 12), "high tom" if k < 6 else "floor tom") for k in range(12)]
SEXTUPLETS = [(F(3, 4) + F(k, 24), "snare") for k in range(6)] + [(F(0), "kick"), (F(1, 2), "kick")]


def played(time_map, bars, jitter_s=0.0, seed=0, swing=None):
    """Strokes of written bars, with scatter and, where asked for, swung eighths."""
    rng = np.random.default_rng(seed)
    out = []
    for k, notes in enumerate(bars):
        for position, name in sorted(notes):
            shift = 0.0
            if swing and (position * 8) % 2 == 1:
                shift = (swing - 0.5) * 60.0 / time_map.quarter_tempo_bpm(k)
            out.append(Stroke(time_map.seconds(k, position) + shift + rng.normal(0, jitter_s + 1e-9), name, 90))
    return sorted(out)


def written(quantized):
    return [sorted((n.position, n.instrument) for n in bar.notes) for bar in quantized.bars]


@pytest.mark.parametrize("tempo_bpm", [60, 95, 140, 180])
@pytest.mark.parametrize("pattern", [ROCK, SIXTEENTHS])
def test_human_timing_is_written_as_meant(tempo_bpm, pattern):
    time_map = TimeMap.steady(8, tempo_bpm, start_s=0.5)
    strokes = played(time_map, [pattern] * 8, jitter_s=0.008)
    assert written(quantize(strokes, time_map)) == [sorted(pattern)] * 8


@pytest.mark.parametrize("fill", [TRIPLET_FILL, SEXTUPLETS])
def test_a_fill_in_triplets_or_sextuplets_among_straight_bars(fill):
    time_map = TimeMap.steady(8, 92, start_s=0.5)
    bars = [ROCK] * 7 + [fill]
    result = quantize(played(time_map, bars, jitter_s=0.005), time_map)
    assert written(result) == [sorted(b) for b in bars]
    assert result.feel == "straight"
    assert result.bars[0].subdivisions == ()
    assert result.bars[7].subdivisions[-1] == (3 if fill is TRIPLET_FILL else 6)


@pytest.mark.parametrize("ratio", [0.60, 0.667])
def test_a_song_that_swings_is_written_straight_and_keeps_its_deviation(ratio):
    time_map = TimeMap.steady(8, 120)
    result = quantize(played(time_map, [ROCK] * 8, jitter_s=0.004, swing=ratio), time_map)
    assert result.feel == "swing 8ths"
    assert result.swing_ratio == pytest.approx(ratio, abs=0.03)
    assert written(result) == [sorted(ROCK)] * 8
    off = [n.deviation_s for b in result.bars for n in b.notes if (n.position * 8) % 2 == 1]
    assert np.mean(off) == pytest.approx((ratio - 0.5) * 0.5, abs=0.005)


def test_a_straight_song_is_not_called_swung():
    time_map = TimeMap.steady(12, 110)
    assert quantize(played(time_map, [SIXTEENTHS] * 12, jitter_s=0.012), time_map).feel == "straight"


def test_repetitions_outvote_one_late_stroke():
    time_map = TimeMap.steady(12, 120)
    strokes = played(time_map, [ROCK] * 12, jitter_s=0.004)
    late = next(
        k
        for k, s in enumerate(strokes)
        if s.instrument == "kick" and abs(s.time_s - time_map.seconds(6, F(5, 8))) < 0.02
    )
    strokes[late] = replace(strokes[late], time_s=strokes[late].time_s + 0.035)
    assert written(quantize(sorted(strokes), time_map))[6] == sorted(ROCK)


@pytest.mark.parametrize("lag_s", [-0.03, 0.03])
def test_a_player_ahead_of_the_click_or_behind_it_is_written_as_meant(lag_s):
    time_map = TimeMap.steady(16, 128, start_s=1.0)
    strokes = [replace(s, time_s=s.time_s + lag_s) for s in played(time_map, [SIXTEENTHS] * 16, jitter_s=0.01)]
    result = quantize(strokes, time_map)
    assert written(result) == [sorted(SIXTEENTHS)] * 16
    assert np.median([n.deviation_s for b in result.bars for n in b.notes]) == pytest.approx(lag_s, abs=0.005)


def test_strokes_on_exact_places_come_back_there_however_fine():
    time_map = TimeMap.steady(2, 97)
    odd = [(F(k, 20), "snare") for k in range(5)] + [(F(1, 2) + F(k, 64), "kick") for k in range(16)]
    result = quantize(played(time_map, [odd, ROCK]), time_map, tick=1 / 3840)
    assert result.exact and written(result) == [sorted(odd), sorted(ROCK)]
    assert all(n.deviation_s == 0 for bar in result.bars for n in bar.notes)


def test_compound_meter_divides_the_beat_in_three():
    time_map = TimeMap.steady(4, 60, Meter(6, 8))
    pattern = [(F(k, 8), "closed hi-hat") for k in range(6)] + [(F(0), "kick"), (F(3, 8), "snare")]
    result = quantize(played(time_map, [pattern] * 4, jitter_s=0.006), time_map)
    assert written(result) == [sorted(pattern)] * 4
    assert all(bar.subdivisions == () for bar in result.bars)


def test_a_stroke_just_before_the_bar_line_belongs_to_the_next_bar():
    time_map = TimeMap.steady(3, 120)
    result = quantize([Stroke(0.0, "kick"), Stroke(1.985, "kick")], time_map)
    assert written(result) == [[(F(0), "kick")], [(F(0), "kick")], []]


def test_flams_become_one_note():
    time_map = TimeMap.steady(1, 100)
    result = quantize([Stroke(0.575, "snare", 40), Stroke(0.6, "snare", 100)], time_map)
    [note] = result.bars[0].notes
    assert (note.position, note.velocity, note.articulations) == (F(1, 4), 100, {"flam"})


def test_flams_as_wide_as_drummers_play_them_become_one_note():
    """The three annotated flams of one of the six recordings: 39, 58 and 50 ms apart at 110 beats a minute."""
    time_map = TimeMap.steady(1, 110)
    played = [(0.010, 119), (0.049, 116), (0.529, 116), (0.587, 119), (1.099, 100), (1.149, 109), (1.38, 110)]
    notes = quantize([Stroke(t, "snare", v) for t, v in played], time_map).bars[0].notes
    assert [n.position for n in notes] == [F(0), F(1, 4), F(1, 2), F(5, 8)]
    assert [set(n.articulations) for n in notes] == [{"flam"}] * 3 + [set()]
    heard_s = [time_map.seconds(0, n.position) + n.deviation_s for n in notes]
    assert heard_s == pytest.approx([0.049, 0.587, 1.149, 1.38])


def test_two_hits_too_far_apart_for_a_flam_get_places_of_their_own():
    time_map = TimeMap.steady(1, 100)
    gap = 0.075  # a thirty-second
    result = quantize([Stroke(0.6, "snare"), Stroke(0.6 + gap, "snare")], time_map)
    assert len(result.bars[0].notes) == 2


def test_pick_up_bar():
    time_map = TimeMap([Bar(Meter(), (0.0, 0.5), length=F(1, 2)), Bar(Meter(), (1.0, 1.5, 2.0, 2.5))], 3.0)
    result = quantize([Stroke(0.26, "snare"), Stroke(0.5, "snare"), Stroke(1.0, "kick")], time_map)
    assert written(result) == [[(F(1, 8), "snare"), (F(1, 4), "snare")], [(F(0), "kick")]]


def test_nothing_played():
    result = quantize([], TimeMap.steady(3, 120))
    assert written(result) == [[], [], []] and result.feel == "straight"


strokes_anywhere = st.lists(
    st.builds(Stroke, st.floats(0.0, 8.0), st.sampled_from(DETECTED), st.integers(1, 127), st.floats(0.0, 1.0)),
    max_size=60,
)


@examples(60)
@given(strokes_anywhere, st.sampled_from([Meter(4, 4), Meter(3, 4), Meter(6, 8), Meter(7, 8)]))
def test_any_strokes_make_a_valid_chart_with_exact_deviations(strokes, meter):
    time_map = TimeMap.steady(6, 90, meter)
    result = quantize(strokes, time_map)
    chart = Chart(time_map, result.bars, feel=result.feel)  # raises if notes clash
    heard = {round(s.time_s, 9) for s in strokes}
    assert all(round(chart.note_time_s(k, n), 9) in heard for k, n in chart.notes())


# -- re-laying -----------------------------------------------------------------------------


def read_as_midi(*played, tempo=100, name="snare", finest=None):
    """(position, signs) of what (time, velocity) become when a performance is read from MIDI."""
    strokes = [Stroke(t, name, v) for t, v in played]
    found = quantize(strokes, TimeMap.steady(4, tempo), "straight", tick=1e-6, finest=finest)
    return [(k, n.position, *sorted(n.articulations)) for k, bar in enumerate(found.bars) for n in bar.notes]


def test_double_strokes_and_rolls_need_no_thirty_seconds():
    """Rudiments as 16ths and slashes: common practice, no source.  At this tempo a thirty-second lasts 75 ms."""
    pair = read_as_midi((0.003, 80), (0.61, 80), (0.684, 70), (1.196, 80))
    assert pair == [(0, 0), (0, F(1, 4), "double"), (0, F(1, 2))]
    five = [(0.6 + 0.075 * k + 0.002, 80) for k in range(5)]
    assert read_as_midi((0.004, 80), *five) == [(0, 0), (0, F(1, 4), "double"), (0, F(5, 16), "double"), (0, F(3, 8))]
    buzz = [(0.6 + 0.027 * k, 60) for k in range(6)]
    assert read_as_midi((0.004, 80), *buzz)[1] == (0, F(1, 4), "roll")


def test_the_finest_notes_may_be_limited():
    played = [(0.15 * k + 0.004 * (k % 3), 80) for k in range(16)]
    assert {F(1, 16)} == {b[1] - a[1] for a, b in zip(read_as_midi(*played), read_as_midi(*played)[1:])}
    assert all((p * 8).denominator == 1 or (p * 12).denominator == 1 for _, p, *_ in read_as_midi(*played, finest=8))


def test_no_bar_has_thirty_seconds_for_a_single_stroke():
    played = [(0.3 * k, 90) for k in range(8)] + [(0.3 * 3 + 0.068, 90)]
    written = [p for _, p, *_ in read_as_midi(*played, name="ride")]
    assert len(written) == 9 and all((16 * p).denominator == 1 or (24 * p).denominator == 1 for p in written)


def sixteenths_of(meter, bars, ratio, jitter_s, sparse=False, tempo_bpm=56):
    """A groove in a meter counted in 8ths, its 16ths swung."""
    time_map = TimeMap.steady(bars, tempo_bpm, meter)
    whole_s = (time_map.bar_end_s(0) - time_map.bar_start_s(0)) / float(meter.bar_length)
    rng, places, out = np.random.default_rng(5), [], []
    for k in range(bars):
        for n in range(int(16 * meter.bar_length)):
            names = ["closed hi-hat"] * (n % 2 == 0 or not sparse or rng.random() < 0.35)
            names += ["kick"] * (n in (0, 7)) + ["snare"] * (n == 6)
            late_s = (n % 2) * (ratio - 0.5) / 8 * whole_s
            for name in names:
                places.append((k, F(n, 16), name))
                out.append(Stroke(max(time_map.seconds(k, F(n, 16)) + late_s + rng.normal(0, jitter_s), 0.0), name, 90))
    return time_map, sorted(out), places


@pytest.mark.parametrize(
    "meter, tempo_bpm", [(Meter(6, 8), 44), (Meter(6, 8), 70), (Meter(12, 8), 56), (Meter(7, 8), 140)]
)
@pytest.mark.parametrize("ratio", [0.6, 0.667])
@pytest.mark.parametrize("sparse", [False, True])
def test_swung_sixteenths_of_six_eight_are_written_as_sixteenths(meter, tempo_bpm, ratio, sparse):
    """They swing within each 8th, whatever the beat; by themselves they lie near dotted 16ths and 32nds."""
    time_map, strokes, places = sixteenths_of(meter, 16, ratio, 0.006, sparse, tempo_bpm)
    result = quantize(strokes, time_map)
    assert result.feel == "swing 16ths" and result.swing_ratio == pytest.approx(ratio, abs=0.03)
    assert {(k, n.position, n.instrument) for k, bar in enumerate(result.bars) for n in bar.notes} == set(places)


@pytest.mark.parametrize("jitter_s", [0.004, 0.012])
@pytest.mark.parametrize("meter", [Meter(6, 8), Meter(9, 8)])
def test_even_sixteenths_of_six_eight_stay_straight(meter, jitter_s):
    time_map, strokes, places = sixteenths_of(meter, 16, 0.5, jitter_s)
    result = quantize(strokes, time_map)
    assert result.feel == "straight" and sum(len(bar.notes) for bar in result.bars) == len(places)


@pytest.mark.common_practice
@pytest.mark.parametrize(("ratio", "between"), [(0.667, 1 / 3), (0.62, 0.31), (0.62, 0.29), (0.6, 0.32), (0.7, 0.33)])
def test_where_eighths_swing_the_stroke_between_them_makes_a_triplet(ratio, between):
    """Long-short with one stroke more is the three of a triplet, and no two sixteenths and an eighth."""
    time_map = TimeMap.steady(16, 110)
    strokes = played(time_map, [ROCK] * 16, jitter_s=0.006, swing=ratio)
    more = [Stroke(time_map.seconds(k, F(1, 4)) + between * 60 / 110, "snare", 90) for k in (3, 9)]
    result = quantize(sorted([*strokes, *more]), time_map)
    assert result.feel == "swing 8ths"
    for k in (3, 9):
        inside = [n.position for n in result.bars[k].notes if F(1, 4) <= n.position < F(1, 2)]
        assert sorted(set(inside)) == [F(1, 4), F(1, 3), F(5, 12)]


@pytest.mark.common_practice
def test_one_long_and_one_short_stroke_are_swung_eighths_and_no_triplet():
    """Where eighths swing lightly, one played a little later is one of them: no figure has two spellings in a song."""
    time_map = TimeMap.steady(16, 110)
    strokes = played(time_map, [ROCK] * 16, jitter_s=0.006, swing=0.62)
    usual_s = [time_map.seconds(k, F(1, 2)) + 0.62 * 60 / 110 for k in (3, 9)]
    late = [replace(s, time_s=s.time_s + 0.04 * any(abs(s.time_s - at) < 0.05 for at in usual_s)) for s in strokes]
    assert sum(a != b for a, b in zip(strokes, late)) == 4
    result = quantize(sorted(late), time_map)
    assert result.feel == "swing 8ths"
    assert all((8 * n.position).denominator == 1 for bar in result.bars for n in bar.notes)
