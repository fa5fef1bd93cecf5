"""How long a song of 3:30 takes to a handed-over lesson, how large that is, and how soon a phone shows it.

The song is the demo song, played on and on.  Must reach: 90 s on two cores from the chart that is right to the page
(and 15 MB); first paint within 1 s on a phone, that is Chromium at 390 × 844 with its processor slowed to a quarter;
the count-in within 3 dB of the click, as the page plays both.
"""

from __future__ import annotations

import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

import workbench as wb
from workbench.chart import Chart
from workbench.chart.meter import TimeMap
from workbench.files.audio import Audio, load_audio, save_audio
from workbench.files.chartfile import read_chart
from workbench.practice.lesson import Lesson, plan_lesson
from workbench.practice.lessonpage import write_lesson
from workbench.reading.read import read_part

SONG_S = 210.0
#: A phone's processor against a laptop's, as Chromium's own tools slow it down for "mid-tier mobile" (from memory).
SLOWER = 4
SIZE = {"width": 390, "height": 844}

#: Runs before the page: keeps what goes to the loudspeakers, a second of it, as the level of each sample.
LEVELS = """
window.levels = (seconds) => new Promise((done) => {
  const context = window.heard, meter = context.createScriptProcessor(4096, 2, 1), kept = [];
  meter.onaudioprocess = ({ inputBuffer }) => {
    kept.push(...inputBuffer.getChannelData(0));
    if (kept.length > seconds * context.sampleRate) { meter.onaudioprocess = null; done([context.sampleRate, kept]); }
  };
  window.mixed.connect(meter);
  meter.connect(context.destination);
});
const connect = AudioNode.prototype.connect;
AudioNode.prototype.connect = function (to, ...more) {
  if (to === this.context.destination && !window.mixed) [window.mixed, window.heard] = [this, this.context];
  return connect.call(this, to, ...more);
};
"""


def long_song(folder: Path) -> tuple[Chart, Path]:
    """The demo song round and round for three and a half minutes, as chart and recording."""
    chart, sound = read_chart(wb.demo_song(what="chart")), load_audio(wb.demo_song())
    first = 1 if chart.time_map.bars[0].is_pickup else 0
    bars, written, pieces = list(chart.time_map.bars), list(chart.bars), []
    start_s, end_s = chart.time_map.bar_start_s(first), chart.time_map.end_s
    round_s = end_s - start_s
    pieces.append(sound.excerpt(0, end_s).samples)
    rounds = 0
    while end_s + rounds * round_s < SONG_S:
        rounds += 1
        for k in range(first, len(chart)):
            own = chart.time_map.bars[k]
            bars.append(replace(own, beat_times_s=tuple(t + rounds * round_s for t in own.beat_times_s)))
        written += chart.bars[first:]
        pieces.append(sound.excerpt(start_s, end_s).samples)
    whole = np.concatenate(pieces)
    save_audio(folder / "song.wav", Audio(whole, sound.sample_rate))
    kept = [b for b in bars if b.beat_times_s[0] < SONG_S]
    time_map = TimeMap(kept, bars[len(kept)].beat_times_s[0])
    return replace(chart, time_map=time_map, bars=tuple(written[: len(kept)]), recording=None), folder / "song.wav"


class Stages:
    """Seconds that each part of a piece of work took, by what its progress says."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = {}
        self.last, self.what = time.perf_counter(), ""

    def __call__(self, share: float, what: str) -> None:
        now = time.perf_counter()
        if self.what:
            self.spent[self.what] = self.spent.get(self.what, 0.0) + now - self.last
        self.last, self.what = now, what


def first_paint_s(page_file: Path) -> list[float]:
    """Seconds to the first contentful paint of a page from disk, five times, on a slowed phone."""
    from playwright.sync_api import sync_playwright

    from tests.browser.lab import CHROMIUM_FLAGS, find_chromium

    out = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=CHROMIUM_FLAGS)
        for _ in range(5):
            context = browser.new_context(viewport=SIZE, has_touch=True, is_mobile=True, offline=True)
            page = context.new_page()
            context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
            page.goto(page_file.as_uri(), wait_until="load", timeout=120_000)
            page.wait_for_function("performance.getEntriesByName('first-contentful-paint').length", timeout=60_000)
            out.append(page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime") / 1000)
            context.close()
        browser.close()
    return out


def count_in_above_click_db(page_file: Path) -> float:
    """Level of the count-in's clicks above that of the click along the music, as a page without a kit sounds."""
    from playwright.sync_api import sync_playwright

    from tests.browser.lab import CHROMIUM_FLAGS, find_chromium

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=CHROMIUM_FLAGS)
        page = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
        page.add_init_script(LEVELS)
        page.goto(page_file.as_uri())
        page.evaluate("document.getElementById('kit').value = 0")
        page.evaluate("document.getElementById('tempo').value = 120")
        page.evaluate("document.getElementById('tempo').dispatchEvent(new Event('input'))")
        page.click("#play")
        while not page.evaluate("Boolean(window.mixed)"):
            page.wait_for_timeout(5)
        rate, sound = page.evaluate("window.levels(5)")
        browser.close()
    level = np.abs(np.array(sound))
    beat = round(rate * 0.5)
    start = int(np.flatnonzero(level > 0.2 * level.max())[0])
    peaks = [level[max(start + k * beat - 200, 0) : start + k * beat + 2000].max() for k in range(8)]
    # Two rounds of four: the count-in and the first bar, accent by accent.
    return float(20 * np.log10(np.mean(peaks[:4]) / np.mean(peaks[4:])))


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        chart, recording = long_song(Path(folder))
        print(f"song of {chart.time_map.end_s:.0f} s, {len(chart)} bars", flush=True)
        start = time.perf_counter()
        reading = read_part(chart)
        read_s = time.perf_counter() - start
        plan: Lesson = plan_lesson(reading, recording)
        planned_s = time.perf_counter() - start - read_s
        stages = Stages()
        page = write_lesson(plan, Path(folder) / "song.lesson.html", stages)
        stages(1.0, "")
        whole_s = time.perf_counter() - start
        print(f"  {'Reading the part':34}{read_s:6.1f} s\n  {'Planning the lesson':34}{planned_s:6.1f} s")
        for what, spent_s in stages.spent.items():
            print(f"  {what:34}{spent_s:6.1f} s")
        print(f"to a handed-over lesson: {whole_s:.1f} s (must be at most 90)")
        print(f"its page: {page.stat().st_size / 1e6:.1f} MB (must be at most 15)")
        paints = first_paint_s(page)
        print(f"first paint, slowed phone: {np.median(paints):.2f} s (must be at most 1); worst {max(paints):.2f} s")
        print(f"count-in above the click: {count_in_above_click_db(page):+.1f} dB (must be within 3)")


if __name__ == "__main__":
    main()
