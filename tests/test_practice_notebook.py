"""The notebook that makes a practice pack, run top to bottom on the demo."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).parent.parent


@pytest.mark.slow
def test_the_notebook_runs_and_leaves_a_pack(tmp_path):
    notebook = nbformat.read(ROOT / "notebooks/make_a_practice_pack.ipynb", 4)
    assert all(not cell.get("outputs") for cell in notebook.cells)
    for name in ("notebooks", "data/demo"):
        (tmp_path / name).mkdir(parents=True)
    for path in (ROOT / "data/demo").glob("copper-weather.*"):
        (tmp_path / "data/demo" / path.name).symlink_to(path)
    NotebookClient(
        notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(tmp_path / "notebooks")}}
    ).execute()
    said = "".join(o.get("text", "") for cell in notebook.cells for o in cell.get("outputs", []))
    pack = tmp_path / "out/practice"
    assert str(pack.resolve() / "index.html") in said
    assert (pack / "booklet.pdf").is_file() and list(pack.glob("audio/*/*-drums-down.mp3"))
