"""Nothing is lost: keys that are not the notebook's, busy kernels, closed pages, killed kernels, two views."""

import json
import re

import pytest

from tests.browser.conftest import SONG
from workbench.grid import bundle

pytestmark = pytest.mark.browser

#: Keys with which JupyterLab's command mode changes cells (its own list of shortcuts), and the like.
NOTEBOOK_KEYS = ["a", "b", "x", "c", "v", "z", "m", "y", "r", "d", "d", "i", "j", "k", "o", "l", "1", "6", "Shift+M",
                 "Shift+V", "Shift+Enter", "Control+Enter", "Alt+Enter", "Control+x", "Control+v", "Control+Shift+-",
                 "Delete", "Backspace", "Enter", " ", "ArrowDown", "ArrowUp"]  # fmt: skip
OUR_KEYS = [
    key.replace("Ctrl+", "Control+")
    for keys in re.findall(r"keys: \[(.*?)\]", (bundle.HERE / "js" / "keys.js").read_text("utf8"))
    for key in json.loads(f"[{keys}]")
    if key not in ("Escape", "Shift+?", "Shift+<")
]
CELLS = """() => window.jupyterapp.shell.currentWidget.content.widgets.map(
  (c) => [c.model.type, c.model.sharedModel.source])"""
#: Everything that can have the focus, but what is only there while a question is asked.
PARTS = """() => [...document.querySelectorAll('.wbg :is(button, input, select, [tabindex]), .wbs')]
  .filter((e) => e.checkVisibility())"""
BARE_PARTS = [".wbg-title", ".wbg-state", ".wbg-overview", ".wbg-here", ".wbg-panel", ".wbg-slider", ".wbs svg"]

CRASHES = "sum(n.instrument == 'crash' for _, n in document.chart.notes())"


def click_many(grid, bars):
    for bar in bars:
        for k in range(3):
            grid.click(bar, k / 8 + 1 / 16, "crash")


def press_all(page, keys):
    for key in keys:
        page.page.keyboard.press(key)


def focus_part(page, k, only):
    """Put the focus on the k-th part; false where it takes none, or none among those that ``only`` selects."""
    return page.page.evaluate(
        f"""([k, only]) => {{
        const part = ({PARTS})()[k];
        if (!part?.closest(only)) return false;
        part.focus();
        return document.activeElement === part;
    }}""",
        [k, only],
    )


@pytest.mark.parametrize("every", [8, pytest.param(1, marks=pytest.mark.soak)])
def test_no_key_reaches_the_notebook_from_any_part_of_the_grid(open_notebook, every):
    """From all that takes the focus, every n-th of the notebook's keys (others at the next part), from some ours."""
    page = open_notebook("1 + 1", SONG + "workspace(grid, ScoreView(grid))", "'the end'")
    page.run_all()
    page.wait_for_grid()
    cells = page.page.evaluate(CELLS)
    tidy = "(t) => { const v = document.querySelector('.wbg').hitGrid; v.set('show_keys', false); v.toolbar.open(t); }"
    met = 0
    for tab in ["", *page.page.locator(".wbg-tab").all_inner_texts()]:
        page.page.evaluate(tidy, tab)
        for k in range(page.page.evaluate(f"() => ({PARTS})().length")):
            if focus_part(page, k, ".wbg-panel" if tab else "*"):
                press_all(page, NOTEBOOK_KEYS[k % every :: every])
                if k % 8 == 0:
                    press_all(page, OUR_KEYS[k // 8 % every :: every])
                met += 1
                assert page.page.evaluate(CELLS) == cells, (tab, k)
                page.page.evaluate(tidy, tab)
    for part in BARE_PARTS:
        page.page.locator(part).first.click(position={"x": 3, "y": 3}, force=True)
        press_all(page, NOTEBOOK_KEYS)
        assert page.page.evaluate(CELLS) == cells, part
    assert met > 40
    assert page.page.locator(".wbg").count() == 1


def test_keys_work_after_any_press_of_the_mouse_and_escape_gives_them_back(song):
    page, grid, kernel = song
    for part in (".wbg-title", ".wbg-here", ".wbg-overview", "text=Undo", "text=Loop", "text=Sound"):
        page.page.locator(f".wbg >> {part}").first.click()
        grid.evaluate("view.moveCursor({bar: 3, at: '0', instrument: 'kick'})")
        page.page.keyboard.press("ArrowRight")
        assert grid.evaluate("return view.cursor.at") == "1/16", part
    page.page.keyboard.press("Escape")  # the panel
    page.page.keyboard.press("Escape")
    assert page.page.evaluate("() => document.activeElement.closest('.wbg')") is None
    assert page.page.evaluate("() => document.querySelector('.wbg').dataset.keys") == "away"
    assert "notebook has the keys" in grid.text(".wbg-here")


def test_edits_while_a_cell_runs_are_confirmed(song):
    page, grid, kernel = song
    # JupyterLab hands widgets' messages to a thread of their own once that has started.
    page.page.wait_for_function(
        """(id) => {
        const session = window.jupyterapp.shell.currentWidget.context.sessionContext.session;
        return session.kernel._comms.get(id)?.subshellId;
    }""",
        arg=kernel.value("grid.comm.comm_id"),
    )
    # The cell ends when it has seen the edits, or gives up.
    kernel.start(
        f"import time\nend = time.time() + 120\nwhile {CRASHES} < 6 and time.time() < end:\n"
        "    time.sleep(0.02)\nseen = time.time() < end"
    )
    click_many(grid, (0, 1))
    grid.settle()
    assert kernel.value("seen") is True


def test_edits_wait_for_a_busy_kernel_and_outlive_the_page(song):
    page, grid, kernel = song
    # As with JupyterLab's setting that widgets' messages wait for running cells.
    page.page.evaluate(
        "() => { window.jupyterapp.shell.currentWidget.context.sessionContext.session.kernel"
        ".commsOverSubshells = 'disabled'; }"
    )
    grid.click(0, 1 / 16, "ride")
    grid.settle()
    with kernel.busy(page.lab.folder):
        click_many(grid, (0, 1, 2, 3))
        # Shown at once, told as waiting.
        assert grid.evaluate("return view.chart.bars[3].notes.some((n) => n.instrument === 'crash')")
        assert grid.evaluate("return view.session.pending.length") == 12
        assert "12 edits waiting for the kernel" in grid.text(".wbg-state")
        page.close()
    assert kernel.value(CRASHES) == 12
    assert kernel.value("document.revision") == 13


def test_two_views_stay_equal(open_grid, screenshot):
    second = "other = HitGrid(document, recording, hearing_hint=False, bars_per_line=8, height=320)\nother"
    page, one, kernel = open_grid(SONG + "workspace(grid)", second, "grid")
    page.wait_for_grid(3)
    two, three = page.grid(1), page.grid(2)
    click_many(one, (0, 1))
    click_many(two, (8,))
    one.settle()
    two.settle()
    kernel.run(
        "from workbench.chart.edits import *\n"
        "document.apply(NameSection(4, 'Lift'))\ndocument.apply(MoveBarLine(3, 6.6))"
    )
    two.press("Control+z")
    two.settle()
    revision = kernel.value("document.revision")
    for view in (one, two, three):
        view.becomes("view.session.revision >= x", revision)
    charts = [
        g.evaluate("return [view.session.revision, JSON.stringify(view.session.confirmed)]") for g in (one, two, three)
    ]
    assert charts[0] == charts[1] == charts[2]
    assert charts[0][0] == revision == 12
    assert kernel.value(CRASHES) == 9
    written = "__import__('workbench.chart.data', fromlist=['data']).to_data(document.chart)"
    assert kernel.value(written) == one.evaluate("return view.session.confirmed")
    screenshot(page)


def test_a_killed_kernel_loses_no_confirmed_edit(song, screenshot):
    page, grid, kernel = song
    click_many(grid, (0, 1))
    grid.settle()
    assert kernel.value("document.unsaved") == 6
    kernel.start("import os, signal; os.kill(os.getpid(), signal.SIGKILL)")
    state = "() => document.querySelector('.wbg-state').innerText"
    page.page.wait_for_function(state + ".includes('kernel gone')")
    page.dismiss_dialogs()
    # An edit made now is told to be unsaved.
    grid.click(5, 1 / 16, "crash")
    page.page.wait_for_function(state + ".includes('1 edit not kept')")
    screenshot(page)
    page.dismiss_dialogs()
    page.wait_for_lab()
    page.run_all()
    page.page.wait_for_function(
        """() => [...document.querySelectorAll('.wbg')].some((e) => e.dataset.painted
        && e.hitGrid.session.confirmed?.bars[1].notes.some((n) => n.instrument === 'crash'))"""
    )
    again = page.lab.kernel_of(page.notebook)
    assert again.value(CRASHES) == 6
    assert "last 6 edits" in again.value("document.notice")
    # And they can still be undone.
    assert again.value("(document.undo(), 0)[1]") == 0
    assert again.value(CRASHES) == 5
    again.close()
    page.close()


def test_a_page_loaded_anew_shows_the_chart_as_it_is(song):
    page, grid, kernel = song
    click_many(grid, (0,))
    grid.settle()
    page.page.evaluate("() => window.jupyterapp.commands.execute('docmanager:save')")
    page.page.reload()
    page.wait_for_lab()
    page.wait_for_grid()
    assert grid.has(0, "1/16", "crash")
    grid.click(2, 1 / 16, "crash")
    grid.settle()
    assert kernel.value(CRASHES) == 4
