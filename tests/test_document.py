"""The chart as a document: undo and redo, and a journal that loses nothing."""

import json
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from fractions import Fraction as F
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.charts import charts, edits
from workbench.chart import Chart, Note
from workbench.chart.edits import AddNote, RemoveNote, SetHeading
from workbench.chart.meter import TimeMap
from workbench.errors import ChartError, FileFormatError
from workbench.files import document as document_module
from workbench.files.chartfile import read_chart, write_chart
from workbench.files.document import ChartDocument, read_working_chart
from workbench.files.journal import journal_path


@pytest.fixture
def empty():
    return Chart.empty(TimeMap.steady(4, 120), title="Tin Roof Waltz")


@pytest.fixture
def path(tmp_path):
    return tmp_path / "waltz.chart.json"


@pytest.fixture
def song(empty, path):
    with ChartDocument.create(empty, path) as song:
        yield song


def kick(k):
    return AddNote(k % 4, Note(F(k % 16, 16), "kick", 1 + k % 127))


def killed(song):
    """Leave a document as a killed kernel does: nothing closed, nothing saved."""
    song._journal.close()
    song._closed = True
    document_module._open_documents.clear()


# -- undo, redo, journal -------------------------------------------------------------------


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(st.data())
def test_random_edits_undone_redone_and_replayed(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("song") / "x.chart.json"
    first = data.draw(charts(max_bars=3))
    song = ChartDocument.create(first, path)
    history = [first]
    for _ in range(data.draw(st.integers(1, 6))):
        history.append(song.apply(data.draw(edits(song.chart))))
    for before in reversed(history[:-1]):
        assert song.undo() == before
    assert not song.can_undo
    for after in history[1:]:
        assert song.redo() == after
    assert not song.can_redo
    # A walk of undos, redos, saves and new edits, then a kill.
    for step in data.draw(st.lists(st.sampled_from(["undo", "redo", "save", "edit"]), max_size=8)):
        if step == "undo" and song.can_undo:
            song.undo()
        elif step == "redo" and song.can_redo:
            song.redo()
        elif step == "save":
            song.save()
        elif step == "edit":
            song.apply(data.draw(edits(song.chart)))
    known = (song.chart, song.can_undo, song.can_redo, song.unsaved, song.revision)
    assert read_working_chart(path) == song.chart
    killed(song)
    with ChartDocument.open(path) as again:
        assert (again.chart, again.can_undo, again.can_redo, again.unsaved, again.revision) == known
        assert bool(again.notice) == bool(known[3])
        while again.can_undo:
            again.undo()
        assert again.chart == first


def test_a_new_edit_after_undo_drops_what_was_undone(song):
    song.apply(kick(0))
    song.apply(kick(1))
    song.undo()
    song.apply(kick(2))
    assert not song.can_redo
    assert [n.position for _, n in song.chart.notes()] == [F(0), F(2, 16)]


def test_an_impossible_edit_changes_nothing(song, path):
    song.apply(kick(0))
    size = journal_path(path).stat().st_size
    with pytest.raises(ChartError, match="no snare"):
        song.apply(RemoveNote(0, F(0), "snare"))
    with pytest.raises(ChartError, match="nothing to redo"):
        song.redo()
    song.undo()
    with pytest.raises(ChartError, match="nothing to undo"):
        song.undo()
    assert song.revision == 2
    song.redo()
    assert journal_path(path).stat().st_size > size


def test_opening_and_looking_leaves_no_journal(empty, path):
    ChartDocument.create(empty, path).close()
    with ChartDocument.open(path) as song:
        assert song.chart == empty and song.notice == ""
    assert [p.name for p in path.parent.iterdir()] == ["waltz.chart.json"]


def test_save_writes_the_file_and_undo_goes_on_behind_it(song, path, empty):
    song.apply(kick(0))
    assert read_chart(path) == empty and song.unsaved == 1
    song.save()
    assert read_chart(path) == song.chart and song.unsaved == 0
    saved = song.chart
    killed(song)
    again = ChartDocument.open(path)
    assert again.chart == saved and again.notice == ""
    assert again.undo() == empty
    killed(again)
    third = ChartDocument.open(path)
    assert third.chart == empty and "1 unsaved edit" in third.notice
    assert third.redo() == saved
    third.close()


def test_observers_hear_every_step_and_a_failing_one_harms_nothing(song, caplog):
    heard = []

    def fails(document, edit):
        raise RuntimeError("broken view")

    song.observe(fails)
    stop = song.observe(lambda document, edit: heard.append((document.revision, edit)))
    edit = kick(0)
    song.apply(edit)
    song.undo()
    song.redo()
    stop()
    song.undo()
    assert heard == [(1, edit), (2, None), (3, None)]
    assert "broken view" in caplog.text


def test_many_threads(song, path):
    def work(name):
        for k in range(10):
            song.apply(AddNote(k % 4, Note(F(k, 16), name)))

    threads = [threading.Thread(target=work, args=(n,)) for n in ("kick", "snare", "ride", "crash")]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert len(list(song.chart.notes())) == 40 and song.revision == 40
    chart = song.chart
    killed(song)
    with ChartDocument.open(path) as again:
        assert again.chart == chart


# -- kill -9 ---------------------------------------------------------------------------------

WRITER = textwrap.dedent("""
    import sys
    from fractions import Fraction as F
    from workbench.chart import Note
    from workbench.files.document import ChartDocument
    from workbench.chart.edits import AddNote
    song = ChartDocument.open(sys.argv[1])
    for k in range(100_000):
        song.apply(AddNote(k % 4, Note(F(k % 16, 16), "kick", 1 + k % 127)))
        if k % 7 == 3:
            song.save()
        print(k + 1, flush=True)
""")


@pytest.mark.parametrize("after_s", [0.02, 0.11, 0.23])
def test_kill_9_loses_no_confirmed_edit(empty, path, after_s):
    ChartDocument.create(empty, path).close()
    process = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True)
    process.stdout.readline()
    time.sleep(after_s)
    os.kill(process.pid, signal.SIGKILL)
    confirmed = 1 + sum(1 for line in process.stdout if line.endswith("\n"))
    process.stdout.close()
    assert process.wait() == -signal.SIGKILL
    with ChartDocument.open(path) as song:
        # The last edit may have reached the disk without being confirmed.
        assert song.revision - confirmed in (0, 1)
        expected = empty
        for k in range(song.revision):
            expected = kick(k).apply(expected)
        assert song.chart == expected
        song.apply(SetHeading(title="Going on"))
    with ChartDocument.open(path) as song:
        assert song.chart.title == "Going on"


def test_two_kernels_cannot_edit_one_chart(empty, path):
    ChartDocument.create(empty, path).close()
    process = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True)
    try:
        process.stdout.readline()
        with pytest.raises(FileFormatError, match="edited in another notebook"):
            ChartDocument.open(path)
        assert read_working_chart(path).title == empty.title
    finally:
        process.kill()
        process.communicate()
    ChartDocument.open(path).close()


@pytest.mark.parametrize("where", ["before journal mark", "after journal mark"])
def test_a_crash_while_saving(song, path, empty, monkeypatch, where):
    song.apply(kick(0))
    song.save()
    song.apply(kick(1))
    with monkeypatch.context() as patch:
        if where == "before journal mark":
            patch.setattr(song._journal, "append", lambda step: (_ for _ in ()).throw(MemoryError))
        else:
            patch.setattr(document_module, "write_text_safely", lambda *a: (_ for _ in ()).throw(MemoryError))
        with pytest.raises(MemoryError):
            song.save()
    chart = song.chart
    killed(song)
    with ChartDocument.open(path) as again:
        assert again.chart == chart and again.unsaved == 1
        again.save()
    with ChartDocument.open(path) as again:
        assert again.unsaved == 0 and read_chart(path) == chart


# -- damaged journals ------------------------------------------------------------------------


def three_edits(song, path):
    charts_ = [song.apply(kick(k)) for k in range(3)]
    killed(song)
    return charts_, journal_path(path)


@pytest.mark.parametrize("tail", [b"{", b'{"do": {"edit": "add note"', b"\0" * 300, b"\xff\xfe"])
def test_a_line_cut_off_by_a_crash_is_dropped(song, path, tail):
    charts_, journal = three_edits(song, path)
    journal.write_bytes(journal.read_bytes() + tail)
    with ChartDocument.open(path) as again:
        assert again.chart == charts_[-1]
        after = again.apply(kick(9))
    with ChartDocument.open(path) as again:
        assert again.chart == after
    assert all(json.loads(line) for line in journal.read_text().splitlines())


def test_every_cut_of_the_journal_gives_a_state_that_was(song, path, empty):
    charts_, journal = three_edits(song, path)
    data = journal.read_bytes()
    for length in range(len(data), -1, -29):
        journal.write_bytes(data[:length])
        with ChartDocument.open(path) as again:
            whole = data[:length].count(b"\n")
            assert again.chart == ([empty, empty] + charts_)[whole]
        for kept in path.parent.glob("*.damaged-*"):
            kept.unlink()


def test_damage_in_the_middle_is_kept_and_told(song, path):
    charts_, journal = three_edits(song, path)
    lines = journal.read_bytes().split(b"\n")
    lines[2] = b"}" + lines[2][1:]
    journal.write_bytes(b"\n".join(lines))
    damaged = journal.read_bytes()
    with ChartDocument.open(path) as again:
        assert again.chart == charts_[0]
        assert "damaged" in again.notice
        again.apply(kick(5))
    kept = list(path.parent.glob("*damaged-1*"))
    assert [k.read_bytes() for k in kept] == [damaged]
    with ChartDocument.open(path) as again:
        assert again.revision == 2


@pytest.mark.parametrize(
    "line",
    [
        '{"do": {"edit": "remove note", "bar_index": 0, "position": "0", "instrument": "snare"}, "n": 4}',
        '{"dance": 1, "n": 4}',
        '{"redo": 1, "n": 4}',
        '{"do": {"edit": "explode"}, "n": 4}',
        '{"undo": 1}',
        "17",
    ],
)
def test_a_step_that_makes_no_sense_is_kept_and_told(song, path, line):
    charts_, journal = three_edits(song, path)
    journal.write_text(journal.read_text() + line + "\n")
    with ChartDocument.open(path) as again:
        assert again.chart == charts_[-1] and "damaged" in again.notice


def test_a_journal_without_its_first_line_is_set_aside(song, path, empty):
    _, journal = three_edits(song, path)
    journal.write_text("".join(journal.read_text().splitlines(keepends=True)[1:]))
    with ChartDocument.open(path) as again:
        assert again.chart == empty and "is kept in waltz.journal.damaged-1.jsonl" in again.notice
        again.apply(kick(0))


def test_a_chart_changed_by_another_program(song, path, empty):
    song.apply(kick(0))
    other = SetHeading(title="Other").apply(empty)
    write_chart(other, path)
    with pytest.raises(FileFormatError, match="changed by another program"):
        song.save()
    with ChartDocument.open(path) as again:
        assert again.chart == other
        assert "kept in waltz.journal.other-1.jsonl" in again.notice
    with pytest.raises(FileFormatError, match="open it again"):
        song.apply(kick(1))


def test_an_interrupted_step_that_did_not_count_is_replaced(song, path):
    """A notebook's interrupt may strike between writing a step and counting it."""
    song.apply(kick(0))
    song._journal.append({"do": {"edit": "set heading", "title": "Interrupted"}, "n": 2})
    chart = song.apply(kick(1))
    killed(song)
    with ChartDocument.open(path) as again:
        assert again.chart == chart and again.chart.title == "Tin Roof Waltz"


def test_an_interrupt_while_writing_leaves_the_journal_whole(song, path, monkeypatch):
    song.apply(kick(0))
    with monkeypatch.context() as patch:

        def interrupt(handle):
            raise KeyboardInterrupt

        patch.setattr(os, "fsync", interrupt)
        with pytest.raises(KeyboardInterrupt):
            song.apply(kick(1))
    chart = song.apply(kick(2))
    killed(song)
    with ChartDocument.open(path) as again:
        assert again.chart == chart and again.revision == 2


def test_a_full_disk_refuses_the_edit(song, path, monkeypatch):
    before = song.apply(kick(0))
    with monkeypatch.context() as patch:

        def full(handle):
            raise OSError(28, "No space left on device")

        patch.setattr(os, "fsync", full)
        with pytest.raises(FileFormatError, match="The edit was not made.*No space left"):
            song.apply(kick(1))
    assert song.chart == before
    after = song.apply(kick(2))
    killed(song)
    with ChartDocument.open(path) as again:
        assert again.chart == after


def test_a_journal_deleted_under_way_is_written_anew(song, path):
    song.apply(kick(0))
    song.apply(kick(1))
    song.undo()
    journal_path(path).unlink()
    chart = song.apply(kick(2))
    killed(song)
    with ChartDocument.open(path) as again:
        assert again.chart == chart
        again.undo()
        again.undo()
        assert not again.can_undo


# -- one chart, one document ---------------------------------------------------------------------


def test_opened_twice_it_is_the_same_document(song, path, tmp_path, monkeypatch):
    assert ChartDocument.open(path) is song
    monkeypatch.chdir(tmp_path)
    assert ChartDocument.open("waltz.chart.json") is song
    song.apply(kick(0))
    assert ChartDocument.open(path) is song


def test_creating_refuses_to_replace(song, path, empty):
    song.apply(kick(0))
    with pytest.raises(FileFormatError, match="exists already"):
        ChartDocument.create(empty, path)
    with ChartDocument.create(empty, path, overwrite=True) as new:
        assert new.chart == empty and not new.can_undo
    assert Path(path.parent / "waltz.journal.replaced-1.jsonl").exists()


def test_a_long_history_starts_anew_when_all_is_saved(song, path, monkeypatch):
    monkeypatch.setattr(document_module, "MOST_STEPS", 5)
    for k in range(6):
        song.apply(kick(k))
    song.save()
    chart = song.chart
    killed(song)
    with ChartDocument.open(path) as again:
        assert again.chart == chart and not again.can_undo
        assert not journal_path(path).exists()
        again.apply(kick(7))


def test_names_of_journals():
    assert journal_path("a/song.chart.json") == Path("a/song.journal.jsonl")
    assert journal_path("a/song.json") == Path("a/song.journal.jsonl")
