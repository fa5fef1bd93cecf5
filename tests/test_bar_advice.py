"""What the grid says of the bars: readings and disagreements, taken and mended by the page's messages."""

import time
from fractions import Fraction as F

import pytest

from tests.grids import clicks_at, do
from tests.heard import heard_bars
from tests.sentences import says
from tests.test_barfaults import song
from workbench.chart.data import edit_from_data, to_data
from workbench.chart.edits import CompositeEdit, FixLine, MoveBarLine, SetMeter, ShiftOne, TapLines, apply
from workbench.chart.meter import Meter, TimeMap
from workbench.files.document import ChartDocument
from workbench.grid import HitGrid
from workbench.grid.bar_advice import advice
from workbench.listening.hearing import HEARD_FOLDER, keep_hearing

CHART = song()
DOUBLE = TimeMap.steady(48, 192)
HEARD = heard_bars(CHART.time_map, (DOUBLE, 0.12))


@pytest.fixture
def grid(tmp_path):
    """A grid on a chart whose recording's bars are kept, and what it has told so far."""
    keep_hearing(HEARD, tmp_path, CHART.recording.sha256)
    with ChartDocument.create(CHART, tmp_path / "song.chart.json") as document:
        grid = HitGrid(document, recording=clicks_at(1.0))
        grid.sent = []
        grid.send = lambda message, buffers=None: grid.sent.append((message, buffers))
        yield grid
        grid.close()


def told(grid, field, wanted, seconds=120.0):
    """The first information of the page that is as wanted; told beside the edits, so it takes a moment."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        for message, _ in grid.sent:
            value = message.get("info", {}).get(field)
            if value is not None and wanted(value):
                return value
        time.sleep(0.02)
    raise AssertionError(f"{field} was not told: {[m for m, _ in grid.sent]}")


def test_readings_and_disagreements_as_data_for_the_page():
    found = advice(apply(CHART, ShiftOne(F(1), 9)), HEARD)
    assert found["now"] == "4/4 at 96, 5/4 in bar 9", "so nobody heard it"
    assert {"reading": 1, "words": "4/4 at 192", "percent": 12} in found["others"]
    fault = found["faults"][0]
    assert fault["first_bar"] == 9 and edit_from_data(fault["edit"]) == ShiftOne(-1, 9, fault["last_bar"])
    assert advice(CHART, None) == {"now": "4/4 at 96", "others": [], "dispute": "", "faults": []}


def test_a_dispute_is_told_until_the_lines_are_fixed():
    late = apply(CHART, ShiftOne(F(2)))
    assert says(advice(late, HEARD)["dispute"], "the 1", "two beats", "(88 %)")
    fixed = apply(late, CompositeEdit(tuple(FixLine(k, True) for k in range(len(late))), "fixed"))
    assert advice(fixed, HEARD)["dispute"] == "" == advice(CHART, HEARD)["dispute"]


def test_a_reading_is_taken_in_one_step_and_then_told_against_the_new_bars(grid):
    do(grid, 1, command="take reading", reading=1)
    assert len(grid.chart) == 48
    now = told(grid, "bars", lambda bars: bars["now"] == "4/4 at 192 (12 %)")
    assert [o["words"] for o in now["others"]] == ["4/4 at 96"]
    grid.document.undo()
    assert grid.chart == CHART


@pytest.mark.parametrize(
    "edit, said",
    [
        (MoveBarLine(6, CHART.time_map.bar_start_s(6) + 60 / 96), ["bars 2–24", "a beat later"]),
        (TapLines((CHART.time_map.bar_start_s(6) + 60 / 96,)), ["bars 2–24", "a beat later"]),
        (SetMeter(Meter(7, 8), 4, 7), ["7/8 in bars 5–8", "the lines after that", "two beats earlier", "stays where"]),
    ],
)
def test_an_act_that_moves_other_lines_says_which(grid, edit, said):
    do(grid, 1, edit=to_data(edit))
    (notice,) = [m["notice"] for m, _ in grid.sent if m["type"] == "answer"]
    assert all(words in notice for words in said), notice


def test_an_act_that_moves_no_other_line_says_nothing_more(grid):
    for seq, edit in enumerate((SetMeter(Meter(2, 2), 4, 7), ShiftOne(F(1), 4, 7), SetMeter(Meter(3, 4), 4)), 1):
        do(grid, seq, edit=to_data(edit))
    answers = [m["type"] for m, _ in grid.sent if m["type"] in ("change", "answer", "refused")]
    assert answers == ["change"] * 3, "what is changed is the answer"


@pytest.mark.slow
@pytest.mark.parametrize("reading", [None, -1, 2, True, "1", 1e9])
def test_a_reading_that_there_is_not_is_refused(grid, reading):
    do(grid, 1, command="take reading", reading=reading)
    refused = next(m for m, _ in grid.sent if m["type"] == "refused")
    assert "no such reading" in refused["error"] and grid.chart == CHART


def test_the_click_of_a_reading_is_heard(grid):
    wish = {"type": "audio", "client": "page", "start_s": 0.0, "end_s": 5.0}
    grid._send_sound({**wish, "request": 1, "source": "click"})
    grid._send_sound({**wish, "request": 2, "source": "reading 1"})
    grid._send_sound({**wish, "request": 3, "source": "reading 7"})
    sounds = {m["request"]: (m, b) for m, b in grid.sent if m["type"] == "audio"}
    assert bytes(sounds[1][1][0]) != bytes(sounds[2][1][0]) and sounds[1][0]["total"] == sounds[2][0]["total"]
    assert "no such reading" in sounds[3][0]["error"]


def test_advice_on_bars_that_were_changed_while_it_was_worked_out_is_not_told(grid, monkeypatch):
    worked_out = []

    def slow(chart, hearing):
        if not worked_out:
            worked_out.append(chart)
            grid.document.apply(ShiftOne(F(1), 9))
        return advice(chart, hearing)

    told(grid, "bars", lambda bars: True)
    grid.sent.clear()
    monkeypatch.setattr("workbench.grid.bar_advice.advice", slow)
    grid._advice.renew(0.0)
    assert told(grid, "bars", lambda bars: True)["faults"], "the first that is told is of the bars as they are"
    assert worked_out == [CHART]


@pytest.mark.slow
def test_what_disagrees_is_told_after_an_act_and_no_longer_when_it_is_mended(grid):
    do(grid, 1, edit=to_data(ShiftOne(F(1), 9)))
    fault = told(grid, "bars", lambda bars: bars["faults"])["faults"][0]
    grid.sent.clear()
    do(grid, 2, edit=fault["edit"])
    assert told(grid, "bars", lambda bars: True)["faults"] == []
    assert [b.beat_times_s[0] for b in grid.chart.time_map.bars][:24] == pytest.approx(
        [b.beat_times_s[0] for b in CHART.time_map.bars]
    )


@pytest.mark.slow
def test_bars_are_laid_anew_by_ear_beside_the_edits(grid):
    do(grid, 1, edit=to_data(ShiftOne(F(1), 9)))
    do(grid, 2, command="lay anew", bar_index=9)
    told(grid, "listening", lambda words: words == "")
    assert "from bar 10 on" in told(grid, "notice", bool)
    assert {str(b.meter) for b in grid.chart.time_map.bars[:8]} == {"4/4"}
    assert [b.beat_times_s[0] for b in grid.chart.time_map.bars][:24] == pytest.approx(
        [b.beat_times_s[0] for b in CHART.time_map.bars], abs=0.03
    )
    assert grid.document.revision == 2
    do(grid, 3, command="lay anew", bar_index=99)
    assert "no bar" in next(m for m, _ in grid.sent if m["type"] == "refused")["error"]


def test_without_its_recording_the_page_is_told_why(grid, tmp_path):
    for file in (tmp_path / HEARD_FOLDER).iterdir():
        file.unlink()
    again = HitGrid(grid.document)
    again.sent = []
    again.send = lambda message, buffers=None: again.sent.append((message, buffers))
    do(again, 1, command="lay anew", bar_index=0)
    told(again, "listening", lambda words: words == "")
    assert any("is not there" in m.get("error", "") for m, _ in again.sent) and again.chart == CHART
    again.close()
