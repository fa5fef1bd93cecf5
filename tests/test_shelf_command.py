"""``workbench shelf``."""

import json

import pytest

from tests.parts import HALF
from tests.shelves import chart_of, record, shelve
from workbench.commands.cli import main


@pytest.fixture
def folder(tmp_path):
    record(tmp_path / "songs" / "tin roof.wav")
    shelve(tmp_path / "songs", "half", chart_of(*(HALF,) * 8, title="Half Tide"))
    return tmp_path / "songs"


@pytest.mark.slow
def test_the_command_drafts_lists_and_finds(folder, capsys):
    (folder / "broken.flac").write_bytes(b"no sound")
    assert main(["shelf", str(folder), "--do", "draft,read"]) == 1
    said = capsys.readouterr()
    assert "broken" in said.err and "3 songs" in said.out and "catalogue.html" in said.out
    assert (folder / "tin roof.chart.json").exists() and (folder / "half.reading.md").exists()
    assert main(["shelf", str(folder), "--do", "", "--find", "half-time"]) == 0
    assert capsys.readouterr().out.splitlines() == ["Half Tide, 4/4 at 110  half.chart.json", "1 of 3 songs"]
    assert main(["shelf", str(folder), "--do", "", "--json"]) == 0
    assert {row["song"]: row["state"] for row in json.loads(capsys.readouterr().out)} == {
        "Half Tide": "done", "broken": "not drafted", "tin roof": "drafted"
    }  # fmt: skip


@pytest.mark.slow
def test_what_cannot_be_is_one_sentence(folder, capsys):
    assert main(["shelf", str(folder / "none")]) == 2 and "no folder" in capsys.readouterr().err
    assert main(["shelf", str(folder), "--do", "bake"]) == 2 and "'bake'" in capsys.readouterr().err
    assert main(["shelf", str(folder), "--do", "", "--find", "x<y"]) == 2
