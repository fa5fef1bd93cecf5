"""One bar more or less: a hand-written part makes room, a recording only has the time it has."""

from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.charts import charts as any_charts
from tests.test_rewriting import charts, groove, strokes
from workbench.chart import Chart, Mark, Note, Section, Text, WrittenBar
from workbench.chart.edits import (
    AddNote,
    ChangeLevel,
    DeleteBars,
    InsertBars,
    JoinBars,
    SetMeter,
    SetPickup,
    SplitBar,
    apply,
)
from workbench.chart.meter import Meter, TimeMap
from workbench.errors import ChartError

KICK = WrittenBar((Note(F(0), "kick", confirmed=True),))
WRITTEN = Chart(
    TimeMap.steady(6, 120), (KICK,) * 6, sections=(Section(0, "Intro"), Section(3, "Verse")),
    texts=(Text(4, F(1, 2), "build"),),
    marks=(Mark("fill", (2, F(1, 2)), (3, F(0))), Mark("groove", (3, F(0)), (6, F(0)))),
)  # fmt: skip


@given(any_charts().filter(lambda c: len(c) > 1), st.data())
def test_what_follows_moves_on_and_back(chart, data):
    """A bar inserted and deleted again leaves a part without a recording as it was."""
    k = data.draw(st.integers(1, len(chart)))
    more = apply(chart, InsertBars(k))
    assert len(more) == len(chart) + 1 and not more.bars[k].notes
    assert more.bars[:k] + more.bars[k + 1 :] == chart.bars
    back = apply(more, DeleteBars(k, k))
    assert back.bars == chart.bars and back.sections == chart.sections and back.marks == chart.marks
    assert back.time_map.anchor_times_s == pytest.approx(chart.time_map.anchor_times_s, abs=1e-6)


def test_bars_inserted_take_meter_and_tempo_and_move_all_that_stands_after_them():
    more = apply(WRITTEN, InsertBars(3, 2))
    assert [b.beat_times_s[0] for b in more.time_map.bars] == pytest.approx([2.0 * k for k in range(8)])
    assert [(s.bar_index, s.name) for s in more.sections] == [(0, "Intro"), (5, "Verse")]
    assert more.texts == (Text(6, F(1, 2), "build"),)
    assert [(m.start, m.end) for m in more.marks] == [((2, F(1, 2)), (3, F(0))), ((5, F(0)), (8, F(0)))]


def test_bars_deleted_go_with_what_is_written_and_a_section_begins_after_them():
    less = apply(WRITTEN, DeleteBars(2, 3))
    assert len(less) == 4 and less.time_map.end_s == pytest.approx(8.0)
    assert [(s.bar_index, s.name) for s in less.sections] == [(0, "Intro"), (2, "Verse")]
    assert [(m.kind, m.start, m.end) for m in less.marks] == [("groove", (2, F(0)), (4, F(0)))]
    with pytest.raises(ChartError, match="at least one bar"):
        apply(WRITTEN, DeleteBars(0, 5))


@given(charts(), st.data())
def test_no_stroke_of_a_recording_changes_its_time(chart, data):
    k = data.draw(st.integers(0, len(chart) - 1))
    for edit in (InsertBars(k), DeleteBars(k, k)):
        try:
            after = apply(chart, edit)
        except ChartError:
            continue
        assert [n for _, n in strokes(after)] == [n for _, n in strokes(chart)]
        assert [t for t, _ in strokes(after)] == pytest.approx([t for t, _ in strokes(chart)], abs=1e-3)


def test_a_missed_line_of_a_recording_splits_and_one_too_many_joins():
    chart = groove()
    missed = apply(chart, ChangeLevel(F(1, 2), 2, 3))
    assert len(missed) == 7
    assert apply(missed, InsertBars(2)).time_map == chart.time_map
    double = apply(chart, ChangeLevel(F(2), 4, 4))
    assert apply(double, DeleteBars(5, 5)).time_map == apply(double, DeleteBars(4, 4)).time_map == chart.time_map
    split = apply(chart, SplitBar(4, F(1, 2)))
    assert [str(b.meter) for b in split.time_map.bars[4:6]] == ["2/4", "2/4"]
    assert apply(split, DeleteBars(5, 5)).time_map == chart.time_map


@given(charts().filter(lambda c: len(c) > 3), st.data())
def test_a_bar_inserted_undoes_a_join(chart, data):
    """Of two bars of one meter among others as long, the lines, the bars and the hits are those before."""
    steady = TimeMap.steady(len(chart), data.draw(st.integers(60, 200)), chart.time_map.bars[1].meter)
    chart = replace(chart, time_map=steady, bars=tuple(WrittenBar(bar.notes) for bar in chart.bars))
    if chart.time_map.bars[0].length != chart.time_map.bars[1].length:
        return
    k = data.draw(st.integers(0, len(chart) - 2))
    back = apply(apply(chart, JoinBars(k)), InsertBars(k))
    assert back.time_map.anchor_times_s == pytest.approx(steady.anchor_times_s, abs=1e-9)
    assert [b.meter for b in back.time_map.bars] == [b.meter for b in steady.bars]
    for before, now in zip(chart.bars, back.bars):
        assert [n.key for n in now.notes] == [n.key for n in before.notes]


def test_a_recording_has_no_time_for_another_bar():
    for edit, reason in (
        (InsertBars(3), "no time for another bar"),
        (DeleteBars(3, 3), "cannot go: join bars 4–5"),
        (DeleteBars(7, 7), "cannot go: join bars 7–8"),
        (SetPickup(F(5, 4)), "5 beats are no pick-up"),
        (DeleteBars(3, 4), "one at a time"),
        (InsertBars(12), "no bar"),
        (DeleteBars(4, 3), "before the first"),
    ):
        with pytest.raises(ChartError, match=reason):
            apply(groove(), edit)


def test_empty_bars_at_the_ends_of_a_recording_go():
    """A silent beginning and the applause at the end are no bars of the song."""
    chart = groove()
    bars = (WrittenBar(), *chart.bars[1:7], WrittenBar())
    chart = replace(chart, bars=bars)
    less = apply(apply(chart, DeleteBars(7, 7)), DeleteBars(0, 0))
    assert len(less) == 6 and less.time_map.start_s == 2.0 and less.time_map.end_s == 14.0
    assert strokes(less) == strokes(chart)
    assert len(apply(chart, InsertBars(8))) == 9


def test_no_empty_bar_is_left_behind_the_end_of_the_recording():
    """A beat of 4/4 makes the last bar reach beyond it; without that beat the bar goes again."""
    chart = groove(9)
    chart = replace(chart, recording=replace(chart.recording, duration_s=18.2))
    three = apply(chart, SetMeter(Meter(3, 4), 4, 7))
    assert three.time_map.end_s > 18.5
    assert apply(three, SetMeter(Meter(4, 4), 4, 8)).time_map == chart.time_map


def test_nothing_comes_before_a_pick_up():
    chart = Chart.empty(
        TimeMap([replace(TimeMap.steady(1, 120).bars[0], beat_times_s=(0.0,), length=F(1, 4)),
                 *TimeMap.steady(3, 120, start_s=0.5).bars], 6.5)
    )  # fmt: skip
    more = apply(apply(chart, AddNote(0, Note(F(0), "snare"))), InsertBars(0))
    assert more.time_map.bars[0].is_pickup and more.bars[0].notes and not more.bars[1].notes
    assert more.time_map.bars[1].meter == Meter(4, 4) and len(more) == 5
