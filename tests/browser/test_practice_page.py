"""The practice pack's page, opened from disk in a real browser, without a network."""

import time
from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest

from tests.browser.lab import PATIENCE_S
from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.files.audio import Audio, save_audio
from workbench.practice.exercises import section_exercise
from workbench.practice.pack import PackOptions, make_practice_pack
from workbench.sound.separation import Separation

pytestmark = pytest.mark.browser

#: Runs before the page: keeps what is played, so that the test can look at it.
LISTEN = """
window.started = [];
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (...times) {
  const { loop, loopStart, loopEnd } = this;
  window.started.push({ source: this, times, loop, loopStart, loopEnd });
  return start.apply(this, times);
};
"""


@pytest.fixture(scope="module")
def pack(tmp_path_factory):
    notes = [Note(F(k, 8), "closed hi-hat", 100) for k in range(8)]
    notes += [Note(F(0), "kick"), Note(F(1, 4), "snare", 110)]
    chart = Chart(TimeMap.steady(2, 120.0), (WrittenBar(tuple(notes)),) * 2, "Copper <b>Weather</b>")
    first = section_exercise(chart, 0, 0, "First", tempi=(0.5, 1.0))
    second = replace(
        section_exercise(chart, 0, 1, "Second", tempi=(0.5, 1.0)),
        cautions=("Fast.",),
        warnings=("Bar 1: three things.", "Bar 2: four things."),
        count="(1) &",
        listen_for=("The kick.",),
    )
    return make_practice_pack(
        chart,
        tmp_path_factory.mktemp("page") / "pack",
        exercises=(first, second),
        options=PackOptions(track_repeats=0, format="mp3", click="off-beat", click_pan=-1.0),
    )


@pytest.fixture
def page(context, pack):
    page = context.new_page()
    faults, asked = [], []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on(
        "console",
        lambda message: (
            faults.append(message.text)
            if message.type == "error" and "ERR_FILE_NOT_FOUND" not in message.text
            else None
        ),
    )
    page.on("request", lambda request: asked.append(request.url))
    page.add_init_script(LISTEN)
    page.goto(pack.index.as_uri())
    yield page
    assert not faults
    assert all(url.startswith(("file:", "blob:", "data:")) for url in asked)


def wait_until(page, what, patience_s=PATIENCE_S):
    """Playwright's own waiting would need code that the page's security policy forbids."""
    end = time.monotonic() + patience_s
    while not page.evaluate(f"() => Boolean({what})"):
        assert time.monotonic() < end, what
        page.wait_for_timeout(50)


def playing(page, sounds=2):
    wait_until(page, f"window.started.length >= {sounds}")
    assert page.inner_text("#play") == "Stop"
    return page.evaluate("window.started.map(({ source, ...rest }) => rest)")


def test_the_page_shows_its_exercises(page):
    assert page.inner_text("h1") == "Copper <b>Weather</b>"
    assert page.locator("nav li").count() == 2
    assert page.locator("#bars svg").count() == 1
    assert page.inner_text("#where") == "bar 1 — ♩ = 60, 120 — count: 1 & 2 & 3 & 4 &"
    assert page.locator("#warnings").is_hidden()
    assert page.inner_text("nav li:first-child small") == "♩ = 60, 120"
    page.click("nav li:nth-child(2) a")
    assert page.inner_text("h2") == "Second"
    assert page.locator("#listen .caution").inner_text() == "Fast."
    assert page.locator("#listen li").all_inner_texts() == ["The kick."]
    assert page.locator("#warnings p").all_inner_texts() == ["Check first. Bar 1: three things.", "Bar 2: four things."]
    assert "the upper letter for the upper note" in page.inner_text("#read")
    assert "in brackets" in page.inner_text("#read")
    assert page.locator("#record-field").is_hidden()
    assert "85 dBA over 8 hours" in page.inner_text("footer")


def test_a_loop_is_played_exactly_and_in_step_with_its_click(page):
    page.click("#tempi button:last-child")
    page.uncheck("#count-in")
    page.click("#play")
    kit, click = playing(page)
    for layer in (kit, click):
        assert layer["loop"] and layer["loopEnd"] - layer["loopStart"] == pytest.approx(2.0, abs=1e-6)
    assert kit["times"][0] == click["times"][0]


def test_the_loop_that_the_browser_decoded_joins_itself(page):
    """What follows the loop's end is its beginning, sample by sample."""
    page.uncheck("#count-in")
    page.select_option("#click-kind", "none")
    page.click("#tempi button:last-child")
    page.click("#play")
    playing(page, 1)
    samples = page.evaluate("""() => {
      const { source, loopStart, loopEnd } = window.started.at(-1), x = source.buffer.getChannelData(0);
      const a = Math.round(loopStart * 44100), b = Math.round(loopEnd * 44100);
      return [Array.from(x.slice(a, a + 1500)), Array.from(x.slice(b, b + 1500)), Math.max(...x)];
    }""")
    beginning, after, peak = np.array(samples[0]), np.array(samples[1]), samples[2]
    assert peak > 0.1
    # MP3 is lossy: alike within its noise, and no step where they meet.
    assert np.corrcoef(beginning, after)[0, 1] > 0.98
    assert np.abs(beginning[0] - after[0]) < 0.02 * peak


def test_the_click_begins_as_the_pack_has_it(page):
    assert page.input_value("#click-kind") == "off-beat"
    page.evaluate("""() => {
      window.panned = [];
      const make = BaseAudioContext.prototype.createStereoPanner;
      BaseAudioContext.prototype.createStereoPanner = function () {
        const made = make.call(this); window.panned.push(made.pan); return made;
      };
    }""")
    page.uncheck("#count-in")
    page.click("#play")
    playing(page)
    assert page.evaluate("window.panned.map((p) => p.value)") == [0, -1]


def test_the_count_in_comes_first(page):
    page.click("#play")
    playing(page, 3)
    count, kit, _ = page.evaluate("window.started.map(({ source, times }) => ({ times, s: source.buffer.duration }))")
    assert kit["times"][0] - count["times"][0] == pytest.approx(4.0, abs=1e-3)
    assert count["s"] == pytest.approx(4.0, abs=1e-3)


def test_the_count_in_obeys_the_slider_of_the_click(page):
    page.evaluate("""() => {
      window.gains = [];
      const make = BaseAudioContext.prototype.createGain;
      BaseAudioContext.prototype.createGain = function () {
        const made = make.call(this); window.gains.push(made.gain); return made;
      };
    }""")
    page.fill("#click", "0")
    page.click("#play")
    playing(page, 3)
    # One gain for the kit, one for click and count-in; and both are clicks of one loudness.
    assert sorted(page.evaluate("window.gains.map((g) => g.value)")) == [0, 1]
    peaks = page.evaluate("""[0, 2].map((k) => {
      return window.started[k].source.buffer.getChannelData(0).reduce((most, v) => Math.max(most, v), 0);
    })""")
    assert abs(20 * np.log10(peaks[0] / peaks[1])) < 3


def test_a_click_that_is_silent_every_other_bar_goes_twice_round(page):
    page.uncheck("#count-in")
    page.select_option("#click-kind", "every other bar")
    page.click("#tempi button:last-child")
    page.click("#play")
    kit, click = playing(page)
    assert click["loopEnd"] - click["loopStart"] == pytest.approx(2 * (kit["loopEnd"] - kit["loopStart"]), abs=1e-6)
    peaks = page.evaluate("""() => {
      const x = window.started[1].source.buffer.getChannelData(0), half = x.length / 2;
      const peak = (a, b) => x.slice(a, b).reduce((most, v) => Math.max(most, Math.abs(v)), 0);
      return [peak(0, half), peak(half + 2000, x.length)];
    }""")
    assert peaks[0] > 0.1 and peaks[1] < 1e-3


def test_the_tempo_of_another_speed_is_shown_and_counted_in(page):
    page.fill("#speed", "80")
    assert page.inner_text("#speed-shown") == "80 % = 48"
    page.click("#play")
    playing(page, 1)
    # The kit may start before or after its count-in of four beats.
    wait_until(page, "window.started.some(({ source }) => Math.abs(source.buffer.duration - 5) < 1e-3)")


def test_playing_stops_and_goes_on_by_keyboard(page):
    page.keyboard.press("Space")
    playing(page)
    page.keyboard.press("Space")
    assert page.inner_text("#play") == "Play"


def test_other_speeds_keep_the_pitch(page):
    page.uncheck("#count-in")
    page.evaluate("""() => {
      window.media = [];
      const Media = window.Audio;
      window.Audio = function (...a) { const made = new Media(...a); window.media.push(made); return made; };
    }""")
    page.fill("#speed", "80")
    page.click("#play")
    wait_until(page, "window.media.length && !window.media[0].paused && window.media[0].currentTime > 0.2")
    media = page.evaluate(
        "(({ playbackRate, preservesPitch, loop, duration }) => "
        "({ playbackRate, preservesPitch, loop, duration }))(window.media[0])"
    )
    assert media["playbackRate"] == pytest.approx(0.8) and media["preservesPitch"] and media["loop"]
    assert media["duration"] == pytest.approx(4.0, abs=1e-3)


def test_changing_the_step_while_playing_goes_on_with_it(page):
    page.uncheck("#count-in")
    page.click("#play")
    playing(page)
    page.click("#steps button:nth-child(2)")
    assert page.locator("#steps button[aria-pressed=true]").inner_text() == "feet alone"
    playing(page, 4)
    assert page.inner_text("#play") == "Stop"


def test_a_missing_sound_is_said(page, pack):
    for script in (pack.folder / "page").glob("second-hands-60bpm-kit.js"):
        script.rename(script.with_suffix(".away"))
    try:
        page.click("nav li:nth-child(2) a")
        page.click("#play")
        wait_until(page, "document.querySelector('#message').textContent.includes('unpack the whole folder')")
        assert page.inner_text("#play") == "Play"
    finally:
        for script in (pack.folder / "page").glob("*.away"):
            script.rename(script.with_suffix(".js"))


def test_the_song_without_its_drums_is_played_from_the_page(context, tmp_path, monkeypatch):
    monkeypatch.setattr(Separation, "drums", lambda self, a, b: self.cut(a, b) / 2)
    chart = Chart(TimeMap.steady(2, 120.0, start_s=0.5), (WrittenBar((Note(F(0), "kick"),)),) * 2, "Copper Weather")
    noise = np.random.default_rng(1).uniform(-0.2, 0.2, (round(4.6 * 44100), 2)).astype(np.float32)
    save_audio(tmp_path / "song.flac", Audio(noise, 44100))
    pack = make_practice_pack(
        chart,
        tmp_path / "pack",
        exercises=(section_exercise(chart, 0, 0, "First", tempi=(1.0,)),),
        recording=tmp_path / "song.flac",
        options=PackOptions(track_repeats=0, format="mp3"),
    )
    page = context.new_page()
    page.goto(pack.index.as_uri())
    player, column = (page.locator(place).bounding_box() for place in ("#song audio", "nav"))
    assert column["x"] <= player["x"] and player["x"] + player["width"] <= column["x"] + column["width"]
    page.locator("#song audio").evaluate("audio => audio.play()")
    wait_until(page, "document.querySelector('#song audio').currentTime > 0.3")
    # One bar of count-in, two seconds, the last half second of which the recording already covers.
    assert page.locator("#song audio").evaluate("audio => audio.duration") == pytest.approx(4.6 + 1.5, abs=0.06)
