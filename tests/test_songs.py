"""What lies on a shelf."""

import os

import pytest

from tests.shelves import chart_of, shelve
from workbench.errors import FileFormatError
from workbench.shelving.songs import find_songs


def touch(folder, *names):
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")


def test_recordings_and_charts_by_themselves_are_found_in_all_folders(tmp_path):
    touch(tmp_path, "b.flac", "set/a.MP3", "set/deep/c.ogg", "notes.txt", "hits.csv")
    shelve(tmp_path, "set/written", chart_of())
    shelve(tmp_path, "b", chart_of())
    songs, refused = find_songs(tmp_path)
    assert [s.key for s in songs] == ["b", "set/a", "set/deep/c", "set/written"] and not refused
    assert songs[0].chart == tmp_path / "b.chart.json" and songs[3].recording is None
    assert [s.key for s in find_songs(tmp_path, tmp_path / "charts")[0]] == ["b", "set/a", "set/deep/c"]
    assert find_songs(tmp_path, tmp_path / "charts")[0][2].chart == tmp_path / "charts/set/deep/c.chart.json"


def test_what_the_workbench_made_is_no_song_nor_is_a_pipe(tmp_path):
    touch(tmp_path, "a.flac", "a.drums.flac", "a.rest.flac", "a.lesson.webm", ".hidden/x.flac", ".y.flac")
    touch(tmp_path, "a-practice/page/made-by-workbench.txt", "a-practice/audio/loop.flac")
    os.mkfifo(tmp_path / "pipe.wav")
    assert [s.key for s in find_songs(tmp_path)[0]] == ["a"]


def test_of_two_recordings_of_one_name_one_is_left_out_and_said_so(tmp_path):
    touch(tmp_path, "a.mp3", "a.wav")
    songs, refused = find_songs(tmp_path)
    assert [s.recording.name for s in songs] == ["a.wav"], "the one that has lost nothing"
    assert "a.wav" in refused["a.mp3"] and "rename" in refused["a.mp3"]


def test_a_folder_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(FileFormatError, match="no folder"):
        find_songs(tmp_path / "none")
