"""The notebook 'chart a recording' runs from top to bottom, on the demo and on a user's own file."""

import re
import shutil
from pathlib import Path

import nbformat
import numpy as np
import pytest
from nbclient import NotebookClient

from workbench.files.audio import Audio, save_audio
from workbench.files.chartfile import read_chart

ROOT = Path(__file__).parent.parent
NOTEBOOK = ROOT / "notebooks" / "chart_a_recording.ipynb"


def run(folder: Path, recording: str | None = None):
    """Run a copy in a folder of its own; ``recording`` replaces the one line a user changes."""
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    if recording is not None:
        line = next(c for c in notebook.cells if c.cell_type == "code")
        line.source, count = re.subn(r'^recording = ".*"$', f'recording = "{recording}"', line.source)
        assert count == 1
    (folder / "notebooks").mkdir(exist_ok=True)
    NotebookClient(notebook, timeout=300, resources={"metadata": {"path": str(folder / "notebooks")}}).execute()
    return [o.get("text", "") for c in notebook.cells if c.cell_type == "code" for o in c.outputs]


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # the kernel's own client; nothing of ours runs in this process
def test_runs_on_the_demo_and_goes_on_where_it_was(tmp_path):
    shutil.copytree(ROOT / "data" / "demo", tmp_path / "data" / "demo")
    first = "".join(run(tmp_path))
    charts = tmp_path / "out" / "charts"
    assert {p.suffix for p in charts.iterdir()} >= {".json", ".pdf", ".musicxml", ".mid", ".csv"}
    assert len(read_chart(charts / "copper-weather.chart.json")) > 30
    before = (charts / "copper-weather.chart.json").read_bytes()
    again = "".join(run(tmp_path))
    assert "copper-weather.pdf" in first and "copper-weather.pdf" in again
    assert (charts / "copper-weather.chart.json").read_bytes() == before


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_changing_one_line_takes_another_file(tmp_path):
    rate = 22050
    sound = np.zeros((rate * 12, 1), np.float32)
    rng = np.random.default_rng(5)
    for k in range(22):
        at = round((0.5 + 0.5 * k) * rate)
        sound[at : at + 3000, 0] += rng.uniform(-0.7, 0.7, 3000) * np.exp(-np.arange(3000) / 500)
    save_audio(tmp_path / "my own take.wav", Audio(sound, rate))
    run(tmp_path, "../my own take.wav")
    assert (tmp_path / "out" / "charts" / "my own take.pdf").exists()


def test_is_kept_without_outputs():
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    assert all(not c.outputs and c.execution_count is None for c in notebook.cells if c.cell_type == "code")
