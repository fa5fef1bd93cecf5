"""Editing in a real JupyterLab: mouse, keys, undo, doubts, repeats, bar lines."""

import pytest

pytestmark = pytest.mark.browser

HITS = "sorted((str(n.position), n.instrument) for n in document.chart.bars[{}].notes)"


def note(kernel, bar, at, instrument, field):
    return kernel.value(
        f"(lambda n: None if n is None else n.{field})(document.chart.bars[{bar}].find(F('{at}'), '{instrument}'))"
    )


def test_mouse_writes_chooses_removes_and_moves(song, screenshot):
    page, grid, kernel = song
    grid.click(1, 3 / 16, "kick")
    grid.settle()
    assert note(kernel, 1, "3/16", "kick", "confirmed") is True
    # A click on a hit chooses it, however often; a double click removes it.
    for _ in range(2):
        grid.click(1, 5 / 8, "kick")
        assert "kick on the & of 3" in grid.text(".wbg-here")
        page.page.wait_for_timeout(600)
    grid.settle()
    assert note(kernel, 1, "5/8", "kick", "velocity") == 90
    grid.click(1, 5 / 8, "kick", click_count=2)
    grid.settle()
    assert note(kernel, 1, "5/8", "kick", "velocity") is None
    # On an empty place the first of two clicks writes, and the second changes nothing.
    grid.click(1, 9 / 16, "kick", click_count=2)
    grid.settle()
    # As loud as that drum usually is: half of the kicks have 105, the others 90.
    assert note(kernel, 1, "9/16", "kick", "velocity") == 105
    # Dragged to another place and instrument.
    grid.drag(grid.point(1, 1 / 4, "snare"), grid.point(1, 5 / 16, "floor tom"))
    grid.settle()
    assert note(kernel, 1, "1/4", "snare", "velocity") is None
    assert note(kernel, 1, "5/16", "floor tom", "velocity") == 100
    # Between columns.
    grid.click(2, 9 / 32, "snare", modifiers=["Alt"])
    grid.settle()
    assert note(kernel, 2, "9/32", "snare", "velocity") == 100
    screenshot(page)


def test_keys_edit_and_the_notebook_keeps_its_own(song):
    page, grid, kernel = song
    cells = page.page.locator(".jp-Cell").count()
    grid.click(3, 1 / 4, "snare")
    # a, b, m, d d, x, c … act on the notebook where they are not caught.
    grid.press("a", "+", "f")
    grid.settle()
    assert note(kernel, 3, "1/4", "snare", "velocity") == 108
    said = "sorted(document.chart.bars[3].find(F(1, 4), 'snare').articulations)"
    assert kernel.value(said) == ["accent", "flam"]
    grid.press("g")
    grid.settle()
    assert kernel.value(said) == ["flam", "ghost"]
    grid.press("d", "d", "m", "c", "3")
    grid.settle()
    assert note(kernel, 3, "1/4", "snare", "velocity") == 42
    grid.press("Alt+ArrowRight", "Alt+ArrowDown")
    grid.settle()
    assert note(kernel, 3, "5/16", "floor tom", "velocity") == 42
    grid.press("ArrowRight", "Enter", ".", "Enter", "Delete")
    grid.settle()
    assert note(kernel, 3, "3/8", "floor tom", "confirmed") is True
    assert len(kernel.value(HITS.format(3))) == 13
    grid.click(3, 0, "closed hi-hat")
    grid.press("o")
    grid.settle()
    assert note(kernel, 3, "0", "open hi-hat", "velocity") == 70
    # Undo as far as the chart goes back, and redo all of it.
    steps = kernel.value("document.revision")
    after = kernel.value(HITS.format(3))
    for _ in range(steps):
        grid.press("Control+z")
    grid.settle()
    assert kernel.value("document.chart == chart") is True
    for _ in range(steps):
        grid.press("Control+y")
    grid.settle()
    assert kernel.value(HITS.format(3)) == after
    grid.press("Control+s")
    grid.settle()
    assert kernel.value("document.unsaved") == 0
    assert "Saved" in grid.text(".wbg-here")
    assert page.page.locator(".jp-Cell").count() == cells
    assert page.page.locator(".wbg").count() == 1
    grid.press("Escape")
    assert page.page.evaluate("() => document.activeElement.closest('.wbg') === null")


def test_doubts_are_stepped_through_and_settled_with_one_key(song, screenshot):
    page, grid, kernel = song
    page.page.wait_for_function(
        "() => document.querySelector('.wbg-state').innerText.includes('16 hits in doubt, 1 question')"
    )
    grid.press("n")
    assert "Bar 1 — snare on 2, velocity 100, draft is 40 % sure" in grid.text(".wbg-here")
    assert "asked once for bars 1–16" in grid.text(".wbg-here")
    grid.press("k")
    grid.settle()
    assert note(kernel, 0, "1/4", "snare", "confirmed") is True
    assert "Bar 2 — snare on 2" in grid.text(".wbg-here")
    grid.press("x")
    grid.settle()
    assert note(kernel, 1, "1/4", "snare", "velocity") is None
    assert "Bar 3" in grid.text(".wbg-here")
    grid.evaluate("view.moveCursor({bar: 15, at: '0', instrument: 'kick'})")
    grid.press("Shift+K")
    grid.settle()
    assert kernel.value("all(n.confirmed for n in document.chart.bars[15].notes)") is True
    assert "13 hits in doubt" in grid.text(".wbg-state")
    grid.press("Shift+N")
    assert "Bar 3" in grid.text(".wbg-here")
    grid.evaluate("view.moveCursor({bar: 0, at: '0', instrument: 'kick'})")
    page.page.get_by_role("button", name="Next doubt").click()
    page.page.wait_for_function("() => document.querySelector('.wbg-here').innerText.startsWith('Bar 3')")
    assert page.page.evaluate("() => document.activeElement.className") == "wbg-sheet"
    screenshot(page)


def test_buttons_change_the_hit_and_the_keys_go_on_from_there(song, screenshot):
    page, grid, kernel = song
    page.page.get_by_role("button", name="Next doubt").click()
    page.page.wait_for_function("() => document.activeElement.className === 'wbg-sheet'")
    page.page.get_by_role("button", name="Hit", exact=True).click()
    page.page.get_by_role("button", name="Accent").click()
    page.page.get_by_role("button", name="Softer").click()
    page.page.wait_for_function("() => document.querySelector('.wbg').hitGrid.session.revision === 2")
    assert note(kernel, 0, "1/4", "snare", "velocity") == 92
    assert kernel.value("list(document.chart.bars[0].find(F(1, 4), 'snare').articulations)") == ["accent"]
    screenshot(page)
    page.page.keyboard.press("Delete")
    grid.settle()
    assert note(kernel, 0, "1/4", "snare", "velocity") is None


def test_one_correction_goes_into_every_bar_that_repeats(song):
    page, grid, kernel = song
    grid.click(4, 5 / 8, "kick")
    grid.press("Alt+ArrowRight")
    grid.settle()
    # The offer stays until it is answered.
    grid.press("ArrowRight", "PageDown")
    offered = grid.text(".wbg-offers")
    assert "Bar 5: kick on the & of 3 moved to the a of 3. The same in bars 1–4, 6–16" in offered
    grid.press("e")
    grid.settle()
    assert (
        kernel.value("all(b.find(F(11, 16), 'kick') and not b.find(F(5, 8), 'kick') for b in document.chart.bars)")
        is True
    )
    grid.press("Control+z")
    grid.settle()
    assert kernel.value("sum(bool(b.find(F(11, 16), 'kick')) for b in document.chart.bars)") == 1


def test_bars_are_selected_copied_pasted_and_divided(song, screenshot):
    page, grid, kernel = song
    grid.click(0, 1 / 16, "crash")
    grid.press("Control+c", "PageDown", "Control+v")
    grid.settle()
    assert note(kernel, 4, "1/16", "crash", "velocity") == 80
    grid.press("Shift+ArrowRight", "Shift+ArrowRight", "Shift+ArrowRight")
    assert grid.evaluate("return view.selection") == [4, 6]
    grid.press("Control+d")
    grid.settle()
    assert kernel.value("[bool(b.find(F(1, 16), 'crash')) for b in document.chart.bars[4:11]]") == [
        True,
        False,
        False,
        True,
        False,
        False,
        False,
    ]
    assert grid.evaluate("return view.selection") == [7, 9]
    grid.press("Shift+B")
    grid.settle()
    assert kernel.value("[document.chart.bars[k].subdivisions for k in (6, 7, 9)]") == [[], [6] * 4, [6] * 4]
    screenshot(page)
    grid.press("Control+x")
    grid.settle()
    assert kernel.value("[len(document.chart.bars[k].notes) for k in (7, 8, 9)]") == [0, 0, 0]
    # The controls act on the selection as well.
    kernel.becomes("list(grid.bars())", [7, 8, 9])


def test_bar_lines_are_dragged_and_nudged(song):
    page, grid, kernel = song
    x, y = grid.point(2, 0, "crash")
    wave_y = y - 90
    grid.drag((x, wave_y), (x + 8, wave_y))
    grid.settle()
    moved_s = kernel.value("document.chart.time_map.bar_start_s(2)")
    scale = grid.evaluate("return view.sheet.lines[0].scale")
    assert moved_s == pytest.approx(4.5 + 8 / scale * 2, abs=0.01)
    assert kernel.value("document.chart.time_map.bars[2].fixed") is True
    grid.click(2, 0.5, "crash")
    grid.press(">", ">", "<")
    grid.settle()
    assert kernel.value("document.chart.time_map.bar_start_s(2)") == pytest.approx(moved_s + 0.005, abs=1e-6)


def test_sections_are_named_and_labels_stay_text(song, screenshot):
    page, grid, kernel = song
    name = '<img src=x onerror="window.hacked=1"><b>Bridge</b>'
    grid.click(12, 0, "crash")
    grid.press("s")
    page.page.keyboard.type(name[:40])
    page.page.keyboard.press("Enter")
    grid.settle()
    assert kernel.value("document.chart.sections[-1].name") == name[:40]
    kernel.run(
        f"from workbench.chart.edits import *\ndocument.apply(SetHeading(title={name!r}, artist={name!r}))\n"
        f"document.apply(NameSection(4, {name!r}))"
    )
    page.page.wait_for_function("() => document.querySelector('.wbg-title').innerText.includes('<img')")
    grid.drawn()
    assert page.page.evaluate("() => window.hacked") is None
    assert page.page.locator(".wbg img, .wbg b").count() == 0
    screenshot(page)


def test_what_is_not_possible_is_said_and_shown_as_it_was(song, screenshot):
    page, grid, kernel = song
    top = page.page.locator(".wbg-sheet").bounding_box()["y"]
    grid.evaluate(
        "view.edit({edit: 'add note', bar_index: 99, note: x})", {"at": "0", "instrument": "kick", "velocity": 80}
    )
    grid.settle()
    assert "There is no bar 100" in grid.text(".wbg-error")
    assert page.page.locator(".wbg-sheet").bounding_box()["y"] == top  # nothing moves under the pointer
    grid.press("A")
    assert "There is no hit here" in grid.text(".wbg-here") and not page.page.locator(".wbg-error").is_visible()
    grid.press("m")
    assert "Shift M mends" in grid.text(".wbg-here"), "M is its key, easily pressed without Shift"
    page.page.get_by_role("button", name="Bar lines").click()
    page.page.get_by_label("Meter").fill("2/3")
    page.page.get_by_label("Meter").press("Enter")
    page.page.wait_for_function("() => document.querySelector('.wbg-error').innerText.includes('lower number')")
    screenshot(page)
    assert kernel.value("document.revision") == 0
