"""The grid's Python side: protocol, corrections, tapped bars, pictures and passages of sound."""

import json
import os
import threading
import time
from dataclasses import replace
from fractions import Fraction as F
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from tests.effort import examples
from tests.grids import CHART, GROOVE, RATE, clicks_at, do
from workbench.chart import Chart, Note, Recording, WrittenBar
from workbench.chart.data import to_data
from workbench.chart.drums import EXAMPLE_LEAD_S, EXAMPLE_S, MOST_EXAMPLES
from workbench.chart.edits import AddNote, CompositeEdit, RemoveNote, TapLines, apply
from workbench.chart.meter import Meter, TimeMap
from workbench.errors import ChartError
from workbench.files.document import ChartDocument, read_working_chart
from workbench.grid import HitGrid, workspace
from workbench.grid.messages import kit_rows
from workbench.grid.passages import GAP_S

# -- protocol ----------------------------------------------------------------------------


def test_hello_is_answered_with_the_whole_chart(grid):
    grid._receive(grid, {"type": "hello", "client": "page"}, [])
    snapshot, _ = grid.sent[0]
    assert snapshot["chart"] == to_data(CHART)
    assert snapshot["info"]["kit"] == kit_rows(CHART)
    assert snapshot["info"]["has_recording"] is False


def test_an_edit_is_made_and_answered_with_what_changed(grid, document):
    do(grid, 1, edit=to_data(AddNote(6, Note(F(1, 3), "crash", 90, confirmed=True))))
    ((change, _),) = grid.sent
    assert (change["client"], change["seq"], change["revision"]) == ("page", 1, document.revision)
    assert list(change["parts"]["bars"]) == ["6"]
    assert document.chart.bars[6].find(F(1, 3), "crash").confirmed


def removing(bar_index):
    return {"edit": {"edit": "remove note", "bar_index": bar_index, "position": "0", "instrument": "kick"}}


def adding(**fields):
    note = {"at": "1/2", "instrument": "kick", "velocity": 9, **fields}
    return {"edit": {"edit": "add note", "bar_index": 0, "note": note}}


@pytest.mark.parametrize(
    "message, reason",
    [
        ({"edit": {"edit": "explode"}}, "no edit called"),
        (removing(99), "no bar 100"),
        (removing(7), "has no kick"),
        (adding(at="0.5"), "position is written like"),
        (adding(instrument="gong"), "no instrument called"),
        (adding(at="5/4"), "outside it"),
        (adding(velocity=True), "whole number"),
        ({"edit": "not even an object"}, "no edit called"),
        ({"command": "format disk"}, "no command"),
        ({"command": "undo"}, "nothing to undo"),
        ({"command": "correct repeats", "bar_index": 0}, "has not been changed"),
        ({"command": "correct repeats", "bar_index": "x"}, "whole number"),
        ({"edit": {"edit": "tap lines", "times_s": []}}, "Nothing was tapped"),
        ({}, "no command"),
    ],
)
def test_what_is_not_possible_is_refused_with_a_sentence(grid, document, message, reason):
    do(grid, 1, **message)
    ((answer, _),) = grid.sent
    assert answer["type"] == "refused" and answer["seq"] == 1
    assert reason in answer["error"]
    assert document.chart == CHART


def test_messages_without_sense_are_passed_over(grid):
    for message in (None, 3, [], {}, {"type": "?"}, {"type": ["do"]}):
        grid._receive(grid, message, [])
    assert grid.sent == []


@pytest.mark.parametrize("seq", [None, "1", 1.0, True, [], {}, 0, -1, 10**30, 10**400])
def test_a_number_that_is_none_is_told_and_keeps_nothing_from_being_made(grid, document, seq):
    do(grid, seq, edit=to_data(AddNote(6, Note(F(0), "kick"))))
    assert [m["type"] for m, _ in grid.sent] == ["error"] and document.revision == 0
    for k in (1, 2):
        do(grid, k, edit=to_data(AddNote(6, Note(F(k, 4), "kick"))))
    assert document.revision == 2


@pytest.mark.parametrize("client", [None, [], "\ud800", "x" * 1000])
def test_a_page_without_a_name_is_told(grid, document, client):
    do(grid, 1, client, edit=to_data(AddNote(6, Note(F(0), "kick"))))
    assert [m["type"] for m, _ in grid.sent] == ["error"] and document.revision == 0


def test_an_edit_sent_again_is_made_once_and_answered_alike(grid, document):
    edit = to_data(AddNote(6, Note(F(0), "kick")))
    do(grid, 7, edit=edit)
    do(grid, 3, **removing(99))
    do(grid, 7, edit=edit)
    do(grid, 3, **removing(99))
    assert document.revision == 1
    assert [m["type"] for m, _ in grid.sent] == ["change", "refused", "answer", "refused"]
    assert grid.sent[1] == grid.sent[3]
    do(grid, 7, "another page", edit=to_data(RemoveNote(6, F(0), "kick")))
    assert document.revision == 2


def test_an_edit_sent_again_while_the_disk_is_slow_is_answered_when_it_is_kept(grid, document, monkeypatch):
    writing, go_on = threading.Event(), threading.Event()
    flush = os.fsync

    def slow(handle):
        writing.set()
        assert go_on.wait(20)
        flush(handle)

    monkeypatch.setattr(os, "fsync", slow)
    send = [threading.Thread(target=do, args=(grid, 1), kwargs=adding()) for _ in range(2)]
    send[0].start()
    assert writing.wait(20)
    send[1].start()
    send[1].join(0.1)
    assert grid.sent == [] and document.revision == 0
    go_on.set()
    for thread in send:
        thread.join(20)
    assert [m["type"] for m, _ in grid.sent] == ["change", "answer"] and document.revision == 1


@pytest.mark.parametrize("fault", [OSError(28, "full"), RuntimeError("?"), MemoryError(), RecursionError()])
def test_whatever_goes_wrong_the_edit_is_refused_and_can_be_made_later(grid, document, monkeypatch, fault):
    def fails(*_):
        raise fault

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fails)
        do(grid, 1, **adding())
        do(grid, 1, **adding())
    assert [m["type"] for m, _ in grid.sent] == ["refused"] * 2
    assert grid.sent[0][0]["error"].endswith((".", ").")) and document.revision == 0
    assert read_working_chart(document.path) == CHART
    do(grid, 2, **adding())
    assert document.revision == 1


@pytest.mark.slow
@examples(100, suppress_health_check=list(HealthCheck), deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters()),
        lambda x: (
            st.lists(x, max_size=3) | st.dictionaries(st.sampled_from(["edit", "note", "at", "x"]), x, max_size=3)
        ),
    ),
    st.sampled_from(["edit", "command", "bar_index", "seq", "client", "type"]),
)
def test_no_message_keeps_a_later_edit_from_being_made(tmp_path_factory, value, field):
    with ChartDocument.create(CHART, tmp_path_factory.mktemp("song") / "song.chart.json") as document:
        grid = HitGrid(document)
        sent = []
        grid.send = lambda message, buffers=None: sent.append(message)
        grid._receive(grid, {"type": "do", "client": "page", "seq": 1, **adding(), field: value}, [])
        json.dumps(sent, ensure_ascii=False).encode()
        grid._receive(grid, {"type": "do", "client": "page", "seq": 2, **adding(at="3/8")}, [])
        assert sent[-1]["type"] == "change" and document.chart.bars[0].find(F(3, 8), "kick")
        grid.close()


def test_what_another_notebook_changed_is_told_with_a_way_on(grid, document):
    assert not grid.changed_elsewhere
    theirs = ChartDocument(document.path)
    theirs.apply(RemoveNote(0, F(0), "kick"))
    do(grid, 1, **adding())
    assert grid.sent[-1][0]["type"] == "refused" and "Go on here" in grid.sent[-1][0]["error"]
    assert grid.changed_elsewhere
    do(grid, 2, command="save")
    assert "Go on here" in grid.sent[-1][0]["error"]
    do(grid, 3, command="reload")
    assert not grid.changed_elsewhere
    assert grid.sent[-1][0]["type"] == "change" and list(grid.sent[-1][0]["parts"]["bars"]) == ["0"]
    do(grid, 4, **adding())
    assert document.chart.bars[0].find(F(0), "kick") is None and document.chart.bars[0].find(F(1, 2), "kick")


def test_two_grids_of_one_chart_are_told_the_same(grid, document):
    other = HitGrid(document)
    told = []
    other.send = lambda message, buffers=None: told.append(message)
    do(grid, 1, edit=to_data(RemoveNote(0, F(0), "kick")))
    document.undo()
    assert [m["parts"] for m in told] == [m["parts"] for m, _ in grid.sent]
    assert [m["revision"] for m in told] == [1, 2]
    assert "client" not in told[0]
    other.close()


def test_edits_from_page_and_cell_at_once_lose_nothing_and_do_not_lock_up(grid, document):
    def page():
        for k in range(60):
            do(grid, k + 1, edit=to_data(AddNote(6, Note(F(k, 64), "crash"))))
            grid._receive(grid, {"type": "hello", "client": "page"}, [])

    def cell():
        for k in range(60):
            document.apply(AddNote(7, Note(F(k, 64), "ride")))

    threads = [threading.Thread(target=f) for f in (page, cell)]
    for t in threads:
        t.start()
    for t in threads:
        t.join(20)
        assert not t.is_alive()
    assert len(document.chart.bars[6].notes) == len(document.chart.bars[7].notes) == 60
    revisions = [m["revision"] for m, _ in grid.sent if m["type"] == "change"]
    assert revisions == list(range(1, 121))


def test_save_writes_the_file(grid, document):
    do(grid, 1, edit=to_data(RemoveNote(0, F(0), "kick")))
    do(grid, 2, command="save")
    assert grid.sent[-1][0]["notice"] == "Saved as song.chart.json."
    assert document.unsaved == 0


# -- correcting repeats --------------------------------------------------------------------


# -- bars laid anew -----------------------------------------------------------------------------


def test_a_tap_near_a_stroke_means_the_stroke():
    late = WrittenBar((Note(F(0), "kick", deviation_s=0.05),))
    chart = Chart.empty(TimeMap.steady(4, 120)).with_bar(1, late)
    after = apply(chart, TapLines((2.02,)))
    assert after.time_map.bar_start_s(1) == pytest.approx(2.05)


def test_acts_on_bars_are_edits_of_the_page(grid, document):
    do(grid, 1, edit={"edit": "shift one", "beats": "1"})
    assert document.chart.time_map.bars[0].length == F(1, 4)
    do(grid, 2, edit={"edit": "change level", "factor": "2", "first_bar": 1})
    do(grid, 3, command="undo")
    do(grid, 4, command="undo")
    assert document.chart == CHART


def test_a_drum_named_as_a_whole_is_one_step_and_says_what_it_did(grid, document):
    do(grid, 1, edit={"edit": "name drum", "old": "closed hi-hat", "new": "ride", "first_bar": 0, "last_bar": 7})
    (change, _), (answer, _) = grid.sent
    assert sorted(map(int, change["parts"]["bars"])) == list(range(6)) and change["info"]["corrections"] == []
    assert answer["notice"] == "48 hits: closed hi-hat → ride." and document.revision == 1
    do(grid, 2, edit={"edit": "name drum", "old": "closed hi-hat", "new": ""})
    assert grid.sent[-1][0]["error"] == "There is no closed hi-hat there."
    do(grid, 3, command="undo")
    assert document.chart == CHART


# -- sound ---------------------------------------------------------------------------------------


def test_sound_comes_to_the_page_in_16_bits(document):
    audio = clicks_at(2.5)
    grid = HitGrid(document, recording=audio)
    sent = []
    grid.send = lambda message, buffers=None: sent.append((message, buffers))
    wish = {"type": "audio", "client": "c", "source": "recording"}
    grid._send_sound({**wish, "request": "1", "start_s": 2.0, "end_s": 4.0})
    ((message, (data,)),) = [s for s in sent if s[0]["type"] == "audio"]
    samples = np.frombuffer(data, "<i2")
    assert message["last"] and message["frames"] == len(samples) == 2 * RATE
    assert samples[RATE // 2] == round(0.9 * 32767) and np.count_nonzero(samples) == 1
    grid._send_sound({**wish, "request": "2", "start_s": 4.0, "end_s": 2.0})
    assert "end after" in sent[-1][0]["error"]
    grid.close()


def test_the_clearest_strokes_of_a_drum_come_one_after_the_other(document):
    """Clicks on the snares' places of each bar, kicks and hi-hats silent: each example holds its own click."""
    snares = [(k, n) for k, n in CHART.notes() if n.instrument == "snare"]
    grid = HitGrid(document, recording=clicks_at(*(CHART.note_time_s(k, n) for k, n in snares)))
    sent = []
    grid.send = lambda message, buffers=None: sent.append((message, buffers))
    wish = {"type": "audio", "client": "c", "request": "1", "start_s": 0.0, "end_s": 16.0}
    grid._send_sound({**wish, "source": "recording of snare"})
    ((message, (data,)),) = [s for s in sent if s[0]["type"] == "audio"]
    sound = np.frombuffer(data, "<i2").reshape(MOST_EXAMPLES, -1)
    assert message["places"].count("bar ") == MOST_EXAMPLES and message["places"].startswith("bar 1 on ")
    assert message["last"] and sound.shape[1] == round(EXAMPLE_S * RATE) + round(GAP_S * RATE)
    assert [np.flatnonzero(one)[0] for one in sound] == pytest.approx([EXAMPLE_LEAD_S * RATE] * MOST_EXAMPLES, abs=1)
    # In the bars of a passage only; what is not there is said.
    grid._send_sound({**wish, "source": "recording of snare", "start_s": 4.0, "end_s": 6.0})
    assert sent[-1][0]["frames"] == 2 * sound.shape[1]
    # Of some hits only, wherever else the drum plays.
    fourths = [[k, "3/4"] for k in range(6)]
    grid._send_sound({**wish, "source": "recording of snare", "places": fourths})
    assert sent[-1][0]["places"].count(" on 4") == MOST_EXAMPLES
    grid._send_sound({**wish, "source": "recording of snare", "places": fourths[:2]})
    assert sent[-1][0]["places"] == "bar 1 on 4, bar 2 on 4" and sent[-1][0]["frames"] == 2 * sound.shape[1]
    for wrong, words in (([[0, "1/2"]], "no snare"), ([[0]], "A place is"), ("all", "Expected a list")):
        grid._send_sound({**wish, "source": "recording of snare", "places": wrong})
        assert words in sent[-1][0]["error"]
    for source, start_s, words in (("recording of ride", 0.0, "no ride"), ("recording of snare", 12.0, "no snare"),
                                   ("kettle of snare", 0.0, "no snare"), ("recording of ", 0.0, "is no")):  # fmt: skip
        grid._send_sound({**wish, "source": source, "start_s": start_s})
        assert words in sent[-1][0]["error"]
    grid.close()


def test_a_long_song_comes_as_far_as_the_page_asks(document, monkeypatch):
    monkeypatch.setattr("workbench.grid.passages.FIRST_PIECE_S", 0.5)
    monkeypatch.setattr("workbench.grid.passages.PIECE_S", 1.0)
    grid = HitGrid(document, recording=clicks_at(2.5))
    sent = []
    grid.send = lambda message, buffers=None: sent.append(message)
    at_once = SimpleNamespace(submit=lambda act, *arguments: act(*arguments), shutdown=lambda **_: None)
    wish = {"type": "audio", "client": "c", "source": "recording", "start_s": 0.0, "end_s": 5.0, "pieces": 2}
    grid._audio.result(120)
    grid._workers.shutdown()
    grid._workers = at_once

    def starts(request):
        return [m["start"] for m in sent if m["type"] == "audio" and m["request"] == request]

    grid._receive(grid, {**wish, "request": "1"}, [])
    assert starts("1") == [0, RATE // 2]
    grid._receive(grid, {"type": "more", "request": "1"}, [])
    assert starts("1") == [0, RATE // 2, 3 * RATE // 2]
    grid._receive(grid, {**wish, "request": "2"}, [])
    for _ in range(9):
        grid._receive(grid, {"type": "more", "request": "1"}, [])
    assert starts("1")[-1] == 9 * RATE // 2 and [m for m in sent if m.get("request") == "1"][-1]["last"]
    grid._receive(grid, {"type": "enough", "request": "2"}, [])
    grid._receive(grid, {"type": "more", "request": "2"}, [])
    assert starts("2") == [0, RATE // 2]
    assert not grid._begun
    grid.close()


def test_what_takes_the_processor_waits_until_the_page_has_drawn_the_chart(document, monkeypatch):
    monkeypatch.setattr("workbench.grid.widget.DummyComm", type("NoPage", (), {}))  # as if a page would come
    monkeypatch.setattr("workbench.grid.widget.PAGE_COMES_S", 600.0)
    grid = HitGrid(document, recording=clicks_at(1.0))
    time.sleep(0.1)
    assert not grid._audio.done()
    grid._receive(grid, {"type": "seen"}, [])
    assert grid._audio.result(120).sample_rate == RATE
    grid.close()


def test_a_recording_that_is_not_there_is_said_in_the_page(tmp_path):
    chart = replace(CHART, recording=Recording("gone.wav", "0" * 64, 10.0))
    document = ChartDocument.create(chart, tmp_path / "x.chart.json")
    grid = HitGrid(document)
    with pytest.raises(Exception, match="gone.wav"):
        grid._audio.result(120)
    sent = []
    grid.send = lambda message, buffers=None: sent.append(message)
    grid._receive(grid, {"type": "hello", "client": "page"}, [])
    assert sent[0]["info"]["has_recording"] is False
    assert "gone.wav" in sent[1]["error"]
    grid.close()
    document.close()


# -- picture of the sound ---------------------------------------------------------------------------


# -- controls --------------------------------------------------------------------------------------


def test_bars_are_found_by_the_number_players_use(grid):
    grid.show_bar(3)
    assert grid.sent[-1][0] == {"type": "show bar", "bar_index": 2, "at": "0", "instrument": ""}
    grid.show_bar(3, F(5, 8), "kick")
    assert grid.sent[-1][0] == {"type": "show bar", "bar_index": 2, "at": "5/8", "instrument": "kick"}
    with pytest.raises(ChartError, match="There is no bar 9"):
        grid.show_bar(9)


def test_workspace_holds_grid_and_more(grid):
    from ipywidgets import HTML

    score = HTML("score")
    assert list(workspace(grid, score).children) == [grid, score]


def test_together_is_one_step(grid, document):
    both = CompositeEdit((RemoveNote(0, F(0), "kick"), RemoveNote(1, F(0), "kick")), "both")
    do(grid, 1, edit=to_data(both))
    do(grid, 2, command="undo")
    assert document.chart == CHART


def test_opening_a_grid_is_quick(tmp_path):
    chart = Chart(TimeMap.steady(200, 120, Meter()), (GROOVE,) * 200)
    with ChartDocument.create(chart, tmp_path / "long.chart.json") as document:
        start = time.thread_time()  # what others do on the machine is no fault of the grid
        grid = HitGrid(document)
        grid.send = lambda message, buffers=None: None
        grid._receive(grid, {"type": "hello", "client": "page"}, [])
        assert time.thread_time() - start < 1.0
        grid.close()
