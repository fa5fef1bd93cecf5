"""Other readings, disagreements and bars by ear in the page, with real mouse and keys on a real draft."""

import pytest

from tests.browser.test_bars import LINES, STROKES, same_times

pytestmark = pytest.mark.browser

#: The demo song as the workbench hears it, with two more readings of its bars.
DRAFT = """
import json
from dataclasses import replace
from fractions import Fraction as F
import workbench as wb
from workbench.listening.hearing import as_read, keep_hearing, kept_hearing
document = wb.open_chart(wb.demo_song("advice"))
sha256 = document.chart.recording.sha256
heard = kept_hearing("advice", sha256)
others = [wb.edits.apply(document.chart, e).time_map for e in (wb.edits.ChangeLevel(F(2)), wb.edits.ShiftOne(F(1)))]
more = tuple(replace(as_read(m), probability=p) for m, p in zip(others, (0.12, 0.08)))
keep_hearing(replace(heard, readings=(*heard.readings[:1], *more)), "advice", sha256)
grid = wb.HitGrid(document, hearing_hint=False, bars_per_line=4)
grid"""
FAULTS = "view.session.info.bars.faults"


@pytest.fixture
def draft(open_grid, drafted):
    return open_grid(f"!cp -r '{drafted}' advice\n" + DRAFT)


def wait_for(page, condition, argument=None):
    """Until something is true of the page's view, x the argument."""
    page.page.wait_for_function(
        f"(x) => {{ const view = document.querySelector('.wbg').hitGrid; return {condition}; }}", arg=argument
    )


def go(grid, bar):
    grid.evaluate("view.moveCursor({bar: x, at: '0', instrument: view.rows[0]})", bar)


def test_readings_heard_and_taken_disagreements_mended_bars_laid_anew(draft, screenshot):
    page, grid, kernel = draft
    strokes, lines = kernel.value(STROKES), kernel.value(LINES)
    bars = page.page.locator(".wbg-bars")
    wait_for(page, "view.session.info.bars?.others.length === 2")
    double = grid.evaluate("return view.session.info.bars.others[0].words")
    assert double.startswith("4/4 at 22"), "the demo's 113, doubled"
    assert f"{double} (12 %)" in bars.inner_text() and "the 1 a beat later (8 %)" in bars.inner_text()
    screenshot(page, "readings")
    # What is hardly likely is told while the panel of bar lines is open.
    grid.evaluate(
        "const { others } = view.session.info.bars; view.session.info = { ...view.session.info,"
        " bars: { ...view.session.info.bars, others: others.map((o) => ({ ...o, percent: o.percent - 7 })) } };"
        "view.showState()"
    )
    assert "(5 %)" in bars.inner_text() and "(1 %)" not in bars.inner_text()
    for there in (True, False):
        page.page.get_by_role("button", name="Bar lines").click()
        assert ("(1 %)" in bars.inner_text()) == there
    # So is how likely the bars are where there is no other reading.
    grid.evaluate(
        "window.before = view.session.info.bars;"
        "view.session.info = { ...view.session.info, bars: { ...before, now: '4/4 at 114 (98 %)', others: [] } };"
        "view.showState()"
    )
    for there in (True, False):
        page.page.get_by_role("button", name="Bar lines").click()
        assert ("Bars: 4/4 at 114 (98 %)" in bars.inner_text()) == there and "may also" not in bars.inner_text()
    grid.evaluate("view.session.info = { ...view.session.info, bars: before }; view.showState()")

    # Heard: the recording with the click of the reading, which differs from that of the chart.
    reading = page.page.locator(".wbg-reading", has_text=double)
    reading.get_by_role("button", name="Hear").click()
    wait_for(page, "view.listener.state === 'playing' && view.listener.playing.passage.reading === 1")
    assert grid.evaluate("return view.listener.playing.here.sort().join()") == "click,recording"
    reading.get_by_role("button", name="Stop").click()
    wait_for(page, "view.listener.state === 'stopped'")

    # Taken, and back with a key.
    for words in (double, "the 1 a beat later"):
        revision = grid.evaluate("return view.session.revision")
        page.page.locator(".wbg-reading", has_text=words).get_by_role("button", name="Take").click()
        wait_for(page, "view.session.revision > x", revision)
        assert kernel.value(LINES) != lines, words
        same_times(strokes, kernel.value(STROKES))
        page.page.keyboard.press("Control+z")
        grid.settle()
        assert kernel.value(LINES) == lines, words
        wait_for(page, "view.session.info.bars.others.length === 2")

    # Half a beat off from bar 13 on: shown, visited with n, mended with M.
    grid.evaluate(
        "view.moveCursor({bar: 12, at: '0', instrument: view.rows[0]}); view.set('bars_meant', 'from here on')"
    )
    page.page.get_by_role("button", name="Bar lines", exact=True).click()
    page.page.get_by_role("button", name="1 half a beat later").click()
    wait_for(page, f"{FAULTS}.length === 1")
    assert kernel.value(LINES) != lines
    assert "disagree" in grid.text(".wbg-state")
    # Doubts are visited in the order of the music: from the end of the bar before, now 9/8 long, this is next.
    first = grid.evaluate(f"return {FAULTS}[0].first_bar")
    grid.evaluate("view.moveCursor({bar: x, at: '17/16', instrument: view.rows.at(-1)})", first - 1)
    grid.press("n")
    assert grid.evaluate("return view.cursor.bar") in (12, 13) and "half a beat late" in grid.text(".wbg-here")
    screenshot(page, "disagree")
    grid.press("Shift+M")
    grid.settle()
    # Half beats lie between beats, and back between those; an empty last bar may go.
    assert kernel.value(LINES)[:39] == pytest.approx(lines[:39], abs=0.01)
    same_times(strokes, kernel.value(STROKES))
    wait_for(page, f"{FAULTS}.length === 0")

    # The same by the mouse, called right: said no more.
    go(grid, 12)
    page.page.get_by_role("button", name="1 half a beat later").click()
    wait_for(page, f"{FAULTS}.length === 1")
    bars.get_by_role("button", name="Lines are right").click()
    wait_for(page, f"{FAULTS}.every((f) => f.words !== 'the 1 lies half a beat late')")
    assert kernel.value("sum(b.fixed for b in document.chart.time_map.bars)") >= 2
    grid.press("Control+z")
    grid.settle()

    # By ear from there on: what is before stays, the line at the cursor goes where it is heard.
    revision = grid.evaluate("return view.session.revision")
    page.page.get_by_role("button", name="Lay anew from here by ear").click()
    wait_for(page, "view.session.revision > x && !view.session.info.listening", revision)
    assert kernel.value(LINES)[:12] == pytest.approx(lines[:12])
    assert kernel.value(LINES)[:38] == pytest.approx(lines[:38], abs=0.03)
    same_times(strokes, kernel.value(STROKES))


def test_a_bar_line_missed_and_one_too_many(draft):
    page, grid, kernel = draft
    strokes, lines = kernel.value(STROKES), kernel.value(LINES)
    page.page.get_by_role("button", name="Bar lines", exact=True).click()
    go(grid, 8)
    grid.evaluate("view.set('bars_meant', 'selected bars'); view.select([8, 9])")
    grid.drawn()
    for word, back in (("Half tempo", "Insert a bar here"), ("Double tempo", "Delete bars")):
        page.page.get_by_role("button", name=word).click()
        wait_for(page, "view.chart.bars.length !== x", len(lines))
        go(grid, 8)
        page.page.get_by_role("button", name=back).click()
        if word == "Double tempo":  # two bars were doubled: the second pair
            grid.settle()
            go(grid, 9)
            page.page.get_by_role("button", name=back).click()
        wait_for(page, "view.chart.bars.length === x", len(lines))
        assert kernel.value(LINES) == pytest.approx(lines)
        same_times(strokes, kernel.value(STROKES))
        grid.evaluate("view.select([8, 9])")
        grid.drawn()
    page.page.get_by_role("button", name="Insert a bar here").click()
    page.page.wait_for_selector("text=no time for another bar")
