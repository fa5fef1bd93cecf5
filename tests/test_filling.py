"""Working through a shelf: what is done again and what is not, and whose files stay.

Most tests do the work in this process, as a worker would; workers do it in tests/test_crew.py, tests/test_cluster.py.
"""

import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import replace
from itertools import count
from pathlib import Path

import pytest

from tests.parts import HALF
from tests.shelves import chart_of, record, shelve
from workbench.chart import WrittenBar
from workbench.chart.edits import FixLine, SetHeading
from workbench.errors import WorkbenchError
from workbench.files.chartfile import read_chart
from workbench.files.document import ChartDocument
from workbench.shelving import filling
from workbench.shelving.crew import WorkerDiedError
from workbench.shelving.filling import fill_shelf
from workbench.shelving.memory import SHELF_FOLDER
from workbench.shelving.work import do_work


@pytest.fixture
def here(monkeypatch):
    """Work is done in this process; what was asked for is kept."""
    asked = []

    @contextmanager
    def doing(place, *_):
        def do(works):
            for work in works:
                asked.append((work.key, work.steps))
                yield work, do_work(work)

        yield do, True

    monkeypatch.setattr(filling, "_doing", doing)
    return asked


@pytest.fixture
def shelf(tmp_path):
    """Two recordings, one in a folder, and a chart by itself."""
    record(tmp_path / "tin roof.wav", seed=1)
    record(tmp_path / "set" / "low tide.wav", seed=2)
    shelve(tmp_path, "kettle", chart_of())
    return tmp_path


@pytest.mark.slow
def test_what_is_done_is_not_done_again(shelf, here):
    filled = fill_shelf(shelf)
    assert sorted(filled.worked) == ["kettle", "set/low tide", "tin roof"] and not filled.failures
    assert dict(here) == {"tin roof": ("draft",), "set/low tide": ("draft",), "kettle": ()}
    chart = read_chart(shelf / "set" / "low tide.chart.json")
    assert (shelf / "set" / chart.recording.path).resolve() == (shelf / "set" / "low tide.wav").resolve()
    here.clear()
    assert fill_shelf(shelf).worked == () and here == []
    assert set(fill_shelf(shelf, ("draft", "read")).worked) == set(filled.worked)
    assert dict(here) == dict.fromkeys(filled.worked, ("read",))
    here.clear()
    (shelf / "tin roof.reading.md").unlink()
    fill_shelf(shelf, ("draft", "read"))
    assert here == [("tin roof", ("read",))], "what is missing is made"
    assert not (shelf / SHELF_FOLDER / "making").exists()


@pytest.mark.slow
def test_another_version_or_recording_is_another_draft(shelf, here, monkeypatch):
    fill_shelf(shelf)
    here.clear()
    record(shelf / "tin roof.wav", seed=9)
    fill_shelf(shelf)
    assert here == [("tin roof", ("draft",))]
    here.clear()
    monkeypatch.setattr(filling, "__version__", "99.0")
    fill_shelf(shelf)
    assert dict(here) == {"tin roof": ("draft",), "set/low tide": ("draft",), "kettle": ()}


@pytest.mark.slow
def test_nothing_that_a_person_has_edited_is_overwritten(shelf, here, monkeypatch):
    shelve(shelf, "pot", chart_of(title="Pot"))  # a neighbour of the kettle: each reading names the other
    fill_shelf(shelf, ("draft", "read"))
    for name in ("kettle", "tin roof"):
        with ChartDocument.open(shelf / f"{name}.chart.json") as document:
            document.apply(SetHeading(title=f"{name} by ear"))
    (shelf / "pot.reading.md").write_text("my own words")
    here.clear()
    filled = fill_shelf(shelf, ("draft", "read"))
    again = {key: [steps for k, steps in here if k == key] for key, _ in here}
    expected = {"kettle": [(), ("read",)], "tin roof": [(), ("read",)], "pot": [("read",)]}
    if "tin roof" in (shelf / "set" / "low tide.reading.md").read_text():  # whether they are alike, the ear decides
        expected["set/low tide"] = [("read",)]
    assert again == expected, "read as it is now"
    assert filled.memories["tin roof"].entry["title"] == "tin roof by ear" and list(filled.failures) == ["pot"]
    monkeypatch.setattr(filling, "__version__", "99.0")
    filled = fill_shelf(shelf, ("draft", "read"))
    assert (shelf / "pot.reading.md").read_text() == "my own words"
    with ChartDocument.open(shelf / "tin roof.chart.json") as document:
        assert document.chart.title == "tin roof by ear"
    assert list(filled.failures) == ["pot"] and "changed by hand" in filled.failures["pot"][0]
    record(shelf / "tin roof.wav", seed=9)
    filled = fill_shelf(shelf)
    assert "another recording" in filled.failures["tin roof"][0]
    assert "# tin roof by ear" in (shelf / "tin roof.reading.md").read_text()


@pytest.mark.slow
def test_a_chart_edited_while_its_song_is_drafted_stays(shelf, here, monkeypatch):
    fill_shelf(shelf)
    monkeypatch.setattr(filling, "__version__", "99.0")
    work_on = do_work

    def edited_meanwhile(work):
        done = work_on(work)
        if work.key == "tin roof":
            with ChartDocument.open(shelf / "tin roof.chart.json") as document:
                document.apply(SetHeading(title="By ear"))
        return done

    monkeypatch.setattr("tests.test_filling.do_work", edited_meanwhile)
    filled = fill_shelf(shelf)
    assert "edited while" in filled.failures["tin roof"][0]
    with ChartDocument.open(shelf / "tin roof.chart.json") as document:
        assert document.chart.title == "By ear"


def test_what_is_edited_while_it_is_worked_on_is_done_again(shelf, here, monkeypatch):
    work_on = do_work

    def edited_meanwhile(work):
        done = work_on(work)
        with ChartDocument.open(shelf / "kettle.chart.json") as document:
            document.apply(SetHeading(title="By ear"))
        return done

    with monkeypatch.context() as patch:
        patch.setattr("tests.test_filling.do_work", edited_meanwhile)
        fill_shelf(shelf, ("score",))
    here.clear()
    assert fill_shelf(shelf, ("score",)).memories["kettle"].entry["title"] == "By ear"
    assert here == [("kettle", ("score",))]


def test_what_tells_of_other_songs_is_done_again_where_they_are_others(shelf, here):
    fill_shelf(shelf, ("read",))
    assert "Twin" not in (shelf / "kettle.reading.md").read_text()
    here.clear()
    shelve(shelf, "twin", chart_of(title="Twin"))
    fill_shelf(shelf, ("read",))
    assert here == [("twin", ()), ("kettle", ("read",)), ("twin", ("read",))]
    assert "Twin (" in (shelf / "kettle.reading.md").read_text()
    here.clear()
    assert fill_shelf(shelf, ("read",)).worked == () and here == []


@pytest.mark.slow
def test_a_chart_made_otherwise_is_kept(shelf, here):
    unsure = WrittenBar(tuple(replace(n, confidence=0.7) for n in HALF.notes))
    shelve(shelf, "tin roof", chart_of(*(unsure,) * 4, title="Mine"))
    filled = fill_shelf(shelf)
    entry = filled.memories["tin roof"].entry
    assert entry["title"] == "Mine" and dict(here)["tin roof"] == ()
    assert entry["state"] == "drafted", "nobody has looked at it for all that is known"
    with ChartDocument.open(shelf / "tin roof.chart.json") as document:
        document.apply(FixLine(2, True))
    assert fill_shelf(shelf).memories["tin roof"].entry["state"] == "looked at"


def test_a_pack_is_replaced_as_a_whole_unless_something_of_a_persons_is_in_it(shelf, here, monkeypatch):
    times = count()

    def make(chart, folder, **_):
        """Stands for the real one (tests/test_pack.py), which takes long."""
        for name in ("index.html", "page/made-by-workbench.txt", f"audio/{next(times)}.mp3"):
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(name)

    monkeypatch.setattr("workbench.practice.pack.make_practice_pack", make)
    pack = shelf / "kettle-practice"
    assert not fill_shelf(shelf, ("practice",)).failures and (pack / "index.html").exists()
    here.clear()
    assert fill_shelf(shelf, ("practice",)).worked == () and here == []
    first = sorted(p.name for p in pack.rglob("*.mp3"))
    monkeypatch.setattr(filling, "__version__", "99.0")
    assert not fill_shelf(shelf, ("practice",)).failures
    assert sorted(p.name for p in pack.rglob("*.mp3")) != first and len(list(pack.rglob("*.mp3"))) == 1
    (pack / "my notes.txt").write_text("slower!")
    monkeypatch.setattr(filling, "__version__", "99.1")
    assert "changed by hand" in fill_shelf(shelf, ("practice",)).failures["kettle"][0]
    assert (pack / "my notes.txt").read_text() == "slower!"


@pytest.mark.slow
def test_charts_lie_elsewhere_if_asked(shelf, here, tmp_path_factory):
    out = tmp_path_factory.mktemp("charts")
    before = sorted(shelf.rglob("*"))
    fill_shelf(shelf, out=out)
    assert sorted(shelf.rglob("*")) == before
    chart = read_chart(out / "set" / "low tide.chart.json")
    assert (out / "set" / chart.recording.path).resolve() == (shelf / "set" / "low tide.wav").resolve()
    assert not (out / "kettle.chart.json").exists()


@pytest.mark.slow
def test_failures_are_a_sentence_each_and_stop_nothing(shelf, here):
    (shelf / "broken.flac").write_bytes(b"no sound")
    (shelf / "tin roof.mp3").write_bytes(b"")
    filled = fill_shelf(shelf)
    assert set(filled.failures) == {"broken", "tin roof.mp3"} and "set/low tide" in filled.worked
    assert all(s.endswith(".") for sentences in filled.failures.values() for s in sentences)


@pytest.mark.slow
def test_a_file_that_cannot_be_looked_at_is_a_sentence(shelf, here, monkeypatch):
    read = filling.SongMemory.sha256

    def refused(self, path, folder):
        if path.name == "tin roof.wav":
            raise PermissionError(13, "Permission denied", str(path))
        return read(self, path, folder)

    monkeypatch.setattr(filling.SongMemory, "sha256", refused)
    filled = fill_shelf(shelf)
    assert "Permission denied" in filled.failures["tin roof"][0] and len(filled.worked) == 2


@pytest.mark.slow
def test_a_full_disk_is_a_sentence_and_the_song_is_done_later(shelf, here, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(filling, "_move", full)
        filled = fill_shelf(shelf)
    assert all("No space left" in filled.failures[key][0] for key in ("tin roof", "set/low tide"))
    assert not (shelf / "tin roof.chart.json").exists()
    assert set(fill_shelf(shelf).worked) >= {"tin roof", "set/low tide"} and (shelf / "tin roof.chart.json").exists()


def test_a_song_whose_workers_died_is_told(shelf, here, monkeypatch):
    monkeypatch.setattr("tests.test_filling.do_work", lambda work: WorkerDiedError())
    assert "memory" in fill_shelf(shelf).failures["tin roof"][0]


@pytest.mark.slow
def test_it_tells_how_far_it_is(shelf, here):
    told = []
    fill_shelf(shelf, progress=lambda done, what: told.append((done, what)))
    assert [d for d, _ in told] == sorted(d for d, _ in told) and told[-1] == (1.0, "3 of 3 songs")
    assert told[1][1] == "3 songs to do" and "left" in told[2][1]


@pytest.mark.parametrize("asked", [{"do": ("drafts",)}, {"workers": 0}, {"memory_gib": 0}])
def test_what_cannot_be_is_refused(shelf, asked):
    with pytest.raises(WorkbenchError):
        fill_shelf(shelf, **asked)


@pytest.mark.slow
def test_a_command_killed_costs_the_songs_in_flight_only(tmp_path):
    for k in range(4):
        record(tmp_path / f"{k}.wav", 5, seed=k)
    command = [sys.executable, "-m", "workbench", "shelf", str(tmp_path), "--workers", "1"]
    running = subprocess.Popen(
        command, cwd=Path(__file__).parents[1], stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL
    )
    end = time.monotonic() + 120
    while len(list(tmp_path.glob("*.chart.json"))) < 2:
        assert time.monotonic() < end and running.poll() is None
        time.sleep(0.05)
    os.kill(running.pid, signal.SIGKILL)
    running.wait()
    charted = {p.name.split(".")[0] for p in tmp_path.glob("*.chart.json")}
    before = {p: p.stat().st_mtime_ns for p in tmp_path.glob("*.chart.json")}
    filled = fill_shelf(tmp_path, workers=1)
    assert not filled.failures and len(list(tmp_path.glob("*.chart.json"))) == 4
    assert len(set(filled.worked) & charted) <= 1, "a song whose line was kept but not yet its last file"
    assert sum(p.stat().st_mtime_ns == at for p, at in before.items()) >= len(charted) - 1
