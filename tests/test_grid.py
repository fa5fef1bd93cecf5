"""The grid's Python side: protocol, corrections, tapped bars, pictures and passages of sound."""

import json
import os
import threading
import time
from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.charts import charts, edits
from tests.sentences import says
from workbench.chart import Chart, Note, Recording, WrittenBar
from workbench.chart.data import chart_to_data, edit_to_data
from workbench.chart.edits import AddNote, ChangeNote, CompositeEdit, MoveNote, RemoveNote, TapLines, apply
from workbench.chart.meter import Meter, TimeMap
from workbench.errors import ChartError
from workbench.files.audio import Audio
from workbench.files.document import ChartDocument, read_working_chart
from workbench.grid import GridControls, HitGrid, ScoreView, bundle, workspace
from workbench.grid.corrections import Corrections
from workbench.grid.messages import KIT, changed_parts
from workbench.grid.passages import Passage, chart_sound, click_sound, count_in_sound, recording_sound
from workbench.grid.sound_picture import PICTURE_BANDS, picture_pieces
from workbench.sound.rendering import hits_of, mix_hits

GROOVE = WrittenBar(
    tuple(
        [Note(F(k, 8), "closed hi-hat", 70, confidence=0.9) for k in range(8)]
        + [
            Note(F(0), "kick", 100, confidence=0.9),
            Note(F(1, 4), "snare", 100, confidence=0.5),
            Note(F(3, 4), "snare", 100, confidence=0.9),
        ]
    )
)
CHART = Chart(TimeMap.steady(8, 120), (GROOVE,) * 6 + (WrittenBar(),) * 2)


@pytest.fixture
def document(tmp_path):
    with ChartDocument.create(CHART, tmp_path / "song.chart.json") as document:
        yield document


@pytest.fixture
def grid(document):
    grid = HitGrid(document)
    grid.sent = []
    grid.send = lambda message, buffers=None: grid.sent.append((message, buffers))
    yield grid
    grid.close()


def do(grid, seq, client="page", **what):
    grid._receive(grid, {"type": "do", "client": client, "seq": seq, **what}, [])


# -- protocol ----------------------------------------------------------------------------


def test_hello_is_answered_with_the_whole_chart(grid):
    grid._receive(grid, {"type": "hello", "client": "page"}, [])
    snapshot, _ = grid.sent[0]
    assert snapshot["chart"] == chart_to_data(CHART)
    assert snapshot["info"]["kit"] == KIT
    assert snapshot["info"]["has_recording"] is False


def test_an_edit_is_made_and_answered_with_what_changed(grid, document):
    do(grid, 1, edit=edit_to_data(AddNote(6, Note(F(1, 3), "crash", 90, confirmed=True))))
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
    do(grid, seq, edit=edit_to_data(AddNote(6, Note(F(0), "kick"))))
    assert [m["type"] for m, _ in grid.sent] == ["error"] and document.revision == 0
    for k in (1, 2):
        do(grid, k, edit=edit_to_data(AddNote(6, Note(F(k, 4), "kick"))))
    assert document.revision == 2


@pytest.mark.parametrize("client", [None, [], "\ud800", "x" * 1000])
def test_a_page_without_a_name_is_told(grid, document, client):
    do(grid, 1, client, edit=edit_to_data(AddNote(6, Note(F(0), "kick"))))
    assert [m["type"] for m, _ in grid.sent] == ["error"] and document.revision == 0


def test_an_edit_sent_again_is_made_once_and_answered_alike(grid, document):
    edit = edit_to_data(AddNote(6, Note(F(0), "kick")))
    do(grid, 7, edit=edit)
    do(grid, 3, **removing(99))
    do(grid, 7, edit=edit)
    do(grid, 3, **removing(99))
    assert document.revision == 1
    assert [m["type"] for m, _ in grid.sent] == ["change", "refused", "answer", "refused"]
    assert grid.sent[1] == grid.sent[3]
    do(grid, 7, "another page", edit=edit_to_data(RemoveNote(6, F(0), "kick")))
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


@settings(max_examples=100, suppress_health_check=list(HealthCheck), deadline=None)
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
    controls = GridControls(grid)
    assert controls.go_on.layout.display == "none"
    theirs = ChartDocument(document.path)
    theirs.apply(RemoveNote(0, F(0), "kick"))
    do(grid, 1, **adding())
    assert grid.sent[-1][0]["type"] == "refused" and "Go on here" in grid.sent[-1][0]["error"]
    assert controls.go_on.layout.display == ""
    controls.save.click()
    assert "Go on here" in grid.sent[-1][0]["error"]
    controls.go_on.click()
    assert controls.go_on.layout.display == "none"
    assert grid.sent[-1][0]["type"] == "change" and list(grid.sent[-1][0]["parts"]["bars"]) == ["0"]
    do(grid, 2, **adding())
    assert document.chart.bars[0].find(F(0), "kick") is None and document.chart.bars[0].find(F(1, 2), "kick")


def test_two_grids_of_one_chart_are_told_the_same(grid, document):
    other = HitGrid(document)
    told = []
    other.send = lambda message, buffers=None: told.append(message)
    do(grid, 1, edit=edit_to_data(RemoveNote(0, F(0), "kick")))
    document.undo()
    assert [m["parts"] for m in told] == [m["parts"] for m, _ in grid.sent]
    assert [m["revision"] for m in told] == [1, 2]
    assert "client" not in told[0]
    other.close()


def test_edits_from_page_and_cell_at_once_lose_nothing_and_do_not_lock_up(grid, document):
    def page():
        for k in range(60):
            do(grid, k + 1, edit=edit_to_data(AddNote(6, Note(F(k, 64), "crash"))))
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
    do(grid, 1, edit=edit_to_data(RemoveNote(0, F(0), "kick")))
    do(grid, 2, command="save")
    assert grid.sent[-1][0]["notice"] == "Saved as song.chart.json."
    assert document.unsaved == 0


@settings(max_examples=40, suppress_health_check=list(HealthCheck))
@given(st.data())
def test_changed_parts_say_all_and_only_what_changed(data):
    chart = data.draw(charts())
    edit = data.draw(edits(chart))
    try:
        after = apply(chart, edit)
    except ChartError:
        return
    parts = changed_parts(chart, after)
    assert (parts == {}) == (chart == after)
    if "bars" in parts and isinstance(parts["bars"], dict):
        assert all(chart.bars[int(k)] != after.bars[int(k)] for k in parts["bars"])


def test_one_edit_of_a_long_chart_is_a_short_message():
    chart = Chart(TimeMap.steady(200, 120), (GROOVE,) * 200)
    parts = changed_parts(chart, apply(chart, ChangeNote(100, F(0), "kick", velocity=99)))
    assert len(json.dumps(parts)) < 2000


# -- correcting repeats --------------------------------------------------------------------


def corrected_chart(*edits_made):
    corrections, chart = Corrections(), CHART
    for edit in edits_made:
        after = apply(chart, edit)
        corrections.follow(chart, after)
        chart = after
    return corrections, chart


def test_a_correction_is_written_into_every_bar_that_was_alike():
    corrections, chart = corrected_chart(
        MoveNote(2, F(1, 4), "snare", 2, F(1, 4), "side stick"),
        AddNote(2, Note(F(3, 8), "kick", 77)),
        ChangeNote(2, F(0), "kick", velocity=111),
    )
    assert corrections.waiting_bars(chart, 2) == [0, 1, 3, 4, 5]
    after = apply(chart, corrections.edit(chart, 2))
    for k in range(6):
        assert after.bars[k].pattern == after.bars[2].pattern
        assert after.bars[k].find(F(0), "kick").velocity == 111
        assert after.bars[k].find(F(1, 4), "side stick").confirmed
    # What was only kept stays what it was.
    assert after.bars[0].find(F(3, 4), "snare") == GROOVE.find(F(3, 4), "snare")
    assert after.bars[6:] == CHART.bars[6:]


def test_bars_that_differ_keep_what_they_have():
    chart = CHART.with_bar(4, GROOVE.with_note(Note(F(7, 16), "snare", 40)))
    corrections = Corrections()
    after = apply(chart, RemoveNote(0, F(1, 4), "snare"))
    corrections.follow(chart, after)
    assert corrections.waiting_bars(after, 0) == [1, 2, 3, 5]
    assert apply(after, corrections.edit(after, 0)).bars[4] == chart.bars[4]


def test_undo_takes_a_correction_back():
    corrections, chart = corrected_chart(RemoveNote(0, F(0), "kick"))
    corrections.follow(chart, CHART)
    assert corrections.counts(CHART) == {}
    with pytest.raises(ChartError, match="has not been changed"):
        corrections.edit(CHART, 0)


def test_nothing_left_to_correct_is_said():
    corrections, chart = corrected_chart(AddNote(6, Note(F(0), "crash")))
    with pytest.raises(ChartError, match="No other bar"):
        corrections.edit(chart, 6)


def test_one_undo_takes_all_repeats_back(grid, document):
    do(grid, 1, edit=edit_to_data(RemoveNote(0, F(0), "kick")))
    assert grid.sent[-1][0]["info"]["corrections"] == {"0": 5}
    do(grid, 2, command="correct repeats", bar_index=0)
    assert says(grid.sent[-1][0]["notice"], "bars 2, 3, 4, 5, 6")
    document.undo()
    assert document.chart.bars[1:] == CHART.bars[1:]


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


def test_the_meter_is_set_for_the_bars_that_are_meant(grid, document):
    controls = GridControls(grid)
    controls.meter.value = "3/4"
    controls.set_meter.click()
    assert {b.meter for b in document.chart.time_map.bars} == {Meter(3, 4)}
    document.undo()
    grid.bars_meant, grid.selected_bars = "selected bars", [1, 2]
    controls.set_meter.click()
    assert document.chart.time_map.bars[0].meter == Meter(4, 4)
    assert document.chart.time_map.bars[1].meter == Meter(3, 4)


# -- sound ---------------------------------------------------------------------------------------

RATE = 22050


def clicks_at(*times_s, length_s=20.0):
    out = np.zeros((round(length_s * RATE), 1), np.float32)
    for t in times_s:
        out[round(t * RATE)] = 0.9
    return Audio(out, RATE)


def test_a_passage_of_the_recording_is_the_recording_sample_by_sample():
    audio = Audio(np.random.default_rng(1).uniform(-1, 1, (RATE * 10, 2)).astype(np.float32), RATE)
    sound = recording_sound(audio, Passage(2.0, 4.5))
    assert np.array_equal(sound, audio.samples[2 * RATE : round(4.5 * RATE)])


def test_past_the_recording_there_is_silence():
    audio = clicks_at(9.9, length_s=10.0)
    sound = recording_sound(audio, Passage(9.0, 12.0))
    assert len(sound) == 3 * RATE and not sound[RATE:].any() and sound.any()


@pytest.mark.parametrize("speed_percent", [25, 70, 100, 150])
def test_all_sources_of_a_passage_last_equally_long(speed_percent):
    passage = Passage(1.9, 6.03, speed_percent, loop=True)
    frames = passage.frames(RATE)
    assert frames == pytest.approx(4.13 * RATE * 100 / speed_percent, abs=1)
    assert len(recording_sound(clicks_at(2.0), passage)) == frames
    assert sum(len(p) for p in chart_sound(CHART, passage, RATE)) == frames
    assert len(click_sound(CHART, passage, RATE)) == frames


@pytest.mark.parametrize("speed_percent", [50, 100, 140])
def test_recording_chart_and_click_stay_in_step_at_any_speed(speed_percent):
    # A burst of noise on every beat 3 of the bars; the chart and the click say where.
    audio = Audio(np.zeros((RATE * 16, 1), np.float32), RATE)
    rng = np.random.default_rng(2)
    for k in range(8):
        at = round((2 * k + 1.0) * RATE)
        audio.samples[at : at + 400, 0] = rng.uniform(-0.8, 0.8, 400) * np.linspace(1, 0, 400)
    passage = Passage(4.0, 8.0, speed_percent, loop=True)
    speed = speed_percent / 100
    chart = Chart(CHART.time_map, (WrittenBar((Note(F(1, 2), "side stick", 127),)),) * 8)
    expected = [round(t / speed * RATE) for t in (1.0, 3.0)]
    for sound in (recording_sound(audio, passage), next(iter(chart_sound(chart, passage, RATE)))):
        level = np.abs(sound).max(axis=1)
        for at in expected:
            quiet, loud = level[at - 300 : at - 100].max(), level[at : at + 200].max()
            assert loud > 10 * max(quiet, 1e-4)
    click = np.abs(click_sound(chart, passage, RATE)[:, 0])
    starts = np.flatnonzero((click > 0.01) & (np.roll(np.convolve(click, np.ones(200), "same"), 150) < 0.01))
    assert all(np.abs(starts - at).min() < 30 for at in expected)


def test_a_long_song_sounds_in_pieces_as_it_sounds_whole():
    passage = Passage(0.0, 16.0)
    pieces = list(chart_sound(CHART, passage, RATE))
    assert len(pieces) == 2
    whole = mix_hits(hits_of(CHART), passage.frames(RATE), RATE)
    joined = np.concatenate(pieces)
    # Alike strokes vary from one to the next, so compare the level in steps of 10 ms.
    steps = len(joined) // 220
    level = [np.sqrt((x[: steps * 220].reshape(steps, -1) ** 2).mean(axis=1)) for x in (joined, whole)]
    assert np.corrcoef(*level)[0, 1] > 0.98


def test_count_in_lasts_its_bars_at_the_speed_asked_for():
    sound = count_in_sound(CHART, Passage(2.0, 4.0, 50, count_in_bars=1), RATE)
    assert len(sound) == 4 * RATE


def test_drums_come_out_and_go_back():
    rng = np.random.default_rng(3)
    t = np.arange(RATE * 8) / RATE
    tone = 0.3 * np.sin(2 * np.pi * 330 * t)
    hits = np.zeros_like(t)
    for k in range(16):
        at = round(k * 0.5 * RATE)
        hits[at : at + 1500] += 0.5 * rng.standard_normal(1500) * np.exp(-np.arange(1500) / 300)
    audio = Audio((tone + hits)[:, None].astype(np.float32), RATE)
    chart = Chart(CHART.time_map, (WrittenBar(tuple(Note(F(k, 4), "snare") for k in range(4))),) * 8)

    def peak_over_tone(drums_db):
        sound = recording_sound(audio, Passage(2.0, 6.0, drums_db=drums_db), chart)[:, 0]
        return np.percentile(np.abs(sound), 99.9) / np.sqrt(np.median(sound**2))

    assert peak_over_tone(9.0) > 1.5 * peak_over_tone(0.0) > 2 * peak_over_tone(-18.0)


@pytest.mark.parametrize(
    "fields, reason",
    [
        ({"end_s": 1.0}, "end after it begins"),
        ({"speed_percent": 10}, "Speeds go from"),
        ({"start_s": float("nan")}, "finite"),
        ({"drums_db": 40}, "pushed back"),
        ({"count_in_bars": 7}, "count-in"),
        ({"start_s": "a"}, "finite"),
    ],
)
def test_a_passage_that_makes_no_sense_is_refused(fields, reason):
    with pytest.raises(ChartError, match=reason):
        Passage.from_message({"start_s": 1.0, "end_s": 2.0, **fields})


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


def test_a_recording_that_is_not_there_is_said_in_the_page(tmp_path):
    chart = replace(CHART, recording=Recording("gone.wav", "0" * 64, 10.0))
    document = ChartDocument.create(chart, tmp_path / "x.chart.json")
    grid = HitGrid(document)
    with pytest.raises(Exception, match="gone.wav"):
        grid._audio.result(10)
    sent = []
    grid.send = lambda message, buffers=None: sent.append(message)
    grid._receive(grid, {"type": "hello", "client": "page"}, [])
    assert sent[0]["info"]["has_recording"] is False
    assert "gone.wav" in sent[1]["error"]
    grid.close()
    document.close()


# -- picture of the sound ---------------------------------------------------------------------------


def test_peaks_lie_where_the_sound_is():
    audio = clicks_at(0.5, 31.0, length_s=40.0)
    pieces = list(picture_pieces(audio.mono(), RATE))
    assert [p.peak_start for p in pieces] == [0, 15000]
    assert [p.frame_start for p in pieces] == [0, 3000]
    peaks = np.concatenate([p.peaks for p in pieces])
    assert list(np.flatnonzero(peaks[:, 1])) == [250, 15500]
    assert peaks[:, 1].max() == 127


def test_a_tone_lights_one_band():
    t = np.arange(RATE * 2) / RATE
    for low, high in ((100, 3000), (200, 6000)):
        bands = []
        for pitch_hz in (low, high):
            levels = next(iter(picture_pieces(0.5 * np.sin(2 * np.pi * pitch_hz * t), RATE))).levels
            assert levels.shape == (200, PICTURE_BANDS)
            bands.append(int(np.median(levels[20:180].argmax(axis=1))))
        assert bands[0] < bands[1]


def test_silence_has_a_picture_too():
    piece = next(iter(picture_pieces(np.zeros(RATE), RATE)))
    assert not piece.peaks.any() and not piece.levels.any()


# -- controls --------------------------------------------------------------------------------------


def test_controls_act_on_the_selected_bars(grid, document):
    controls = GridControls(grid)
    grid.bars_meant, grid.selected_bars = "selected bars", [6, 7]
    controls.meter.value = "3/4"
    controls.set_meter.click()
    assert [str(b.meter) for b in document.chart.time_map.bars] == ["4/4"] * 6 + ["3/4"] * 3
    controls.subdivision.value = 3
    controls.set_subdivision.click()
    assert document.chart.bars[7].subdivisions == (3, 3, 3)
    controls.section.value = "Coda"
    controls.name_section.click()
    assert [(s.bar_index, s.name) for s in document.chart.sections] == [(6, "Coda")]
    controls.undo.click()
    assert document.chart.sections == ()
    controls.redo.click()
    assert len(document.chart.sections) == 1


def test_what_a_control_cannot_do_is_said_in_the_page(grid):
    controls = GridControls(grid)
    for value, reason in (("4 4", "Write a meter"), ("2/3", "lower number")):
        controls.meter.value = value
        controls.set_meter.click()
        assert reason in grid.sent[-1][0]["error"]
    controls.name_section.click()
    assert "name first" in grid.sent[-1][0]["error"]
    controls.next_doubt.click()
    assert grid.sent[-1][0] == {"type": "command", "command": "next doubt"}


def test_every_button_of_the_page_names_a_command_that_the_page_knows(grid):
    source = (bundle.HERE / "js" / "commands.js").read_text("utf8")
    controls = GridControls(grid)
    for command in (*controls.hit, *controls.bars):
        assert f'"{command}"' in source
    controls.hit["accent"].click()
    assert grid.sent[-1][0] == {"type": "command", "command": "accent"}


def test_bars_are_found_by_the_number_players_use(grid):
    grid.show_bar(3)
    assert grid.sent[-1][0] == {"type": "show bar", "bar_index": 2, "at": "0", "instrument": ""}
    grid.show_bar(3, F(5, 8), "kick")
    assert grid.sent[-1][0] == {"type": "show bar", "bar_index": 2, "at": "5/8", "instrument": "kick"}
    with pytest.raises(ChartError, match="There is no bar 9"):
        grid.show_bar(9)


def test_the_score_follows_the_edits(document):
    score = ScoreView(document, 0, 1)
    assert len(score.pages) == 1 and 'id="bar-1"' in score.pages[0] and 'id="bar-2"' not in score.pages[0]
    before = score.pages
    document.apply(AddNote(1, Note(F(1, 8), "crash")))
    document.apply(AddNote(1, Note(F(3, 8), "crash")))
    end = time.monotonic() + 20
    while score.pages == before and time.monotonic() < end:
        time.sleep(0.05)
    assert score.pages[0].count("crash") > before[0].count("crash")
    score.close()
    document.undo()
    assert not score._timer.is_alive() or score._timer.finished.is_set()


def test_a_score_that_cannot_be_engraved_says_that_it_is_out_of_date(document, monkeypatch, caplog):
    from workbench.engraving import engrave

    score = ScoreView(document, 0, 1)
    before = score.pages
    faults = [ChartError("Nothing to <engrave>."), ValueError("?")]

    def fails(*_):
        raise faults[0]

    with monkeypatch.context() as patch:
        patch.setattr(engrave, "engrave_svg", fails)
        while faults:
            score._renew()
            assert score.pages[1:] == before and "out of date" in score.pages[0]
            assert "<engrave>" not in score.pages[0]
            assert ("engrave&gt;" in score.pages[0]) == isinstance(faults.pop(0), ChartError)
    score._renew()
    assert score.pages == before
    score.close()


def test_workspace_holds_controls_grid_and_more(grid):
    from ipywidgets import HTML

    score = HTML("score")
    assert list(workspace(grid, score).children[1:]) == [grid, score]


def test_together_is_one_step(grid, document):
    both = CompositeEdit((RemoveNote(0, F(0), "kick"), RemoveNote(1, F(0), "kick")), "both")
    do(grid, 1, edit=edit_to_data(both))
    do(grid, 2, command="undo")
    assert document.chart == CHART


def test_opening_a_grid_is_quick(tmp_path):
    chart = Chart(TimeMap.steady(200, 120, Meter()), (GROOVE,) * 200)
    with ChartDocument.create(chart, tmp_path / "long.chart.json") as document:
        start = time.perf_counter()
        grid = HitGrid(document)
        grid.send = lambda message, buffers=None: None
        grid._receive(grid, {"type": "hello", "client": "page"}, [])
        assert time.perf_counter() - start < 1.0
        grid.close()
