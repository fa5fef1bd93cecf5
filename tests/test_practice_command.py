"""``workbench practice``: what it makes, says and refuses."""

import json

import pytest

from tests import test_pack
from tests.parts import FILL, ROCK, part
from tests.sentences import says
from workbench.commands.cli import main
from workbench.files.chartfile import write_chart

song = test_pack.song

pytestmark = pytest.mark.slow


def test_the_command_makes_a_pack_and_says_so(song, tmp_path, capsys):
    _, recording = song
    status = main(
        [
            "practice",
            str(recording.with_name("song.chart.json")),
            "--out",
            str(tmp_path / "p"),
            "--bars",
            "1",
            "--tempi",
            "100",
            "--repeats",
            "0",
            "--format",
            "mp3",
            "--json",
        ]
    )
    said = json.loads(capsys.readouterr().out)
    assert status == 0 and len(said["exercises"]) == 1 and not said["notes"]
    assert any(f.endswith("drums-down.mp3") for f in said["files"])


def run_quickly(song, tmp_path, *arguments):
    _, recording = song
    return main(
        [
            "practice",
            str(recording.with_name("song.chart.json")),
            "--out",
            str(tmp_path / "p"),
            "--tempi",
            "100",
            "--repeats",
            "0",
            "--format",
            "mp3",
            *arguments,
        ]
    )


def test_a_recording_left_out_is_said_to_be_so(song, tmp_path, capsys):
    assert run_quickly(song, tmp_path, "--bars", "1", "--no-recording") == 0
    said = capsys.readouterr().out
    assert says(said, "recording", "left out", "you wished") and "not there" not in said
    assert said.startswith("1 exercise, 3 sound files, ")
    assert not list((tmp_path / "p").rglob("record*"))


def test_a_recording_that_is_missing_is_said_to_be_so(song, tmp_path, capsys):
    chart, _ = song
    write_chart(chart, tmp_path / "alone.chart.json")
    assert (
        main(
            [
                "practice",
                str(tmp_path / "alone.chart.json"),
                "--out",
                str(tmp_path / "p"),
                "--bars",
                "1",
                "--tempi",
                "100",
                "--repeats",
                "0",
                "--format",
                "mp3",
                "--json",
            ]
        )
        == 0
    )
    notes = json.loads(capsys.readouterr().out)["notes"]
    assert "song.flac is not there; say where it is with --recording" in notes[0]


def test_instruments_alone_are_played_without_bars_named_too(song, tmp_path):
    assert run_quickly(song, tmp_path, "--kinds", "groove", "--instruments", "kick", "--no-recording") == 0
    assert [p.name for p in sorted((tmp_path / "p").rglob("some-*.mp3"))] == ["some-120bpm.mp3"]
    assert not list((tmp_path / "p").rglob("hands-*"))


def test_more_steps_are_drills_and_easier_versions(tmp_path):
    write_chart(part(*[ROCK] * 7, FILL), tmp_path / "song.chart.json")
    arguments = ["practice", str(tmp_path / "song.chart.json"), "--out", str(tmp_path / "p"), "--kinds", "fill"]
    sound = ["--tempi", "100", "--repeats", "0", "--format", "mp3", "--click", "none"]
    assert main([*arguments, *sound, "--more-steps"]) == 0
    names = {p.name.rpartition("-")[0] for p in (tmp_path / "p" / "audio").rglob("*.mp3")}
    assert {"one-drum", "accents", "doubled", "displaced", "alone"} <= names


def test_a_folder_that_cannot_be_is_refused_before_the_work(song, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("workbench.reading.read.read_part", lambda *a, **k: pytest.fail("the work has begun"))
    (tmp_path / "p").write_text("mine")
    assert run_quickly(song, tmp_path) == 2
    assert "is a file, not a folder" in capsys.readouterr().err
    (tmp_path / "p").unlink()
    (tmp_path / "p").mkdir()
    (tmp_path / "p" / "letter.txt").write_text("mine")
    assert run_quickly(song, tmp_path) == 2
    assert "holds other files" in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments, message",
    [
        (["--kinds", "fill"], "There is nothing to practise: no fills found in this chart"),
        (["--kinds", "variation,fill"], "no variations or fills found in this chart"),
        (["--tempi", "500"], "per cent of the original, from 25 to 200, not 500"),
        (["--bars", "1", "--tempi", "500"], "per cent of the original, from 25 to 200, not 500"),
        (["--count-in", "99"], "A count-in has from 0 to 4 bars, not 99"),
        (["--instruments", "hihat"], "all of a kind: hi-hat, tom, cymbal"),
        (["--instruments", "tom"], "In these exercises there is no tom"),
        (["--tempi", "slow"], "Write tempi as per cent"),
        (["--bars", "x"], "Write bars as 5-8"),
        (["--bars", "9"], "There is no bar 9"),
        (["--kinds", "solo"], "not of 'solo'"),
        (["--sections", "Z"], "no section 'Z'"),
    ],
)
def test_what_the_command_cannot_do_it_says(song, tmp_path, capsys, arguments, message):
    _, recording = song
    status = main(["practice", str(recording.with_name("song.chart.json")), "--out", str(tmp_path / "p"), *arguments])
    assert status == 2 and message in capsys.readouterr().err
