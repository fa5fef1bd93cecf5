"""Takes the pictures of the grid for the README: ``python -m tests.browser.pictures``.

The demo song is drafted in a real JupyterLab and the page photographed in
Chromium, so the picture shows what a user sees.
"""

import argparse
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from tests.browser.lab import CHROMIUM_FLAGS, Lab, Page, find_chromium
from workbench.shipped import copy_notebook

ROOT = Path(__file__).parent.parent.parent


def take(out: Path) -> None:
    """Write ``grid.png`` into a folder."""
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        lab = Lab(Path(folder))
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=list(CHROMIUM_FLAGS))
        try:
            copy_notebook("chart_a_recording", lab.root / "chart.ipynb", {})
            context = browser.new_context(viewport={"width": 1360, "height": 1000}, device_scale_factor=1.5)
            page = Page(context, lab, "chart.ipynb")
            page.page.evaluate("() => window.jupyterapp.commands.execute('application:toggle-left-area')")
            page.run_all()
            page.wait_for_grid()
            kernel = lab.kernel_of(page.notebook)
            kernel.run(
                "song.apply(wb.edits.SetHeading(title='Copper Weather', artist='The Night Trams'))\n"
                "song.apply(wb.edits.NameSection(1, 'Verse', 'A'))\n"
                "song.apply(wb.edits.NameSection(9, 'Lift', 'B'))"
            )
            kernel.close()
            show(page)
            page.page.screenshot(path=out / "grid.png", clip=place_of_grid(page))
        finally:
            browser.close()
            lab.stop()


def show(page: Page) -> None:
    """The moment to be seen: the first bars settled, the next doubt sounding in a loop."""
    grid = page.grid()
    page.page.locator(".wbg-hint button").click()
    grid.press("Home", "Shift+ArrowRight", "Shift+ArrowRight", "Shift+ArrowRight", "K", "Escape")
    grid.settle()
    page.page.wait_for_function("() => document.querySelector('.wbg').hitGrid.sound.stamp >= 3")
    page.page.evaluate("() => document.querySelector('.wbg').closest('.jp-OutputArea').scrollIntoView(true)")
    grid.evaluate("view.run('next doubt'); view.startPlaying()")
    page.page.wait_for_function("() => document.querySelector('.wbg').hitGrid.listener.heardAt() !== null")
    page.page.wait_for_timeout(900)


def place_of_grid(page: Page) -> dict:
    box = page.page.locator(".wbg").first.bounding_box()
    area = page.page.locator(".wbg").first.evaluate(
        "(e) => { const b = e.closest('.jp-OutputArea').getBoundingClientRect(); return [b.x, b.y]; }"
    )
    bottom = min(box["y"] + box["height"], 960)
    return {"x": box["x"] - 6, "y": max(area[1], 80), "width": box["width"] + 12, "height": bottom - max(area[1], 80)}


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, default=ROOT / "data" / "demo" / "pictures")
    take(parser.parse_args().out)
