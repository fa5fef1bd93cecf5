"""From a recording to chart, hits and beats on disk."""

import pandas
import pytest

from tests.test_spectral import RATE, performance
from workbench.chart import Note
from workbench.chart.edits import AddNote
from workbench.errors import FileFormatError
from workbench.files.audio import Audio, save_audio, sha256_of
from workbench.files.chartfile import read_chart
from workbench.files.document import ChartDocument
from workbench.listening.draft import draft_chart, write_draft

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    path = tmp_path_factory.mktemp("recording") / "plain_song.wav"
    save_audio(path, Audio(performance(12.0)[0], RATE))
    return path


@pytest.fixture(scope="module")
def draft(recording):
    return draft_chart(recording)


def test_draft_holds_together(draft, recording):
    chart = draft.chart
    assert chart.title == "plain song"
    assert len(draft.possible_hits) == len(chart.possible_notes())
    assert (draft.possible_hits["probability"] > 1 - chart.doubt_below - 1e-9).all() and draft.possible_hits[
        "reason"
    ].all()
    assert (chart.recording.sha256, chart.recording.duration_s) == (sha256_of(recording), 12.0)
    assert set(chart.kit) == set(chart.instruments_used())
    assert chart.time_map.tempo_bpm(1) == pytest.approx(120, abs=1)
    assert {"kick", "snare"} <= set(chart.instruments_used())
    assert all(0 <= b.time_s <= 12.0 for b in draft.pulse)
    heard = {round(s.time_s, 9) for s in draft.strokes}
    assert all(round(chart.note_time_s(k, n), 9) in heard for k, n in chart.notes())


def test_files(draft, tmp_path):
    files = write_draft(draft, tmp_path / "new" / "folder")
    chart = read_chart(files.chart)
    assert chart.bars == draft.chart.bars and chart.time_map == draft.chart.time_map
    assert (files.chart.parent / chart.recording.path).resolve().is_file()
    assert len(pandas.read_csv(files.hits)) == sum(len(b.notes) for b in chart.bars)
    assert len(pandas.read_csv(files.beats)) >= len(draft.pulse)


def test_edits_are_never_overwritten_unasked(draft, tmp_path):
    files = write_draft(draft, tmp_path)
    with ChartDocument.open(files.chart) as song:
        song.apply(AddNote(0, Note(0, "cowbell")))
        song.save()
    with pytest.raises(FileFormatError, match="exists already"):
        write_draft(draft, tmp_path)
    assert read_chart(files.chart).bars[0].find(0, "cowbell")
    write_draft(draft, tmp_path, overwrite=True)
    assert not read_chart(files.chart).bars[0].find(0, "cowbell")


def test_out_is_a_file(draft, tmp_path):
    (tmp_path / "taken").write_text("")
    with pytest.raises(FileFormatError, match="is a file, not a folder"):
        write_draft(draft, tmp_path / "taken")


def test_progress_grows_to_the_end(recording):
    told = []
    draft_chart(recording, lambda done, what: told.append(done))
    assert told == sorted(told) and told[-1] == 1.0
