"""Ways to read the bars of synthetic activations and strokes."""

from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest

from tests.played import activations_of, play
from workbench.chart.events import Stroke
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.chart.rebarring import set_meter, shift_one
from workbench.errors import AnalysisError
from workbench.listening.readings import (
    BarReading,
    BarWish,
    _with_another_tempo,
    against,
    bars_not_of,
    describe,
    honest,
    speaks_for,
    tempo_range,
    told_apart,
    track_readings,
)

ROCK = {"kick": (0, 4), "snare": (2, 6), "closed hi-hat": range(8)}
WALTZ = {"kick": (0,), "snare": (2, 4), "closed hi-hat": range(6)}
SLOW_SIX = {"kick": (0,), "snare": (3,), "closed hi-hat": range(6)}


def drafted(time_map, pattern, **kw):
    strokes = play(time_map, pattern)
    duration_s = time_map.end_s + 0.5
    return bars_of(activations_of(time_map, duration_s), strokes, duration_s=duration_s, **kw)


def bars_of(*args, **kw):
    return track_readings(*args, **kw)[0].time_map


@pytest.mark.slow
@pytest.mark.parametrize("tempo_bpm", [72, 96, 120, 150])
@pytest.mark.parametrize("meter, pattern", [(Meter(4, 4), ROCK), (Meter(3, 4), WALTZ)])
def test_bar_lines_and_meter_of_a_plain_groove(tempo_bpm, meter, pattern):
    time_map = TimeMap.steady(16, tempo_bpm, meter, start_s=0.3)
    found = drafted(time_map, pattern)
    assert {b.meter for b in found.bars} == {meter}
    lines = [found.bar_start_s(k) for k in range(len(found))]
    assert np.allclose(lines[:16], [time_map.bar_start_s(k) for k in range(16)], atol=0.03)


def test_slow_six_eight_is_counted_in_two():
    time_map = TimeMap.steady(12, 56, Meter(6, 8), start_s=0.3)
    found = drafted(time_map, SLOW_SIX)
    assert {str(b.meter) for b in found.bars} == {"6/8"}
    assert found.tempo_bpm(3) == pytest.approx(56, abs=1)


@pytest.mark.slow
@pytest.mark.parametrize(
    "meter, tempo_bpm, kicks, snares",
    [
        (Meter(5, 4), 126, (0, 3, 6), (2, 8)),
        (Meter(7, 4), 132, (0, 4, 8, 9), (2, 6, 12)),
        (Meter(5, 8), 230, (0, 3), (2,)),
        (Meter(7, 8), 240, (0, 3), (2, 4)),  # 2+2+3
        (Meter(7, 8), 240, (0, 5), (3,)),  # 3+2+2
    ],
)
def test_odd_meters(meter, tempo_bpm, kicks, snares):
    time_map = TimeMap.steady(20, tempo_bpm, meter, start_s=0.3)
    pattern = {"kick": kicks, "snare": snares, "closed hi-hat": range(14)}
    readings = track_readings(activations_of(time_map, time_map.end_s), play(time_map, pattern, jitter_s=0.006))
    assert meter in {r.meter for r in readings[:3]}
    same = next(r for r in readings if r.meter == meter).time_map
    lines = np.array([bar.beat_times_s[0] for bar in same.bars])
    known = [time_map.bar_start_s(k) for k in range(20)]
    assert np.mean([np.abs(lines - t).min() < 0.05 for t in known]) > 0.9


@pytest.mark.slow
def test_a_count_in_of_sticks_does_not_shift_the_bars():
    time_map = TimeMap.steady(17, 116, start_s=0.4)
    strokes = [s for s in play(time_map, ROCK) if s.time_s > time_map.bar_start_s(1) - 0.01]
    sticks = [Stroke(time_map.seconds(0, k / 4), "side stick", 100) for k in range(4)]
    found = bars_of(activations_of(time_map, time_map.end_s), sorted([*sticks, *strokes]))
    assert found.bar_start_s(1) == pytest.approx(time_map.bar_start_s(1), abs=0.03)
    assert {b.meter for b in found.bars} == {Meter()}


@pytest.mark.slow
def test_a_free_beginning_does_not_disturb_the_bars_after_it():
    steady = TimeMap.steady(16, 120, start_s=9.0)
    activations = activations_of(steady, steady.end_s)
    for time_s in (0.4, 1.5, 2.9, 3.6, 5.2, 6.1, 7.6):
        activations.beat[int(100 * time_s)] = 0.5
    free = [Stroke(t, "crash", 70) for t in (0.4, 2.9, 5.2)]
    found = bars_of(activations, free + play(steady, ROCK))
    lines = np.array([found.bar_start_s(k) for k in range(len(found))])
    assert all(np.abs(lines - steady.bar_start_s(k)).min() < 0.04 for k in range(1, 16))


@pytest.mark.slow
def test_the_last_bar_holds_the_last_stroke():
    time_map = TimeMap.steady(12, 104, start_s=0.3)
    last_s = time_map.bar_start_s(11)
    strokes = [s for s in play(time_map, ROCK) if s.time_s < last_s - 0.01]
    strokes += [Stroke(last_s, "kick", 110), Stroke(last_s, "crash", 110)]
    activations = activations_of(time_map, time_map.end_s + 3.0, silent=(last_s + 0.2, np.inf))
    found = bars_of(activations, strokes, duration_s=time_map.end_s + 3.0)
    assert found.bar_start_s(len(found) - 1) == pytest.approx(last_s, abs=0.04)


@pytest.mark.slow
def test_fills_and_crashes_elsewhere_make_no_bars_of_another_meter():
    rng = np.random.default_rng(4)
    time_map = TimeMap.steady(32, 168, start_s=0.3)
    strokes = play(time_map, ROCK, jitter_s=0.008)
    strokes += [Stroke(time_map.seconds(int(b), 0.25 * int(rng.integers(4))), "crash", 100) for b in range(3, 31, 5)]
    strokes += [Stroke(time_map.seconds(b, k / 16), "floor tom", 95) for b in range(7, 32, 8) for k in range(10, 16)]
    found = bars_of(activations_of(time_map, time_map.end_s), sorted(strokes))
    assert {b.meter for b in found.bars[1:]} == {Meter()}


@pytest.mark.slow
def test_backbeat_decides_between_tempo_and_half_tempo():
    # The same weak activations at every eighth: kick and snare say which of them are beats.
    eighths = TimeMap.steady(32, 180, Meter(4, 4), start_s=0.2)
    weak = activations_of(eighths, eighths.end_s, downbeats=False)
    weak = replace(weak, beat=weak.beat * 0.5)
    for tempo_bpm, bar_count in ((90, 16), (180, 32)):
        time_map = TimeMap.steady(bar_count, tempo_bpm, start_s=0.2)
        found = bars_of(weak, play(time_map, ROCK))
        assert found.tempo_bpm(4) == pytest.approx(tempo_bpm, abs=1)


@pytest.mark.slow
def test_drifting_tempo_is_followed():
    rng = np.random.default_rng(1)
    gaps = 0.5 * (1 + 0.08 * np.sin(np.arange(64) / 10)) + rng.normal(0, 0.003, 64)
    times = 0.3 + np.concatenate([[0], np.cumsum(gaps)])
    time_map = TimeMap([Bar(Meter(), times[k : k + 4]) for k in range(0, 64, 4)], times[64])
    found = drafted(time_map, ROCK)
    assert np.allclose([found.bar_start_s(k) for k in range(16)], times[:64:4], atol=0.03)


@pytest.mark.slow
def test_song_that_begins_inside_a_bar_has_a_pick_up():
    whole = TimeMap.steady(13, 110)
    two_beats_s = 2 * 60 / 110
    strokes = [
        Stroke(s.time_s - two_beats_s, s.instrument, s.velocity)
        for s in play(whole, ROCK)
        if s.time_s > two_beats_s - 0.01
    ]
    shifted = TimeMap.steady(13, 110, start_s=-two_beats_s)
    found = bars_of(activations_of(shifted, shifted.end_s), strokes)
    assert found.bars[0].is_pickup and found.bars[0].length == Meter().bar_length / 2
    assert found.bar_start_s(1) == pytest.approx(two_beats_s, abs=0.03)


@pytest.mark.slow
def test_one_bar_of_two_four_is_found():
    beats = np.arange(8 * 4 + 2 + 8 * 4 + 1) * 0.5 + 0.3
    bars, k = [], 0
    for meter in [Meter(4, 4)] * 8 + [Meter(2, 4)] + [Meter(4, 4)] * 8:
        bars.append(Bar(meter, beats[k : k + meter.beats]))
        k += meter.beats
    time_map = TimeMap(bars, beats[k])
    strokes = play(time_map, {"kick": (0, 4), "snare": (2, 6), "closed hi-hat": range(8)})
    strokes += [Stroke(time_map.bar_start_s(b), "crash", 110) for b in (0, 9)]
    found = bars_of(activations_of(time_map, time_map.end_s), sorted(strokes))
    assert [str(b.meter) for b in found.bars[:17]].count("2/4") == 1
    assert str(found.bars[8].meter) == "2/4"


@pytest.mark.slow
def test_breaks_without_drums_keep_the_count():
    time_map = TimeMap.steady(20, 120, start_s=0.25)
    strokes = [
        s
        for s in play(time_map, ROCK)
        if not time_map.bar_start_s(8) - 0.01 < s.time_s < time_map.bar_start_s(11) - 0.01
    ]
    activations = activations_of(time_map, time_map.end_s, silent=(16.3, 22.2))
    found = bars_of(activations, strokes)
    assert found.bar_start_s(15) == pytest.approx(time_map.bar_start_s(15), abs=0.03)


@pytest.mark.slow
def test_fixed_bar_lines_are_kept_exactly_and_turn_the_phase():
    time_map = TimeMap.steady(12, 100, start_s=0.3)
    line_s = time_map.seconds(4, 0.5) + 0.011  # a user hears 3 as 1
    found = drafted(time_map, ROCK, wish=BarWish((line_s,)))
    lines = [found.bar_start_s(k) for k in range(len(found))]
    assert line_s in lines
    assert found.bars[lines.index(line_s)].fixed
    assert sum(b.fixed for b in found.bars) == 1


def test_fixed_lines_within_a_beat_are_refused():
    with pytest.raises(AnalysisError, match="closer together than a beat"):
        drafted(TimeMap.steady(8, 100), ROCK, wish=BarWish((2.0, 2.03)))


def test_too_short_a_recording():
    with pytest.raises(AnalysisError, match="at least one second"):
        bars_of(activations_of(TimeMap.steady(1, 120), 0.5), ())


@pytest.mark.slow
@pytest.mark.parametrize("duration_s", [1.0, 1.3, 1.9])
@pytest.mark.parametrize("tempo_bpm", [60, 130])
def test_a_recording_of_a_beat_or_two_has_readings(duration_s, tempo_bpm):
    readings = track_readings(activations_of(TimeMap.steady(1, tempo_bpm), duration_s))
    assert readings and 0 < sum(r.probability for r in readings) <= 1.001


@pytest.mark.slow
def test_nothing_played_still_has_bars():
    activations = activations_of(TimeMap.steady(8, 120), 12.0, silent=(0.0, 12.0))
    found = bars_of(activations, ())
    assert len(found) >= 1


@pytest.mark.slow
def test_probabilities_are_of_different_readings_the_likeliest_first():
    time_map = TimeMap.steady(16, 110, start_s=0.3)
    readings = track_readings(activations_of(time_map, time_map.end_s), play(time_map, ROCK))
    likely = [r.probability for r in readings]
    assert likely[:2] == sorted(likely, reverse=True)[:2]
    assert 0.5 < likely[0] and sum(likely) <= 1.0 + 1e-9
    assert all(0.0 <= c <= 1.0 + 1e-9 for r in readings for c in r.line_confidence)
    assert [len(r.line_confidence) for r in readings] == [len(r.time_map) for r in readings]
    assert min(readings[0].line_confidence) > likely[0] - 0.01
    maps = [tuple(b.beat_times_s for b in r.time_map.bars) for r in readings]
    assert len(set(maps)) == len(maps)


def test_lines_of_the_first_reading_are_surer_than_the_sum_of_likelihoods():
    said = honest(np.array([0.0, 0.25, 0.41, 0.61, 0.82, 0.94, 0.99, 1.0]))
    assert (np.diff(said) >= 0).all() and 0 < said[0] and said[-1] < 1
    # Said and right in folds, songs of the training's own making.
    assert said[1:-1] == pytest.approx([0.45, 0.6, 0.75, 0.88, 0.95, 0.99], abs=0.03)


@pytest.mark.slow
@pytest.mark.parametrize(
    "wish, meter, tempo_bpm",
    [
        (BarWish(meter=Meter(3, 4)), "3/4", None),
        (BarWish(tempo_bpm=(45.0, 65.0)), None, 55),
        (BarWish(tempo_bpm=(200.0, 230.0)), None, 220),
        (BarWish(meter=Meter(7, 8)), "7/8", None),
    ],
)
def test_what_the_user_knows_is_kept(wish, meter, tempo_bpm):
    found = track_readings(
        activations_of(TimeMap.steady(16, 110), 36.0), play(TimeMap.steady(16, 110), ROCK), wish=wish
    )
    assert all(meter is None or str(r.meter) == meter for r in found)
    assert tempo_bpm is None or found[0].tempo_bpm == pytest.approx(tempo_bpm, rel=0.02)


def test_a_meter_that_is_not_tracked_is_named():
    with pytest.raises(AnalysisError, match="11/8"):
        BarWish(meter=Meter(11, 8))


def reading(time_map, probability):
    return BarReading(time_map, probability, (1.0,) * len(time_map))


def test_one_of_three_readings_is_at_another_tempo():
    beat_s = 60 / 110
    same = [reading(TimeMap.steady(12, 110, start_s=1.0 + k * beat_s), 0.3 - 0.05 * k) for k in range(4)]
    twice, half = reading(TimeMap.steady(24, 220, start_s=1.0), 0.06), reading(TimeMap.steady(6, 55, start_s=1.0), 0.02)
    assert _with_another_tempo([*same, twice, half]) == [*same[:2], twice, *same[2:], half]
    for told in (same, [same[0], twice, same[1], half], [*same[:2], half], [twice]):
        assert _with_another_tempo(list(told)) == list(told)


@pytest.mark.parametrize("tempo_bpm", [92, 128])
def test_however_sure_the_tempo_another_can_be_taken(tempo_bpm):
    """Half or double tempo is what is wrong most often: a reading under 1 % is offered, and told where none is
    likelier, with how sure the first one is."""
    time_map = TimeMap.steady(24, tempo_bpm, start_s=0.3)
    strokes = play(time_map, ROCK, jitter_s=0.006)
    first, *others = track_readings(activations_of(time_map, time_map.end_s), strokes)
    assert first.tempo_bpm == pytest.approx(tempo_bpm, rel=0.02) and first.probability > 0.9
    apart = [r for r in others[:2] if abs(np.log(r.tempo_bpm / tempo_bpm)) > 0.1]
    told, unlikely = describe((first, *others)), all(r.probability < 0.01 for r in others)
    assert apart and ("under 1 %" in told) == unlikely and f" ({100 * first.probability:.0f} %);" in told


def test_readings_in_words():
    beat_s = 60 / 110
    first = reading(TimeMap.steady(12, 110, start_s=1.0), 0.8)
    others = [
        reading(TimeMap.steady(24, 220, start_s=1.0), 0.12),
        reading(TimeMap.steady(12, 110, start_s=1.0 + beat_s), 0.06),
        reading(TimeMap.steady(12, 110, start_s=1.0 - beat_s / 2), 0.02),
    ]
    told = describe([first, *others])
    assert told.startswith("4/4 at 110 (80 %);")
    for part in ("4/4 at 220 (12 %)", "the 1 a beat later (6 %)", "the 1 half a beat earlier (2 %)"):
        assert part in told
    assert describe([first]) == "4/4 at 110 (80 %)"
    hardly = [replace(r, probability=p) for r, p in zip(others, (0.006, 0.004))]
    assert describe([replace(first, probability=0.98), *hardly]) == (
        "4/4 at 110 (98 %); also kept: 4/4 at 220 (under 1 %)"
    ), "how sure it is, and what there is to take"
    assert describe([replace(first, probability=0.0), others[0]]).startswith("4/4 at 110; it may also be"), (
        "set by hand"
    )


@pytest.mark.parametrize(
    "change, bars",
    [
        (lambda m: m, set()),
        (lambda m: set_meter(m, Meter(3, 4), 13, 15).time_map, {13, 14, 15, 16}),  # twelve beats are four bars
        (lambda m: set_meter(m, Meter(8, 8), 13, 13).time_map, {13}),
        (lambda m: shift_one(m, F(1), 12).time_map, {11, 12, 13, 14, 15}),
        (lambda m: TimeMap(m.bars[1:], m.end_s + 4.0), set()),
    ],
)
def test_bars_that_another_reading_has_not(change, bars):
    """A line that was moved changes the bars on both its sides; where the other has no bars, nothing differs."""
    heard = TimeMap.steady(16, 110)
    assert bars_not_of(BarReading(change(heard), 0.0), BarReading(heard, 0.9)) == bars


@pytest.mark.parametrize(
    "other, said",
    [
        (shift_one(TimeMap.steady(16, 110), F(1)).time_map, "the 1 seems to lie a beat later"),
        (shift_one(TimeMap.steady(16, 110), F(-1, 2)).time_map, "the 1 seems to lie half a beat earlier"),
        (TimeMap.steady(8, 55), "the beats seem to go half as fast, 4/4 at 55"),
        (TimeMap.steady(24, 165), "the beats seem to go three for two, 4/4 at 165"),
        (TimeMap.steady(18, 123), "the tempo seems to be 4/4 at 123"),
        (TimeMap.steady(21, 110, Meter(3, 4)), "the bars seem to be of 3/4"),
        (TimeMap.steady(16, 73, Meter(6, 8)), "the bars seem to be of 6/8 at 73"),
        (set_meter(TimeMap.steady(16, 110), Meter(2, 4), 5, 5).time_map, "some bars seem to be of another meter: "),
    ],
)
def test_what_speaks_against_the_bars_says_what_it_speaks_for(other, said):
    assert speaks_for(BarReading(TimeMap.steady(16, 110), 0.2), BarReading(other, 0.7)).startswith(said)


def test_readings_that_differ_in_a_stretch_say_where_and_how():
    """The 1 lies elsewhere in the first bars alone, or some bars are of another meter: never one told as the other."""
    heard, half_beat_s = TimeMap.steady(16, 120), 0.25
    first, lines_s = BarReading(heard, 0.5), [bar.beat_times_s for bar in heard.bars]
    early = [Bar(Meter(4, 4), tuple(t - half_beat_s for t in beats)) for beats in lines_s[1:5]]
    early[-1] = Bar(Meter(4, 4), (*early[-1].beat_times_s[:3], lines_s[4][3]))
    opened = TimeMap([heard.bars[0], *early, *heard.bars[5:]], heard.end_s)
    assert against(first, BarReading(opened, 0.3)) == "the 1 half a beat earlier in bars 1–5"
    waltz = BarReading(set_meter(heard, Meter(3, 4), 13, 15).time_map, 0.1)
    assert against(first, waltz) == "3/4 from bar 14" and against(waltz, first) == "4/4 at 120 all through"
    assert speaks_for(first, BarReading(opened, 0.7)) == "the 1 seems to lie half a beat earlier in bars 1–5"


def test_a_sentence_names_three_other_readings_and_counts_the_rest():
    first = reading(TimeMap.steady(12, 110), 0.4)
    others = [reading(TimeMap.steady(12, bpm), 0.1) for bpm in (70, 90, 130, 150, 170)]
    assert describe([first, *others]).endswith("4/4 at 90 (10 %), 4/4 at 130 (10 %) and 2 more")
    assert "more" not in describe([first, *others[:3]])


def test_bars_in_which_a_stretch_is_another_meter_are_told_as_one_song():
    mixed = set_meter(TimeMap.steady(16, 110), Meter(7, 8), 4, 7).time_map
    assert speaks_for(BarReading(mixed, 0.2), BarReading(TimeMap.steady(16, 110), 0.7)) == (
        "it seems to be 4/4 at 110 all through"
    )


def test_readings_at_another_tempo_are_told_apart_by_where_their_1_is():
    """Whatever has been taken, no two are called alike, and grids that differ by a little have one tempo."""
    beat_s = 60 / 110
    half = reading(TimeMap.steady(6, 55, start_s=1.0), 0.02)
    tempi = zip((110, 111, 109), range(3))
    fast = [reading(TimeMap.steady(12, bpm, start_s=1.0 + beat_s * k), 0.3) for bpm, k in tempi]
    assert told_apart(half, fast) == [
        f"4/4 at 110, counted from {place}" for place in ("bar 1", "the & of 1 in bar 1", "2 in bar 1")
    ]
    assert told_apart(half, fast[:1]) == ["4/4 at 110"]
    later = reading(set_meter(fast[0].time_map, Meter(5, 4), 6, 6).time_map, 0.1)
    named = told_apart(half, [fast[0], later])
    assert len(set(named)) == 2 and all("4/4 at 110" in words for words in named)
    assert "bar line at" in named[1], "begun alike, they part later"
    early = reading(TimeMap.steady(12, 110, start_s=1.0 - beat_s), 0.2)
    assert told_apart(half, [fast[0], early])[1] == "4/4 at 110, counted from the & of 2 in bar 1"


def test_a_tempo_is_one_number_or_two():
    assert tempo_range(None) is None
    slowest, fastest = tempo_range(100)
    assert slowest < 100 < fastest
    assert tempo_range((90, 120)) == (90, 120)
    assert tempo_range(500)[1] == 500 and tempo_range(20)[0] == 20
    for impossible in ((120, 90), 5000, (19, 30)):
        with pytest.raises(AnalysisError, match="from 20 to 500 beats a minute, or two, the lower first"):
            tempo_range(impossible)
