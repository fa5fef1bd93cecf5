"""The chart as a document: undo and redo, and a journal that loses nothing."""

import json
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from tests.charts import charts, edits
from tests.effort import examples
from workbench.chart import Chart, Note
from workbench.chart.data import to_data
from workbench.chart.edits import AddNote, NameSection, RemoveNote, SetHeading
from workbench.chart.meter import TimeMap
from workbench.errors import ChartError, FileFormatError
from workbench.files import document as document_module
from workbench.files import journal
from workbench.files.chartfile import read_chart, write_chart
from workbench.files.document import ChartDocument, read_working_chart
from workbench.files.journal import ChangedElsewhereError, journal_path


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
    song._closed = True
    document_module._open_documents.clear()


# -- undo, redo, journal -------------------------------------------------------------------


@examples(40, suppress_health_check=[HealthCheck.too_slow])
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


def test_what_was_made_ready_is_what_the_first_step_writes(song, path, empty, monkeypatch):
    song.prepare()
    assert not journal_path(path).exists()
    written = []
    monkeypatch.setattr(document_module, "to_data", lambda x: written.append(x) or to_data(x))
    song.apply(kick(1))
    assert written == [kick(1)]  # the chart was written out before
    with_it = journal_path(path).read_bytes()
    with ChartDocument.create(empty, path, overwrite=True) as other:
        other.apply(kick(1))
    assert journal_path(path).read_bytes() == with_it


def test_what_was_made_ready_of_another_chart_is_not_written(song, path, empty):
    song.prepare()
    changed = replace(empty, title="Slate Roof Waltz")
    write_chart(changed, path)
    song.reload()
    song.apply(kick(1))
    killed(song)
    with ChartDocument.open(path) as again:
        assert again.undo() == changed


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
    assert third.chart == empty and "last edit was brought back" in third.notice
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


@pytest.mark.slow
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


# -- two at once -------------------------------------------------------------------------------


def another_kernel(path):
    """A document of the same chart as another kernel would have it."""
    ours = document_module._open_documents.pop(path.resolve(), None)
    theirs = ChartDocument.open(path)
    document_module._open_documents[path.resolve()] = ours or theirs
    return theirs


def test_another_notebook_goes_on_where_this_one_is_and_this_one_is_told(song, path):
    first = song.apply(kick(0))
    theirs = another_kernel(path)
    assert theirs.chart == first
    second = theirs.apply(kick(1))
    for step in (lambda: song.apply(kick(2)), song.undo, song.save):
        with pytest.raises(ChangedElsewhereError, match="another notebook"):
            step()
    assert song.chart == first and read_working_chart(path) == second
    told = []
    song.observe(lambda document, edit: told.append((document.chart, edit)))
    song.reload()
    assert told == [(second, None)]
    third = song.apply(kick(2))
    song.save()
    with pytest.raises(ChangedElsewhereError):
        theirs.save()
    theirs.reload()
    assert theirs.chart == third and theirs.unsaved == 0
    assert theirs.undo() == second


def test_nothing_to_reload_is_nothing(song):
    told = []
    song.observe(lambda *what: told.append(what))
    song.reload()
    song.apply(kick(0))
    song.reload()
    assert len(told) == 1 and song.can_undo


def test_both_make_their_first_edit(song, path):
    theirs = another_kernel(path)
    chart = song.apply(kick(0))
    with pytest.raises(ChangedElsewhereError):
        theirs.apply(kick(1))
    with pytest.raises(ChangedElsewhereError):
        theirs.save()
    killed(song)
    with ChartDocument.open(path) as again:
        assert again.chart == chart


RACER = textwrap.dedent("""
    import os, sys
    from fractions import Fraction as F
    from pathlib import Path
    from workbench.chart import Note
    from workbench.chart.edits import AddNote
    from workbench.files.document import ChartDocument
    from workbench.files.journal import ChangedElsewhereError
    for line in sys.stdin:
        song = ChartDocument.open(line.strip())
        print("open", flush=True)
        while not Path(line.strip() + ".go").exists():
            pass
        try:
            song.apply(AddNote(0, Note(F(0), sys.argv[1])))
            print("kept", flush=True)
        except ChangedElsewhereError:
            print("refused", flush=True)
""")


def race(empty, folder, races):
    """First edits of two processes at once, time and again: how many were kept, refused, lost."""
    racers = {
        name: subprocess.Popen(
            [sys.executable, "-c", RACER, name], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        for name in ("kick", "snare")
    }
    kept = refused = lost = 0
    try:
        for k in range(races):
            path = folder / f"{k}.chart.json"
            write_chart(empty, path)
            for racer in racers.values():
                racer.stdin.write(f"{path}\n")
            assert all(racer.stdout.readline() == "open\n" for racer in racers.values())
            Path(f"{path}.go").touch()
            said = {name: racer.stdout.readline().strip() for name, racer in racers.items()}
            found = {n.instrument for _, n in read_working_chart(path).notes()}
            kept += sum(word == "kept" for word in said.values())
            refused += sum(word == "refused" for word in said.values())
            lost += sum(word == "kept" and name not in found for name, word in said.items())
    finally:
        for racer in racers.values():
            racer.communicate()
    return kept, refused, lost


@pytest.mark.slow
@pytest.mark.parametrize("races", [40, pytest.param(1000, marks=pytest.mark.soak)])
def test_first_edits_of_two_processes_at_once(empty, tmp_path, races):
    assert race(empty, tmp_path, races) == (races, races, 0)


@pytest.mark.parametrize("where", ["before journal mark", "after journal mark"])
def test_a_crash_while_saving(song, path, empty, monkeypatch, where):
    song.apply(kick(0))
    song.save()
    song.apply(kick(1))
    module, name = (journal, "append") if where == "before journal mark" else (document_module, "write_whole")
    with monkeypatch.context() as patch:
        patch.setattr(module, name, lambda *a: (_ for _ in ()).throw(MemoryError))
        with pytest.raises(MemoryError):
            song.save()
    chart = song.chart
    killed(song)
    with ChartDocument.open(path) as again:
        assert again.chart == chart and again.unsaved == 1
        again.save()
    with ChartDocument.open(path) as again:
        assert again.unsaved == 0 and read_chart(path) == chart


TURNS = textwrap.dedent("""
    import sys
    from fractions import Fraction as F
    from workbench.chart import Note
    from workbench.chart.edits import AddNote
    from workbench.files.document import ChartDocument
    from workbench.files.journal import ChangedElsewhereError
    song = ChartDocument.open(sys.argv[1])
    refused = 0
    print("ready", flush=True)
    sys.stdin.readline()
    for k in range(int(sys.argv[3])):
        while True:
            try:
                song.apply(AddNote(k % 4, Note(F(k // 4, 16), sys.argv[2])))
                if k % 5 == 0:
                    song.save()
                break
            except ChangedElsewhereError:
                refused += 1
                song.reload()
    print(refused)
""")


@pytest.mark.slow
def test_three_processes_that_take_over_from_each_other_lose_nothing(empty, path):
    write_chart(empty, path)
    edits_each = 30
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", TURNS, str(path), name, str(edits_each)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        for name in ("kick", "snare", "ride")
    ]
    assert all(writer.stdout.readline() == b"ready\n" for writer in writers)
    for writer in writers:
        writer.stdin.write(b"\n")
        writer.stdin.flush()
    refused = [int(writer.communicate()[0]) for writer in writers]
    assert sum(refused) > 0
    with ChartDocument.open(path) as song:
        assert len(list(song.chart.notes())) == 3 * edits_each and "damaged" not in song.notice
    assert {p.name for p in path.parent.iterdir()} == {path.name, journal_path(path).name}


# -- damaged journals ------------------------------------------------------------------------


def three_edits(song, path):
    charts_ = [song.apply(kick(k)) for k in range(3)]
    killed(song)
    return charts_, journal_path(path)


def test_what_is_damaged_is_kept_and_told_and_editing_goes_on(song, path, empty):
    """Of every line in turn; test_journal tries every byte."""
    charts_, found = three_edits(song, path)
    lines = found.read_bytes().splitlines(keepends=True)
    for k, line in enumerate(lines):
        damaged = b"".join([*lines[:k], b"}" + line[1:], *lines[k + 1 :]])
        found.write_bytes(damaged)
        with ChartDocument.open(path) as again:
            assert again.chart == (charts_[-1] if k < 2 else [empty, *charts_][k - 2])
            after = again.apply(kick(9))
            kept = path.with_name(f"waltz.journal.damaged-{k + 1}.jsonl")
            assert "damaged" in again.notice and kept.name in again.notice
            assert kept.read_bytes() == damaged
        with ChartDocument.open(path) as again:
            assert again.chart == after and "damaged" not in again.notice


@pytest.mark.parametrize("tail", [b"{", b'{"do": {"edit": "add note"', b"\0" * 300, b"\xff\xfe"])
def test_a_line_cut_off_by_a_crash_is_dropped(song, path, tail):
    charts_, found = three_edits(song, path)
    found.write_bytes(found.read_bytes() + tail)
    with ChartDocument.open(path) as again:
        assert again.chart == charts_[-1]
        after = again.apply(kick(9))
    with ChartDocument.open(path) as again:
        assert again.chart == after
    assert all(json.loads(line) for line in found.read_text().splitlines())


@pytest.mark.parametrize("content", [b"", b"\0" * 50, b"hello\n"])
def test_a_journal_that_is_none_is_kept_and_told(song, path, empty, content):
    _, found = three_edits(song, path)
    found.write_bytes(content)
    with ChartDocument.open(path) as again:
        assert again.chart == empty and "is kept in waltz.journal.damaged-1.jsonl" in again.notice
        after = again.apply(kick(0))
    assert path.with_name("waltz.journal.damaged-1.jsonl").read_bytes() == content
    with ChartDocument.open(path) as again:
        assert again.chart == after


def test_a_journal_that_is_no_file_is_told(song, path):
    killed(song)
    os.mkfifo(journal_path(path))
    with pytest.raises(FileFormatError, match="ordinary file"):
        ChartDocument.open(path)


def test_a_damaged_chart_file_is_written_again_from_the_journal(song, path):
    charts_, _ = three_edits(song, path)
    damaged = path.read_bytes()[:-20]
    path.write_bytes(damaged)
    assert read_working_chart(path) == charts_[-1] and path.read_bytes() == damaged
    with ChartDocument.open(path) as again:
        assert again.chart == charts_[-1] and again.unsaved == 0
        assert "waltz.chart.damaged-1.json" in again.notice
        assert again.undo() == charts_[-2]
    assert read_chart(path) == charts_[-1]
    assert path.with_name("waltz.chart.damaged-1.json").read_bytes() == damaged


def test_a_journal_without_checksums_goes_on_with_them(song, path):
    charts_, found = three_edits(song, path)
    lines = [json.loads(x) for x in found.read_text().splitlines()]
    header, base, *steps = ({k: v for k, v in line.items() if k != "crc"} for line in lines)
    old = {"journal": "drum chart", "version": 1, "sha256": header["saved"], "chart": base["chart"]}
    found.write_text("".join(json.dumps(x) + "\n" for x in (old, *steps)))
    with ChartDocument.open(path) as again:
        assert again.chart == charts_[-1] and "damaged" not in again.notice
        after = again.apply(kick(9))
    assert all("crc" in json.loads(line) for line in found.read_text().splitlines())
    with ChartDocument.open(path) as again:
        assert again.chart == after
    assert {p.name for p in path.parent.iterdir()} == {path.name, found.name}


def test_the_journal_is_for_the_eyes_that_may_see_the_chart(song, path):
    path.chmod(0o640)
    song.apply(kick(0))
    found = journal_path(path)
    assert found.stat().st_mode & 0o777 == 0o640
    path.chmod(0o600)
    song.save()
    killed(song)
    ChartDocument.open(path).close()
    assert path.stat().st_mode & 0o777 == found.stat().st_mode & 0o777 == 0o600
    found.write_bytes(found.read_bytes()[:-5])
    ChartDocument.open(path).close()
    assert {p.stat().st_mode & 0o777 for p in path.parent.iterdir()} == {0o600}


def test_what_a_killed_run_left_is_swept_at_the_next_opening(song, path):
    writer = "import sys, time; from workbench.files.safefile import replacing\nwith replacing(sys.argv[1]):\n" + (
        "    print(flush=True); time.sleep(60)"
    )
    process = subprocess.Popen([sys.executable, "-c", writer, str(path)], stdout=subprocess.PIPE)
    process.stdout.readline()
    killed(song)
    ChartDocument.open(path).close()
    assert len(list(path.parent.glob(".*.part"))) == 1, "still being written"
    process.kill()
    process.communicate()
    ChartDocument.open(path).close()
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_a_chart_changed_by_another_program(song, path, empty):
    song.apply(kick(0))
    other = SetHeading(title="Other").apply(empty)
    write_chart(other, path)
    with pytest.raises(ChangedElsewhereError, match="another notebook or program"):
        song.save()
    again = ChartDocument.open(path)
    assert again is song and again.chart == other
    assert "kept in waltz.journal.other-1.jsonl" in again.notice
    again.apply(kick(1))


def test_a_chart_changed_by_another_program_before_the_first_edit(song, path, empty):
    write_chart(SetHeading(title="Other").apply(empty), path)
    with pytest.raises(ChangedElsewhereError):
        song.apply(kick(0))
    assert not journal_path(path).exists()


def test_an_interrupt_between_writing_a_step_and_counting_it_loses_nothing(song, path, monkeypatch):
    song.apply(kick(0))
    with monkeypatch.context() as patch:
        append = journal.append

        def interrupted(*what):
            append(*what)
            raise KeyboardInterrupt

        patch.setattr(journal, "append", interrupted)
        with pytest.raises(KeyboardInterrupt):
            song.apply(kick(1))
    with pytest.raises(ChangedElsewhereError):
        song.apply(kick(2))
    song.reload()
    assert song.revision == 2
    chart = song.apply(kick(2))
    killed(song)
    with ChartDocument.open(path) as again:
        assert again.chart == chart and again.revision == 3


def test_a_text_that_no_file_can_hold_is_refused(song):
    with pytest.raises(ChartError, match="no file can hold it"):
        song.apply(NameSection(0, "\ud800"))
    assert song.revision == 0


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
    with pytest.raises(FileFormatError, match="was closed"):
        song.apply(kick(1))
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
