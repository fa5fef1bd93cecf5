"""What the grid says of a drum's sounds: told when the page asks, beside the edits, and anew where it holds no more."""

import json
import threading
import time
from fractions import Fraction as F

import numpy as np
import pytest

from tests.grids import RATE, do
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.files.audio import Audio
from workbench.files.document import ChartDocument
from workbench.grid import HitGrid, sound_advice
from workbench.grid.sound_advice import FEWEST_TOLD_APART, told_sounds

BARS = 16
#: Of each bar's eighths these have the second sound.
SECOND = (2, 6)
BAR = WrittenBar(tuple(Note(F(k, 8), "closed hi-hat", confidence=0.6) for k in range(8)))
CHART = Chart(TimeMap.steady(BARS, 120), (BAR,) * BARS)
PLACES = [
    [[k, str(F(n, 8))] for k in range(BARS) for n in range(8) if (n in SECOND) == second] for second in (False, True)
]
TOLD = {"closed hi-hat": [{"alike": True, "places": places} for places in PLACES]}


def recording(chart=CHART, second=SECOND, rate=RATE):
    """Two bursts of noise, each the same waveform every time, in noise."""
    rng = np.random.default_rng(5)
    length = rate // 20
    bursts = rng.standard_normal((2, length)) * np.exp(-np.arange(length) / (length / 5))
    samples = 0.05 * rng.standard_normal(round((chart.time_map.end_s + 1) * rate))
    for k, note in chart.notes():
        at = round(chart.note_time_s(k, note) * rate)
        samples[at : at + length] += 0.2 * bursts[int(note.position * 8 in second)]
    return Audio(samples.astype(np.float32), rate)


@pytest.fixture
def open_grid(tmp_path):
    """A function that gives a grid on a chart and what it has told so far."""
    grids = []

    def open_grid(chart=CHART, audio=None):
        grid = HitGrid(ChartDocument.create(chart, tmp_path / "song.chart.json"), recording=audio)
        grids.append(grid)
        grid.sent = []
        grid.send = lambda message, buffers=None: grid.sent.append(json.loads(json.dumps(message)))
        if audio is not None:
            grid._audio.result(120)
        return grid

    yield open_grid
    for grid in grids:
        grid.close()
        grid.document.close()


def ask(grid):
    grid._receive(grid, {"type": "sounds"}, [])


def told(grid, count=1, field="drum_sounds"):
    """What was told of the sounds, the last of so many times; told beside the edits, so it takes a moment."""
    until = time.monotonic() + 120
    while time.monotonic() < until:
        found = [m["info"][field] for m in list(grid.sent) if field in m.get("info", {}) and m["info"][field]]
        if len(found) >= count:
            return found[count - 1]["drums"]
        time.sleep(0.02)
    raise AssertionError(f"No sounds were told: {grid.sent}")


@pytest.mark.parametrize("rate", [RATE, 44100])
def test_a_drum_of_two_sounds_is_told_with_the_places_of_each(rate):
    assert told_sounds(CHART, recording(rate=rate)) == TOLD


def test_a_drum_of_one_sound_is_not_told_nor_one_of_few_hits():
    audio = recording(second=())
    audio.samples[: RATE // 5] = 0  # one stroke that sounds like none is no sound
    assert told_sounds(CHART, audio) == {}
    few = Chart(CHART.time_map, (BAR, WrittenBar(BAR.notes[: FEWEST_TOLD_APART - 8 - 1]), *[WrittenBar()] * (BARS - 2)))
    assert told_sounds(few, recording(few)) == {}


def test_a_recording_of_hours_is_not_told_apart(monkeypatch):
    audio = recording()
    monkeypatch.setattr(sound_advice, "LONGEST_TOLD_S", audio.duration_s)
    assert told_sounds(CHART, audio) == TOLD
    monkeypatch.setattr(sound_advice, "LONGEST_TOLD_S", audio.duration_s - 1)
    assert told_sounds(CHART, audio) == {}


def test_the_page_asks_and_is_told_and_a_page_that_comes_later_knows(open_grid):
    grid = open_grid(audio=recording())
    ask(grid)
    assert told(grid) == TOLD
    grid.sent.clear()
    grid._receive(grid, {"type": "hello", "client": "page"}, [])
    assert grid.sent[0]["info"]["drum_sounds"] == {"drums": TOLD}


def test_without_a_recording_nothing_is_told(open_grid):
    grid = open_grid()
    ask(grid)
    grid._sounds._worker.shutdown()
    assert grid.sent == []


def test_other_bars_make_it_void_and_it_is_told_anew(open_grid):
    grid = open_grid(audio=recording())
    ask(grid)
    told(grid)
    do(grid, 1, edit={"edit": "change level", "factor": "1/2"})
    (change,) = [m for m in grid.sent if m["type"] == "change"]
    assert change["info"]["drum_sounds"] == {}, "with the bars, so that no place is ever wrong"
    ask(grid)
    again = told(grid, 2)["closed hi-hat"]
    assert [len(s["places"]) for s in again] == [len(places) for places in PLACES]
    assert {k for s in again for k, _ in s["places"]} == set(range(BARS // 2))
    # Another hit is no reason: what is there under the places is counted by the page.
    do(grid, 2, edit={"edit": "remove note", "bar_index": 0, "position": "0", "instrument": "closed hi-hat"})
    assert "drum_sounds" not in grid.sent[-1]["info"]


def test_edits_go_on_while_it_is_worked_out_and_what_is_old_by_then_is_not_told(open_grid, monkeypatch):
    begun, go_on = threading.Event(), threading.Event()

    def slow(chart, audio):
        begun.set()
        assert go_on.wait(60)
        return {"of": len(chart)}

    monkeypatch.setattr(sound_advice, "told_sounds", slow)
    grid = open_grid(audio=recording())
    ask(grid)
    assert begun.wait(60)
    do(grid, 1, edit={"edit": "change level", "factor": "1/2"})
    assert [m["type"] for m in grid.sent if "seq" in m][0] == "change"
    ask(grid)
    go_on.set()
    assert told(grid) == {"of": BARS // 2}


def test_another_recording_makes_it_void(open_grid):
    grid = open_grid(audio=recording())
    ask(grid)
    assert told(grid) == TOLD
    grid._sounds.listen_to(recording(second=()))
    assert grid.sent[-1]["info"] == {"drum_sounds": {}}
    ask(grid)
    assert told(grid, 2) == {}


def test_a_fault_is_one_sentence(open_grid, monkeypatch):
    def fault(*_):
        raise MemoryError

    monkeypatch.setattr(sound_advice, "told_sounds", fault)
    grid = open_grid(audio=recording())
    ask(grid)
    grid._sounds._worker.shutdown()
    assert "fault of the workbench" in grid.sent[-1]["error"]
