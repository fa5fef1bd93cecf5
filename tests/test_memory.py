"""What a shelf remembers."""

import json
import os

import pytest

from workbench.errors import FileFormatError
from workbench.shelving.memory import SHELF_FOLDER, ShelfMemory, SongMemory


def lines(folder):
    return (folder / SHELF_FOLDER / "songs.jsonl").read_bytes().splitlines()


def test_what_was_kept_is_known_again_and_the_last_counts(tmp_path):
    with ShelfMemory.opened(tmp_path) as memory:
        memory.songs["set/a"] = SongMemory(entry={"title": "Käse \ud800"})
        memory.keep("set/a")
        memory.songs["set/a"].entry_of = "this"
        memory.keep("set/a")
    with ShelfMemory.opened(tmp_path) as memory:
        assert memory.songs == {"set/a": SongMemory(entry={"title": "Käse \ud800"}, entry_of="this")}


def test_what_was_written_of_hardness_is_read_as_difficulty(tmp_path):
    """Shelves of an earlier 0.2.0 called it so, of a song and of each groove and fill."""
    with ShelfMemory.opened(tmp_path) as memory:
        memory.songs["a"] = SongMemory(entry={"hardness": 3, "fills": [{"hardness": 4}]})
        memory.keep("a")
    with ShelfMemory.opened(tmp_path) as memory:
        assert memory.songs["a"].entry == {"difficulty": 3, "fills": [{"difficulty": 4}]}


def test_a_line_cut_off_costs_its_song_only(tmp_path):
    with ShelfMemory.opened(tmp_path) as memory:
        for key in "ab":
            memory.songs[key] = SongMemory(entry_of=key)
            memory.keep(key)
    path = tmp_path / SHELF_FOLDER / "songs.jsonl"
    path.write_bytes(path.read_bytes()[:-20])
    with ShelfMemory.opened(tmp_path) as memory:
        assert list(memory.songs) == ["a"]
        memory.songs["c"] = SongMemory()
        memory.keep("c")
    assert [json.loads(line)["song"] for line in lines(tmp_path)] == ["a", "c"]


def test_it_does_not_grow_with_every_run(tmp_path):
    for _ in range(3):
        with ShelfMemory.opened(tmp_path) as memory:
            memory.songs.setdefault("a", SongMemory())
            for _ in range(5):
                memory.keep("a")
    assert len(lines(tmp_path)) == 6, "one line of before, and five new ones"


def test_one_program_at_a_time(tmp_path, monkeypatch):
    monkeypatch.setattr("workbench.files.safefile.PATIENCE_S", 0.05)
    with (
        ShelfMemory.opened(tmp_path),
        pytest.raises(FileFormatError, match="Another program"),
        ShelfMemory.opened(tmp_path),
    ):
        pass


def test_a_file_that_looks_the_same_is_not_read_again_and_one_changed_is_a_persons(tmp_path):
    path, known = tmp_path / "a.chart.json", SongMemory()
    assert known.sha256(path, tmp_path) == "" and not known.is_ours(path, tmp_path)
    path.write_text("made")
    known.made["a.chart.json"] = [known.sha256(path, tmp_path)]
    assert known.is_ours(path, tmp_path)
    os.utime(path, ns=(0, 0))
    assert known.is_ours(path, tmp_path), "touched is not changed"
    path.write_text("edited")
    assert not known.is_ours(path, tmp_path)
