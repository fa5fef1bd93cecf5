"""Acts on the bars of songs that begin, pause and end as songs do: every stroke keeps its time."""

from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest

from tests.heard import heard_bars
from tests.test_rewriting import strokes
from workbench.chart import Chart, Note, Recording, Section, WrittenBar
from workbench.chart.edits import (
    ChangeLevel,
    DeleteBars,
    FixLine,
    InsertBars,
    JoinBars,
    LayBars,
    MoveBarLine,
    NameSection,
    SetMeter,
    SetPickup,
    ShiftOne,
    SplitBar,
    TapBeats,
    TapLines,
    apply,
)
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import ChartError
from workbench.listening.hearing import lay_anew

FOUR = Meter(4, 4)


def notes(*places):
    return WrittenBar(tuple(Note(F(p), name, deviation_s=0.006, confidence=0.9) for p, name in places))


ROCK = notes((F(0), "kick"), (F(1, 4), "snare"), (F(1, 2), "kick"), (F(3, 4), "snare"),
             *((F(k, 8), "closed hi-hat") for k in range(8)))  # fmt: skip
STICKS = notes(*((F(k, 4), "side stick") for k in range(4)))
SILENT = WrittenBar()
LAST = notes((F(0), "kick"), (F(0), "crash"))


def song(*bars, gaps_s=(), pickup=None):
    """A drafted song of 4/4 at 120; ``gaps_s`` are the beats of a free beginning."""
    times = np.concatenate([[1.0], 1.0 + np.cumsum([*gaps_s, *[0.5] * (4 * len(bars) - len(gaps_s))])])
    laid = [Bar(FOUR, tuple(times[4 * k : 4 * k + 4])) for k in range(len(bars))]
    if pickup is not None:
        laid[0] = Bar(FOUR, laid[0].beat_times_s[4 - int(pickup * 4) :], length=pickup)
    return Chart(TimeMap(laid, float(times[-1])), bars, recording=Recording("song.flac", "0" * 64, 60.0))


RUBATO = (0.7, 0.9, 0.55, 1.1, 0.8, 0.62, 0.95, 1.2)
SONGS = {
    "rubato beginning": song(
        *[notes((F(0), "kick"), (F(1, 2), "ride"), (F(3, 4), "crash"))] * 2, *[ROCK] * 8, gaps_s=RUBATO
    ),
    "break without drums": song(*[ROCK] * 5, *[SILENT] * 3, *[ROCK] * 4),
    "count-in of sticks": song(STICKS, *[ROCK] * 8),
    "pick-up": song(notes((F(0), "snare"), (F(1, 8), "snare")), *[ROCK] * 7, pickup=F(1, 4)),
    "ending": song(*[ROCK] * 6, LAST, SILENT),
}


def acts(chart):
    line_s = [b.beat_times_s[0] for b in chart.time_map.bars]
    return [
        ShiftOne(F(1)), ShiftOne(F(-1, 2), 3), ShiftOne(F(1), 2, 4), ChangeLevel(F(1, 2)), ChangeLevel(F(2), 2, 3),
        ChangeLevel(F(3, 2)), SetMeter(Meter(3, 4)), SetMeter(Meter(7, 8), 4), SetPickup(F(1, 2)), SetPickup(F(0)),
        MoveBarLine(3, line_s[3] + 0.05), MoveBarLine(4, line_s[4] + 0.5), SplitBar(3, F(1, 2)), JoinBars(3),
        TapLines(tuple(t + 0.01 for t in line_s[3:6])), TapBeats(tuple(line_s[2] + 0.5 * k for k in range(9))),
        InsertBars(len(chart)),
        LayBars(TimeMap.steady(20, 118, start_s=0.9)), LayBars(TimeMap.steady(14, 60, Meter(6, 8), 1.0)),
    ]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("chart", SONGS.values(), ids=SONGS)
def test_every_act_leaves_every_stroke_where_it_was_heard(chart):
    for act in acts(chart):
        after = apply(chart, act)
        assert [n for _, n in strokes(after)] == [n for _, n in strokes(chart)], act
        assert [t for t, _ in strokes(after)] == pytest.approx([t for t, _ in strokes(chart)], abs=1e-3), act


def test_a_free_beginning_is_tapped_and_the_rest_goes_on_from_there():
    chart = SONGS["rubato beginning"]
    wrong = apply(chart, LayBars(TimeMap.steady(14, 100, start_s=0.8)))
    lines = [b.beat_times_s[0] for b in chart.time_map.bars]
    tapped = apply(wrong, TapLines(tuple(lines[:4])))
    found = [b.beat_times_s[0] for b in tapped.time_map.bars]
    for line_s in lines[:4]:
        assert min(abs(line_s - t) for t in found) < 0.02, "each line where it was tapped, however long its bar"


def test_the_bars_of_a_break_stay_and_so_does_its_section():
    chart = apply(SONGS["break without drums"], NameSection(5, "Break"))
    for act in (ShiftOne(F(1)), ChangeLevel(F(2)), LayBars(chart.time_map)):
        after = apply(chart, act)
        (section,) = after.sections
        begins_s = after.time_map.bar_start_s(section.bar_index)
        assert begins_s == pytest.approx(chart.time_map.bar_start_s(5), abs=0.51)
        silent = [k for k, bar in enumerate(after.bars) if not bar.notes]
        assert sum(after.time_map.bar_end_s(k) - after.time_map.bar_start_s(k) for k in silent) >= 4.0


def test_a_count_in_is_a_bar_of_its_own_and_goes_when_it_is_emptied():
    chart = SONGS["count-in of sticks"]
    with pytest.raises(ChartError):
        apply(chart, DeleteBars(0, 0))  # what was heard is not thrown away with its bar
    emptied = chart.with_bar(0, SILENT)
    assert apply(emptied, DeleteBars(0, 0)).time_map.bars == chart.time_map.bars[1:]
    later = apply(chart, SetPickup(F(1, 2)))
    assert later.time_map.bars[0].is_pickup and later.time_map.bar_start_s(0) == 1.0


def test_a_pick_up_is_lengthened_and_made_whole_again():
    chart = SONGS["pick-up"]
    longer = apply(chart, SetPickup(F(1, 2)))
    assert longer.time_map.bars[0].length == F(1, 2) and longer.time_map.bar_start_s(1) == pytest.approx(3.5)
    back = apply(longer, SetPickup(F(1, 4)))
    assert [b.beat_times_s for b in back.time_map.bars] == [b.beat_times_s for b in chart.time_map.bars]
    whole = apply(chart, ShiftOne(F(-1)))
    assert not whole.time_map.bars[0].is_pickup and whole.time_map.bar_start_s(0) == chart.time_map.bar_start_s(0)


def test_a_stroke_after_the_last_line_stays_with_the_last_bar():
    chart = SONGS["ending"]
    late = replace(LAST.notes[0], instrument="snare", deviation_s=0.4)
    chart = chart.with_bar(6, replace(LAST, notes=(*LAST.notes, late)))
    for act in (
        ShiftOne(F(1)),
        ChangeLevel(F(1, 2)),
        SetMeter(Meter(3, 4)),
        LayBars(TimeMap.steady(5, 90, start_s=1.0)),
    ):
        after = apply(chart, act)
        assert [t for t, _ in strokes(after)] == pytest.approx([t for t, _ in strokes(chart)], abs=1e-3)
        assert after.time_map.end_s > max(t for t, _ in strokes(chart)) - 0.5


def test_by_ear_a_free_beginning_that_is_fixed_stays_and_the_song_is_found():
    chart = SONGS["rubato beginning"]
    wrong = apply(chart, ChangeLevel(F(1, 2), 2))
    wrong = apply(wrong, FixLine(2, True))
    found = lay_anew(wrong, heard_bars(chart.time_map), 2)
    assert found.bars[:2] == chart.time_map.bars[:2]
    lines = [b.beat_times_s[0] for b in found.bars]
    assert lines[2:10] == pytest.approx([b.beat_times_s[0] for b in chart.time_map.bars[2:]], abs=0.03)


def test_sections_survive_where_their_bars_do():
    chart = replace(SONGS["ending"], sections=(Section(0, "Verse"), Section(4, "Chorus")))
    for act in (ChangeLevel(F(2)), LayBars(chart.time_map), SplitBar(2, F(1, 2))):
        after = apply(chart, act)
        assert [s.name for s in after.sections] == ["Verse", "Chorus"]
        assert after.time_map.bar_start_s(after.sections[1].bar_index) == pytest.approx(chart.time_map.bar_start_s(4))
