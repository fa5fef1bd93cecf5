"""What a reading proposes is seen in grid and score, and kept, moved, named or taken away there."""

import pytest

from tests.browser.conftest import SONG

pytestmark = pytest.mark.browser

#: Two bars end in a fill of toms; a reading marks it in the chart.
READ = (
    SONG
    + """
from workbench.files.document import read_working_chart
from workbench.chart.edits import SetBars, CompositeEdit
from workbench.reading.read import read_part, reading_to_edits
fill = WrittenBar(tuple([n for n in groove.notes if n.position < F(1, 2)] + [
    Note(F(k, 16), "high tom" if k < 12 else "floor tom", 100) for k in range(8, 16)]))
document.apply(CompositeEdit(tuple(SetBars(k, (fill,)) for k in (7, 15)), "fills"))
document.apply(reading_to_edits(read_part(document.chart)))
score = ScoreView(document)
"""
)
FILLS = "[[m.start[0], str(m.start[1]), m.end[0], str(m.end[1]), m.confirmed] for m in {} if m.kind == 'fill']"


@pytest.fixture
def read_song(open_grid):
    return open_grid(READ + "workspace(grid, score)")


def ink(grid, bar, start, end):
    """Share of columns of pixels with a stroke in them, over a stretch of a bar in the room for marks."""
    grid.evaluate("view.scrollToBar(x)", bar)
    grid.drawn()
    return grid.evaluate(
        """
        const [bar, start, end] = x;
        const line = view.sheet.lines.find((l) => bar >= l.first && bar < l.last);
        const px = (p) => line.bars[bar - line.first].x + p * line.scale;
        const [a, b] = [Math.round(px(start)), Math.round(px(end))];
        const ratio = window.devicePixelRatio;
        const top = (line.y + view.sheet.marksY - view.scroller.scrollTop + 1) * ratio;
        const image = view.canvas.getContext("2d").getImageData(a * ratio, top, (b - a) * ratio, 13 * ratio);
        const away = (k) => Math.abs(image.data[k] - image.data[0]) + Math.abs(image.data[k + 2] - image.data[2]) > 60;
        let struck = 0;
        for (let x = 0; x < image.width; x++) {
          for (let y = 0; y < image.height; y++) if (away(4 * (y * image.width + x))) { struck += 1; break; }
        }
        return struck / image.width;""",
        [bar, start, end],
    )


def test_fills_are_kept_refused_and_moved_with_keys(read_song, screenshot):
    page, grid, kernel = read_song
    chart = "document.chart.marks"
    assert kernel.value(FILLS.format(chart)) == [[7, "1/2", 8, "0", False], [15, "1/2", 16, "0", False]]
    screenshot(page, "marks-proposed")
    dashed = ink(grid, 7, 0.75, 0.95)
    assert 0.2 < dashed < 0.9 and "fill" not in score_words(page)
    # The first proposed mark is the groove's; the next is the fill.
    grid.press("Home", "q")
    assert "proposed fill from 3 to the end" in grid.text(".wbg-here")
    assert grid.evaluate("return [view.cursor.bar, view.cursor.at]") == [7, "1/2"]
    label = page.page.locator(".wbg-sheet").get_attribute("aria-label")
    assert label == "Hits of bar 8, 4/4, proposed fill from 3 to the end"
    grid.press("k")
    grid.settle()
    assert "no reading changes it" in grid.text(".wbg-here")
    assert kernel.value(FILLS.format(chart))[0] == [7, "1/2", 8, "0", True]
    assert ink(grid, 7, 0.75, 0.95) > 0.95 > dashed
    page.page.wait_for_function(
        "() => [...document.querySelectorAll('.wbs text')].some((t) => t.textContent === 'fill')"
    )
    # Past the groove of the next section: not a fill. No new reading finds one there again
    # until the place is freed.
    grid.press("q", "q", "u")
    grid.settle()
    found = "[[f.span.start[0], f.span.confirmed] for f in read_part(document.chart).fills]"
    assert kernel.value(found) == [[7, True]]
    again = "read_part(reading_to_edits(read_part(document.chart)).apply(document.chart)).chart.marks"
    assert kernel.value(FILLS.format(again)) == [[7, "1/2", 8, "0", True]]
    screenshot(page, "marks-refused")
    grid.press("u")
    grid.settle()
    assert kernel.value(found) == [[7, True], [15, False]]
    # From another stroke on, to another end; every step is kept on disk and can be undone.
    grid.click(7, 1 / 4, "snare")
    grid.press("Shift+F")
    grid.settle()
    assert kernel.value(FILLS.format(chart)) == [[7, "1/4", 8, "0", True]]
    grid.click(7, 3 / 8, "closed hi-hat")
    grid.press("Shift+E")
    grid.settle()
    assert kernel.value(FILLS.format("read_working_chart('song.chart.json').marks")) == [[7, "1/4", 7, "7/16", True]]
    grid.press("Control+z", "Control+z")
    grid.settle()
    assert kernel.value(FILLS.format(chart)) == [[7, "1/2", 8, "0", True]]


def score_words(page):
    return page.page.locator(".wbs text").all_inner_texts()


def test_selected_bars_are_marked_and_marks_get_words(read_song, screenshot):
    page, grid, kernel = read_song
    grid.click(2, 0, "crash")
    grid.press("Shift+ArrowRight", "Shift+ArrowRight", "Shift+F")
    grid.settle()
    assert kernel.value(FILLS.format("document.chart.marks"))[0] == [2, "0", 4, "0", True]
    grid.press("Escape", "w")
    page.page.keyboard.type("<b>both hands</b>")
    page.page.keyboard.press("Enter")
    grid.settle()
    assert kernel.value("[m.text for m in document.chart.marks if m.kind == 'fill'][0]") == "<b>both hands</b>"
    assert page.page.locator(".wbg-here b").count() == 0
    # In the dark, with few and with many bars in a line, over line breaks.
    grid.theme("JupyterLab Dark")
    for bars in (1, 2, 16, 0):
        kernel.run(f"grid.bars_per_line = {bars}")
        grid.becomes("view.model.get('bars_per_line') === x", bars)
        share = ink(grid, 3, 0.05, 0.95)
        screenshot(page, f"marks-dark-{bars}")
        assert share > 0.9
    grid.theme("JupyterLab Light")


def test_a_click_on_a_mark_goes_to_its_beginning_and_buttons_do_what_keys_do(read_song, screenshot):
    page, grid, kernel = read_song
    x, y = grid.point(7, 0.8, "crash")
    up = grid.evaluate("""
        const row = view.rowOf.get("crash");
        return view.sheet.rowTops[row] + view.sheet.rowHeights[row] / 2 - view.sheet.marksY - 7;""")
    page.page.mouse.click(x, y - up)
    assert grid.evaluate("return [view.cursor.bar, view.cursor.at]") == [7, "1/2"]
    page.page.get_by_role("button", name="Bars", exact=True).click()
    page.page.get_by_role("button", name="Keep", exact=True).click()
    page.page.wait_for_function("() => document.querySelector('.wbg').hitGrid.session.revision === 3")
    assert kernel.value(FILLS.format("document.chart.marks"))[0] == [7, "1/2", 8, "0", True]
    screenshot(page, "marks-buttons")
