"""What is seen and read out: themes, zoom, keys in view, the accessibility tree."""

import re

import pytest

from tests.browser.conftest import SONG

pytestmark = pytest.mark.browser


def test_light_and_dark_follow_the_notebook(song, screenshot):
    page, grid, kernel = song
    papers = {}
    for theme in ("JupyterLab Light", "JupyterLab Dark"):
        change = "(t) => window.jupyterapp.commands.execute('apputils:change-theme', {theme: t})"
        page.page.evaluate(change, theme)
        page.page.wait_for_timeout(1200)
        screenshot(page, f"theme-{theme.split()[1].lower()}")
        papers[theme] = grid.evaluate("""
            const g = view.canvas.getContext("2d");
            const pixel = (x, y) => [...g.getImageData(x, y, 1, 1).data].slice(0, 3);
            return [pixel(3, 3), view.palette.paper, view.palette.ink];""")
    page.page.evaluate(change, "JupyterLab Light")
    light, dark = papers["JupyterLab Light"][0], papers["JupyterLab Dark"][0]
    assert min(light) > 240 and max(dark) < 40
    for _, paper, ink in papers.values():
        assert contrast(paper, ink) > 7  # WCAG 2.2, 1.4.6: enhanced contrast


def contrast(a, b):
    """Contrast ratio of two colours (WCAG 2.2, 'contrast ratio', 'relative luminance')."""

    def luminance(colour):
        channels = [int(c) / 255 for c in re.findall(r"\d+", colour)[:3]]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_from_one_bar_to_the_whole_song(song, screenshot):
    page, grid, kernel = song
    lines = {}
    for bars in (1, 4, 16, 0):
        kernel.run(f"grid.bars_per_line = {bars}")
        page.page.wait_for_function(
            f"() => document.querySelector('.wbg').hitGrid.model.get('bars_per_line') === {bars}"
        )
        page.page.wait_for_timeout(200)
        lines[bars] = grid.evaluate("return view.sheet.lines.length")
        screenshot(page, f"zoom-{bars}")
    assert lines == {1: 16, 4: 4, 16: 1, 0: 1}
    grid.press("Shift+Z", "z", "z")
    assert grid.evaluate("return view.model.get('bars_per_line')") == 16
    # The overview brings a bar into view.
    kernel.run("grid.bars_per_line = 4")
    page.page.wait_for_timeout(300)
    box = page.page.locator(".wbg-overview").bounding_box()
    page.page.mouse.click(box["x"] + box["width"] * 13.5 / 16, box["y"] + 25)
    assert grid.evaluate("return view.cursor.bar") == 13
    visible = grid.evaluate("""
        const line = view.sheet.lines.find((l) => l.last > 13);
        return line.y >= view.scroller.scrollTop - 1
          && line.y < view.scroller.scrollTop + view.scroller.clientHeight - 100;""")
    assert visible


def test_every_key_is_listed_in_view_and_the_list_can_go(song):
    page, grid, kernel = song
    keys = page.page.locator(".wbg-keys")
    assert not keys.is_visible()
    grid.press("?")
    text = keys.inner_text()
    assert keys.is_visible()
    for words in ("next or previous doubtful hit", "keep the hit", "write or remove a hit", "Space"):
        assert words in text
    page.page.keyboard.press("Escape")
    assert not keys.is_visible()


def test_the_accessibility_tree_holds_the_bar_as_a_grid(song):
    """Roles of WAI-ARIA 1.2: grid, row, rowheader, gridcell, status, alert."""
    page, grid, kernel = song
    grid.press("n")
    assert "snare" in grid.text(".wbg-here")
    tree = page.page.locator(".wbg").first.aria_snapshot()
    assert re.search(r'grid "Hits of bar 1, 4/4"', tree)
    assert 'rowheader "snare"' in tree
    assert 'gridcell "snare on 2, velocity 100, draft is 40 % sure" [selected]' in tree
    assert 'gridcell "snare on & of 2, empty"' in tree
    assert re.search(r"status: .*Bar 1 — snare on 2", tree)
    active = page.page.evaluate("""() => {
        const id = document.querySelector('.wbg-sheet').getAttribute('aria-activedescendant');
        return document.getElementById(id)?.getAttribute('aria-label');
    }""")
    assert active.startswith("snare on 2")
    grid.press("ArrowRight")
    assert "empty" in grid.text(".wbg-here")
    tree = page.page.locator(".wbg").first.aria_snapshot()
    assert 'gridcell "snare on e of 2, empty" [selected]' in tree


def test_the_hint_about_loudness_is_there_once(open_notebook):
    page = open_notebook(SONG.replace(", hearing_hint=False", "") + "workspace(grid)")
    page.run_all()
    page.wait_for_grid()
    hint = page.page.locator(".wbg-hint")
    assert "start with the volume low" in hint.inner_text()
    hint.get_by_role("button", name="Understood").click()
    assert not hint.is_visible()
