"""The panel of drums in a real JupyterLab, on a draft: each heard, given its true name or taken out as a whole."""

import re

import numpy as np
import pytest
from playwright.sync_api import expect

from tests.browser.conftest import SONG, WINDOW
from workbench.chart.drums import EXAMPLE_LEAD_S, EXAMPLE_S, MOST_EXAMPLES
from workbench.grid.passages import GAP_S

pytestmark = pytest.mark.browser

DRAFT = """
import workbench as wb
document = wb.open_chart("here/copper-weather.chart.json")
grid = wb.HitGrid(document, hearing_hint=False)
wb.workspace(grid)"""
STROKES = "sorted([document.chart.note_time_s(k, n), n.velocity] for k, n in document.chart.notes())"
#: All of a chart.
ALL = "__import__('workbench.chart.data', fromlist=['to_data']).to_data(document.chart)"


def hits_of(kernel, name):
    return kernel.value(f"sum(n.instrument == '{name}' for _, n in document.chart.notes())")


def line_of(page, name):
    return page.page.get_by_role("listitem").filter(has_text=name).locator(".wbg-words").inner_text()


def says(page, pattern):
    expect(page.page.locator(".wbg-here")).to_have_text(re.compile(pattern))


@pytest.fixture
def draft(open_grid, drafted):
    page, grid, kernel = open_grid(f"!cp -r '{drafted}' here\n" + DRAFT)
    page.page.set_viewport_size({"width": 1280, "height": 800})  # a laptop's
    page.page.evaluate("() => window.jupyterapp.shell.collapseLeft()")
    grid.sheet.scroll_into_view_if_needed()
    grid.becomes("view.session.info.has_recording && view.session.info.sample_rate > 0")
    yield page, grid, kernel
    page.page.set_viewport_size(WINDOW)
    page.page.evaluate("() => window.jupyterapp.shell.expandLeft()")


def test_a_drum_is_named_and_taken_out_as_a_whole_and_undo_brings_all_back(draft, screenshot):
    page, grid, kernel = draft
    grid.click(5, 1 / 2, "closed hi-hat")  # the cursor is on a hit; a second one is confirmed
    grid.press("k")
    grid.settle()
    at_first, strokes = kernel.value(ALL), kernel.value(STROKES)
    closed, rides = hits_of(kernel, "closed hi-hat"), hits_of(kernel, "ride")
    # Where the cursor is, and which part of which line is at the top.
    stands = "return [view.cursor, Math.round((100 * view.scroller.scrollTop) / view.sheet.lineHeight)]"
    page.page.get_by_role("button", name="Drums", exact=True).click()
    grid.drawn()
    for theme in ("JupyterLab Dark", "JupyterLab Light"):
        grid.theme(theme)
        screenshot(page, f"drums-{theme.split()[1].lower()}")
    assert f"{closed} hits, 1 confirmed" in line_of(page, "closed hi-hat")
    before = grid.evaluate(stands)
    page.page.get_by_role("button", name="Rename the closed hi-hat …").click()
    screenshot(page, "drums-menu")
    page.page.get_by_role("menuitem", name="ride", exact=True).click()
    grid.settle()
    assert grid.evaluate(stands) == before
    says(page, rf"^{closed - 1} hits: closed hi-hat → ride; .*1 confirmed one stays\.$")
    assert (hits_of(kernel, "closed hi-hat"), hits_of(kernel, "ride")) == (1, rides + closed - 1)
    assert kernel.value(STROKES) == strokes  # no stroke has moved
    grid.drawn()
    assert line_of(page, "closed hi-hat").startswith("1 hit, 1 confirmed")
    page.page.get_by_role("button", name="Take all of the ride out").click()
    grid.settle()
    assert hits_of(kernel, "ride") == 0
    says(page, rf"^{rides + closed - 1} hits: ride taken out")
    # A drum that the song had not brings a row and a line of its own; the sheet need not move for them.
    page.page.get_by_role("button", name="Rename the snare …").click()
    page.page.get_by_role("menuitem", name="hand clap", exact=True).click()
    grid.settle()
    grid.becomes("view.rowOf.has('hand clap')")
    assert line_of(page, "hand clap") and grid.evaluate(stands) == before
    grid.press("Control+z", "Control+z", "Control+z")
    grid.settle()
    assert kernel.value(ALL) == at_first


def test_the_keyboard_reaches_all_of_it(draft):
    page, grid, kernel = draft
    at_first = kernel.value(ALL)
    grid.press("Shift+H")
    expect(page.page.get_by_role("region", name="Drums")).to_be_visible()
    focused = "document.activeElement.getAttribute('aria-label')"
    first = grid.evaluate(f"return {focused}")
    assert first.startswith("Hear the ")
    drum = first.removeprefix("Hear the ")
    page.page.keyboard.press("Tab")
    assert grid.evaluate(f"return {focused}") == f"Rename the {drum} …"
    for key in ("Enter", "End", "Enter"):  # the last drum of the key
        page.page.keyboard.press(key)
    grid.settle()
    assert hits_of(kernel, drum) == 0
    says(page, f"{drum} → pedal hi-hat")
    assert grid.evaluate("return document.activeElement === view.scroller")
    page.page.keyboard.press("Control+z")
    grid.settle()
    assert kernel.value(ALL) == at_first
    page.page.keyboard.press("Escape")
    expect(page.page.get_by_role("region", name="Drums")).to_be_hidden()


def test_only_what_is_framed_or_selected_is_meant(draft):
    page, grid, kernel = draft
    grid.press("Shift+H")
    kicks = "[sum(n.instrument == 'kick' for n in document.chart.bars[k].notes) for k in range(len(document.chart))]"
    before = kernel.value(kicks)
    grid.evaluate("view.select([2, 4])")
    grid.drawn()
    assert line_of(page, "kick").startswith(f"{sum(before[2:5])} hits")
    page.page.get_by_role("button", name="Take all of the kick out").click()
    grid.settle()
    assert kernel.value(kicks) == [0 if 2 <= k <= 4 else n for k, n in enumerate(before)]
    grid.press("Control+z", "Escape", "Escape")
    grid.settle()
    grid.press("Shift+H")
    grid.point(1, 0, "kick")  # comes into view
    (x0, y0), (x1, y1) = grid.point(1, 3 / 16, "kick"), grid.point(1, 9 / 16, "kick")
    grid.drag((x0, y0 - 8), (x1, y1 + 8))
    framed = grid.evaluate("return [...view.chosen.values()].map((p) => p.at)")
    assert 0 < len(framed) < before[1]
    grid.drawn()
    assert line_of(page, "kick").startswith(f"{len(framed)} hits") and line_of(page, "snare") == "none"
    page.page.get_by_role("button", name="Take all of the kick out").click()
    grid.settle()
    assert kernel.value(kicks) == [n - len(framed) if k == 1 else n for k, n in enumerate(before)]


def test_the_clearest_strokes_of_a_drum_are_heard_one_after_the_other(draft):
    page, grid, kernel = draft
    grid.press("Shift+H")
    hear = page.page.get_by_role("button", name="Hear the snare")
    hear.click()
    grid.becomes("view.listener.state === 'playing' && view.listener.playing.passage.drum === 'snare'")
    assert grid.evaluate("return view.listener.context.state") == "running"
    expect(hear).to_have_text("Stop")
    says(page, r"^The clearest strokes of the snare: (bar \d+|the pick-up) on ")
    heard = grid.evaluate("""
        const [pieces] = [...view.listener.kept].filter(([key]) => key.startsWith("recording of snare"))
          .map(([, p]) => p);
        return pieces.flatMap(({ message, samples }) => [...samples].filter((_, k) => k % message.channels === 0));""")
    rate = grid.evaluate("return view.session.info.sample_rate")
    length, gap, onset = (round(x * rate) for x in (EXAMPLE_S, GAP_S, EXAMPLE_LEAD_S))
    each = np.abs(heard).reshape(MOST_EXAMPLES, length + gap)
    for one in each:  # the stroke stands out from what comes before it, and silence parts the examples
        assert one[onset : onset + rate // 20].max() > 2 * np.median(one[: onset // 2])
        assert not one[length:].any()
    hear.click()
    expect(hear).to_have_text("Hear")
    assert grid.evaluate("return view.listener.state") == "stopped"
    hear.click()
    expect(hear).to_have_text("Stop")
    expect(hear).to_have_text("Hear")  # it ends by itself
    grid.becomes("view.model.get('playing') === false")


def test_a_drum_that_is_mostly_in_doubt_is_told_once_beside_the_first_doubt(open_grid, screenshot):
    """Eight rides, six of them in doubt, none confirmed; half of the snares of the song are in doubt, too."""
    doubted = (
        SONG
        + """
ride = WrittenBar((Note(F(0), "ride", confidence=0.4), Note(F(1, 2), "ride", confidence=0.3)))
few = replace(ride, notes=tuple(replace(n, confidence=0.95) for n in ride.notes))
document = ChartDocument.create(replace(chart, bars=chart.bars[:12] + (ride,) * 3 + (few,)), "doubted.chart.json")
grid = HitGrid(document, recording=recording, hearing_hint=False)
workspace(grid)"""
    )
    page, grid, kernel = open_grid(doubted)
    grid.press("n")
    said = grid.text(".wbg-here")
    assert (
        said.startswith("Bar 1 — snare on 2")
        and "6 of the 8 rides and 12 of the 24 snares are in doubt: Drums (H)" in said
    )
    screenshot(page)
    for key in ("n", "Shift+N"):
        grid.press(key)
        assert "Drums (H)" not in grid.text(".wbg-here")
