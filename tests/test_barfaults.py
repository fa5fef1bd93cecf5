"""Charts damaged by script: the bars that disagree with the hits are named, and one act puts them right."""

import random
from dataclasses import replace
from fractions import Fraction as F
from unittest import mock

import pytest
from hypothesis import given, settings

from tests.benchmarks.bench_barfaults import shortened
from tests.test_rewriting import charts
from workbench.chart import Chart, Note, Recording, WrittenBar
from workbench.chart.edits import (
    ChangeLevel,
    FixLine,
    JoinBars,
    LayBars,
    MoveBarLine,
    SetMeter,
    SetPickup,
    SetTimeMap,
    ShiftOne,
    SplitBar,
    apply,
)
from workbench.chart.meter import Meter, TimeMap
from workbench.errors import ChartError
from workbench.listening.barfaults import find_bar_faults
from workbench.listening.hearing import as_read, look_at_bars
from workbench.listening.readings import BarReading


def song(tempo_bpm=96, bars=24, seed=3):
    """A rock groove played by hand: bars vary, every fourth ends with a fill, each stroke strays a little."""
    dice = random.Random(seed)
    written = []
    for k in range(bars):
        places = {(F(e, 8), "closed hi-hat") for e in range(8)} | {(F(0), "kick")}
        places |= {(F(1, 4), "snare"), (F(3, 4), "snare"), (dice.choice([F(1, 2), F(3, 8), F(5, 8)]), "kick")}
        if k % 4 == 3:
            places = {p for p in places if p[0] < F(3, 4)}
            places |= {(F(s, 16), "high tom" if s < 14 else "floor tom") for s in range(12, 16)}
        if k % 8 == 0:
            places.add((F(0), "crash"))
        notes = [
            Note(p, n, 70 if n == "closed hi-hat" else 100, deviation_s=dice.gauss(0.004, 0.006), confidence=0.9)
            for p, n in sorted(places)
        ]
        written.append(WrittenBar(tuple(notes)))
    return Chart(TimeMap.steady(bars, tempo_bpm), tuple(written), recording=Recording("song.flac", "0" * 64, 90.0))


def lines(chart):
    return [b.beat_times_s[0] for b in chart.time_map.bars]


@pytest.mark.parametrize("tempo_bpm", [84, 96, 132])
def test_a_right_chart_is_not_doubted(tempo_bpm):
    assert find_bar_faults(song(tempo_bpm)) == ()


DAMAGES = {
    "the 1 half a beat late from bar 10 on": ShiftOne(F(1, 2), 9),
    "the 1 a beat early from bar 13 on": ShiftOne(F(-1), 12),
    "half tempo over a stretch": ChangeLevel(F(1, 2), 8, 15),
    "double tempo over a stretch": ChangeLevel(F(2), 8, 13),
    "another meter from a bar on": SetMeter(Meter(3, 4), 11),
    "another meter for the song": SetMeter(Meter(3, 4)),
}


@pytest.mark.slow
@pytest.mark.parametrize("damage", DAMAGES.values(), ids=DAMAGES)
def test_the_act_offered_mends(damage):
    chart = song()
    damaged = apply(chart, damage)
    fault = find_bar_faults(damaged)[0]
    first = getattr(damage, "first_bar", 0)
    assert abs(fault.first_bar - first) <= 1 and fault.words and fault.mends
    mended = apply(damaged, fault.edit)
    assert lines(mended)[: len(chart)] == pytest.approx(lines(chart), abs=0.02)
    assert find_bar_faults(mended) == ()


OF_SOME_BARS = {
    "half a beat late": ShiftOne(F(1, 2), 4, 7),
    "a beat early": ShiftOne(F(-1), 4, 7),
    "half a beat late in a bar": ShiftOne(F(1, 2), 4, 4),
    "a beat early in a bar": ShiftOne(F(-1), 4, 4),
    "bars of 7/8": SetMeter(Meter(7, 8), 4, 7),
}


@pytest.mark.slow
@pytest.mark.parametrize("read", [False, True], ids=["not read", "read"])
@pytest.mark.parametrize("damage", OF_SOME_BARS.values(), ids=OF_SOME_BARS)
def test_a_few_bars_moved_are_mended_there_and_leave_no_odd_bar(damage, read):
    """Whether it is known how the recording is read or not; the act names those bars, or says what is heard."""
    chart = song()
    damaged = apply(chart, damage)
    fault = look_at_bars(damaged, [BarReading(chart.time_map, 0.99)] * read).faults[0]
    assert (3 <= fault.first_bar and fault.last_bar <= 7) or "4/4 at 96 all through" in fault.words
    mended = apply(damaged, fault.edit)
    assert {str(b.meter) for b in mended.time_map.bars} == {"4/4"} and len(mended) == len(chart)
    assert lines(mended) == pytest.approx(lines(chart), abs=0.02) and find_bar_faults(mended) == ()


def test_a_line_between_a_bar_too_long_and_one_too_short_is_told_in_the_beats_of_the_song():
    (fault,) = find_bar_faults(apply(song(), ShiftOne(F(1, 2), 4, 4)))
    assert (fault.first_bar, fault.last_bar) == (3, 4) and "half a beat late" in fault.words


@pytest.mark.slow
@pytest.mark.parametrize("tempo_bpm", [84, 132])
@pytest.mark.parametrize("off_s", [0.2, -0.2])
def test_a_line_moved_by_200_ms_is_moved_back(off_s, tempo_bpm):
    chart = song(tempo_bpm)
    damaged = apply(chart, MoveBarLine(10, chart.time_map.bar_start_s(10) + off_s))
    fault = find_bar_faults(damaged)[0]
    mended = apply(damaged, fault.edit)
    for line_s in lines(chart)[1:]:  # the first may have a pick-up before it
        assert min(abs(t - line_s) for t in lines(mended)) < 0.03


@pytest.mark.parametrize(
    "damage, mend",
    [(JoinBars(6), SplitBar(6, F(1))), (SplitBar(6, F(1, 2)), JoinBars(6)), (SplitBar(9, F(1, 4)), JoinBars(9))],
)
def test_a_line_missed_or_too_many_is_mended_there_and_lays_the_song_in_no_other_meter(damage, mend):
    chart = song()
    damaged = apply(chart, damage)
    for readings in (
        (None, []),
        (BarReading(damaged.time_map, 0.9), [BarReading(TimeMap.steady(48, 96, Meter(2, 4)), 0.04)]),
    ):
        (fault,) = find_bar_faults(damaged, *readings)
        assert fault.edit == mend and apply(damaged, fault.edit).time_map == chart.time_map


@pytest.mark.slow
@pytest.mark.parametrize("damage", DAMAGES.values(), ids=DAMAGES)
@pytest.mark.parametrize("wrong", [False, True])
def test_no_mend_of_most_bars_lays_what_is_less_likely(damage, wrong):
    """Whether the recording is read as it was played, or as the damaged chart has it."""
    chart = song()
    damaged = apply(chart, damage)
    readings = [BarReading((damaged if wrong else chart).time_map, 0.9), BarReading(TimeMap.steady(48, 192), 0.1)]
    now = as_read(damaged.time_map, readings)
    for fault in look_at_bars(damaged, readings).faults:
        if 2 * (fault.last_bar - fault.first_bar + 1) > len(damaged):
            after = apply(damaged, fault.edit).time_map
            assert as_read(after, readings).probability >= now.probability - 1e-9


@pytest.mark.parametrize("meter", [Meter(3, 4), Meter(7, 4)])
def test_most_of_a_song_is_not_laid_in_bars_that_a_clear_recording_knows_nothing_of(meter):
    """However well its strokes would fit them; where the recording is not clear they may be right."""
    chart = song()
    wrong = apply(chart, SetMeter(meter))
    heard = apply(chart, ShiftOne(F(1))).time_map
    for probability, laid in ((0.95, []), (0.4, [SetMeter(Meter(4, 4))])):
        faults = find_bar_faults(wrong, BarReading(wrong.time_map, 0.0), [BarReading(heard, probability)])
        assert [replace(f.edit, first_bar=0, last_bar=None) for f in faults] == laid


@pytest.mark.parametrize("beats", [1, 2, 3])
def test_a_bar_of_fewer_beats_that_was_read_as_one_like_the_others_is_found(beats):
    right = shortened(song(bars=80), 41, beats)
    wrong = apply(right, SetMeter(Meter(4, 4)))
    assert len({str(b.meter) for b in wrong.time_map.bars}) == 1
    fault = find_bar_faults(wrong)[0]
    # After the short bar the 1 comes so many beats later than it would, or, what is the same, earlier.
    assert fault.edit.beats % 4 == beats
    assert abs(fault.first_bar - 41) <= 2
    mended = lines(apply(wrong, fault.edit))
    assert sum(min(abs(t - u) for u in mended) < 0.03 for t in lines(right)) >= len(right) - 4


def test_bars_after_one_that_is_too_short_to_move_the_1_into_are_judged():
    right = shortened(song(bars=40), 10, 1)
    with pytest.raises(ChartError, match="cannot move past"):
        apply(right, ShiftOne(F(-1), 11))
    assert find_bar_faults(right) == ()


def test_half_tempo_in_a_few_bars_is_mended_in_those_whatever_else_is_heard():
    chart = song()
    damaged = apply(chart, ChangeLevel(F(1, 2), 8, 11))
    readings = [BarReading(chart.time_map, 0.93), BarReading(TimeMap.steady(48, 192), 0.04)]
    assert look_at_bars(damaged, readings).faults[0].edit == ChangeLevel(F(2), 8, 9)


def test_hits_left_behind_by_their_line_are_seen():
    """As charts of old versions may have them: the line moved, the hits written where they were."""
    chart = song()
    bars = list(chart.time_map.bars)
    a, line_s, b = lines(chart)[9:12]
    for k, begin_s, end_s in ((9, a, line_s + 0.2), (10, line_s + 0.2, b)):
        bars[k] = replace(bars[k], beat_times_s=tuple(begin_s + (end_s - begin_s) * j / 4 for j in range(4)))
    moved = TimeMap(bars, chart.time_map.end_s)

    def left(k, n):
        return replace(n, deviation_s=chart.note_time_s(k, n) - moved.seconds(k, n.position))

    written = tuple(WrittenBar(tuple(left(k, n) for n in bar.notes)) for k, bar in enumerate(chart.bars))
    fault = find_bar_faults(apply(chart, SetTimeMap(moved, written)))[0]
    assert (fault.first_bar, fault.edit.bar_index) == (10, 10) and fault.edit.time_s == pytest.approx(line_s, abs=0.03)


@pytest.mark.slow
def test_lines_that_a_user_calls_right_are_doubted_no_more():
    damaged = apply(song(), ShiftOne(F(1, 2), 9))
    fault = find_bar_faults(damaged)[0]
    kept = apply(damaged, fault.leave(len(damaged)))
    assert (fault.first_bar, fault.last_bar) not in {(f.first_bar, f.last_bar) for f in find_bar_faults(kept)}
    assert lines(kept) == lines(damaged)


def test_one_fixed_line_may_be_a_slip():
    damaged = apply(apply(song(), ShiftOne(F(1, 2), 9)), FixLine(14, True))
    assert find_bar_faults(damaged)


def test_charts_of_no_recording_and_of_few_hits_are_not_judged():
    assert find_bar_faults(replace(apply(song(), ShiftOne(F(1, 2), 9)), recording=None)) == ()
    assert find_bar_faults(song(bars=1)) == ()


def test_two_bars_after_a_pick_up_are_compared_with_nothing():
    find_bar_faults(apply(song(bars=2), SetPickup(F(1, 4))))


@settings(max_examples=8)
@given(charts())
def test_whatever_is_written_something_or_nothing_is_said(chart):
    with mock.patch("workbench.listening.barfaults.FEWEST_HEARD", 1):
        for fault in find_bar_faults(chart):
            apply(chart, fault.edit)
            apply(chart, fault.leave(len(chart)))


@pytest.mark.slow
@pytest.mark.parametrize("meter", [Meter(3, 4), Meter(6, 4), Meter(7, 8)])
def test_the_likeliest_reading_mends_bars_of_another_meter(meter):
    """Whatever else the strokes may fit: bars of 6/4, say, that nobody heard."""
    chart = song()
    wrong = apply(chart, SetMeter(meter))
    heard = BarReading(chart.time_map, 0.95)
    (fault,) = find_bar_faults(wrong, BarReading(wrong.time_map, 0.0), [heard])
    assert fault.edit == LayBars(chart.time_map) and lines(apply(wrong, fault.edit)) == lines(chart)
