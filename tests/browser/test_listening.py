"""Listening in a real browser: what sounds is compared with the recording, sample by sample."""

import numpy as np
import pytest

from tests.browser.conftest import SONG

pytestmark = pytest.mark.browser

#: Longest time a picture stands on a screen of 60 frames/s.
FRAME_S = 1 / 60


def heard(grid):
    return grid.evaluate("return view.listener.heardAt()")


def test_a_loop_is_the_recording_without_a_gap(song):
    """Web Audio API (W3C), AudioBufferSourceNode: rendered by the browser's own OfflineAudioContext."""
    page, grid, kernel = song
    grid.click(2, 0, "crash")
    grid.settle()
    rendered = grid.evaluate("""
        view.listener.context = null;
        const passage = { start_s: 4.5, end_s: 8.5, speed_percent: 100, count_in_bars: 0,
          loop: true };
        const settings = { recording: { level: 1, pan: 0 } };
        return view.listener.renderLoop(passage, Math.round(44100 * 9.3), settings).then((buffer) => {
          const out = [];
          for (const c of [0, 1]) out.push(Array.from(buffer.getChannelData(c)));
          return out;
        });""")
    kernel.run("part = recording.samples[round(4.5 * rate):round(8.5 * rate)].T")
    part = np.array(kernel.value("[[float(x) for x in c] for c in part]"))
    twice = np.tile(part, 3)[:, : round(44100 * 9.3)]
    assert np.abs(np.array(rendered) - twice).max() < 1e-6


@pytest.mark.parametrize("speed", [50])
def test_recording_chart_and_click_last_equally_at_other_speeds(song, speed):
    page, grid, kernel = song
    lengths = grid.evaluate(
        """
        const passage = { start_s: 0.5, end_s: 2.5, speed_percent: x, count_in_bars: 0,
          loop: true };
        return Promise.all(["recording", "chart", "click"].map((s) => view.listener.fetch(passage, s)))
          .then((all) => all.map((pieces) => pieces.reduce((n, p) => n + p.message.frames, 0)));""",
        speed,
    )
    assert lengths == [round(2.0 * 44100 * 100 / speed)] * 3


def test_levels_and_placing(song):
    page, grid, kernel = song
    left, right = grid.evaluate("""
        const passage = { start_s: 4.5, end_s: 6.5, speed_percent: 100, count_in_bars: 0,
          loop: true };
        const settings = { recording: { level: 0.5, pan: 1 } };
        return view.listener.renderLoop(passage, 44100, settings).then((b) => [0, 1].map((c) =>
          Math.sqrt(b.getChannelData(c).reduce((s, x) => s + x * x, 0) / b.length)));""")
    assert left == pytest.approx(0, abs=1e-6)
    assert right > 0.1


def test_play_by_a_real_click_loops_the_selection_and_the_cursor_is_where_the_sound_is(song, screenshot):
    page, grid, kernel = song
    grid.click(4, 0, "crash")
    grid.settle()
    grid.press("Shift+ArrowRight", "Shift+ArrowRight")
    page.page.get_by_role("button", name="Play").click()
    page.page.wait_for_function("() => document.querySelector('.wbg').hitGrid.listener.heardAt() !== null")
    screenshot(page)
    assert grid.evaluate("return view.listener.context.state") == "running"
    # Until the loop has turned and long enough was looked at: second of the recording, and where the line stands, read
    # in one frame.
    samples = grid.evaluate("""
        const out = [];
        return new Promise((done) => {
          let turned = false, last = 0;
          const step = (now) => {
            const before = performance.now();
            const heard = view.listener.heardAt();
            const transform = view.playhead.style.transform.match(/translate\\(([\\d.]+)px, ([-\\d.]+)px/);
            if (heard !== null && transform && !view.playhead.hidden) {
              const stamp = view.listener.context.getOutputTimestamp();
              const mine = view.listener.playing;
              const read = performance.now();
              const passed = (read - stamp.performanceTime) / 1000;
              const clock = (stamp.contextTime + passed - mine.startTime) % mine.duration;
              const top = transform[2] - view.sheet.waveY + 4;
              const line = view.sheet.lines.find((l) => Math.abs(l.y - top) < 1);
              const notes = line.start + (transform[1] - line.left) / line.scale;
              // Two readings between which the machine did something else tell nothing.
              if (read - before < 2) out.push([heard, clock + mine.passage.start_s, notes * 2 + 0.5, view.heardBar]);
            }
            turned ||= heard < last - 3;
            last = heard;
            if (!turned || out.length < 120) requestAnimationFrame(step);
            else done(out);
          };
          requestAnimationFrame(step);
        });""")
    page.page.get_by_role("button", name="Stop").click()
    page.page.wait_for_function("() => document.querySelector('.wbg').hitGrid.listener.state === 'stopped'")
    samples = np.array(samples)
    # Where the loop turns, the line still stands at the end for the frame that is being drawn.
    steady = samples[(samples[:, 0] > 8.6) & (samples[:, 0] < 12.4)]
    assert np.abs(steady[:, 0] - steady[:, 1]).max() < 0.005
    late_s = steady[:, 0] - steady[:, 2]
    assert np.median(np.abs(late_s)) < FRAME_S
    # Bars 5 and 6 (the cursor stood in 5) sound again and again, nothing else.
    assert samples[:, 0].min() >= 8.5 and samples[:, 0].max() < 12.5
    assert set(samples[:, 3]) == {4, 5}
    assert (np.diff(samples[:, 0]) < -3).sum() >= 1


def test_playing_on_follows_to_the_next_lines_and_taps_set_bar_lines(song):
    page, grid, kernel = song
    grid.click(2, 0, "crash")
    grid.settle()
    kernel.run("before, revision = document.chart, document.revision")
    grid.press("l")
    grid.becomes("view.model.get('loop') === false")
    grid.press(" ")
    for second in (6.48, 8.48):
        grid.becomes("view.listener.heardAt() >= x", second)
        page.page.keyboard.press("t")
    assert "2 bar lines tapped" in grid.text(".wbg-here")
    taps = grid.evaluate("return view.listener.taps")
    kernel.becomes("grid.heard_bar >= 3", True)
    page.page.keyboard.press(" ")
    kernel.becomes("document.revision - revision", 1)
    assert 6.48 <= taps[0] < 8.48 <= taps[1] < grid.evaluate("return view.chart.time_map.end_s")
    # What is fixed lies where it was tapped, on the stroke that is near; the rest is laid anew from there.
    fixed = kernel.value("[b.beat_times_s[0] for b in document.chart.time_map.bars if b.fixed]")
    assert fixed == pytest.approx(taps, abs=0.061)
    laid = f"__import__('workbench.chart.edits', fromlist=['x']).TapLines({[round(t, 4) for t in taps]}).apply(before)"
    assert kernel.value(f"document.chart == {laid}")


def test_the_bar_that_sounds_is_marked_in_the_score_while_the_kernel_is_busy(open_grid, screenshot):
    page, grid, kernel = open_grid(
        SONG
        + """
import ipywidgets
score = ScoreView(document, 0, 7)
ipywidgets.jslink((grid, "heard_bar"), (score, "heard_bar"))
workspace(grid, score)"""
    )
    grid.click(1, 0, "crash")
    grid.settle()
    # Once, so that the sound is in the page already when the kernel is busy.
    grid.press(" ")
    page.page.wait_for_selector(".wbs-heard", state="attached")
    screenshot(page)
    grid.press(" ")
    page.page.wait_for_selector(".wbs-heard", state="detached")
    with kernel.busy(page.lab.folder):
        grid.press(" ")
        page.page.wait_for_selector(".wbs-heard", state="attached")
        inside = page.page.evaluate("""() => document.querySelector('.wbs-heard').parentElement.id""")
        assert inside == "bar-1"
        grid.press(" ")
    # The score follows an edit; a label stays text there as well.
    kernel.run(
        "from workbench.chart.edits import NameSection\n"
        "document.apply(NameSection(2, '<img src=x onerror=\"window.hacked=1\">'))"
    )
    page.page.wait_for_function("() => document.querySelector('.wbs').textContent.includes('<img')")
    assert page.page.evaluate("() => window.hacked") is None
    assert page.page.locator(".wbs img, .wbs image, .wbs script, .wbs foreignObject").count() == 0


def test_levels_are_turned_in_the_page_and_drums_and_rest_part_when_they_differ(song):
    page, grid, kernel = song
    grid.click(2, 0, "crash")
    grid.settle()
    grid.evaluate("""
        const send = view.session.send;
        window.asked = [];
        // The sounds of single hits are fetched by themselves.
        const passage = (m) => m.type === "audio" && !m.source.startsWith("hit ");
        view.session.send = (m) => { if (passage(m)) window.asked.push(m.source); send(m); };""")
    grid.press(" ")
    page.page.wait_for_function("() => document.querySelector('.wbg').hitGrid.listener.heardAt() !== null")
    assert page.page.evaluate("() => window.asked") == ["recording"]
    page.page.get_by_role("button", name="Sound", exact=True).click()
    slider = page.page.get_by_label("Drums", exact=True)
    slider.focus()
    for _ in range(8):
        page.page.keyboard.press("ArrowLeft")
    page.page.wait_for_function("() => document.querySelector('.wbg').hitGrid.listener.playing.loops.rest")
    assert sorted(page.page.evaluate("() => window.asked")) == ["drums", "recording", "rest"]
    gain = "Math.abs(view.listener.playing.sources[x[0]].gain.gain.value - x[1]) < 0.01"
    for source, wanted in (("drums", 0.3), ("rest", 0.7)):
        grid.becomes(gain, [source, wanted])
    # The chart alone, and back.
    page.page.keyboard.press("y")
    page.page.keyboard.press("y")
    for source, wanted in (("drums", 0), ("rest", 0), ("chart", 0.7)):
        grid.becomes(gain, [source, wanted])
