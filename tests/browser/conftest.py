"""One JupyterLab, one Chromium and, wherever a test needs no page of its own, one page for all browser tests."""

from contextlib import ExitStack, closing
from pathlib import Path

import pytest
from playwright.sync_api import expect, sync_playwright

from tests.browser.lab import CHROMIUM_FLAGS, PATIENCE_S, Desk, Grid, Kernel, Lab, Page, find_chromium
from workbench.shipped import copy_notebook

ROOT = Path(__file__).parent.parent.parent
SCREENSHOTS = ROOT / "out" / "screenshots"
expect.set_options(timeout=1000 * PATIENCE_S)
WINDOW = {"width": 1500, "height": 1050}

#: A chart of sixteen bars with a groove, doubts and a section, and a recording of noise
#: bursts, so that any shift of a single sample shows.
SONG = """
from dataclasses import replace
from fractions import Fraction as F
import numpy as np
from workbench.files.audio import Audio
from workbench.chart import Chart, Note, Section, WrittenBar
from workbench.files.document import ChartDocument
from workbench.grid import HitGrid, ScoreView, workspace
from workbench.chart.meter import TimeMap

groove = WrittenBar(tuple(
    [Note(F(k, 8), "closed hi-hat", 70, confidence=0.95) for k in range(8)]
    + [Note(F(0), "kick", 105, confidence=0.97), Note(F(1, 4), "snare", 100, confidence=0.4),
       Note(F(5, 8), "kick", 90, confidence=0.9), Note(F(3, 4), "snare", 100, confidence=0.92)]))
chart = Chart(TimeMap.steady(16, 120, start_s=0.5), (groove,) * 16, title="Glass Harbour",
              artist="The Low Tides", sections=(Section(0, "Verse", "A"), Section(8, "Chorus", "B")))
rate = 44100
noise = np.random.default_rng(7).uniform(-0.2, 0.2, (rate * 34, 2)).astype(np.float32)
for k, note in chart.notes():
    at = round(chart.note_time_s(k, note) * rate)
    noise[at:at + 2000] *= 1.9
recording = Audio(np.round(np.clip(noise, -1, 1) * 32767).astype(np.float32) / 32767, rate)
try:
    document = ChartDocument.open("song.chart.json")
except Exception:
    document = ChartDocument.create(chart, "song.chart.json")
grid = HitGrid(document, recording=recording, hearing_hint=False)
"""


@pytest.fixture(scope="session")
def driver():
    """What starts browsers; a process has one."""
    with sync_playwright() as playwright:
        yield playwright


@pytest.fixture(scope="session")
def chromium(driver):
    browser = driver.chromium.launch(executable_path=find_chromium(), args=list(CHROMIUM_FLAGS))
    yield browser
    browser.close()


@pytest.fixture(scope="session")
def lab(tmp_path_factory):
    lab = Lab(tmp_path_factory.mktemp("lab"))
    yield lab
    lab.stop()


@pytest.fixture
def context(chromium):
    context = chromium.new_context(viewport=WINDOW)
    context.set_default_timeout(1000 * PATIENCE_S)
    yield context
    context.close()


@pytest.fixture(scope="session")
def desk(lab, chromium):
    """The page with one notebook and one kernel that tests use one after the other."""
    desk = Desk(lab, chromium.new_context(viewport=WINDOW))
    yield desk
    desk.context.close()


@pytest.fixture
def open_notebook(desk, request):
    """A function that has cells, in a folder of their own, as all there is in page and kernel; none has run yet."""
    failed = request.session.testsfailed

    def open_notebook(*cells: str) -> Page:
        return desk.lay(cells)

    yield open_notebook
    page = desk.page
    if request.session.testsfailed > failed or page.problems:
        page.close()  # who knows what it holds
    assert page.problems == []


@pytest.fixture
def open_delivered(lab, context):
    """A function that opens one of the project's notebooks and runs it until its grid sounds."""
    pages = []

    def open_delivered(name: str) -> Page:
        (lab.root / name).mkdir()
        copy_notebook(name, lab.root / name / f"{name}.ipynb", {})
        page = Page(context, lab, f"{name}/{name}.ipynb")
        pages.append(page)
        page.run_all()
        page.wait_for_grid()
        page.grid().sheet.scroll_into_view_if_needed()
        page.page.wait_for_function("() => document.querySelector('.wbg').hitGrid.sound.stamp >= 3")
        return page

    yield open_delivered
    for page in pages:
        assert page.problems == []


@pytest.fixture(scope="session")
def drafted(tmp_path_factory):
    """The demo song's folder once it is drafted, to be copied."""
    import workbench as wb

    folder = tmp_path_factory.mktemp("drafted")
    wb.open_chart(wb.demo_song(folder)).close()
    return folder


@pytest.fixture
def open_grid(open_notebook):
    """A function that runs cells; gives the page, its first grid and Python's side of it."""
    with ExitStack() as opened:

        def open_grid(*cells: str) -> tuple[Page, Grid, Kernel]:
            page = open_notebook(*cells)
            page.run_all()
            page.wait_for_grid()
            return page, page.grid(), opened.enter_context(closing(page.lab.kernel_of(page.notebook)))

        yield open_grid


@pytest.fixture
def song(open_grid):
    return open_grid(SONG + "workspace(grid)")


@pytest.fixture
def screenshot(request):
    """Keeps a picture of the page under out/screenshots."""
    SCREENSHOTS.mkdir(parents=True, exist_ok=True)

    def keep(page: Page, name: str = "") -> Path:
        page.page.evaluate("() => document.querySelector('.wbg').closest('.jp-OutputArea').scrollIntoView(true)")
        page.page.wait_for_timeout(150)
        path = SCREENSHOTS / f"{name or request.node.name}.png"
        page.page.screenshot(path=path)
        return path

    return keep
