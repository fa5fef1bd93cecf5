"""The notebooks run from top to bottom, on the demo song and on a user's own file, and leave what they promise."""

import json

import numpy as np
import pytest

from workbench.commands.lab import prepare_notebook
from workbench.files.audio import Audio, save_audio
from workbench.files.chartfile import read_chart
from workbench.shipped import copy_notebook, demo_song

#: The kernel's own client warns; nothing of ours runs in this process.
pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore")]


def run(path):
    """Run a notebook where it lies; gives what its cells said and the kinds of what they showed."""
    import nbformat
    from nbclient import NotebookClient

    notebook = nbformat.read(path, as_version=4)
    NotebookClient(
        notebook, timeout=600, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}
    ).execute()
    outputs = [o for c in notebook.cells if c.cell_type == "code" for o in c.outputs]
    said = "\n".join(o.get("text") or "".join(o.get("data", {}).get(k, "") for k in TEXTS) for o in outputs)
    return said, [kind for o in outputs for kind in o.get("data", {})]


TEXTS = ("text/plain", "text/html", "text/markdown")


def demo(name, folder):
    return run(copy_notebook(name, folder / f"{name}.ipynb", {}))


def test_chart_a_recording_goes_on_where_it_was(tmp_path):
    first, kinds = demo("chart_a_recording", tmp_path)
    charts = tmp_path / "demo"
    assert {p.suffix for p in charts.iterdir()} >= {".json", ".pdf", ".musicxml", ".mid", ".csv"}
    assert [p.name for p in tmp_path.iterdir() if p.is_dir()] == ["demo"], "nothing lies elsewhere"
    assert len(read_chart(charts / "copper-weather.chart.json")) > 30
    assert "image/png" in kinds and "FloatProgress" in first
    before = (charts / "copper-weather.chart.json").read_bytes()
    again, _ = demo("chart_a_recording", tmp_path)
    assert "copper-weather.pdf" in first and "copper-weather.pdf" in again
    assert (charts / "copper-weather.chart.json").read_bytes() == before


def test_a_users_own_recording_has_its_chart_beside_it(tmp_path):
    rate = 22050
    sound = np.zeros((rate * 12, 1), np.float32)
    rng = np.random.default_rng(5)
    for k in range(22):
        at = round((0.5 + 0.5 * k) * rate)
        sound[at : at + 3000, 0] += rng.uniform(-0.7, 0.7, 3000) * np.exp(-np.arange(3000) / 500)
    save_audio(tmp_path / "my own take.wav", Audio(sound, rate))
    run(prepare_notebook([tmp_path / "my own take.wav"]))
    assert (tmp_path / "my own take.chart.json").exists() and (tmp_path / "my own take.pdf").exists()


def test_check_a_draft_finds_what_was_made_wrong(tmp_path):
    """The mistakes are those of ``make_hurried_draft`` in data/demo/make_demo.py."""
    demo("check_a_draft", tmp_path)
    out = tmp_path / "demo"
    names = ("copper-weather.hurried.check", "copper-weather.take")
    written = {f"{name}.{ending}" for name in names for ending in ("html", "pdf", "json")}
    assert written | {"copper-weather.hurried.corrected.chart.json"} <= {p.name for p in out.iterdir()}
    take = json.loads((out / "copper-weather.take.json").read_text())
    missed = sum(s["what"] == "missed" for s in take["strokes"])
    assert take["played"] > 0.95 * take["written"] and missed < 0.05 * take["written"] and not take["warnings"]
    found = json.loads((out / "copper-weather.hurried.check.json").read_text())["findings"]
    # Bars 13 and 14 of the hurried draft are alike: told before them, the gap must be said to lie anywhere among them.
    assert any(
        f["kind"] in ("bar missing", "repeat")
        and (13 <= f["bar"] <= 16 or "anywhere in bars 13–14, which are alike" in f["text"])
        for f in found
    )
    assert any(f["kind"] == "missing" and f["bar"] == 6 and f["heard_instrument"] == "kick" for f in found)
    assert any(f["kind"] == "extra" and f["bar"] == 8 and f["instrument"] == "kick" for f in found)
    assert any(f["instrument"] == "floor tom" and f["bar"] == 4 for f in found)


def test_make_a_practice_pack_leaves_a_pack(tmp_path):
    said, _ = demo("make_a_practice_pack", tmp_path)
    pack = tmp_path / "demo" / "copper-weather.truth-practice"
    assert str(pack.resolve() / "index.html") in said and "<audio" in said
    assert (pack / "booklet.pdf").is_file() and list(pack.glob("audio/*/*-drums-down.mp3"))


def test_plan_a_lesson_leaves_the_page_that_was_planned(tmp_path):
    said, _ = demo("plan_a_lesson", tmp_path)
    page = tmp_path / "demo" / "Copper Weather - Ana.lesson.html"
    text = page.read_text("utf-8")
    assert page.name in said and "Left hand low" in text and 'id="drums-0"' in text
    # Four items were kept of the plan.
    assert text.count('<section class="item"') == 4 and page.stat().st_size < 15e6


def test_read_a_part_shows_what_it_promises(tmp_path):
    said, kinds = demo("read_a_part", tmp_path)
    # One picture of the form, one of the feel, and of every groove and fill.
    assert kinds.count("image/png") >= 2 + said.count("**Fill ") + 3
    assert "not in the second version" in said and "ackbeat on 2 and 4" in said
    # What music21 counts is what the chart holds.
    snares = sum(
        n.instrument == "snare" for _, n in read_chart(tmp_path / "demo/copper-weather.truth.chart.json").notes()
    )
    assert f"{snares} strokes on the snare in " in said and snares > 50


@pytest.mark.parametrize("kind, missing", [("read", "No other version yet"), ("check", "No take yet")])
def test_what_is_of_the_demo_song_is_not_shown_as_a_users_own(kind, missing, tmp_path):
    chart, recording = demo_song(tmp_path, "chart"), demo_song(tmp_path)
    own = chart.rename(tmp_path / "mine.chart.json")
    said, _ = run(prepare_notebook([own, recording], kind))
    assert missing in said and "You played" not in said and "second version" not in said
    assert not (tmp_path / "demo").exists()


def test_ask_a_shelf_answers_and_leaves_a_set_list(tmp_path):
    said, _ = demo("ask_a_shelf", tmp_path)
    assert "Copper Weather" in said and "rock eighths" in said and "set-list.pdf" in said
    made = {p.name for p in (tmp_path / "demo").rglob("*") if p.is_file()}
    assert made >= {"catalogue.html", "catalogue.csv", "set-list.pdf", "set-list.html"}


def test_a_missing_file_is_one_sentence_without_traceback(tmp_path):
    path = copy_notebook("chart_a_recording", tmp_path / "a.ipynb", {"recording": "gone.flac"})
    from nbclient.exceptions import CellExecutionError

    with pytest.raises(CellExecutionError) as raised:
        run(path)
    shown = str(raised.value)
    assert "gone.flac" in shown and "Traceback" not in shown and "frontdoor" not in shown


# -- workbench lab --------------------------------------------------------------------------
