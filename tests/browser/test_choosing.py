"""Chosen hits and bars in a real JupyterLab: frames, rows, all alike, and what is done to all of them at once."""

import pytest

pytestmark = pytest.mark.browser

KICKS = "sum(n.instrument == 'kick' for _, n in document.chart.notes())"


def places(kernel, instrument):
    return kernel.value(f"[[k, str(n.position)] for k, n in document.chart.notes() if n.instrument == '{instrument}']")


def test_a_frame_chooses_and_all_of_it_is_changed_moved_copied_and_removed(song, screenshot):
    page, grid, kernel = song
    x0, y0 = grid.point(0, 3 / 16, "snare")
    x1, y1 = grid.point(1, 13 / 16, "kick")
    grid.drag((x0, y0 - 8), (x1, y1 + 8))
    assert grid.evaluate("return view.chosen.size") == 7  # of bar 1 all but the kick on 1
    assert "7 hits chosen" in grid.text(".wbg-here")
    screenshot(page)
    grid.press("+", "a")
    grid.settle()
    said = "[(n.velocity, sorted(n.articulations)) for n in document.chart.bars[0].notes if n.instrument == 'snare']"
    assert kernel.value(said) == [[108, ["accent"]], [108, ["accent"]]]
    grid.press("Control+c")
    grid.click(4, 5 / 16, "snare")
    grid.press("Control+v")
    grid.settle()
    assert [5, "5/16"] in places(kernel, "snare")
    before = kernel.value("sum(len(b.notes) for b in document.chart.bars)")
    grid.press("Delete")
    grid.settle()
    assert kernel.value("sum(len(b.notes) for b in document.chart.bars)") == before - 7
    for _ in range(2):
        grid.press("Control+z")
    grid.settle()
    # Nothing written by a frame that is drawn over no hit.
    count = kernel.value("sum(len(b.notes) for b in document.chart.bars)")
    grid.drag(grid.point(0, 1 / 16, "crash"), grid.point(1, 1 / 16, "crash"))
    assert "No hits there" in grid.text(".wbg-here")
    assert kernel.value("sum(len(b.notes) for b in document.chart.bars)") == count


def test_a_row_and_all_alike_go_to_another_drum_from_the_menu(song, screenshot):
    page, grid, kernel = song
    grid.click(2, 5 / 8, "kick")
    grid.press("Shift+A")
    assert grid.evaluate("return view.chosen.size") == 16
    page.page.mouse.click(*grid.point(2, 5 / 8, "kick"), button="right")
    menu = page.page.get_by_role("menu")
    assert "Rim shot" not in menu.inner_text() and "Accent" in menu.inner_text()
    menu.get_by_role("menuitem", name="To another drum").click()
    page.page.get_by_role("menuitem", name="floor tom", exact=True).click()
    grid.settle()
    assert places(kernel, "floor tom") == [[k, "5/8"] for k in range(16)]
    assert len(places(kernel, "kick")) == 16
    # The name of a row chooses the row, here of two bars.
    grid.press("Escape")
    grid.evaluate("view.select([3, 4])")
    x, y = grid.point(3, 0, "floor tom")
    page.page.mouse.click(grid.evaluate("return view.scroller.getBoundingClientRect().left") + 40, y)
    assert grid.evaluate("return view.chosen.size") == 2
    page.page.keyboard.press("x")
    grid.settle()
    assert len(places(kernel, "floor tom")) == 14
    screenshot(page)


def test_every_bar_as_here_a_row_filled_and_hits_repeated(song):
    page, grid, kernel = song
    grid.click(3, 7 / 16, "crash")
    grid.press("i")
    grid.settle()
    assert places(kernel, "crash") == [[k, "7/16"] for k in range(16)]
    grid.press("Delete", "i")
    grid.settle()
    assert places(kernel, "crash") == []
    grid.press("Shift+I", "Shift+I")
    grid.settle()
    assert places(kernel, "crash") == [[3, p] for p in ("0", "1/8", "1/4", "3/8", "1/2", "5/8", "3/4", "7/8")]


def test_bars_are_moved_inserted_and_deleted_and_say_so(song):
    page, grid, kernel = song
    grid.click(0, 1 / 16, "crash")
    page.page.get_by_role("button", name="Bars", exact=True).click()
    page.page.get_by_role("button", name="Later", exact=True).click()
    grid.settle()
    assert places(kernel, "crash") == [[1, "1/16"]]
    assert "a bar later" in grid.text(".wbg-here")
    page.page.get_by_role("button", name="Duplicate", exact=True).click()
    grid.settle()
    assert kernel.value("len(document.chart)") == 17
    assert places(kernel, "crash") == [[1, "1/16"], [2, "1/16"]]
    page.page.get_by_role("button", name="Delete", exact=True).click()
    grid.settle()
    assert kernel.value("len(document.chart)") == 16
    assert "delete bar 2" in grid.text(".wbg-here")


def test_touch_writes_with_a_tap_and_scrolls_with_a_swipe(song):
    """Pointer Events (W3C): a touch that becomes a scroll is cancelled and writes nothing."""
    page, grid, kernel = song
    x, y = grid.point(1, 3 / 16, "kick")
    touch = page.page.context.new_cdp_session(page.page)
    for kind, points in (("touchStart", [{"x": x, "y": y}]), ("touchEnd", [])):
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    grid.settle()
    assert [1, "3/16"] in places(kernel, "kick")


def test_bars_done_are_counted_and_the_score_says_what_is_left(song):
    page, grid, kernel = song
    grid.click(0, 1 / 16, "crash")
    grid.press("Shift+ArrowRight", "Shift+ArrowRight", "Shift+K")
    grid.settle()
    assert kernel.value("[b.done for b in document.chart.bars[:3]]") == [True, True, False]
    assert "2 of 16 bars done" in grid.text(".wbg-state")
    assert kernel.value("len(document.chart.unchecked_bars)") == 14
    grid.press("Control+a", "Shift+K")
    grid.settle()
    assert "chart done" in grid.text(".wbg-state")
    assert kernel.value("document.chart.unchecked_bars") == []
