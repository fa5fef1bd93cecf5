"""The notebook runs from top to bottom and finds what was made wrong."""

import json
import shutil
from pathlib import Path

import nbformat
from nbclient import NotebookClient

ROOT = Path(__file__).parent.parent


def test_check_a_draft_runs_from_top_to_bottom(tmp_path):
    (tmp_path / "data").mkdir()
    shutil.copytree(ROOT / "data/demo", tmp_path / "data/demo")
    (tmp_path / "notebooks").mkdir()
    notebook = nbformat.read(ROOT / "notebooks/check_a_draft.ipynb", 4)
    assert all(not c.get("outputs") for c in notebook.cells), "outputs are not kept in the repository"
    NotebookClient(
        notebook, timeout=240, kernel_name="python3", resources={"metadata": {"path": str(tmp_path / "notebooks")}}
    ).execute()
    out = tmp_path / "out/check"
    written = {f"{what}.{ending}" for what in ("check", "take") for ending in ("html", "pdf", "json")}
    assert written | {"copper-weather.chart.json"} <= {p.name for p in out.iterdir()}
    take = json.loads((out / "take.json").read_text())
    assert take["played"] > 0.9 * take["written"] and not take["warnings"]
    found = json.loads((out / "check.json").read_text())["findings"]
    # Bars 4, 6, 8 of the hurried draft and the bar forgotten after bar 14.
    # Bars 13 and 14 of the hurried draft are alike: told before them, the gap must be said to lie anywhere among them.
    assert any(
        f["kind"] in ("bar missing", "repeat")
        and (13 <= f["bar"] <= 16 or "anywhere in bars 13–14, which are alike" in f["text"])
        for f in found
    )
    assert any(
        f["kind"] == "missing" and f["bar"] == 6 + first_number(tmp_path) and f["heard_instrument"] == "kick"
        for f in found
    )
    assert any(
        f["kind"] == "extra" and f["bar"] == 8 + first_number(tmp_path) and f["instrument"] == "kick" for f in found
    )
    assert any(f["instrument"] == "floor tom" and f["bar"] == 4 + first_number(tmp_path) for f in found)


def first_number(folder):
    from workbench.files.chartfile import read_chart

    return read_chart(folder / "data/demo/copper-weather.truth.chart.json").time_map.bar_number(0)
