"""The wheel, installed in a fresh environment outside the checkout, does the main job there: ``make wheel-test``.

Not collected by ``make test``: it installs every dependency anew, from pip's cache where that has them.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright

from tests.browser.lab import CHROMIUM_FLAGS, Lab, Page, find_chromium

ROOT = Path(__file__).parents[2]
NOT_SHIPPED = shutil.ignore_patterns(".*", "build", "out", "dist", "*.egg-info", "__pycache__", "tests", "training")
PIP = ("-m", "pip", "--quiet", "--disable-pip-version-check")


def run(*words, cwd):
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    done = subprocess.run([str(w) for w in words], cwd=cwd, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """The commands' folder of an environment that has the wheel."""
    folder = tmp_path_factory.mktemp("wheel")
    shutil.copytree(ROOT, folder / "source", ignore=NOT_SHIPPED)  # a build in the checkout could carry older files
    run(sys.executable, *PIP, "wheel", "--no-deps", "--wheel-dir", folder, folder / "source", cwd=folder)
    (wheel,) = folder.glob("*.whl")
    run(sys.executable, "-m", "venv", folder / "env", cwd=folder)
    commands = folder / "env" / "bin"
    run(commands / "python", *PIP, "install", "--no-compile", "-c", ROOT / "constraints.txt", wheel, cwd=folder)
    shutil.rmtree(folder / "source")
    return commands


def test_the_demo_runs(installed, tmp_path):
    said = run(installed / "workbench", "demo", cwd=tmp_path)
    made = {p.name for p in (tmp_path / "out" / "demo").iterdir()}
    assert {f"copper-weather.{e}" for e in ("chart.json", "hits.csv", "musicxml", "mid", "pdf", "reading.md")} <= made
    assert "Copper Weather" in said


def test_lab_opens_the_notebook_on_a_users_recording(installed, tmp_path):
    """In a real browser: the page opens by itself on the copy, runs, and shows the grid; the chart lies beside."""
    song = "import workbench as wb, pathlib; wb.demo_song('.').rename('my song.ogg'); print(wb.__file__)"

    def command(folder, port):
        where = run(installed / "python", "-c", song, cwd=folder)
        assert Path(where.strip()).is_relative_to(installed.parent)
        return [str(installed / "workbench"), "lab", "my song.ogg", "--no-browser", f"--port={port}"]

    lab = Lab(tmp_path / "lab", command=command)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=list(CHROMIUM_FLAGS))
        try:
            page = Page(browser.new_context(viewport={"width": 1500, "height": 1050}), lab)
            page.run_all()
            page.wait_for_grid()
            assert page.problems == []
        finally:
            browser.close()
            lab.stop()
    assert (lab.root / "my song - chart a recording.ipynb").is_file()
    assert (lab.root / "my song.chart.json").is_file() and (lab.root / "my song.pdf").is_file()
