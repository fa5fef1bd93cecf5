"""The front door: ``import workbench as wb``."""

import ast
import inspect
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas
import pytest
from matplotlib.figure import Figure

import workbench as wb
from tests.heard import heard_bars
from workbench.chart import Chart, Note
from workbench.chart.meter import TimeMap

ROOT = Path(__file__).parent.parent
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
FUNCTIONS = [n for n in wb.__all__ if inspect.isfunction(getattr(wb, n))]
HEAVY = ("numpy", "pandas", "librosa", "matplotlib", "onnxruntime", "music21", "ipywidgets", "IPython", "scipy")


def test_importing_it_loads_nothing_heavy():
    code = f"import sys, json, workbench; print(json.dumps([m for m in {HEAVY} if m in sys.modules]))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert json.loads(done.stdout) == []


def test_all_that_it_names_is_there_and_documented():
    assert list(wb.__all__) == sorted(wb.__all__) and set(wb.__all__) <= set(dir(wb))
    for name in wb.__all__:
        assert getattr(wb, name).__doc__, name
        assert ">>> " in getattr(wb, name).__doc__ or name in ("WorkbenchError", "edits"), name
    with pytest.raises(AttributeError, match="attribute chart_it"):
        wb.chart_it  # noqa: B018


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_function_says_what_it_takes_and_gives_with_an_example(name):
    """That the examples run: tests/test_examples.py."""
    text = inspect.getdoc(getattr(wb, name))
    for heading in ("Returns", "Examples"):
        assert f"\n{heading}\n---" in text, heading
    assert ">>> import workbench as wb" in text
    for parameter in inspect.signature(getattr(wb, name)).parameters:
        assert name in ("hits", "beats") or parameter in text.split("Returns\n")[0]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_notebooks_enter_by_the_front_door_only_and_are_kept_without_outputs(path):
    cells = [c for c in json.loads(path.read_text("utf8"))["cells"] if c["cell_type"] == "code"]
    imported = set()
    for cell in cells:
        assert not cell["outputs"] and cell["execution_count"] is None
        for node in ast.walk(ast.parse("".join(cell["source"]))):
            if isinstance(node, ast.Import):
                imported |= {(a.name, a.asname) for a in node.names}
            assert not isinstance(node, ast.ImportFrom) or not node.module.startswith("workbench")
    assert [i for i in imported if i[0].startswith("workbench")] == [("workbench", "wb")]
    named = {n.attr for c in cells for n in ast.walk(ast.parse("".join(c["source"]))) if _is_of_wb(n)}
    assert named <= set(wb.__all__)


def _is_of_wb(node):
    return isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "wb"


# -- charts in and out ---------------------------------------------------------------------


def test_a_chart_lies_beside_its_recording_and_is_opened_again(tmp_path, monkeypatch):
    recording = wb.demo_song(tmp_path)
    made = []
    empty = Chart.empty(TimeMap.steady(4, 120))

    def draft(path, **_):
        made.append(path)
        from workbench.chart import Recording
        from workbench.files.audio import sha256_of
        from workbench.listening.draft import Draft

        chart = Chart(empty.time_map, empty.bars, recording=Recording(str(path), sha256_of(path), 8.0))
        return Draft(chart, (), (), None, heard_bars())

    monkeypatch.setattr("workbench.frontdoor.draft", draft)
    song = wb.open_chart(recording)
    assert song.path == (tmp_path / "copper-weather.chart.json").resolve()
    song.apply(wb.edits.AddNote(0, Note(0, "kick")))
    song.close()
    again = wb.open_chart(recording)
    assert len(made) == 1 and len(again.chart.bars[0].notes) == 1
    assert wb.open_chart(again.path) is again, "the chart file itself opens the same"
    again.close()
    renamed = recording.rename(tmp_path / "take two.ogg")
    moved = wb.open_chart(renamed)
    assert moved.path.name == "take two.chart.json" and moved.chart.bars == again.chart.bars and len(made) == 1
    assert moved.chart.recording.path == "take two.ogg"
    moved.close()
    recording = renamed.rename(recording)
    recording.write_bytes(recording.read_bytes() + b"another song")
    with pytest.raises(wb.WorkbenchError, match="another recording"):
        wb.open_chart(recording)
    page = recording.with_suffix(".pdf")
    page.write_bytes(b"%PDF-1.7")
    with pytest.raises(wb.WorkbenchError, match="not a recording"):
        wb.open_chart(page)


def test_a_part_made_elsewhere_becomes_a_chart_in_the_folder_named(tmp_path):
    (score,) = wb.export(wb.demo_song(what="chart"), tmp_path / "theirs", ["musicxml"])
    song = wb.open_chart(score, tmp_path / "mine")
    assert song.path.parent == (tmp_path / "mine").resolve()
    assert len(song.chart) == len(wb.read_chart(score))
    song.close()


def test_a_moved_chart_finds_its_recording(tmp_path):
    source = wb.demo_song(tmp_path / "song", "chart")
    song = wb.open_chart(source, tmp_path / "lessons" / "monday")
    assert (song.path.parent / song.chart.recording.path).resolve() == (tmp_path / "song/copper-weather.ogg").resolve()
    song.close()


def test_a_chart_is_never_overwritten_unasked(tmp_path):
    chart = wb.read_chart(wb.demo_song(what="chart"))
    path = wb.save_chart(chart, tmp_path / "a.chart.json")
    with pytest.raises(wb.WorkbenchError, match="exists already"):
        wb.save_chart(chart, path)
    assert wb.save_chart(chart, path, overwrite=True) == path
    with pytest.raises(wb.WorkbenchError, match="Name"):
        wb.save_chart(chart)
    with pytest.raises(wb.WorkbenchError, match="Name a folder"):
        wb.export(chart, formats=["midi"])


def test_a_missing_file_is_one_sentence_in_a_notebook(tmp_path):
    for call in (wb.open_chart, wb.read_chart, wb.draft):
        for name in ("none.chart.json", "none.flac"):
            with pytest.raises(wb.WorkbenchError) as raised:
                call(tmp_path / name)
            (sentence,) = raised.value._render_traceback_()
            assert "none" in sentence and "\n" not in sentence and "Traceback" not in sentence


# -- tables and pictures --------------------------------------------------------------------


def test_tables_say_what_the_chart_says():
    chart = wb.read_chart(wb.demo_song(what="chart"))
    hits, beats = wb.hits(chart), wb.beats(chart)
    assert isinstance(hits, pandas.DataFrame) and isinstance(beats, pandas.DataFrame)
    assert list(hits.columns) == ["time_s", "bar", "position", "instrument", "velocity", "confidence"]
    assert list(beats.columns) == ["time_s", "bar", "beat"]
    assert len(hits) == sum(len(bar.notes) for bar in chart.bars) and hits.time_s.is_monotonic_increasing
    assert np.allclose(beats.time_s, chart.time_map.anchor_times_s[:-1])
    first = hits.iloc[0]
    assert chart.bars[chart.time_map.bar_index(first.bar)].find(first.position, first.instrument)


def test_plot_draws_on_the_axes_given_and_gives_them_back():
    left, right = Figure(figsize=(16, 4)).subplots(1, 2)
    assert wb.plot(wb.demo_song(what="chart"), right, bars="2") is right
    assert right.collections and not left.collections
    wave = right.child_axes[0]
    assert wave.collections or wave.lines
    assert "2" in [t.get_text().strip() for t in wave.texts]


def test_a_reading_marks_an_open_chart_only_and_can_be_undone(tmp_path):
    song = wb.open_chart(wb.demo_song(tmp_path, "chart"))
    before = song.chart
    reading = wb.read_part(song)
    assert wb.mark_reading(before, reading).marks != before.marks and song.chart == before
    assert wb.mark_reading(song, reading, sticking=True) == song.chart != before
    assert song.undo() == before
    song.close()


def test_a_house_style_reaches_the_pages(tmp_path):
    style = tmp_path / "house.json"
    style.write_text(
        '{"page_breaks": [9], "line_breaks": [3], "line_weight": 1.4, "music_font": "Petaluma", "paper": "Letter"}'
    )
    pages = wb.export(wb.demo_song(what="chart"), tmp_path, ["svg"], house_style=style)
    assert len(pages) >= 2 and 'viewBox="0 0 2159 2794"' in pages[0].read_text("utf-8")
    style.write_text('{"page_breaks": ["9"]}')
    with pytest.raises(wb.WorkbenchError, match="house.json"):
        wb.export(wb.demo_song(what="chart"), tmp_path, ["svg"], house_style=style)


def test_a_title_out_of_a_file_names_reports_in_the_folder_only(tmp_path):
    chart = replace(Chart.empty(TimeMap.steady(2, 120)), title="../up")
    written = wb.report(wb.read_part(chart), tmp_path / "in")
    assert {path.parent.resolve() for path in written} == {(tmp_path / "in").resolve()}
    assert [path.name for path in tmp_path.iterdir()] == ["in"]


@pytest.mark.slow
def test_drafts_of_two_people_against_one_recording_are_kept_apart(tmp_path):
    recording = wb.demo_song(tmp_path)
    check = wb.check(wb.demo_song(what="hurried draft"), recording)
    ana, ben = (replace(check, draft=f"{who} v1.2.musicxml") for who in ("ana", "ben"))
    with wb.correct(ana) as hers:
        before = hers.chart
        hers.apply(wb.edits.RemoveNote(4, *before.bars[4].notes[0].key))
    with wb.correct(ben) as his:
        assert his.path != hers.path and his.chart == before
    with wb.correct(ana) as again:
        assert again.path.name == "ana v1.2.corrected.chart.json" and again.chart == hers.chart
    written = [path.name for each in (ana, ben) for path in wb.report(each, tmp_path)]
    assert written[0] == "ana v1.2.check.html" and len(set(written)) == 6
