"""The notebook runs from top to bottom and shows what it promises."""

import shutil
from pathlib import Path

import nbformat
from nbclient import NotebookClient

ROOT = Path(__file__).parent.parent


def test_read_a_part_runs_from_top_to_bottom(tmp_path):
    (tmp_path / "data").mkdir()
    shutil.copytree(ROOT / "data/demo", tmp_path / "data/demo")
    (tmp_path / "notebooks").mkdir()
    notebook = nbformat.read(ROOT / "notebooks/read_a_part.ipynb", 4)
    assert all(not c.get("outputs") for c in notebook.cells), "outputs are not kept in the repository"
    NotebookClient(
        notebook, timeout=240, kernel_name="python3", resources={"metadata": {"path": str(tmp_path / "notebooks")}}
    ).execute()
    kinds, said = [], []
    for cell in notebook.cells:
        for output in cell.get("outputs", ()):
            kinds += output.get("data", {})
            said.append(output.get("text") or output.get("data", {}).get("text/markdown", ""))
    page = "\n".join(said)
    # One picture of the form, one of the feel, and of every groove and fill.
    assert kinds.count("image/png") >= 2 + page.count("**Fill ") + 3
    assert "the one to practise" in page and "not in the second version" in page
    assert "Backbeat on 2 and 4" in page
