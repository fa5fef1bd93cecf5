"""Other readings and bars by ear: kept with the chart, taken in one act, around the lines that are fixed."""

from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.heard import heard_bars
from tests.test_barfaults import song
from tests.test_rewriting import groove, strokes
from workbench.chart import Mark, Section
from workbench.chart.edits import ChangeLevel, FixLine, LayBars, MoveBarLine, SetMeter, ShiftOne, apply
from workbench.chart.meter import Meter, TimeMap
from workbench.errors import AnalysisError, ChartError
from workbench.frontdoor import save_chart
from workbench.grid.bar_advice import advice
from workbench.listening.draft import Draft
from workbench.listening.hearing import (
    HEARD_FOLDER,
    hearing_for,
    keep_hearing,
    kept_hearing,
    lay_anew,
    look_at_bars,
    other_readings,
)

CHART = groove(16)
DOUBLE = TimeMap.steady(32, 240)
LATE = apply(CHART, ShiftOne(F(1))).time_map
HEARD = heard_bars(CHART.time_map, (DOUBLE, 0.12), (LATE, 0.08))


def lines(time_map):
    return [b.beat_times_s[0] for b in time_map.bars]


def test_readings_are_told_against_the_bars_as_they_are_now():
    words = look_at_bars(CHART, HEARD.readings).words
    assert words == "4/4 at 120 (80 %); it may also be 4/4 at 240 (12 %), the 1 a beat later (8 %)"
    # The likeliest first, in whichever order they were found.
    assert look_at_bars(CHART, heard_bars(CHART.time_map, (LATE, 0.08), (DOUBLE, 0.12)).readings).words == words
    late = look_at_bars(apply(CHART, LayBars(LATE)), HEARD.readings)
    assert late.words == "4/4 at 120 (8 %); it may also be the 1 a beat earlier (80 %), 4/4 at 240 (12 %)"


@pytest.mark.parametrize("act", [ShiftOne(F(1)), ShiftOne(F(1), 5), ChangeLevel(F(2)), SetMeter(Meter(3, 4), 4, 7)])
def test_what_stands_and_what_may_also_be_are_one_distribution(act):
    told = look_at_bars(apply(CHART, act), HEARD.readings)
    assert told.now.probability + sum(r.probability for r in told.readings.values()) == pytest.approx(1.0)
    assert (" %)" in told.words.split(";")[0]) == (told.now.probability > 0)


@pytest.mark.parametrize(
    "act, said",
    [
        (SetMeter(Meter(3, 4), 13), "4/4 at 120, 3/4 from bar 14 (80 %; bars 14–17 as set, not as heard)"),
        (ShiftOne(F(1), 14), "4/4 at 120, 5/4 in bar 14 (80 %; bars 14–16 as set, not as heard)"),
        (MoveBarLine(15, 30.02), "4/4 at 120 (80 %)"),  # on the stroke, and within what is one line
    ],
)
def test_bars_set_by_hand_are_not_said_to_be_as_likely_as_the_rest(act, said):
    """What was heard speaks for the bars that are as heard, and for no others; taken back, for all."""
    told = look_at_bars(apply(CHART, act), HEARD.readings)
    assert told.words.split("; it may also be")[0] == said
    assert advice(apply(CHART, act), HEARD)["now"] == said
    assert bool(told.set_bars) == ("as set" in said)
    assert look_at_bars(CHART, HEARD.readings).set_bars == ()


def test_bars_that_nobody_heard_are_said_to_be_unlikely_and_the_likeliest_mends_them():
    """A meter that a user wishes is laid; that the hits speak against it is told, and the way back."""
    right = song()
    heard = heard_bars(right.time_map, (TimeMap.steady(48, 192), 0.12)).readings
    for wished in (TimeMap.steady(28, 192, Meter(7, 8)), TimeMap.steady(20, 150, Meter(7, 8)), TimeMap.steady(48, 192)):
        chart = apply(right, LayBars(wished))
        told = look_at_bars(chart, heard)
        known = sum(r.probability for r in (told.now, *told.readings.values()))
        assert told.now.probability < 0.2 and known <= 1
        mended = look_at_bars(apply(chart, told.faults[0].edit), heard)
        assert mended.now.probability == pytest.approx(0.88) and mended.faults == ()
    assert look_at_bars(right, heard).faults == ()


@given(st.lists(st.sampled_from(["one", "late", "double", "three", "half", "pick-up"]), min_size=1, max_size=5))
def test_a_reading_taken_and_back_gives_the_same_bars(order):
    """Whatever was taken between: no bar is left over at either end."""
    ways = {
        "one": CHART.time_map,
        "late": LATE,
        "double": DOUBLE,
        "three": TimeMap.steady(22, 120, Meter(3, 4)),
        "half": TimeMap.steady(9, 60, start_s=-2.0),
        "pick-up": apply(CHART, ShiftOne(F(-1))).time_map,
    }
    chart = CHART
    for name in order:
        chart = apply(chart, LayBars(ways[name]))
        assert chart.time_map == ways[name]
        assert [n for _, n in strokes(chart)] == [n for _, n in strokes(CHART)]
    assert apply(chart, LayBars(CHART.time_map)).time_map == CHART.time_map


def test_bars_that_are_laid_reach_what_was_written_beyond_them():
    laid = apply(CHART, LayBars(TimeMap.steady(14, 120, start_s=2.0))).time_map
    assert (laid.start_s, laid.end_s) == (0.0, 32.0)


def test_a_reading_taken_is_one_act_that_moves_no_stroke():
    chart = replace(CHART, sections=(Section(8, "Chorus"),), marks=(Mark("fill", (7, F(1, 2)), (8, F(0)), "", True),))
    for other in other_readings(chart, HEARD.readings).values():
        after = apply(chart, LayBars(other.time_map))
        assert [n for _, n in strokes(after)] == [n for _, n in strokes(chart)]
        assert [t for t, _ in strokes(after)] == pytest.approx([t for t, _ in strokes(chart)], abs=1e-3)
        assert after.sections[0].name == "Chorus" and after.marks[0].confirmed
    double = apply(chart, LayBars(DOUBLE))
    assert double.sections[0].bar_index == 16 and double.marks[0].start == (15, F(0))


def test_another_grid_of_beats_is_quantized_anew_and_beats_that_stay_keep_their_rhythm():
    between = tuple(replace(n, position=n.position + F(1, 24)) for n in CHART.bars[3].notes[:3])
    odd = replace(CHART.bars[3], notes=between)
    chart = CHART.with_bar(3, odd)
    late = apply(chart, LayBars(LATE))
    assert F(3, 4) + F(1, 24) in {n.position for n in late.bars[3].notes}
    free = apply(chart, LayBars(TimeMap.steady(20, 140, Meter(3, 4))))
    assert [t for t, _ in strokes(free)] == pytest.approx([t for t, _ in strokes(chart)], abs=1e-3)


def test_fixed_lines_hold_and_readings_against_them_are_not_offered():
    fixed = apply(CHART, MoveBarLine(5, 10.03))
    assert list(other_readings(fixed, HEARD.readings)) == [1], (
        "of a double tempo the line is one, a beat late it is none"
    )
    double = apply(fixed, LayBars(DOUBLE))
    assert double.time_map.bars[10].fixed and double.time_map.bar_start_s(10) == pytest.approx(10.03)
    with pytest.raises(ChartError, match="fixed at 10.03"):
        apply(fixed, LayBars(LATE))


def test_what_was_heard_comes_back_as_it_was(tmp_path):
    heard = replace(HEARD, activations=replace(HEARD.activations, begins_s=0.31))
    keep_hearing(heard, tmp_path, "a" * 64)
    again = kept_hearing(tmp_path, "a" * 64)
    assert again.readings == HEARD.readings and again.activations.begins_s == 0.31
    assert again.activations.beat == pytest.approx(HEARD.activations.beat, abs=0.002)
    assert again.harmony.pitch_classes.shape == HEARD.harmony.pitch_classes.shape
    assert kept_hearing(tmp_path, "b" * 64) is None
    words = look_at_bars(apply(CHART, LayBars(DOUBLE)), again.readings).words
    assert words.startswith("4/4 at 240 (12 %); it may also be 4/4 at 120, counted from bar 1 (80 %)")


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b"null", b'{"beat": 3}', b"[" * 100_000])
def test_what_is_damaged_is_heard_again(tmp_path, damage):
    keep_hearing(HEARD, tmp_path, "a" * 64)
    (file,) = (tmp_path / HEARD_FOLDER).iterdir()
    file.write_bytes(damage)
    assert kept_hearing(tmp_path, "a" * 64) is None
    with pytest.raises(AnalysisError, match="at hand"):
        hearing_for(CHART, tmp_path, None)


# -- by ear ----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_whole_song_laid_anew_finds_what_is_heard():
    wrong = apply(apply(CHART, SetMeter(Meter(3, 4))), ShiftOne(F(1, 2)))
    found = lay_anew(wrong, HEARD)
    assert found.bars[4].meter == Meter(4, 4)
    assert lines(found)[:16] == pytest.approx(lines(CHART.time_map), abs=0.03)


@pytest.mark.slow
def test_from_a_bar_on_what_comes_before_stays():
    wrong = apply(CHART, ChangeLevel(F(1, 2), 6))
    found = lay_anew(wrong, HEARD, 6)
    assert found.bars[:5] == wrong.time_map.bars[:5]
    assert lines(found)[:16] == pytest.approx(lines(CHART.time_map), abs=0.03)


@pytest.mark.slow
@pytest.mark.parametrize("meter, tempo_bpm", [("3/4", 120), ("7/8", 240), ("12/8", 120)])
def test_bars_of_a_meter_from_a_bar_on_begin_on_its_line_in_the_pulse_before_it(meter, tempo_bpm):
    found = lay_anew(CHART, HEARD, 4, Meter.parse(meter))
    assert found.bars[:4] == CHART.time_map.bars[:4] and found.bar_start_s(4) == CHART.time_map.bar_start_s(4)
    assert {str(b.meter) for b in found.bars[4:]} == {meter}
    assert found.tempo_bpm(6) == pytest.approx(tempo_bpm, rel=0.05)
    after = apply(CHART, LayBars(found))
    assert [n.key for n in after.bars[3].notes] == [n.key for n in CHART.bars[3].notes]
    assert [t for t, _ in strokes(after)] == pytest.approx([t for t, _ in strokes(CHART)], abs=1e-3)


@pytest.mark.slow
def test_a_line_that_is_found_again_leaves_the_bars_before_it_as_they_are():
    assert lay_anew(CHART, HEARD, 6).bars[:6] == CHART.time_map.bars[:6]


@pytest.mark.slow
def test_fixed_lines_and_their_meter_hold():
    """The user says where 1 is, against what is heard: the bars after that line follow it, by ear."""
    late = apply(CHART, MoveBarLine(6, 12.5))  # a beat later takes all bars along
    found = lay_anew(late, HEARD)
    assert 12.5 in lines(found) and next(b for b in found.bars if b.beat_times_s[0] == 12.5).fixed
    assert all(min(abs(t - 0.5) % 2.0, 2.0 - abs(t - 0.5) % 2.0) < 0.06 for t in lines(found)[1:])
    three = apply(apply(CHART, SetMeter(Meter(3, 4))), FixLine(4, True))
    assert {b.meter for b in lay_anew(three, HEARD).bars[1:]} == {Meter(3, 4)}


@pytest.mark.slow
def test_laid_anew_is_an_act_like_any_other():
    wrong = apply(CHART, ShiftOne(F(1, 2), 5))
    after = apply(wrong, LayBars(lay_anew(wrong, HEARD, 3)))
    assert [t for t, _ in strokes(after)] == pytest.approx([t for t, _ in strokes(wrong)], abs=1e-3)


def test_a_draft_saved_under_another_name_keeps_what_was_heard(tmp_path):
    draft = Draft(CHART, (), (), HEARD.activations, HEARD)
    saved = save_chart(draft, tmp_path / "mine.chart.json")
    assert kept_hearing(saved.parent, CHART.recording.sha256).readings == HEARD.readings
