"""The page of a take, opened from disk in a real browser: bars sound as written and as recorded, one at a time."""

import numpy as np
import pytest

from tests.takes import CLICK, LONG, play
from tests.test_align import chart_of
from workbench.chart import Note
from workbench.checking.pagesound import carried, sound_strokes
from workbench.checking.take import assess_strokes
from workbench.checking.take_report import write_take
from workbench.files.audio import SAMPLE_RATE_HZ, Audio, save_audio

pytestmark = pytest.mark.browser

PLAYING = "[...document.querySelectorAll('audio')].filter((a) => !a.paused).map((a) => [a.id, a.currentTime])"


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("take")
    kick = next(n for n in LONG[4].notes if n.instrument == "kick")
    bars = [b.without(*kick.key) if k == 4 else b for k, b in enumerate(LONG)]
    bars[6] = bars[6].with_note(Note(LONG[6].notes[1].position, "floor tom"))
    heard = play(bars)
    save_audio(folder / "a.wav", Audio(np.stack([sound_strokes(heard.strokes)] * 2, 1), SAMPLE_RATE_HZ))
    take = assess_strokes(chart_of(LONG, 100.0), heard, CLICK, str(folder / "a.wav"))
    page = write_take(take, folder / "a.html")
    (folder / "a.wav").unlink()  # handed on, the page is alone
    return page, take


def test_a_bar_sounds_as_written_and_as_recorded_and_stops_at_its_end(context, written):
    path, take = written
    page = context.new_page()
    faults, asked = [], []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(path.as_uri())
    bar = next(b for b in take.playing.bars if b.bar_number == 5)
    shown = page.locator("section.bar", has_text="Bar 5")
    for name, sound in (("As written", "written_sound"), ("As recorded", "sound")):
        button = shown.get_by_role("button", name=name)
        from_s, to_s = (float(button.get_attribute(f"data-{end}")) for end in ("from", "to"))
        assert to_s - from_s == pytest.approx(bar.end_s - bar.start_s, abs=0.002)
        button.click()
        page.wait_for_function(f"{PLAYING}.length === 1 && {PLAYING}[0][1] > {from_s}")
        ((playing, at_s),) = page.evaluate(PLAYING)
        assert playing == sound and from_s <= at_s < to_s and "lit" in button.get_attribute("class")
    assert from_s == pytest.approx(bar.start_s, abs=0.001)
    page.wait_for_function(f"{PLAYING}.length === 0")
    assert page.evaluate("document.querySelector('#sound').currentTime") == pytest.approx(bar.end_s, abs=0.5)
    button.click()
    button.click()
    assert page.evaluate(PLAYING) == [], "a second press stops it"
    assert not faults and all(url.startswith(("file:", "data:")) for url in asked)


#: What a sound plays at a time, told by its pitch, hertz.
PITCH_AT = """async ([url, at]) => {
  const sound = new Audio(url), context = new AudioContext(), heard = context.createAnalyser();
  await context.resume();
  heard.fftSize = 8192; heard.smoothingTimeConstant = 0;
  context.createMediaElementSource(sound).connect(heard).connect(context.destination);
  await new Promise((done) => { sound.onloadedmetadata = done; });
  sound.currentTime = at;
  await new Promise((done) => { sound.onseeked = done; });
  await sound.play();
  while (sound.currentTime < at + 0.4) await new Promise((done) => setTimeout(done, 20));
  const levels = new Float32Array(heard.frequencyBinCount);
  heard.getFloatFrequencyData(levels);
  const now = sound.currentTime;
  sound.pause();
  return [now, levels.indexOf(Math.max(...levels)) * context.sampleRate / heard.fftSize];
}"""


def test_a_browser_finds_a_time_in_carried_sound(context):
    """A tone that rises by 40 Hz a second, with noise here and there, tells where it is."""
    t = np.arange(120 * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ
    noise = np.random.default_rng(0).normal(scale=0.03, size=len(t)) * (t % 30 > 20)
    url = carried(0.5 * np.sin(2 * np.pi * (300 * t + 20 * t**2)) + noise)
    page = context.new_page()
    for at_s in (31.0, 77.0, 104.0):
        now_s, pitch_hz = page.evaluate(PITCH_AT, [url, at_s])
        assert (pitch_hz - 300) / 40 == pytest.approx(now_s - 0.1, abs=0.25)


def test_on_a_phone_nothing_is_wider_than_the_page(context, written):
    page = context.new_page()
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(written[0].as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    staves = page.locator("section.bar figure")
    first, second = staves.nth(0).bounding_box(), staves.nth(1).bounding_box()
    assert second["y"] > first["y"] and first["width"] > 300
