"""Acts on bars in a user's words: each is one edit, for the bars that are named, and moves nothing that was heard."""

import re
from collections import Counter
from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.played import play
from tests.test_rewriting import charts, groove, strokes
from workbench.chart import Chart, Recording, WrittenBar
from workbench.chart.baracts import ACTS, BarAct, bar_act, bars_meant, lines_taken_along
from workbench.chart.edits import ChangeLevel, MoveBarLine, SetPickup, ShiftOne, TapLines, apply
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.chart.quantizer import quantize
from workbench.errors import ChartError
from workbench.files.history import History

SONG = groove(12)
AMOUNTS = {
    "earlier": ["1/2", 1, 2], "later": [F(1, 2), "1", "1.5"], "level": ["half", "double", "3:2", "2:3"],
    "meter": ["2/4", "3/4", "4/4", "5/4", "7/8", "12/8"], "pick-up": [0, 1, "1/2"], "one": [0.9, [1.1, 2.9, 5.0]],
    "split": [2, "2.5"],
}  # fmt: skip


def after(act, amount=None, chart=SONG, **where):
    return apply(chart, bar_act(chart, act, amount, **where).edit)


def lines(chart):
    return [b.beat_times_s[0] for b in chart.time_map.bars]


@st.composite
def acts(draw, chart):
    """Any act with an amount it takes, for all bars, those from one on, or a stretch."""
    act = draw(st.sampled_from(sorted(ACTS)))
    numbers = [chart.time_map.bar_number(k) for k in range(len(chart))]
    a, b = sorted(draw(st.tuples(st.sampled_from(numbers), st.sampled_from(numbers))))
    where = draw(st.sampled_from([{}, {"from_bar": a}, {"bars": str(a)}, {"bars": f"{a}-{b}"}]))
    return act, draw(st.sampled_from(AMOUNTS.get(act, [None]))), where


def test_a_pick_up_by_itself_is_read_at_another_level():
    chart = apply(Chart(TimeMap.steady(5, 120, start_s=1.0), (WrittenBar(),) * 5), SetPickup(F(1, 4)))
    for level in AMOUNTS["level"]:
        done = apply(chart, bar_act(chart, "level", level, bars="0").edit)
        assert done.time_map.bars[-1].beat_times_s == pytest.approx(chart.time_map.bars[-1].beat_times_s)


@given(st.data())
def test_whatever_is_done_to_bars_what_was_heard_stays_done_undone_and_done_again(data):
    """To less than a millisecond, confirmed or not; an act that cannot be leaves the chart."""
    chart = data.draw(charts())
    act, amount, where = data.draw(acts(chart))
    try:
        history = History((chart,)).with_edit(bar_act(chart, act, amount, **where).edit)
    except ChartError:
        return
    done, undone = history.chart, history.with_undo()
    assert undone.chart == chart and undone.with_redo().chart == done
    before, now = strokes(chart), strokes(done)
    assert Counter(n for _, n in before) == Counter(n for _, n in now)
    for name in ("kick", "snare", "ride"):
        old, new = ([t for t, n in found if n.instrument == name] for found in (before, now))
        assert new == pytest.approx(old, abs=1e-3)


def test_the_1_by_half_a_beat_in_the_song_from_here_on_and_in_a_stretch():
    assert bar_act(SONG, "later", "1/2").edit == ShiftOne(F(1, 2))
    assert bar_act(SONG, "earlier", 1, from_bar=5).edit == ShiftOne(F(-1), 4)
    assert bar_act(SONG, "later", 0.5, bars="5-8").edit == ShiftOne(F(1, 2), 4, 7)
    late = after("later", "1", bars="5-8")
    assert lines(late)[4] == lines(SONG)[4] + 0.5 and lines(late)[8:] == lines(SONG)[8:]


def test_levels():
    assert [len(after("level", level)) for level in ("half", "double", "3:2", "2:3")] == [6, 24, 18, 8]
    assert bar_act(SONG, "level", "3:2", bars=3).edit == ChangeLevel(F(3, 2), 2, 2)


def test_meter_from_a_bar_on():
    assert [str(b.meter) for b in after("meter", "3/4", from_bar=9).time_map.bars[7:10]] == ["4/4", "3/4", "3/4"]


def test_bars_are_named_as_players_count_them_with_a_pick_up_before():
    with_pickup = after("pick-up", 1)
    assert with_pickup.time_map.bars[0].length == F(1, 4)
    assert bar_act(with_pickup, "later", 1, bars="1").edit == ShiftOne(F(1), 1, 1)
    assert bars_meant(with_pickup, "0-2,5") == [0, 1, 2, 5]
    assert not after("pick-up", "0", with_pickup).time_map.bars[0].is_pickup


def test_the_beat_of_a_pick_up_is_that_of_the_first_full_bar():
    bars = (Bar(Meter(6, 8), (0.0, 0.6)), Bar(Meter(2, 4), (1.2, 1.8)))
    chart = Chart.empty(TimeMap(bars, 2.4))
    assert bar_act(chart, "pick-up", 1).edit == SetPickup(F(3, 8))


def test_a_bar_is_split_at_a_beat_and_joined_again():
    for beat, first in ((3, "2/4"), ("2.5", "3/8")):
        split = after("split", beat, bars="4")
        assert len(split) == 13 and str(split.time_map.bars[3].meter) == first
        assert lines(after("join", chart=split, bars="4-5")) == lines(SONG)
        assert lines(after("join", chart=split, bars="4")) == lines(SONG)
    assert str(after("join", bars="2-4").time_map.bars[1].meter) == "12/4"


def test_bars_inserted_and_deleted():
    part = replace(SONG, recording=None)
    assert len(after("insert", chart=part, bars="4-5")) == 14 and len(after("delete", chart=part, bars="4-5")) == 10
    missed = after("join", bars="6")
    assert lines(after("insert", chart=missed, bars="6")) == lines(SONG)
    too_many = after("split", 3, bars="6")
    assert lines(after("delete", chart=too_many, bars="7")) == lines(SONG)
    with pytest.raises(ChartError, match="one at a time"):
        after("insert", chart=missed, bars="6-7")


def test_lines_fixed_stay_and_may_move_again_when_they_are_let_go():
    fixed = after("fix", bars="5-6,9")
    assert [k for k, b in enumerate(fixed.time_map.bars) if b.fixed] == [4, 5, 8]
    assert set(lines(SONG)[k] for k in (4, 5, 8)) <= set(lines(after("meter", "3/4", fixed)))
    assert not any(b.fixed for b in after("let-go", chart=fixed).time_map.bars)
    assert all(b.fixed for b in after("fix", from_bar=1).time_map.bars)


def test_a_1_said_in_seconds():
    assert bar_act(SONG, "one", 12.3).edit == TapLines((12.3,))
    assert after("one", [8.5, 4.5]).time_map.bars[2].beat_times_s[0] == pytest.approx(4.5, abs=0.02)


@pytest.mark.parametrize("meter, bpm", [("4/4", 104), ("3/4", 132), ("7/8", 190)])
def test_a_song_played_by_a_machine_stays_where_it_was_heard_through_a_row_of_acts(meter, bpm):
    """Strokes with times of their own, quantized as a draft is; each act on what the last has left."""
    time_map = TimeMap.steady(16, bpm, Meter.parse(meter))
    played = play(time_map, {"kick": (0, 3), "snare": (2,), "closed hi-hat": range(6)})
    drafted = quantize(played, time_map)
    chart = Chart(time_map, drafted.bars, recording=Recording("a.wav", "0" * 64, time_map.end_s), feel=drafted.feel)
    heard = sorted(chart.note_time_s(k, n) for k, n in chart.notes())
    for act, amount, where in [
        ("later", "1/2", {"bars": "5-9"}), ("level", "double", {"from_bar": 9}), ("meter", "5/4", {"bars": "3-6"}),
        ("fix", None, {"bars": "4"}), ("split", 2, {"bars": "2"}), ("one", [3.1, 6.2], {}), ("pick-up", 1, {}),
        ("earlier", 1, {}), ("level", "half", {}), ("let-go", None, {}), ("meter", meter, {}),
    ]:  # fmt: skip
        chart = after(act, amount, chart, **where)
        assert sorted(chart.note_time_s(k, n) for k, n in chart.notes()) == pytest.approx(heard, abs=1e-3)


@pytest.mark.parametrize(
    "act, amount, where, said",
    [
        ("bend", None, {}, "let-go"), ("later", "1/3", {}, "half beats"), ("later", 0, {}, "half beats"),
        ("later", None, {}, "1/2"), ("later", "1/0", {}, "1/2"), ("later", "9" * 400, {}, "1/2"),
        ("level", "triple", {}, "half, double"), ("meter", "x", {}, "4/4"), ("join", None, {}, "9-12"),
        ("delete", None, {}, "9-12"), ("insert", None, {}, "9-12"), ("split", 3, {}, "9-12"),
        ("split", 1, {"bars": "4"}, "inside"), ("split", 5, {"bars": "4"}, "inside"),
        ("split", 3, {"bars": "4-5"}, "One bar"), ("later", 1, {"bars": "4,6"}, "stretch"),
        ("later", 1, {"bars": "13"}, "bar 13"), ("later", 1, {"from_bar": 0}, "bar 0"),
        ("later", 1, {"bars": "4", "from_bar": 4}, "not both"), ("pick-up", 4, {}, "shorter"),
        ("pick-up", 1, {"bars": "4"}, "whole song"), ("one", 3.0, {"from_bar": 2}, "whole song"),
        ("one", "x", {}, "second"), ("one", [], {}, "second"), ("one", float("nan"), {}, "second"),
        ("one", 1e9, {}, "no music"), ("join", None, {"bars": "12"}, "next"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_said_in_a_sentence(act, amount, where, said):
    with pytest.raises(ChartError, match=said) as error:
        after(act, amount, **where)
    assert str(error.value).endswith(".")


@pytest.mark.parametrize(
    "act, amount, where",
    [("later", 4, {}), ("later", 4, {"from_bar": 5}), ("later", 4, {"bars": "5-8"}), ("meter", "4/4", {}),
     ("pick-up", 0, {}), ("let-go", None, {})],
)  # fmt: skip
def test_an_act_that_changes_nothing_is_known(act, amount, where):
    assert not bar_act(SONG, act, amount, **where).changes(SONG)
    assert bar_act(SONG, "later", 1, **where).changes(SONG)


@given(charts().filter(lambda c: len(c) > 2), st.data(), st.sampled_from(AMOUNTS["meter"]))
def test_a_meter_says_whether_the_lines_after_its_bars_move(chart, data, meter):
    last = data.draw(st.integers(1, len(chart) - 2))
    number = chart.time_map.bar_number(last)
    act = bar_act(chart, "meter", meter, bars=str(number))
    after = apply(chart, act.edit)
    stays = any(t == pytest.approx(chart.time_map.bar_start_s(last + 1), abs=1e-6) for t in lines(after))
    assert (";" in act.words) != stays


@given(charts().filter(lambda c: len(c) > 2), st.data())
def test_the_1_or_the_tempo_of_some_bars_moves_no_line_after_them(chart, data):
    """So nothing is to be said of them."""
    last = data.draw(st.integers(1, len(chart) - 2))
    bars = f"{chart.time_map.bar_number(last - 1) or 1}-{chart.time_map.bar_number(last)}"
    act, amount = data.draw(st.sampled_from([("later", 1), ("earlier", "1/2"), ("level", "half"), ("level", "3:2")]))
    try:
        made = bar_act(chart, act, amount, bars=bars)
        after = apply(chart, made.edit)
    except ChartError:
        return
    assert lines_taken_along(chart, made.edit) == ""
    for k in range(last + 1, len(chart)):
        assert any(t == pytest.approx(chart.time_map.bar_start_s(k), abs=1e-6) for t in lines(after))


def test_a_meter_for_some_bars_says_what_they_are_now_and_how_far_the_rest_moves():
    assert (
        "bars 5–8, now bars 5–9; the lines after that lie a beat earlier"
        in bar_act(SONG, "meter", "3/4", bars="5-8").words
    )
    assert "bar 5; the lines after that lie a beat earlier" in bar_act(SONG, "meter", "3/4", bars="5").words
    assert bar_act(SONG, "meter", "2/4", bars="5-8").words == "Bars of 2/4 in bars 5–8, now bars 5–12."


def test_how_a_single_short_bar_is_got_is_said_where_a_bar_became_two_and_it_is_so():
    act = bar_act(SONG, "meter", "2/4", bars="5")
    assert act.words == "Bars of 2/4 in bar 5, now bars 5–6. For one bar of 2/4 alone set 4/4 from bar 6 on."
    halved = apply(SONG, act.edit)
    done = apply(halved, bar_act(halved, "meter", "4/4", from_bar=6).edit)
    assert [str(b.meter) for b in done.time_map.bars[3:7]] == ["4/4", "2/4", "4/4", "4/4"]
    assert done.time_map.bar_start_s(5) == SONG.time_map.seconds(4, F(1, 2)), "the next 1 is two beats earlier"
    # One bar that is shorter, or as long as before, needs no word.
    assert "alone" not in bar_act(SONG, "meter", "3/4", bars="5").words
    assert bar_act(SONG, "meter", "2/2", bars="5-8").words == "Bars of 2/2 in bars 5–8."


@pytest.mark.parametrize("meter", ["3/4", "5/4", "6/4", "7/4", "7/8", "6/8", "12/8"])
@pytest.mark.parametrize("last", [5, 6, 8, 9])
def test_what_a_meter_says_of_its_bars_and_of_those_after_is_so(meter, last):
    """Also where a line of the bars after comes nearer to the old one than the first of them does."""
    act = bar_act(SONG, "meter", meter, bars=f"5-{last}")
    now = [str(b.meter) for b in apply(SONG, act.edit).time_map.bars]
    found = re.search(r"now bars? (\d+)(?:–(\d+))?", act.words)
    ends = int(found[2] or found[1]) if found else last
    assert set(now[4:ends]) == {meter} and now[ends] == "4/4"
    beats = {"half a beat": 0.5, "a beat": 1, "a beat and a half": 1.5, "two beats": 2}
    said = re.search(r"lie (.+) (earlier|later)\.", act.words)
    by = (beats.get(said[1]) or float(said[1].split()[0])) * (-1 if said[2] == "earlier" else 1) if said else 0
    there, beat_s = lines(apply(SONG, act.edit))[ends], 60 / SONG.time_map.tempo_bpm(0)
    assert there == pytest.approx(lines(SONG)[last] + by * beat_s, abs=0.01)


def test_a_line_moved_by_a_beat_says_which_lines_went_along():
    line_s = lines(SONG)[4]
    assert lines_taken_along(SONG, MoveBarLine(4, line_s + 0.03)) == ""
    assert (
        "a beat later" in (said := lines_taken_along(SONG, MoveBarLine(4, line_s + 0.5))) and "2–12" in said
    )  # a pick-up begins with the song
    one = bar_act(SONG, "one", line_s + 0.5).words
    assert one.startswith("A bar begins") and one.endswith(said)
    fixed = after("fix", bars="3")
    said = lines_taken_along(fixed, MoveBarLine(4, line_s - 0.5))
    assert "a beat earlier" in said and "5–12" in said


def test_what_is_done_is_said():
    words = {act: bar_act(SONG, act, amounts[0], bars="2" if act == "split" else None).words
             for act, amounts in AMOUNTS.items()}  # fmt: skip
    words |= {act: bar_act(SONG, act, bars="2-3" if act != "insert" else "1").words for act in ACTS if act not in words}
    assert set(words) == set(ACTS) and all(w[0].isupper() and w.endswith(".") for w in words.values())
    assert bar_act(SONG, "later", 1, from_bar=5) == BarAct(ShiftOne(F(1), 4), "The 1 a beat later from bar 5 on.")
    assert "bars 2–3" in words["fix"] and "half a beat" in words["earlier"]
