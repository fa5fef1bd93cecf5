"""Chosen hits and bars in a real JupyterLab: frames, rows, all alike, and what is done to all of them at once."""

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import SONG

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
    page.page.get_by_role("button", name="Hits a bar later", exact=True).click()
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


#: The same with possible hits: a snare on the "e" of 1 in bars 2 to 5, a crash on 1 of bar 6.
POSSIBLE = (
    SONG
    + """
from workbench.chart import PossibleHit
line = chart.time_map.bar_start_s
faint = [PossibleHit(line(k) + 0.125, "snare", 50, 0.4, "It is heard faintly.") for k in (1, 2, 3, 4)]
chart = replace(chart, possible_hits=(*faint, PossibleHit(line(5), "crash", 90, 0.3, "It is heard faintly.")))
document = ChartDocument.create(chart, "possible.chart.json", overwrite=True)
grid = HitGrid(document, recording=recording, hearing_hint=False)
workspace(grid)"""
)


@pytest.fixture
def possible(open_grid):
    return open_grid(POSSIBLE)


def test_a_doubt_answered_once_is_answered_alike(song, screenshot):
    page, grid, kernel = song
    for taken_back in (True, False):
        grid.evaluate("view.moveCursor({bar: 3, at: '1/4', instrument: 'snare'})")
        grid.press("Alt+ArrowUp")
        grid.settle()
        if taken_back:
            grid.press("Control+z")
            grid.settle()
            assert not page.page.locator(".wbg-offers").is_visible()
    drum = kernel.value("[n.instrument for n in document.chart.bars[3].notes if str(n.position) == '1/4'][-1]")
    grid.evaluate("view.moveCursor({bar: 9, at: '0', instrument: 'kick'})")
    assert f"to the {drum}: snare on 2 in bars" in grid.text(".wbg-offers").lower()
    screenshot(page)
    grid.press("e")
    grid.settle()
    assert places(kernel, drum)[:16] == [[k, "1/4"] for k in range(16)]
    assert [p for p in places(kernel, "snare") if p[1] == "1/4"] == []
    grid.press("Control+z")  # one step
    grid.settle()
    assert len(places(kernel, drum)) == 1


def state_says(page, words):
    page.page.wait_for_function("(words) => document.querySelector('.wbg-state').innerText.includes(words)", arg=words)


def test_a_question_in_many_bars_is_asked_once_and_answered_at_once(possible, screenshot):
    page, grid, kernel = possible
    state_says(page, "16 hits in doubt, 5 possible, 3 questions")
    stops = []
    for _ in range(4):
        grid.press("n")
        stops.append(grid.text(".wbg-here").split(":")[0])
    assert [stop[:5] for stop in stops] == ["Bar 1", "Bar 2", "Bar 6", "Bar 1"]
    assert "perhaps a snare on the e of 1" in stops[1]
    grid.press("n")
    assert "asked once for bars 2–5" in grid.text(".wbg-here")
    grid.press("Shift+J")
    assert "Bar 3" in grid.text(".wbg-here") and "asked once for bars 2–5" in grid.text(".wbg-here")
    screenshot(page)
    grid.press("Shift+J", "Shift+J", "Shift+J")
    assert "Bar 2" in grid.text(".wbg-here")
    before = kernel.value("document.unsaved")
    grid.press("k")
    grid.settle()
    # One by one: the next bar asks it now.
    assert grid.evaluate("return [view.cursor.bar, view.cursor.at]") == [2, "1/16"]
    grid.press("e")
    grid.settle()
    ghosts = "[n.confirmed for b in document.chart.bars for n in b.notes if str(n.position) == '1/16']"
    assert kernel.value(ghosts) == [True] * 4 and kernel.value("document.unsaved") == before + 2
    state_says(page, "2 questions")
    grid.press("Control+z")  # one step
    grid.settle()
    assert kernel.value(ghosts) == [True] and kernel.value("len(document.chart.possible_hits)") == 4
    grid.press("x", "e")  # the others were not played
    grid.settle()
    assert kernel.value(ghosts) == [True] and kernel.value("[h.instrument for h in document.chart.possible_hits]") == [
        "crash"
    ]


#: The same with an open hi-hat and a high tom that are possible where the closed hi-hat on & of 1 of bar 2 is in doubt.
READINGS = (
    SONG
    + """
from workbench.chart import PossibleHit
unsure = replace(groove.find(F(1, 8), "closed hi-hat"), confidence=0.5)
chart = chart.with_bars(0, tuple(replace(b, notes=tuple(n for n in b.notes if n.confidence > 0.5)) for b in chart.bars))
chart = chart.with_bar(1, chart.bars[1].with_note(unsure))
at_s = chart.time_map.seconds(1, F(1, 8))
chart = replace(chart, possible_hits=tuple(PossibleHit(at_s, name, 60, 0.4) for name in ("open hi-hat", "high tom")))
document = ChartDocument.create(chart, "readings.chart.json", overwrite=True)
grid = HitGrid(document, recording=recording, hearing_hint=False)
workspace(grid)"""
)


def test_readings_of_one_moment_are_one_stop_and_of_one_drum_one_answer(open_grid, screenshot):
    page, grid, kernel = open_grid(READINGS)
    there = "[[n.instrument, n.confirmed] for n in document.chart.bars[1].notes if n.position == F(1, 8)]"
    possible = "[h.instrument for h in document.chart.possible_hits]"
    grid.press("n")
    # What is written is the likelier: k on arrival writes no other sound over it.
    assert "Bar 2 — closed hi-hat on the & of 1" in grid.text(".wbg-here")
    assert "this or the open hi-hat (k takes one)" in grid.text(".wbg-here")
    assert "also in doubt here: high tom" in grid.text(".wbg-here")
    screenshot(page)
    for key in ("n", "Shift+N"):  # nothing is asked elsewhere
        grid.press(key)
        assert grid.evaluate("return [view.cursor.bar, view.cursor.instrument]") == [1, "closed hi-hat"]
    grid.press("ArrowUp")
    assert "perhaps an open hi-hat on the & of 1: it may have been played; k writes it" in grid.text(".wbg-here")
    grid.press("k")
    grid.settle()
    assert kernel.value(there) == [["open hi-hat", True]] and kernel.value(possible) == ["high tom"]
    assert "perhaps a high tom" in grid.text(".wbg-here"), "what else is asked there comes next"
    grid.press("Control+z")
    grid.settle()
    assert kernel.value(there) == [["closed hi-hat", False]] and len(kernel.value(possible)) == 2
    # The other reading; then the tom, which both hands could play: its own answer.
    grid.press("n", "k")
    grid.settle()
    assert kernel.value(there) == [["closed hi-hat", True]]
    assert "perhaps a high tom" in grid.text(".wbg-here") and "hi-hat" not in grid.text(".wbg-here")
    grid.press("x")
    grid.settle()
    assert "nothing in doubt" in grid.text(".wbg-state")
    assert kernel.value(there) == [["closed hi-hat", True]]
    grid.press("Control+z", "Control+z")
    grid.settle()
    assert "1 hit in doubt, 2 possible: press n" in grid.text(".wbg-state")


#: The draft writes the hi-hat on the & of 4 open in bars 3 and 5, closed in bars 1, 2, 4 and 6; it is sure of none.
FLIPPING = (
    SONG
    + """
def flipped(k):
    rest = [replace(n, confidence=0.95) for n in groove.notes if n.key != (F(7, 8), "closed hi-hat")]
    name = "open hi-hat" if k in (2, 4) else "closed hi-hat"
    return WrittenBar((*rest, Note(F(7, 8), name, 70, confidence=0.5 if k < 6 else 0.95)))
chart = chart.with_bars(0, tuple(flipped(k) for k in range(16)))
document = ChartDocument.create(chart, "flipping.chart.json", overwrite=True)
grid = HitGrid(document, recording=recording, hearing_hint=False)
workspace(grid)"""
)


def test_a_drum_heard_once_is_answered_for_its_other_sound_too(open_grid, screenshot):
    page, grid, kernel = open_grid(FLIPPING)
    last = "[[n.instrument, n.confirmed] for b in document.chart.bars[:6] for n in b.notes if n.position == F(7, 8)]"
    grid.press("n")
    said = grid.text(".wbg-here")
    assert "Bar 1 — closed hi-hat on the & of 4" in said and "asked once for bars 1–2, 4, 6" in said
    assert "the open hi-hat is asked there in bars 3, 5" in said
    grid.press("k", "e")
    grid.settle()
    assert "To the closed hi-hat: open hi-hat on the & of 4 in bars 3, 5 too (e)" in grid.text(".wbg-offers")
    screenshot(page)
    grid.press("e")
    grid.settle()
    assert kernel.value(last) == [["closed hi-hat", True]] * 6
    assert "nothing in doubt" in grid.text(".wbg-state")
    # Undone, it is offered again, and may be let be.
    grid.press("Control+z")
    grid.settle()
    assert kernel.value(last)[2] == ["open hi-hat", False]
    offer = page.page.locator(".wbg-offer", has_text="To the closed hi-hat")
    expect(offer).to_have_count(1)
    offer.get_by_label("Let these bars be").dispatch_event("click")
    expect(offer).to_have_count(0)


def test_a_cursor_beside_what_is_asked_comes_to_it_next(possible):
    """As when a grid opens: the cursor stands on 1 of the first bar, on no drum that is in doubt there."""
    page, grid, _ = possible
    at = "return [view.cursor.bar, view.cursor.at, view.cursor.instrument]"
    for key, aside in (("n", "ArrowDown"), ("n", "ArrowUp"), ("Shift+N", "ArrowDown"), ("Shift+N", "ArrowUp")):
        grid.evaluate("view.moveCursor({bar: 0, at: '1/4', instrument: 'snare'})")
        grid.press(aside)
        assert grid.evaluate(at)[2] != "snare"
        grid.press(key)
        assert grid.evaluate(at) == [0, "1/4", "snare"]
    grid.press("n")
    assert grid.evaluate(at)[0] == 1


def test_a_question_answered_in_many_bars_is_offered_to_others_once(open_grid):
    """Three bars' closed hi-hats are given to the open hi-hat; thirteen bars have them as they were."""
    alike = READINGS.replace(
        "chart = chart.with_bar(1, chart.bars[1].with_note(unsure))",
        "for k in (1, 2, 3): chart = chart.with_bar(k, chart.bars[k].with_note(unsure))",
    ).replace(
        'tuple(PossibleHit(at_s, name, 60, 0.4) for name in ("open hi-hat", "high tom"))',
        'tuple(PossibleHit(chart.time_map.seconds(k, F(1, 8)), "open hi-hat", 60, 0.4) for k in (1, 2, 3))',
    )
    page, grid, kernel = open_grid(alike)
    opened = "[k for k, n in document.chart.notes() if n.instrument == 'open hi-hat']"
    grid.press("n", "ArrowUp", "k", "e")
    grid.settle()
    assert kernel.value(opened) == [1, 2, 3]
    page.page.wait_for_function("() => document.querySelectorAll('.wbg-offer').length")
    assert page.page.locator(".wbg-offer").count() == 1 and not page.page.locator(".wbg-more").count()
    page.page.locator(".wbg-offer button").first.click()
    grid.settle()
    assert kernel.value(opened) == list(range(16))
    grid.press("Control+z")
    grid.settle()
    page.page.locator(".wbg-offer button").last.click()  # let be, in all three
    grid.settle()
    page.page.wait_for_function("() => !document.querySelectorAll('.wbg-offer').length")
    assert kernel.value(opened) == [1, 2, 3]


def test_possible_hits_are_written_by_a_click_a_frame_and_the_menu_of_a_row(possible, screenshot):
    page, grid, kernel = possible
    grid.click(1, 1 / 16, "snare")  # on the hollow head: where it was heard, not only where it is written
    grid.settle()
    assert [1, "1/16"] in places(kernel, "snare") and kernel.value("len(document.chart.possible_hits)") == 4
    grid.press("Control+z")
    grid.settle()
    y = grid.point(1, 0, "snare")[1]
    x0, x1 = grid.point(1, 1 / 32, "snare")[0], grid.point(2, 3 / 32, "snare")[0]
    grid.drag((x0, y - 6), (x1, y + 6))
    assert "2 of them possible" in grid.text(".wbg-here")
    screenshot(page)
    grid.press("k")
    grid.settle()
    assert [p for p in places(kernel, "snare") if p[1] == "1/16"] == [[1, "1/16"], [2, "1/16"]]
    grid.press("Escape")
    left = grid.evaluate("return view.scroller.getBoundingClientRect().left")
    page.page.mouse.click(left + 40, grid.point(0, 0, "snare")[1], button="right")
    page.page.get_by_role("menuitem", name="Write its 2 possible hits").click()
    grid.settle()
    assert [k for k, p in places(kernel, "snare") if p == "1/16"] == [1, 2, 3, 4]
    assert kernel.value("[h.instrument for h in document.chart.possible_hits]") == ["crash"]
    page.page.mouse.click(left + 40, grid.point(0, 0, "crash")[1], button="right")
    page.page.get_by_role("menuitem", name="Refuse its possible hit").click()
    grid.settle()
    assert kernel.value("len(document.chart.possible_hits)") == 0


def test_a_frame_over_lines_holds_only_the_rows_it_began_and_ended_in(song):
    page, grid, _ = song
    lines = grid.evaluate("return view.sheet.lines.slice(0, 2).map((l) => l.first)")
    start, end = grid.point(lines[0], 3 / 16, "snare"), grid.point(lines[1], 5 / 16, "snare")
    start = grid.point(lines[0], 3 / 16, "snare")
    height = grid.evaluate("return view.sheet.lineHeight")
    grid.drag((start[0], start[1] - 4), (end[0], start[1] + height + 4))
    chosen = grid.evaluate("return [...view.chosen.keys()]")
    assert chosen == [f"{k} 1/4 snare" for k in lines]


def test_bars_are_drawn_onto_others_by_their_numbers(song):
    page, grid, kernel = song
    grid.click(0, 3 / 16, "crash")
    grid.settle()
    place = (
        "const l = view.sheet.lines.find((l) => l.first <= x && l.last > x);"
        "const box = view.scroller.getBoundingClientRect();"
        "return [box.left + l.bars[x - l.first].x + 40, box.top + l.y + 11 - view.scroller.scrollTop]"
    )
    grid.point(0, 0, "crash")
    start, end = grid.evaluate(place, 0), grid.evaluate(place, 2)
    page.page.keyboard.down("Control")
    page.page.mouse.move(*start)
    page.page.mouse.down()
    page.page.mouse.move(*end, steps=5)
    assert "onto what is in bar 3" in grid.text(".wbg-here")
    page.page.mouse.up()
    page.page.keyboard.up("Control")
    grid.settle()
    assert places(kernel, "crash") == [[0, "3/16"], [2, "3/16"]]
    assert "over what was in bar 3" in grid.text(".wbg-here")


def test_a_double_stroke_is_written_by_its_key(song):
    page, grid, kernel = song
    grid.evaluate("view.moveCursor({bar: 1, at: '3/4', instrument: 'snare'})")
    grid.press("Shift+D")
    grid.settle()
    assert kernel.value("sorted(document.chart.bars[1].find(F(3, 4), 'snare').articulations)") == ["double"]
