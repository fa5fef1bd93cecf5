"""The work on one song."""

from dataclasses import replace
from pathlib import Path

import pytest

from tests.parts import EMPTY
from tests.shelves import chart_of, record, shelve
from workbench.chart import Recording
from workbench.chart.edits import SetHeading
from workbench.files.audio import sha256_of
from workbench.files.chartfile import read_chart
from workbench.files.document import ChartDocument
from workbench.files.journal import journal_path
from workbench.shelving.work import GivenFile, SongWork, do_work


def given(path):
    return GivenFile(str(path))


@pytest.fixture
def recording(tmp_path):
    return record(tmp_path / "songs" / "tin roof.wav")


@pytest.fixture
def place(tmp_path):
    (tmp_path / "making").mkdir()
    return str(tmp_path / "making")


@pytest.mark.slow
def test_a_draft_lies_in_a_folder_of_its_own_and_names_its_recording_as_asked(recording, place):
    sha = sha256_of(recording)
    work = SongWork(
        "set/tin roof", ("draft",), given(recording), recording_named="../tin roof.wav", sha256=sha, place=place
    )
    first, second = do_work(work), do_work(work)
    assert first.folder != second.folder and Path(first.folder).parent == Path(place)
    chart = read_chart(Path(first.folder) / "tin roof.chart.json")
    assert (chart.recording.path, chart.recording.sha256, chart.title) == ("../tin roof.wav", sha, "tin roof")
    assert set(first.steps["draft"]) == {
        ".workbench-bars", "tin roof.chart.json", "tin roof.hits.csv", "tin roof.beats.csv"
    }  # fmt: skip
    assert first.entry["title"] == "tin roof" and first.entry["length_s"] == pytest.approx(6.0) and not first.failures


@pytest.mark.slow
def test_the_drums_found_for_a_lesson_are_not_kept(tmp_path, place):
    recording = record(tmp_path / "kettle.wav", 18)
    chart = shelve(tmp_path, "kettle", chart_of(recording=Recording("kettle.wav", sha256_of(recording), 18.0)))
    work = SongWork("kettle", ("lesson",), given(recording), given(chart), sha256=sha256_of(recording), place=place)
    done = do_work(work)
    assert done.steps == {"lesson": ["kettle.lesson.html"]} and not done.failures
    assert [p.name for p in Path(done.folder).iterdir()] == ["kettle.lesson.html"]
    assert done.entry["length_s"] == 18 and done.entry["sound"] == "mono, 22.05\N{NO-BREAK SPACE}kHz"


def test_what_is_sent_comes_back_and_nothing_stays(recording, tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    (tmp_path / "temporary").mkdir()
    sent = GivenFile("/elsewhere/tin roof.wav", recording.read_bytes())
    done = do_work(SongWork("tin roof", ("draft",), sent, recording_named="tin roof.wav"))
    assert "tin roof.chart.json" in done.files and not done.folder and not done.failures
    assert not list((tmp_path / "temporary").iterdir())


def test_edits_not_yet_saved_are_in_the_work(tmp_path, place):
    path = shelve(tmp_path, "kettle", chart_of())
    with ChartDocument.open(path) as document:
        document.apply(SetHeading(title="Edited"))
    work = SongWork("kettle", ("score", "read", "lesson"), chart=given(path), edited=True, place=place)
    done = do_work(work)
    assert done.entry["title"] == "Edited" and done.entry["state"] == "done"
    assert {f"kettle.{e}" for e in ("pdf", "musicxml", "mid")} == set(done.steps["score"])
    assert set(done.steps) == {"score", "read", "lesson"}
    journal = GivenFile(str(journal_path(path)), journal_path(path).read_bytes())
    sent = do_work(replace(work, steps=(), chart=GivenFile(str(path), path.read_bytes()), journal=journal, place=None))
    assert sent.entry == done.entry


def test_a_step_that_fails_is_a_sentence_and_the_others_are_done(tmp_path, place):
    path = shelve(tmp_path, "still", chart_of(*(EMPTY,) * 4))
    done = do_work(SongWork("still", ("check", "practice", "read", "lesson"), chart=given(path), place=place))
    assert set(done.steps) == {"read"} and len(done.failures) == 3 and all(f.endswith(".") for f in done.failures)
    assert {p.name for p in Path(done.folder).iterdir()} == {"still.reading.md", "still.reading.json"}
    assert done.entry is not None


def test_what_cannot_be_opened_is_a_sentence(tmp_path, place):
    (tmp_path / "bad.wav").write_bytes(b"no sound")
    (tmp_path / "bad.chart.json").write_text("{")
    for work in (
        SongWork("bad", ("draft", "score"), given(tmp_path / "bad.wav"), place=place),
        SongWork("bad", ("score",), chart=given(tmp_path / "bad.chart.json"), place=place),
    ):
        done = do_work(work)
        assert len(done.failures) == 1 and "bad" in done.failures[0] and done.entry is None and not done.steps


def test_a_fault_is_told_with_its_details(tmp_path, place, monkeypatch):
    monkeypatch.setattr("workbench.scorefiles.write_scores", lambda *_: 1 / 0)
    done = do_work(SongWork("k", ("score",), chart=given(shelve(tmp_path, "k", chart_of())), place=place))
    assert "ZeroDivisionError" in done.failures[0] and "division by zero" in done.details and done.entry is not None


def test_another_version_refuses(tmp_path):
    done = do_work(SongWork("k", ("draft",), version="0.0.1"))
    assert "0.0.1" in done.failures[0] and not done.steps
