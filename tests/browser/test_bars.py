"""Bars put right in one act, with real mouse and keys: no stroke of a draft changes its time."""

import pytest

pytestmark = pytest.mark.browser

#: A real draft: the demo song as the workbench hears it.
DRAFT = """
import workbench as wb
from fractions import Fraction as F
document = wb.open_chart(wb.demo_song("here"))
grid = wb.HitGrid(document, hearing_hint=False)
wb.workspace(grid)"""
#: Time and drum of every stroke, in order of the drum, then of time.
STROKES = "sorted((n.instrument, document.chart.note_time_s(k, n)) for k, n in document.chart.notes())"
LINES = "[b.beat_times_s[0] for b in document.chart.time_map.bars]"
ACTS = ["1 a beat earlier", "1 a beat later", "1 half a beat later", "Half tempo", "Double tempo", "3 beats for 2",
        "2 beats for 3", "Split bar at the cursor", "Join with next bar"]  # fmt: skip


@pytest.fixture
def draft(open_grid, drafted):
    return open_grid(f"!cp -r '{drafted}' here\n" + DRAFT)


def same_times(before, after):
    assert [name for name, _ in before] == [name for name, _ in after]
    assert [t for _, t in after] == pytest.approx([t for _, t in before], abs=1e-3)


def test_every_act_on_bars_leaves_the_strokes_of_a_draft_where_they_were_heard(draft, screenshot):
    page, grid, kernel = draft
    strokes, lines = kernel.value(STROKES), kernel.value(LINES)
    page.page.get_by_role("button", name="Bar lines").click()
    grid.evaluate("view.moveCursor({bar: 5, at: '1/2', instrument: view.rows[0]})")
    panel = page.page.get_by_role("region", name="Bar lines")
    for words in ACTS:
        revision = kernel.value("document.revision")
        panel.get_by_role("button", name=words, exact=True).click()
        page.page.wait_for_function("(n) => document.querySelector('.wbg').hitGrid.session.revision > n", arg=revision)
        assert kernel.value(LINES) != lines, words
        same_times(strokes, kernel.value(STROKES))
        grid.press("Control+z")
        grid.settle()
        assert kernel.value(LINES) == lines, words
    page.page.get_by_label("Meter").fill("3/4")
    page.page.get_by_label("Meter").press("Enter")
    page.page.wait_for_function("() => document.querySelector('.wbg').hitGrid.chart.time_map.bars[3].meter === '3/4'")
    same_times(strokes, kernel.value(STROKES))
    screenshot(page)
    grid.press("Control+z")
    grid.settle()
    # The line of bar 6 dragged by a beat takes the song along.
    x, y = grid.point(5, 0, grid.evaluate("return view.rows[0]"))
    beat = grid.evaluate("return view.sheet.lines[0].scale") / 4
    y = grid.evaluate("const l = view.sheet.lines.find((l) => l.first <= 5 && l.last > 5);"
                      "return view.scroller.getBoundingClientRect().top + l.y + view.sheet.waveY + 12"
                      " - view.scroller.scrollTop;")  # fmt: skip
    grid.drag((x, y), (x + beat, y))
    grid.settle()
    moved = kernel.value(LINES)
    assert moved != lines and kernel.value("sum(b.fixed for b in document.chart.time_map.bars)") == 1
    same_times(strokes, kernel.value(STROKES))
    grid.press("Control+z", "(")
    grid.settle()
    same_times(strokes, kernel.value(STROKES))


def test_the_cursor_stays_with_its_hit_and_bars_laid_otherwise_offer_no_correction(draft):
    page, grid, kernel = draft
    at, drum = kernel.value(
        "next([str(n.position), n.instrument] for n in document.chart.bars[5].notes if n.instrument == 'kick')"
    )
    grid.evaluate("view.moveCursor({bar: 5, at: x[0], instrument: x[1]})", [at, drum])
    heard = (
        "const { bar, at, instrument } = view.cursor;"
        "const n = view.chart.bars[bar].notes.find((n) => n.at === at && n.instrument === instrument);"
        "if (!n) return null;"
        "const [p, q] = at.split('/').map(Number); const place = view.time.starts[bar] + p / (q || 1);"
        "const { anchorNotes: a, anchorTimes: t } = view.time; const k = a.findLastIndex((x) => x <= place + 1e-9);"
        "return t[k] + (place - a[k]) * (t[k + 1] - t[k]) / (a[k + 1] - a[k]) + (n.deviation_s || 0);"
    )
    time_s = grid.evaluate(heard)
    page.page.get_by_role("button", name="Bar lines").click()
    panel = page.page.get_by_role("region", name="Bar lines")
    for words in ("1 a beat later", "1 half a beat later", "Half tempo", "Double tempo"):
        revision = kernel.value("document.revision")
        panel.get_by_role("button", name=words, exact=True).click()
        wait_for_revision(page, revision)
        grid.settle()
        assert grid.evaluate(heard) == pytest.approx(time_s, abs=2e-3), words
        assert page.page.locator(".wbg-offer").count() == 0, words
        grid.press("Control+z")
        grid.settle()
        assert grid.evaluate("return [view.cursor.bar, view.cursor.at]") == [5, at], words
    grid.press(">")
    grid.settle()
    revision = kernel.value("document.revision")
    grid.press("e")
    assert page.page.locator(".wbg-offer").count() == 0 and "Nothing to correct" in grid.text(".wbg-here")
    # On the 1 there is nothing to split: that is said, and the cursor's bar stays.
    grid.evaluate("view.moveCursor({bar: 5, at: '0', instrument: 'kick'})")
    panel.get_by_role("button", name="Split bar at the cursor").click()
    assert "Move the cursor" in grid.text(".wbg-here") and not page.page.locator(".wbg-error").is_visible()
    assert kernel.value("document.revision") == revision


def test_only_the_bars_that_are_meant(song):
    page, grid, kernel = song
    grid.click(6, 1 / 16, "crash")
    grid.settle()
    page.page.get_by_role("button", name="Bar lines").click()
    page.page.get_by_label("For", exact=True).select_option("from here on")
    page.page.wait_for_function(
        "() => document.querySelector('.wbg').hitGrid.model.get('bars_meant') === 'from here on'"
    )
    grid.press(")")
    grid.settle()
    assert kernel.value("[str(b.meter) for b in document.chart.time_map.bars[4:8]]") == ["4/4", "5/4", "4/4", "4/4"]
    assert "from bar 7 on" in grid.text(".wbg-here")
    page.page.get_by_role("button", name="Fix line or let it go").click()
    page.page.wait_for_function("() => document.querySelector('.wbg').hitGrid.chart.time_map.bars[6].fixed")


def test_a_meter_for_some_bars_says_which_lines_after_them_move(song):
    page, grid, _ = song
    grid.click(6, 1 / 16, "crash")
    grid.settle()
    page.page.get_by_role("button", name="Bar lines").click()
    page.page.get_by_label("For", exact=True).select_option("selected bars")
    page.page.wait_for_function(
        "() => document.querySelector('.wbg').hitGrid.model.get('bars_meant') === 'selected bars'"
    )
    page.page.get_by_label("Meter").fill("3/4")
    page.page.get_by_label("Meter").press("Enter")
    page.page.wait_for_function(
        "() => document.querySelector('.wbg .wbg-here').textContent.includes('the lines after that lie a beat earlier')"
    )


def wait_for_revision(page, revision):
    page.page.wait_for_function("(n) => document.querySelector('.wbg').hitGrid.session.revision > n", arg=revision)


@pytest.mark.parametrize("key, beats", [("t", False), ("Shift+T", True)])
def test_the_1_and_every_beat_tapped_while_it_plays_leave_the_strokes_where_they_were_heard(draft, key, beats):
    page, grid, kernel = draft
    strokes, lines, revision = kernel.value(STROKES), kernel.value(LINES), kernel.value("document.revision")
    grid.evaluate("view.set('loop', false); view.moveCursor({bar: 4, at: '0', instrument: view.rows[0]})")
    taps = kernel.value(
        "[t for b in document.chart.time_map.bars[5:8] for t in "
        + ("b.beat_times_s]" if beats else "b.beat_times_s[:1]]")
    )
    grid.press(" ")
    for time_s in taps:
        page.page.wait_for_function(
            "(t) => document.querySelector('.wbg').hitGrid.listener.heardAt() >= t", arg=time_s, polling=10
        )
        page.page.keyboard.press(key)
    grid.press(" ")
    wait_for_revision(page, revision)
    grid.settle()
    fixed = "[b.beat_times_s[0] for b in document.chart.time_map.bars if b.fixed]"
    assert kernel.value(fixed) and kernel.value(LINES) != lines
    same_times(strokes, kernel.value(STROKES))
    grid.press("Control+z")
    grid.settle()
    assert kernel.value(LINES) == lines and kernel.value(fixed) == []
    same_times(strokes, kernel.value(STROKES))


def test_a_line_fixed_and_let_go_and_a_pick_up_leave_the_strokes_where_they_were_heard(draft, screenshot):
    page, grid, kernel = draft
    strokes, lines = kernel.value(STROKES), kernel.value(LINES)
    page.page.get_by_role("button", name="Bar lines").click()
    grid.evaluate("view.moveCursor({bar: 5, at: '0', instrument: view.rows[0]})")
    fix = page.page.get_by_role("button", name="Fix line or let it go")
    for held in (True, False):
        fix.click()
        page.page.wait_for_function(
            "(held) => Boolean(document.querySelector('.wbg').hitGrid.chart.time_map.bars[5].fixed) === held", arg=held
        )
        assert kernel.value("document.chart.time_map.bars[5].fixed") is held
        assert kernel.value(LINES) == lines
        same_times(strokes, kernel.value(STROKES))
    first = kernel.value("str(document.chart.time_map.bars[0].length)")
    for beats, length in (("1", "1/4"), ("5/2", "5/8"), ("0", "1")):
        revision = kernel.value("document.revision")
        page.page.get_by_label("Pick-up").fill(beats)
        page.page.get_by_label("Pick-up").press("Enter")
        wait_for_revision(page, revision)
        grid.settle()
        assert kernel.value("str(document.chart.time_map.bars[0].length)") == length
        same_times(strokes, kernel.value(STROKES))
    screenshot(page)
    grid.press("Control+z", "Control+z", "Control+z")
    grid.settle()
    assert kernel.value("str(document.chart.time_map.bars[0].length)") == first and kernel.value(LINES) == lines
    same_times(strokes, kernel.value(STROKES))


def test_repeat_signs_and_tempo_words_by_hand_change_the_page_and_no_stroke(song, screenshot):
    page, grid, kernel = song
    printed = (
        "[(b.bar_index + 1, b.opens_repeat, b.closes_repeat, b.passes)"
        " for b in __import__('workbench.notation.abbreviations', fromlist=['x']).abbreviate("
        "document.chart, repeats=True, similes=False)]"
    )
    before = kernel.value(printed)
    grid.click(5, 9 / 16, "crash")  # of bars 3 to 6, two and two, the second pass ends differently
    grid.settle()
    strokes = kernel.value(STROKES)
    grid.evaluate("view.moveCursor({bar: 2, at: '0', instrument: 'kick'})")
    grid.press("Shift+ArrowRight", "Shift+ArrowRight")
    page.page.get_by_role("button", name="Score", exact=True).click()
    page.page.get_by_role("button", name="Repeat signs").click()
    page.page.keyboard.press("Enter")
    grid.settle()
    assert "with repeat signs for bars 3 to 6" in grid.text(".wbg-here")
    folded = kernel.value(printed)
    assert [3, True, False, 2] in folded and len(folded) == 16 - 1
    same_times(strokes, kernel.value(STROKES))
    # Bars that begin differently are no repeat, and that is said.
    grid.evaluate("view.moveCursor({bar: 5, at: '0', instrument: 'kick'})")
    page.page.get_by_role("button", name="Repeat signs").click()
    page.page.keyboard.press("Enter")
    assert "written differently" in grid.text(".wbg-here")
    page.page.get_by_role("button", name="Tempo words").click()
    page.page.keyboard.type("Slow and heavy")
    page.page.keyboard.press("Enter")
    grid.settle()
    assert kernel.value("[t.text for t in document.chart.texts]") == ["repeat 2", "tempo: Slow and heavy"]
    screenshot(page)
    grid.press("Control+z", "Control+z", "Control+z")
    grid.settle()
    assert kernel.value(printed) == before
