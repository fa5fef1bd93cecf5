"""A new user's first minute: open the notebook, run all, correct a wrong hit as it says."""

import pytest

pytestmark = pytest.mark.browser


def test_a_new_user_corrects_a_wrong_hit_as_the_notebook_says(open_delivered, screenshot):
    page = open_delivered("chart_a_recording")
    grid = page.grid()
    doubts = grid.evaluate("return [...view.doubts.values()].reduce((a, b) => a + b, 0)")
    assert doubts > 5
    # 1. Next doubt; 2. hear it; 3. it is not there: remove; 4. undo, all with the keys the page names.
    page.page.get_by_role("button", name="Next doubt").click()
    page.page.wait_for_function("() => document.querySelector('.wbg-here').innerText.includes('draft is')")
    page.page.keyboard.press(" ")
    page.page.wait_for_function(
        "() => document.querySelector('.wbg').hitGrid.listener.heardAt() !== null", timeout=20000
    )
    page.page.wait_for_timeout(500)
    screenshot(page, "chart-a-recording")
    page.page.keyboard.press(" ")
    page.page.keyboard.press("x")
    grid.settle()
    assert grid.evaluate("return [...view.doubts.values()].reduce((a, b) => a + b, 0)") == doubts - 1
    page.page.keyboard.press("Control+z")
    grid.settle()
    assert grid.evaluate("return [...view.doubts.values()].reduce((a, b) => a + b, 0)") == doubts
    # The score below is engraved from the same chart.
    assert page.page.locator(".wbs svg").count() >= 1
