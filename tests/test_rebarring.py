"""Other bars over the same recording: nothing written is lost, and acts that undo each other do."""

from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.chart import rebarring
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import ChartError

FOUR = TimeMap.steady(8, 120)


@st.composite
def time_maps(draw):
    """Maps of one meter at a wandering tempo, some with a pick-up bar."""
    meter = draw(st.sampled_from([Meter(4, 4), Meter(3, 4), Meter(6, 8), Meter(7, 8), Meter(2, 4)]))
    count = draw(st.integers(2, 9))
    gaps = draw(
        st.lists(st.floats(0.2, 0.8), min_size=count * meter.counted_beats, max_size=count * meter.counted_beats)
    )
    times = np.concatenate([[0.5], 0.5 + np.cumsum(gaps)])
    n = meter.counted_beats
    bars = [Bar(meter, tuple(times[k * n : (k + 1) * n])) for k in range(count)]
    if draw(st.booleans()) and n > 1:
        cut = draw(st.integers(1, n - 1))
        bars[0] = Bar(meter, bars[0].beat_times_s[cut:], length=meter.bar_length - cut * meter.beat_length)
    return TimeMap(bars, float(times[-1]))


def other_beats_from(time_map, bar_index):
    """Other bars by ear: those before one stay, from there on there are three beats for two."""
    new = rebarring.change_level(time_map, F(3, 2), bar_index).time_map
    bars = [replace(b, beat_times_s=(b.beat_times_s[0], *(t + 0.06 for t in b.beat_times_s[1:]))) for b in new.bars]
    return TimeMap((*time_map.bars[:bar_index], *bars[bar_index:]), new.end_s + 0.06)


ACTS = [
    lambda m: rebarring.lay(m, rebarring.change_level(m, 2).time_map),
    lambda m: rebarring.lay(m, rebarring.shift_one(m, 1).time_map),
    lambda m: rebarring.shift_one(m, 1), lambda m: rebarring.shift_one(m, F(-1, 2)),
    lambda m: rebarring.shift_one(m, 1, 1), lambda m: rebarring.shift_one(m, 1, 1, len(m) - 1),
    lambda m: rebarring.change_level(m, 2), lambda m: rebarring.change_level(m, F(1, 2)),
    lambda m: rebarring.change_level(m, F(3, 2)), lambda m: rebarring.change_level(m, F(1, 2), 0, len(m) // 2),
    lambda m: rebarring.set_meter(m, Meter(3, 4)), lambda m: rebarring.set_meter(m, Meter(12, 8)),
    lambda m: rebarring.set_meter(m, Meter(5, 4), 1), lambda m: rebarring.set_meter(m, Meter(7, 8)),
    lambda m: rebarring.set_pickup(m, F(1, 8)), lambda m: rebarring.split_bar(m, len(m) - 1, F(1, 4)),
    lambda m: rebarring.join_bars(m, 0 if not m.bars[0].is_pickup or len(m) < 3 else 1),
]  # fmt: skip


@given(time_maps(), st.sampled_from(ACTS))
def test_every_written_place_keeps_its_moment(time_map, act):
    """Without a line moved, what is written somewhere is written at the same moment on the new bars."""
    new = act(time_map)
    for k, bar in enumerate(time_map.bars):
        for position in [p + d for p, length in bar.beat_spans() for d in (F(0), length / 4, length / 3)]:
            where = new.place(k, position)
            assert where is not None
            bar_index, at = where
            assert 0 <= at < new.time_map.bars[bar_index].length
            if new.time_map.bars[bar_index].beat_times_s[0] >= 0:
                # between beats of the old map time is a straight line, so only its beats are exact
                if at in new.time_map.bars[bar_index].beat_positions():
                    assert new.time_map.seconds(bar_index, at) == pytest.approx(time_map.seconds(k, position), abs=1e-6)


def lines(time_map):
    return [b.beat_times_s[0] for b in time_map.bars]


@given(time_maps(), st.sampled_from([F(1), F(-1), F(2)]))
def test_the_1_shifted_there_and_back(time_map, beats):
    there = rebarring.shift_one(time_map, beats).time_map
    back = rebarring.shift_one(there, -beats).time_map
    common = min(len(back), len(time_map))
    assert set(np.round(lines(time_map), 6)[:common]) <= set(np.round([*lines(back), back.end_s], 6))


def test_double_and_half_tempo_undo_each_other():
    double = rebarring.change_level(FOUR, 2).time_map
    assert len(double) == 16 and double.tempo_bpm(3) == pytest.approx(240)
    assert rebarring.change_level(double, F(1, 2)).time_map == FOUR


def test_the_1_a_beat_later_in_the_whole_song_leaves_a_pick_up():
    late = rebarring.shift_one(FOUR, 1).time_map
    assert late.bars[0].is_pickup and late.bars[0].length == F(1, 4)
    assert lines(late)[1:4] == [0.5, 2.5, 4.5] and {b.meter for b in late.bars} == {Meter(4, 4)}


def test_the_1_a_beat_later_from_here_lengthens_the_bar_before():
    late = rebarring.shift_one(FOUR, 1, 4).time_map
    assert [str(b.meter) for b in late.bars[:6]] == ["4/4", "4/4", "4/4", "5/4", "4/4", "4/4"]
    assert lines(late)[4] == 8.5


def test_the_1_earlier_in_a_selection_leaves_the_rest():
    early = rebarring.shift_one(FOUR, -1, 2, 4).time_map
    assert [str(b.meter) for b in early.bars] == ["4/4", "3/4", "4/4", "4/4", "5/4", "4/4", "4/4", "4/4"]
    assert lines(early)[5:] == lines(FOUR)[5:]


def test_the_1_moved_in_a_song_of_several_meters_leaves_each_bar_its_own():
    """One 2/4 among 4/4, then 3/4: a beat later or earlier, every line moves and no meter goes."""
    odd = rebarring.set_meter(rebarring.set_meter(FOUR, Meter(2, 4), 3, 3).time_map, Meter(3, 4), 6).time_map
    for by in (1, -1, 2, F(-1, 2)):
        moved = rebarring.shift_one(odd, by).time_map
        assert moved.bars[0].is_pickup
        wanted = [t + float(by) / 2 for t in lines(odd)]
        assert [t for t in wanted if 0 <= t < odd.end_s] == pytest.approx(lines(moved)[1 : 1 + len(odd) - (by < 0)])
        meters = [b.meter for b in odd.bars]
        own = [meters[0], *meters] if by > 0 else [*meters, meters[-1]]
        assert [b.meter for b in moved.bars] == own[: len(moved)] and len(moved) >= len(odd)
    back = rebarring.shift_one(rebarring.shift_one(odd, 1).time_map, -1).time_map
    assert [b.meter for b in back.bars][: len(odd)] == [b.meter for b in odd.bars]


def test_the_1_moved_in_a_stretch_of_two_meters_leaves_what_follows():
    odd = rebarring.set_meter(FOUR, Meter(3, 4), 3, 3).time_map
    late = rebarring.shift_one(odd, 1, 2, 4).time_map
    assert [str(b.meter) for b in late.bars[:6]] == ["4/4", "5/4", "4/4", "3/4", "3/4", "4/4"]
    assert lines(late)[5:] == lines(odd)[5:]


@pytest.mark.parametrize("beats", [F(1, 2), 1, -1])
def test_a_song_shorter_than_a_beat_stays_as_it_is(beats):
    eighth = TimeMap([Bar(Meter(4, 4), (0.0,), F(1, 8))], 0.5)
    assert rebarring.shift_one(eighth, beats).time_map == eighth


def test_a_shorter_meter_lays_the_bars_anew():
    three = rebarring.set_meter(FOUR, Meter(3, 4)).time_map
    assert lines(three)[:4] == [0.0, 1.5, 3.0, 4.5] and {b.meter for b in three.bars} == {Meter(3, 4)}


def test_six_eight_for_two_four_keeps_the_beat():
    six = rebarring.set_meter(TimeMap.steady(4, 90, Meter(2, 4)), Meter(6, 8)).time_map
    assert lines(six) == lines(TimeMap.steady(4, 90, Meter(2, 4))) and six.tempo_bpm(0) == pytest.approx(90)


def test_a_line_moved_a_little_bends_the_beats_around_it():
    moved = rebarring.move_line(FOUR, 4, 8.03).time_map
    assert moved.bar_start_s(4) == pytest.approx(8.03) and moved.bars[4].fixed
    assert moved.bar_start_s(2) == FOUR.bar_start_s(2) and len(moved) == len(FOUR)


def test_a_line_moved_by_a_beat_takes_the_song_along():
    moved = rebarring.move_line(FOUR, 4, 8.52).time_map
    assert [k for k, b in enumerate(moved.bars) if b.fixed] == [5]
    assert moved.bars[0].length == F(1, 4) and {b.meter for b in moved.bars} == {Meter(4, 4)}
    assert lines(moved)[5] == pytest.approx(8.52)


def test_a_stray_bar_does_not_lay_the_song_in_its_meter():
    split = rebarring.split_bar(FOUR, 4, F(1, 2)).time_map
    for act in (rebarring.move_line(split, 5, 9.52), rebarring.tapped_lines(split, [9.52, 11.52])):
        assert max({b.meter for b in act.time_map.bars}, key=[b.meter for b in act.time_map.bars].count) == Meter(4, 4)


def test_a_line_moved_leaves_what_is_fixed():
    fixed = rebarring.move_line(FOUR, 2, 4.0).time_map
    moved = rebarring.move_line(fixed, 5, 10.5).time_map
    assert lines(moved)[:3] == lines(FOUR)[:3] and 10.5 in lines(moved)
    with pytest.raises(ChartError, match="fixed"):
        rebarring.move_line(moved, 6, 3.5)


def test_a_few_taps_lay_the_whole_song_anew():
    """Tapped in half time, a beat late: the song before and after the taps follows."""
    tapped = rebarring.tapped_lines(FOUR, [4.51, 8.5, 12.5]).time_map
    assert np.allclose(lines(tapped)[:2], [0.0, 0.5]) and np.allclose(lines(tapped)[2:4], [4.51, 8.5])
    assert {b.meter for b in tapped.bars} == {Meter(4, 4)} and tapped.tempo_bpm(2) == pytest.approx(60, abs=1)


def test_tapped_beats():
    tapped = rebarring.tapped_beats(FOUR, [2.5, 3.0, 3.5, 4.0, 4.5], Meter(4, 4)).time_map
    assert np.allclose(lines(tapped)[:4], [0.0, 0.5, 2.5, 4.5])


def test_bars_split_and_joined():
    split = rebarring.split_bar(FOUR, 2, F(1, 2)).time_map
    assert [str(b.meter) for b in split.bars[2:4]] == ["2/4", "2/4"]
    assert rebarring.join_bars(split, 2).time_map == FOUR


def test_what_cannot_be():
    for act in (lambda: rebarring.change_level(FOUR, 5), lambda: rebarring.set_pickup(FOUR, F(1)),
                lambda: rebarring.split_bar(FOUR, 0, F(2)), lambda: rebarring.tapped_lines(FOUR, []),
                lambda: rebarring.join_bars(FOUR, 7),
                lambda: rebarring.move_line(FOUR, 3, 106.0), lambda: rebarring.move_line(FOUR, 3, -94.0)):  # fmt: skip
        with pytest.raises(ChartError):
            act()


def test_the_first_line_of_a_pickup_that_opens_off_the_beat_stays_where_it_is_put():
    """A quarter of 6/8 before the 1 begins an eighth before its second beat."""
    bars = TimeMap.steady(3, 100, Meter(6, 8)).bars
    pickup = Bar(Meter(6, 8), (bars[0].beat_times_s[1] + 0.2,), F(1, 4))
    time_map = TimeMap((pickup, *bars[1:]), bars[2].beat_times_s[1] + 0.6)
    for moved_s in (0.0, 0.03):
        at = time_map.start_s + moved_s
        assert rebarring.move_line(time_map, 0, at).time_map.start_s == pytest.approx(at, abs=1e-9)


def test_the_1_of_a_song_of_one_beat_can_be_shifted():
    time_map = TimeMap((Bar(Meter(4, 4), (0.0,), F(1, 4)),), 0.4)
    for beats in (-1, F(1, 2), 1):
        shifted = rebarring.shift_one(time_map, beats).time_map
        assert shifted.start_s == 0.0 and shifted.end_s >= 0.4


def test_half_and_double_tempo_leave_each_bar_its_meter():
    """A song of 4/4 with four bars of 3/4 and one of 2/4 in it, and 4/4 again."""
    meters = [Meter(4, 4)] * 4 + [Meter(3, 4)] * 4 + [Meter(2, 4)] + [Meter(4, 4)] * 4
    bars, at = [], 0.0
    for meter in meters:
        bars.append(Bar(meter, tuple(at + 0.5 * k for k in range(meter.counted_beats))))
        at += 0.5 * meter.counted_beats
    song = TimeMap(bars, at)
    double = rebarring.change_level(song, 2).time_map
    assert [b.meter for b in double.bars] == [m for m in meters for _ in range(2)]
    half = rebarring.change_level(song, F(1, 2)).time_map
    told = [(str(b.meter), b.beat_times_s[0]) for b in half.bars]
    fours, threes, back = ("4/4", 0.0), ("3/4", 8.0), ("4/4", 15.0)
    assert told == [fours, ("4/4", 4.0), threes, ("3/4", 11.0), ("1/4", 14.0), back, ("4/4", 19.0)]
    assert rebarring.change_level(double, F(1, 2)).time_map == song
