"""A lesson's page, opened from disk on a phone's screen with touch, without a network."""

import time

import pytest

from tests.browser.test_practice_page import LISTEN
from tests.parts import FILL, ROCK, part
from workbench.practice.lesson import plan_lesson, write_lesson
from workbench.reading.read import read_part

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def lesson_file(tmp_path_factory):
    lesson = plan_lesson(read_part(part(*[ROCK] * 7, FILL, *[ROCK] * 8, title="Copper Weather", tempo_bpm=120.0)))
    return write_lesson(lesson, tmp_path_factory.mktemp("lesson") / "lesson.html")


@pytest.fixture
def page(chromium, lesson_file):
    context = chromium.new_context(viewport={"width": 390, "height": 780}, has_touch=True, is_mobile=True, offline=True)
    page = context.new_page()
    faults = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    page.add_init_script(LISTEN)
    page.goto(lesson_file.as_uri())
    yield page
    assert not faults
    context.close()


def starts(page, enough, patience_s=15.0):
    """Times at which sounds begin, and their lengths, once there are enough of them."""
    end = time.monotonic() + patience_s
    while (count := page.evaluate("window.started.length")) < enough:
        assert time.monotonic() < end, count
        page.wait_for_timeout(50)
    return page.evaluate("window.started.map(({ source, times }) => [times[0], source.buffer.duration])")


def clicks(found):
    return [at for at, length in found if length == pytest.approx(0.045, abs=0.001)]


def test_bars_reflow_and_buttons_are_large_enough_for_thumbs(page):
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.locator(".item[aria-current] .bar svg").count() >= 1
    for box in (
        page.locator("#play").bounding_box(),
        page.locator(".item[aria-current] .steps button").first.bounding_box(),
    ):
        assert box["height"] >= 44
    bars = page.locator(".bar")
    assert all(250 < bars.nth(k).bounding_box()["width"] <= 390 for k in range(bars.count()))


def test_it_counts_in_plays_exactly_and_shows_where(page):
    bpm = int(page.inner_text("#bpm"))
    page.tap("#play")
    found = clicks(starts(page, 16))
    gaps = [b - a for a, b in zip(found, found[1:])]
    assert len(found) >= 5 and gaps == pytest.approx([60 / bpm] * len(gaps), abs=1e-6)
    page.wait_for_timeout(int(1000 * 4.5 * 60 / bpm))
    assert page.locator(".bar.now").count() == 1
    page.tap("#play")
    assert page.inner_text("#play") == "Play" and page.locator(".bar.now").count() == 0


def test_the_ladder_climbs_and_ticks_off_what_is_behind(page):
    page.locator("details summary").first.tap()
    page.uncheck("#count-in")
    page.fill("#ladder", "20")
    page.fill("#rounds", "1")
    before = int(page.inner_text("#bpm"))
    page.tap("#play")
    end = time.monotonic() + 15
    while int(page.inner_text("#bpm")) == before:
        assert time.monotonic() < end
        page.wait_for_timeout(50)
    assert before < int(page.inner_text("#bpm")) == min(before + 20, 120)
    page.tap("#play")
    assert page.locator(".tempi button.done").count() >= 1
    done = page.locator(".tempi button.done").count()
    page.reload()
    assert page.locator(".tempi button.done").count() == done


def test_the_click_may_be_silent_every_other_bar(page):
    page.locator("details summary").first.tap()
    page.uncheck("#count-in")
    page.select_option("#click-kind", "every other bar")
    bpm = int(page.inner_text("#bpm"))
    page.tap("#play")
    page.wait_for_timeout(int(1000 * 13 * 60 / bpm))
    found = clicks(starts(page, 8))
    beats = [round((at - found[0]) * bpm / 60) for at in found]
    assert beats[:8] == [0, 1, 2, 3, 8, 9, 10, 11]


def test_notes_are_kept(page):
    page.locator(".item textarea").nth(1).fill("left hand low")
    page.reload()
    assert page.locator(".item textarea").nth(1).input_value() == "left hand low"
