"""A lesson's page, opened from disk on a phone's screen with touch, without a network."""

import numpy as np
import pytest
from playwright.sync_api import expect

from tests.browser.lab import PATIENCE_S
from tests.browser.test_practice_page import LISTEN, wait_until
from tests.parts import FILL, ROCK, part
from workbench.files.audio import Audio, save_audio
from workbench.practice.lesson import plan_lesson
from workbench.practice.lessonpage import write_lesson
from workbench.reading.read import read_part
from workbench.sound.separation import Separation

pytestmark = pytest.mark.browser


RATE = 44100
CHART = part(*[ROCK] * 7, FILL, *[ROCK] * 8, title="Copper Weather", tempo_bpm=120.0)


@pytest.fixture(scope="module")
def lesson_file(tmp_path_factory):
    """A lesson whose recording has a burst where the part has a stroke and a held tone; drums are a third of it."""
    folder = tmp_path_factory.mktemp("lesson")
    t = np.arange(round(32.5 * RATE)) / RATE
    sound = 0.05 * np.sin(2 * np.pi * 330 * t)
    burst = 0.5 * np.exp(-np.arange(900) / 200) * np.sin(2 * np.pi * 2000 * np.arange(900) / RATE)
    for k, note in CHART.notes():
        sound[round(CHART.note_time_s(k, note) * RATE) :][:900] = burst
    save_audio(folder / "song.wav", Audio(np.stack([sound, sound], axis=1), RATE))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Separation, "drums", lambda own, first, last: own.cut(first, last) / np.float32(3))
        return write_lesson(plan_lesson(read_part(CHART), folder / "song.wav"), folder / "lesson.html")


@pytest.fixture
def page(chromium, lesson_file):
    context = chromium.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True, offline=True)
    context.set_default_timeout(1000 * PATIENCE_S)
    page = context.new_page()
    faults = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    page.add_init_script(LISTEN)
    page.goto(lesson_file.as_uri())
    yield page
    assert not faults
    context.close()


def clicks(page, enough):
    """Times at which clicks sound, once there are enough of them."""
    found = "window.started.filter(({ source }) => Math.abs(source.buffer.duration - 0.045) < 0.001)"
    wait_until(page, f"{found}.length >= {enough}")
    return page.evaluate(f"{found}.map(({{ times }}) => times[0])")


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


@pytest.mark.parametrize("width", [390, 800, 1000, 1200])
def test_all_bars_of_the_song_are_drawn_in_one_size(page, width):
    """The last line, too, however many bars are left for it."""
    page.set_viewport_size({"width": width, "height": 900})
    song = page.locator(".item").last
    song.locator(".steps button").last.tap()
    boxes = [song.locator(".bar").nth(k).bounding_box() for k in range(16)]
    rows = {round(box["y"]) for box in boxes}
    assert len(rows) == 16 if width < 600 else 1 < len(rows) < 16
    sizes = [box["width"] for box in boxes]
    assert max(sizes) - min(sizes) < 1 and all(box["x"] + box["width"] <= width for box in boxes)


def test_it_counts_in_plays_exactly_and_shows_where(page):
    bpm = int(page.inner_text("#bpm"))
    page.tap("#play")
    found = clicks(page, 5)
    gaps = [b - a for a, b in zip(found, found[1:])]
    assert gaps == pytest.approx([60 / bpm] * len(gaps), abs=1e-6)
    expect(page.locator(".bar.now")).to_have_count(1)
    page.tap("#play")
    assert page.inner_text("#play") == "Play" and page.locator(".bar.now").count() == 0


def test_the_mark_is_over_the_note_that_sounds(page):
    page.locator("#item-1 .steps button").last.tap()
    page.locator("details summary").first.tap()
    page.uncheck("#count-in")
    page.tap("#play")
    wait_until(page, "window.started.length > 0")
    # The mark and, by the clock of the sound, the beat: on each eighth it stands over the hi-hat written there.
    found = page.evaluate(
        """() => new Promise((done) => {
          const seen = [], bar = document.querySelector("#item-1 .bar"), box = bar.getBoundingClientRect();
          const heads = [...bar.querySelectorAll('.note[id*="hi-hat"] .notehead')].map((h) => {
            const { left, width } = h.getBoundingClientRect();
            return left + width / 2 - box.left;
          });
          (function look() {
            const mark = bar.querySelector("i");
            const x = parseFloat(mark.style.left) / 100 * box.width;
            const { context } = window.started[0].source;
            if (bar.classList.contains("now")) seen.push([context.currentTime, x]);
            if (seen.length < 90) requestAnimationFrame(look);
            else done([heads, seen, Math.min(...window.started.map(({ times }) => times[0]))]);
          })();
        })"""
    )
    heads, seen, first_s = found
    assert len(heads) == 8 and heads == sorted(heads)
    bpm = int(page.inner_text("#bpm"))
    for at_s, x in seen:
        eighths = (at_s - first_s) * bpm / 30
        if eighths < 7:
            k = int(eighths)
            here = heads[k] + (eighths - k) * (heads[k + 1] - heads[k])
            assert x == pytest.approx(here, abs=0.4 * (heads[1] - heads[0]))


def test_the_ladder_climbs_and_ticks_off_what_is_behind(page):
    page.locator("details summary").first.tap()
    page.uncheck("#count-in")
    page.fill("#ladder", "20")
    page.fill("#rounds", "1")
    before = int(page.inner_text("#bpm"))
    page.tap("#play")
    expect(page.locator("#bpm")).not_to_have_text(str(before))
    assert before < int(page.inner_text("#bpm")) == min(before + 20, 120)
    page.tap("#play")
    assert page.locator(".tempi button.done").count() >= 1
    done = page.locator(".tempi button.done").count()
    page.reload()
    assert page.locator(".tempi button.done").count() == done


def test_a_tempo_is_heard_before_it_is_ticked_off(page):
    """A touch of a tempo chooses it and no more; what is done the student says, and may take back."""
    tempi, tick = page.locator("#item-1 .tempi button"), page.locator("#item-1 .tick")
    tempi.last.tap()
    assert tempi.last.get_attribute("aria-pressed") == "true" and page.inner_text("#bpm") == "120"
    assert "the record's tempo" in tempi.last.inner_text() and page.locator(".tempi button.done").count() == 0
    tick.tap()
    assert "120" in tick.inner_text() and tick.get_attribute("aria-pressed") == "true"
    assert page.locator(".tempi button.done").all_inner_texts() == [tempi.last.inner_text()]
    tempi.first.tap()
    assert tick.get_attribute("aria-pressed") == "false" and page.locator("#item-2 .tick").is_hidden()
    tempi.last.tap()
    tick.tap()
    assert page.locator(".tempi button.done").count() == 0


def test_the_click_may_be_silent_every_other_bar(page):
    page.locator("details summary").first.tap()
    page.uncheck("#count-in")
    page.select_option("#click-kind", "every other bar")
    bpm = int(page.inner_text("#bpm"))
    page.tap("#play")
    found = clicks(page, 8)
    beats = [round((at - found[0]) * bpm / 60) for at in found]
    assert beats[:8] == [0, 1, 2, 3, 8, 9, 10, 11]


def test_notes_are_kept(page):
    page.locator(".item textarea").nth(1).fill("left hand low")
    page.reload()
    assert page.locator(".item textarea").nth(1).input_value() == "left hand low"


def recorded(page, enough):
    """Passages of the recording that were started: when their bar lines sound, and drums and band (frames)."""
    is_record = "({ source }) => source.buffer.numberOfChannels === 2 && source.buffer.duration > 0.5"
    wait_until(page, f"window.started.filter({is_record}).length >= {2 * enough}")
    found = page.evaluate(
        f"window.started.filter({is_record}).map(({{ source, times }}) => "
        "[times[0] - (times[1] || 0), source.buffer.sampleRate, Array.from(source.buffer.getChannelData(0))])"
    )
    rate = found[0][1]
    pairs = zip(found[::2], found[1::2])
    return rate, [(at + 0.012, np.array(drums), np.array(band)) for (at, _, drums), (_, _, band) in pairs]


def strokes_in(sound, rate):
    loud = np.flatnonzero(np.abs(sound) > 0.4 * np.abs(sound).max())
    return loud[np.r_[True, np.diff(loud) > 0.05 * rate]] / rate - 0.012


@pytest.mark.parametrize("choice", ["slowest", "the record's"])
def test_the_recording_plays_at_any_tempo_each_stroke_where_it_is_written(page, choice):
    page.locator("details summary").first.tap()
    page.uncheck("#count-in")
    page.select_option("#sound", "recording")
    page.locator("#item-1 .steps button").last.tap()
    tempi = page.locator("#item-1 .tempi button")
    (tempi.last if choice == "the record's" else tempi.first).tap()
    bpm = int(page.inner_text("#bpm"))
    assert (bpm == 120) == (choice == "the record's")
    page.tap("#play")
    rate, passages = recorded(page, 2)
    # Bars follow one another without a gap, in time with the click.
    starts_at = [at for at, _, _ in passages]
    assert np.diff(starts_at) == pytest.approx([240 / bpm] * (len(starts_at) - 1), abs=1e-3)
    assert clicks(page, 1)[0] == pytest.approx(starts_at[0], abs=0.002)
    for _, drums, band in passages[:1]:
        for sound in (drums, band):
            heard = strokes_in(sound, rate)
            assert heard[:8] == pytest.approx([k * 30 / bpm for k in range(8)], abs=0.003)
        # Drums and band are cut at the same places: a third and two thirds of the same sound.
        assert np.vdot(drums, band) / np.vdot(band, band) == pytest.approx(0.5, abs=0.03)
    expect(page.locator(".bar.now")).to_have_count(1)


def test_the_whole_song_plays_along_without_its_drums(page):
    page.select_option("#sound", "along")
    assert [page.locator(f"#{id}").input_value() for id in ("kit", "drums", "band")] == ["0", "0", "100"]
    page.locator(".item").last.locator(".steps button").tap()
    assert not page.locator("#loop").is_checked()
    page.tap("#play")
    rate, passages = recorded(page, 1)
    # The count-in is counted by the click, on its slider alone.
    counted = [at for at in clicks(page, 4) if at < passages[0][0] - 0.01]
    assert len(counted) == 4


def test_a_touched_bar_is_looped_alone(page):
    page.locator(".item").last.locator(".steps button").tap()
    bars = page.locator(".item").last.locator(".bar")
    bars.nth(2).tap()
    assert page.locator(".bar.out").count() == bars.count() - 1
    bars.nth(4).tap()
    assert page.locator(".bar.out").count() == bars.count() - 3
    bars.nth(1).tap()
    bars.nth(1).tap()
    assert page.locator(".bar.out").count() == 0


def test_left_handed_and_open_handed_letters(page):
    page.locator("#item-1 .steps button").last.tap()
    letters = lambda: [t for t in page.locator("#item-1 .bar tspan").all_text_contents() if t in ("R", "L")]
    usual = letters()
    page.locator("details summary").first.tap()
    page.check("#left")
    assert letters() == [{"R": "L", "L": "R"}[t] for t in usual]
    page.uncheck("#left")
    page.check("#open")
    assert usual.count("R") > usual.count("L") and letters().count("L") > letters().count("R")
