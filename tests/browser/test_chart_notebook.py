"""A new user's first minute: open the notebook, run all, correct a wrong hit as it says."""

import pytest

pytestmark = pytest.mark.browser

#: What the page says of a hit in doubt, and of a possible hit.
WORDS = ["draft is", "perhaps"]


def left(grid):
    """How many hits are in doubt, and how many are possible."""
    return (
        grid.evaluate("return [...view.doubts.values()].reduce((a, b) => a + b, 0)"),
        grid.evaluate("return view.chart.possible_hits.length"),
    )


def test_a_new_user_corrects_a_wrong_hit_as_the_notebook_says(open_delivered, screenshot):
    page = open_delivered("chart_a_recording")
    grid = page.grid()
    hits, possible = left(grid)
    assert hits > 5
    # 1. Next doubt: a hit the draft is unsure of, or one it may have missed.
    page.page.get_by_role("button", name="Next doubt").click()
    page.page.wait_for_function(
        f"() => {WORDS}.some((words) => document.querySelector('.wbg-here').innerText.includes(words))"
    )
    # 2. Hear it.
    page.page.keyboard.press(" ")
    page.page.wait_for_function("() => document.querySelector('.wbg').hitGrid.listener.heardAt() !== null")
    page.page.wait_for_timeout(500)
    screenshot(page, "chart-a-recording")
    page.page.keyboard.press(" ")
    # 3. Neither kind was played: x, which goes on to the next doubt; a wrong click: undone.
    for words, after in zip(WORDS, ((hits - 1, possible), (hits, possible - 1)), strict=True):
        for _ in range(hits + possible):
            if words in grid.text(".wbg-here"):
                break
            page.page.keyboard.press("n")
        assert words in grid.text(".wbg-here")
        here = grid.evaluate("return view.cursor")
        page.page.keyboard.press("x")
        grid.settle()
        assert left(grid) == after
        assert grid.evaluate("return view.cursor") != here
        assert any(words in grid.text(".wbg-here") for words in WORDS)
        page.page.keyboard.press("Control+z")
        grid.settle()
        assert left(grid) == (hits, possible)
    # The score below is engraved from the same chart.
    assert page.page.locator(".wbs svg").count() >= 1
