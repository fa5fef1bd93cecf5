"""``workbench lab``: which notebook it copies, and what it lacks."""

import json

import pytest

import workbench as wb
from workbench.commands.cli import main
from workbench.commands.lab import NOTEBOOKS, prepare_notebook
from workbench.shipped import copy_notebook

#: The kernel's own client warns; nothing of ours runs in this process.
pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore")]


def lines(path):
    cell = next(c for c in json.loads(path.read_text("utf8"))["cells"] if "parameters" in c["metadata"].get("tags", ()))
    return "".join(cell["source"]).splitlines()


def test_lab_chooses_the_notebook_by_the_files(tmp_path):
    chart, recording = wb.demo_song(tmp_path / 'my "songs"', "chart"), tmp_path / 'my "songs"' / "copper-weather.ogg"
    opened = prepare_notebook([recording])
    assert opened == recording.parent / "copper-weather - chart a recording.ipynb"
    assert 'recording = "copper-weather.ogg"' in lines(opened)
    opened = prepare_notebook([chart, recording])
    assert opened.name == "copper-weather.truth - check a draft.ipynb"
    assert 'draft = "copper-weather.truth.chart.json"' in lines(opened)
    opened = prepare_notebook([chart], "read")
    assert 'recording = "copper-weather.ogg"' in lines(opened), "the chart's own, where it lies"
    alone = wb.demo_song(tmp_path / "alone", "chart")
    for other in alone.parent.glob("*.ogg"):
        other.unlink()
    assert "recording = None" in lines(prepare_notebook([alone], "read"))
    assert lines(prepare_notebook([recording.parent]))[-1] == 'folder = "."'
    chart.rename(recording.with_name("copper-weather.chart.json"))
    assert 'chart = "copper-weather.chart.json"' in lines(prepare_notebook([recording], "lesson")), "its own chart"
    chart = recording.with_name("copper-weather.chart.json")
    for kind in NOTEBOOKS:
        assert "import workbench as wb" in lines(prepare_notebook([chart, recording], kind))


def test_lab_never_overwrites_a_notebook(tmp_path, monkeypatch):
    recording = wb.demo_song(tmp_path)
    opened = prepare_notebook([recording])
    opened.write_text("mine")
    assert prepare_notebook([recording]).read_text() == "mine"
    monkeypatch.chdir(tmp_path)
    assert prepare_notebook([]).name == "chart_a_recording.ipynb"
    assert {p.stem for p in tmp_path.glob("*.ipynb")} >= set(NOTEBOOKS.values())


@pytest.mark.parametrize(
    "files, options, fact",
    [
        (["gone.flac"], [], "no file gone.flac"),
        (["copper-weather.hits.csv"], [], "copper-weather.hits.csv is not a recording"),
        (["settings.json"], [], "settings.json is no chart file"),
        (["copper-weather.ogg", "song.chart.json"], [], "song.chart.json is no chart file"),
        (["part.mid"], [], "part.mid"),
        (["copper-weather.ogg"], ["--notebook", "practice"], "Name the chart"),
        (["copper-weather.truth.chart.json"], ["--notebook", "check"], "Name the recording"),
    ],
)
def test_lab_says_what_it_lacks(tmp_path, monkeypatch, capsys, files, options, fact):
    wb.demo_song(tmp_path, "chart")
    (tmp_path / "copper-weather.hits.csv").write_text("time_s,bar\n")
    (tmp_path / "settings.json").write_text('{"theme": "dark"}')
    (tmp_path / "song.chart.json").write_text("[]")
    (tmp_path / "part.mid").write_text("no MIDI")
    monkeypatch.chdir(tmp_path)
    assert main(["lab", *files, *options]) == 2
    assert fact in capsys.readouterr().err
    assert not list(tmp_path.glob("*.ipynb"))


@pytest.mark.parametrize("port", ["0", "65536", "99999", "-1", "x"])
def test_a_port_that_no_machine_has_is_refused(port, capsys):
    with pytest.raises(SystemExit) as refused:
        main(["lab", f"--port={port}"])
    assert refused.value.code == 2 and "65535" in capsys.readouterr().err


@pytest.mark.parametrize("kind", NOTEBOOKS)
def test_a_copy_set_to_own_files_does_not_speak_of_the_demo(kind, tmp_path):
    name = NOTEBOOKS[kind]
    own = copy_notebook(name, tmp_path / "own.ipynb", {"recording": "song.flac"})
    first = json.loads(own.read_text("utf8"))["cells"][0]["source"]
    assert "demo" not in first and "into the" not in first and "Run All" in first
    code = [c["source"] for c in json.loads(own.read_text("utf8"))["cells"] if c["cell_type"] == "code"]
    assert not any("demo" in "".join(source) for source in code)
    as_it_is = copy_notebook(name, tmp_path / "demo.ipynb", {})
    assert "demo song" in "".join(json.loads(as_it_is.read_text("utf8"))["cells"][0]["source"])
