"""``workbench read``: the page, the files, the marks."""

import json
from dataclasses import replace
from fractions import Fraction as F

import pytest

from tests.parts import ROCK, part
from tests.test_wording import SONG
from workbench.chart import Recording
from workbench.chart.edits import RemoveNote
from workbench.commands.cli import main
from workbench.files.chartfile import read_chart, write_chart
from workbench.files.document import ChartDocument
from workbench.reading.read import read_part


@pytest.fixture
def song_file(tmp_path):
    path = tmp_path / "lanterns.chart.json"
    write_chart(part(*SONG, title="Enamel Kettle"), path)
    return path


def test_the_command_prints_the_page(song_file, capsys):
    assert main(["read", str(song_file)]) == 0
    assert capsys.readouterr().out == read_part(read_chart(song_file)).to_markdown()


def test_the_recording_that_would_help_is_named(song_file, capsys):
    """As it is to be typed; where it is not beside the chart, the option alone."""
    of = Recording("enamel kettle.flac", "0" * 64, 60.0)
    write_chart(replace(read_chart(song_file), recording=of), song_file)
    assert main(["read", str(song_file)]) == 0
    assert "(--audio)" in capsys.readouterr().err
    beside = song_file.with_name("enamel kettle.flac")
    beside.touch()
    assert main(["read", str(song_file)]) == 0
    assert f"--audio '{beside}'" in capsys.readouterr().err


def test_the_command_writes_files_and_marks(song_file, tmp_path, capsys):
    status = main(
        [
            "read",
            str(song_file),
            "--out",
            str(tmp_path / "out"),
            "--mark",
            "--sticking",
            "--left-handed",
            "--hand-to-hand",
        ]
    )
    assert status == 0
    data = json.loads((tmp_path / "out/lanterns.reading.json").read_text("utf-8"))
    assert data["sticking"]["handedness"] == "left" and len(data["fills"]) == 2
    assert (tmp_path / "out/lanterns.reading.md").read_text("utf-8").startswith("# Enamel Kettle")
    chart = read_chart(song_file)
    assert chart.sections and chart.marks and chart.bars[0].notes[0].sticking in "RL"
    said = capsys.readouterr().err
    sections = len(chart.sections)
    assert f"Written into {song_file}: {sections} sections" in said and "2 fills" in said and "sticking" in said
    assert "from the chart alone" in said


def test_the_command_reads_parts_of_any_kind_and_writes_only_into_charts(song_file, tmp_path, capsys):
    assert main(["score", str(song_file), "--to", "musicxml,midi", "--no-form"]) == 0
    for ending in ("musicxml", "mid"):
        part_file = song_file.with_name(f"lanterns.{ending}")
        capsys.readouterr()
        assert main(["read", str(part_file)]) == 0
        assert capsys.readouterr().out.startswith("# Enamel Kettle")
        assert main(["read", str(part_file), "--mark"]) == 2
        assert "can be read, but marks" in capsys.readouterr().err
    assert main(["read", str(part_file), "--out", str(tmp_path / "out")]) == 0
    assert (tmp_path / "out" / "lanterns.reading.md").exists()


def test_the_command_compares_two_versions(song_file, tmp_path, capsys):
    live = tmp_path / "live.chart.json"
    write_chart(part(*SONG[:8], *[ROCK] * 4, *SONG[8:], title="Live"), live)
    assert main(["read", str(song_file), "--against", str(live), "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["only_second"]) == 4


def test_unsaved_edits_of_both_versions_count(song_file, tmp_path, capsys):
    live = tmp_path / "live.chart.json"
    write_chart(read_chart(song_file), live)
    with ChartDocument.open(live) as document:
        document.apply(RemoveNote(2, F(0), "kick"))
    assert read_chart(live) == read_chart(song_file)
    assert main(["read", str(song_file), "--against", str(live), "--json"]) == 0
    (change,) = json.loads(capsys.readouterr().out)["changes"]
    assert "kick" in change["text"]


def test_the_command_says_what_it_cannot_read(tmp_path, capsys):
    assert main(["read", str(tmp_path / "none.chart.json")]) == 2
    assert "none.chart.json" in capsys.readouterr().err
