"""The command line's end: exit status, one sentence, never a traceback."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from workbench.commands import read
from workbench.commands.cli import main

TRUTH = Path(__file__).parents[1] / "data" / "demo" / "copper-weather.truth.chart.json"


def fail_with(monkeypatch, error):
    def run(args):
        raise error

    monkeypatch.setattr(read, "run", run)


@pytest.mark.parametrize("error", [ZeroDivisionError("1/0"), RecursionError("deep"), KeyError("x"), AssertionError()])
def test_an_unforeseen_fault_is_a_sentence_and_a_file_to_send(error, tmp_path, monkeypatch, capsys):
    fail_with(monkeypatch, error)
    assert main(["read", "song.chart.json", "--out", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    (details,) = tmp_path.glob("workbench-fault-*.txt")
    assert str(details) in said and said.count("\n") == 1 and "Traceback" not in said
    told = details.read_text("utf-8")
    assert "Traceback" in told and "song.chart.json" in told and type(error).__name__ in told


def test_without_out_the_file_lies_in_the_current_folder(tmp_path, monkeypatch, capsys):
    fail_with(monkeypatch, IndexError("x"))
    monkeypatch.chdir(tmp_path)
    assert main(["read", "song.chart.json"]) == 2
    assert [p.name for p in tmp_path.iterdir()] == re.findall(r"workbench-fault-\w+\.txt", capsys.readouterr().err)


@pytest.mark.parametrize(
    "error, status, said",
    [
        (OSError(28, "No space left on device", "out/x.pdf"), 2, "out/x.pdf: No space left on device"),
        (MemoryError(), 2, "more memory"),
        (KeyboardInterrupt(), 130, "stopped"),
    ],
)
def test_what_the_machine_lacks_is_said_without_a_file(error, status, said, tmp_path, monkeypatch, capsys):
    fail_with(monkeypatch, error)
    monkeypatch.chdir(tmp_path)
    assert main(["read", "song.chart.json"]) == status
    assert said in capsys.readouterr().err and not list(tmp_path.iterdir())


@pytest.mark.slow
def test_a_reader_that_has_enough_ends_it_in_silence():
    command = f"{sys.executable} -m workbench read {TRUTH} --json | head -n 1"
    result = subprocess.run(command, shell=True, capture_output=True, text=True)
    assert result.stdout == "{\n" and "ault" not in result.stderr and "xception" not in result.stderr


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_disk_behind_standard_output_is_a_sentence():
    with open("/dev/full", "w") as full:
        result = subprocess.run(
            [sys.executable, "-m", "workbench", "read", TRUTH], stdout=full, stderr=subprocess.PIPE, text=True
        )
    assert result.returncode == 2
    assert os.strerror(28) in result.stderr and "Traceback" not in result.stderr
    assert "Exception ignored" not in result.stderr


@pytest.mark.parametrize("out", ["x" * 300, "nothing.txt/in/a/file"])
def test_impossible_folders_are_refused_before_the_work(out, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    Path("nothing.txt").touch()
    assert main(["draft", str(TRUTH.parent / "copper-weather.ogg"), "--out", out]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and len(said) < 330


@pytest.fixture
def no_files(tmp_path):
    """What is no file to work with, whatever its ending says."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    (tmp_path / "empty").touch()
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "endless").symlink_to("/dev/zero")
    return [*tmp_path.iterdir(), tmp_path / "nowhere", tmp_path / ("x" * 300), Path("\udce9\x1b[2J"), Path("a\0b")]


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such files")
@pytest.mark.parametrize("command", ["draft", "score", "read", "practice", "check", "take", "evaluate"])
def test_what_is_no_file_is_refused_with_a_sentence(command, no_files, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    for path in no_files:
        for ending in ("", ".chart.json", ".musicxml", ".mid", ".wav") if "nowhere" in path.name else ("",):
            words = [command, f"{path}{ending}"] + [str(TRUTH)] * (command in ("check", "take"))
            assert main(words) == 2
            said = capsys.readouterr().err
            assert said.startswith(f"workbench {command}: ") and said.count("\n") == 1 and len(said) <= 330, said
    assert not list(tmp_path.glob("workbench-fault-*"))


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such files")
@pytest.mark.parametrize("ending", [".chart.json", ".musicxml", ".mxl", ".mid"])
@pytest.mark.parametrize("command", ["score", "read", "practice", "check", "take"])
def test_a_part_that_is_no_file_is_refused_with_a_sentence(command, ending, no_files, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    for path in no_files[:5]:
        renamed = path.with_name(path.name + ending)
        path.rename(renamed) if path.name != "loop" else renamed.symlink_to(renamed.name)
        words = [command, str(renamed)] + [str(TRUTH.with_name("copper-weather.ogg"))] * (command in ("check", "take"))
        assert main(words) == 2
        said = capsys.readouterr().err
        assert said.startswith(f"workbench {command}: ") and said.count("\n") == 1 and len(said) <= 330, said
