"""What is seen and read out: themes, zoom, keys in view, the accessibility tree."""

import re

import pytest

from tests.browser.conftest import SONG, WINDOW

pytestmark = pytest.mark.browser


def test_light_and_dark_follow_the_notebook(song, screenshot):
    page, grid, kernel = song
    papers = {}
    for theme in ("JupyterLab Light", "JupyterLab Dark"):
        grid.theme(theme)
        screenshot(page, f"theme-{theme.split()[1].lower()}")
        papers[theme] = grid.evaluate("""
            const g = view.canvas.getContext("2d");
            const pixel = (x, y) => [...g.getImageData(x, y, 1, 1).data].slice(0, 3);
            return [pixel(3, 3), view.palette.paper, view.palette.ink];""")
    grid.theme("JupyterLab Light")
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
        grid.becomes("view.model.get('bars_per_line') === x", bars)
        grid.drawn()
        lines[bars] = grid.evaluate("return view.sheet.lines.length")
        screenshot(page, f"zoom-{bars}")
    assert lines == {1: 16, 4: 4, 16: 1, 0: 1}
    grid.press("Shift+Z", "z", "z")
    assert grid.evaluate("return view.model.get('bars_per_line')") == 16
    while kernel.value("grid.bars_per_line") != 16:  # keys of a busy page come after what a cell says
        page.page.wait_for_timeout(50)
    # The overview brings a bar into view.
    kernel.run("grid.bars_per_line = 4")
    grid.becomes("view.model.get('bars_per_line') === 4")
    grid.drawn()
    box = page.page.locator(".wbg-overview").bounding_box()
    page.page.mouse.click(box["x"] + box["width"] * 13.5 / 16, box["y"] + 25)
    assert grid.evaluate("return view.cursor.bar") == 13
    visible = grid.evaluate("""
        const line = view.sheet.lines.find((l) => l.last > 13);
        return line.y >= view.scroller.scrollTop - 1
          && line.y < view.scroller.scrollTop + view.scroller.clientHeight - 100;""")
    assert visible


#: A laptop's window and a smaller one.
SMALL_WINDOWS = [(1280, 800), (1024, 700)]


@pytest.mark.parametrize("size", SMALL_WINDOWS)
def test_help_states_and_notices_are_read_whole_in_small_windows(song, size):
    page, grid, kernel = song
    page.page.set_viewport_size(dict(zip(("width", "height"), size)))
    try:
        grid.press("?")
        grid.drawn()
        scroll, room = grid.evaluate("const k = view.keys; return [k.scrollWidth, k.clientWidth]")
        assert scroll <= room, "the list of keys scrolls downwards only"
        covered = grid.evaluate("""
            const hide = view.keys.querySelector('button').getBoundingClientRect();
            return [...view.keys.querySelectorAll('.wbg-key, p, .wbg-keys-title')].some((e) => {
                const b = e.getBoundingClientRect();
                return b.right > hide.left && b.left < hide.right && b.bottom > hide.top && b.top < hide.bottom;
            });""")
        assert not covered
        page.page.keyboard.press("End")
        grid.becomes("view.keys.scrollTop + view.keys.clientHeight >= view.keys.scrollHeight - 2")
        grid.press("?")
        kernel.run(
            "grid.changed_elsewhere = True\n"
            "fault = dict(first_bar=0, last_bar=1, words='the 1 lies a beat late', mends='x', edit={}, leave={})\n"
            "grid.send({'type': 'info', 'info': {'bars': {'now': '', 'others': [], 'faults': [fault]}}})\n"
            "grid.send({'type': 'error', 'error': 'A long notice that says what was wrong and what to do. ' * 4})"
        )
        grid.becomes("view.session.error && !view.bars.element.hidden")
        grid.drawn()
        assert "disagree" in grid.text(".wbg-state") and "all edits saved" in grid.text(".wbg-state")
        cut = grid.evaluate("""
            const right = view.el.getBoundingClientRect().right + 1;
            return [view.el, view.state, view.error].filter((e) => e.scrollWidth > e.clientWidth
              || (e !== view.el && e.scrollHeight > e.clientHeight + 1) || e.getBoundingClientRect().right > right)
              .map((e) => e.className);""")
        assert cut == []
    finally:
        page.page.set_viewport_size(WINDOW)


@pytest.mark.parametrize("panel", ["Bar lines", "Sound", "Bars"])
def test_the_cursors_row_stays_in_sight_when_a_panel_takes_room(song, panel):
    page, grid, _ = song
    page.page.set_viewport_size({"width": 1280, "height": 800})
    try:
        grid.drawn()
        # As far down as the sheet shows: what takes room takes it there first.
        grid.evaluate("view.moveCursor({bar: 9, at: '0', instrument: 'closed hi-hat'})")
        grid.drawn()
        before = grid.evaluate("return view.size.height")
        page.page.get_by_role("button", name=panel, exact=True).click()
        grid.drawn()
        row, height = grid.evaluate("return [view.rowOfCursor() - view.scroller.scrollTop, view.size.height]")
        broken = grid.evaluate("""
            return [...view.toolbar.panel.children].filter((l) =>
              l.offsetHeight > 1.5 * Math.max(...[...l.children].map((e) => e.offsetHeight))).length;""")
        assert height < before, "the panel takes room from the sheet"
        assert 0 < row < height
        assert panel != "Bar lines" or not broken, "on a laptop no line of tools breaks"
    finally:
        page.page.set_viewport_size(WINDOW)


def test_every_key_is_listed_in_view_and_the_list_can_go(song):
    page, grid, kernel = song
    keys = page.page.locator(".wbg-keys")
    assert not keys.is_visible()
    grid.press("?")
    text = keys.inner_text()
    assert keys.is_visible()
    for words in ("next or previous doubt", "keep the hit", "write or remove a hit", "Space"):
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
    assert 'gridcell "snare on the & of 2, empty"' in tree
    assert re.search(r"status: .*Bar 1 — snare on 2", tree)
    active = page.page.evaluate("""() => {
        const id = document.querySelector('.wbg-sheet').getAttribute('aria-activedescendant');
        return document.getElementById(id)?.getAttribute('aria-label');
    }""")
    assert active.startswith("snare on 2")
    grid.press("ArrowRight")
    assert "empty" in grid.text(".wbg-here")
    tree = page.page.locator(".wbg").first.aria_snapshot()
    assert 'gridcell "snare on the e of 2, empty" [selected]' in tree


def test_the_hint_about_loudness_is_there_once(open_notebook):
    page = open_notebook(SONG.replace(", hearing_hint=False", "") + "workspace(grid)")
    page.run_all()
    page.wait_for_grid()
    hint = page.page.locator(".wbg-hint")
    assert "start with the volume low" in hint.inner_text()
    hint.get_by_role("button", name="Understood").click()
    assert not hint.is_visible()


@pytest.mark.parametrize("size, scale", [((1366, 768), 1), ((1440, 900), 1), ((911, 512), 1.5), ((960, 600), 1.5)])
def test_run_all_leaves_the_whole_grid_in_view_and_jumps_stay_there(open_notebook, size, scale):
    """Laptop windows, at 100 % and at 150 % (fewer and larger CSS pixels)."""
    page = open_notebook("1 + 1", SONG + "workspace(grid, ScoreView(grid))", *["print('below\\n' * 9)"] * 5)
    screen = page.page.context.new_cdp_session(page.page)

    def resize(width, height, scale):
        metrics = {"width": width, "height": height, "deviceScaleFactor": scale, "mobile": False}
        screen.send("Emulation.setDeviceMetricsOverride", metrics)
        page.page.evaluate("() => window.jupyterapp.commands.execute('application:toggle-left-area')")

    resize(*size, scale)
    page.run_all()
    page.wait_for_grid()
    seen = """() => {
        const frame = document.querySelector('.jp-WindowedPanel-outer').getBoundingClientRect();
        const top = document.querySelector('.wbg').getBoundingClientRect().top;
        const bottom = document.querySelector('.wbg-sheet').getBoundingClientRect().bottom;
        return top >= frame.top - 1 && bottom <= frame.bottom + 1;
    }"""
    page.page.wait_for_function(seen)
    page.page.wait_for_timeout(1000)
    assert page.page.evaluate(seen), "and it stays there"
    # Scrolled away by hand, a jump brings the cursor onto the screen.
    grid = page.grid()
    page.page.mouse.move(size[0] / 2, size[1] / 2)
    page.page.evaluate("() => { document.querySelector('.jp-WindowedPanel-outer').scrollTop += 5000; }")
    grid.evaluate("view.takeKeys(); view.run('previous doubt')")
    page.page.wait_for_function("""() => {
        const view = document.querySelector('.wbg').hitGrid;
        const frame = document.querySelector('.jp-WindowedPanel-outer').getBoundingClientRect();
        const line = view.sheet.lines.find((l) => view.cursor.bar < l.last);
        const row = view.rowOf.get(view.cursor.instrument);
        const top = view.scroller.getBoundingClientRect().top - view.scroller.scrollTop;
        const y = top + line.y + view.sheet.rowTops[row];
        return y >= frame.top && y + view.sheet.rowHeights[row] <= frame.bottom;
    }""")
    # Every hit has a head, at every size.
    assert grid.evaluate("return view.sheet.lines[0].scale / 8 * 0.4") > 3
    assert page.page.evaluate("() => [innerWidth, innerHeight, devicePixelRatio]") == [*size, scale]
    resize(**WINDOW, scale=1)


def test_what_is_no_longer_true_disappears_and_offers_stay(song):
    page, grid, kernel = song
    grid.click(4, 5 / 8, "kick")
    grid.press("x", "Control+a", "Escape")
    grid.settle()
    assert page.page.locator(".wbg-offer").count() == 1
    grid.press("e")
    grid.settle()
    assert "Corrected the same way" in grid.text(".wbg-here")
    assert page.page.locator(".wbg-offer").count() == 0
    grid.press("Control+z")
    grid.settle()
    assert "Corrected" not in grid.text(".wbg-here")
    page.page.get_by_role("button", name="Let these bars be").click()
    page.page.wait_for_function("() => !document.querySelector('.wbg-offer')")


def test_the_sheet_shows_what_it_is_scrolled_to_after_another_theme(song):
    """JupyterLab hides the page while a theme's style sheet comes; a hidden element says that it is not scrolled."""
    page, grid, _ = song
    page.page.set_viewport_size({"width": 1280, "height": 800})
    seen = """
        const { lines, lineHeight } = view.sheet;
        const at = (y) => lines[Math.min(Math.floor(y / lineHeight), lines.length - 1)];
        const { scrollTop } = view.scroller;
        const wanted = [at(scrollTop).first, at(scrollTop + view.size.height - 1).last].join();
        return [scrollTop, view.overviewShown.includes(wanted)];"""
    try:
        grid.evaluate("view.moveCursor({bar: 13, at: '0', instrument: 'kick'})")
        grid.drawn()
        for theme in ("JupyterLab Dark", "JupyterLab Light", "JupyterLab Dark", "JupyterLab Light"):
            grid.theme(theme)
            # The last look at a theme comes 600 ms after its name.
            page.page.wait_for_timeout(900)
            grid.drawn()
            scrolled, shown = grid.evaluate(seen)
            assert scrolled > 0 and shown, theme
    finally:
        page.page.set_viewport_size(WINDOW)
