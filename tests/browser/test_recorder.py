"""A take recorded in a real JupyterLab from Chromium's fake microphone, which plays a file round and round.

The fake microphone loses samples on a busy machine.  Its sound is therefore looked at once, to see that a microphone
is heard at all; what the page is then given in its stead is a room in which each click that the page plays is heard
a known time later, by the clock of the page's sound.
"""

import base64
import re

import numpy as np
import pytest
import soundfile
from playwright.sync_api import expect
from scipy.signal import correlate

from tests.browser.lab import CHROMIUM_FLAGS, Page, find_chromium
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.sound.rendering import click_sample

pytestmark = pytest.mark.browser

CELL = """
import workbench as wb
recorder = wb.record_take(wb.demo_song(what="chart"), "takes")
recorder
"""

#: How long after it is played a click is heard in the room, seconds; blocks of 128 samples that never reach the page.
DELAY_S, LOST = 0.037, (400, 480)

ROOM = """
const played = [];
window.sessions = [];
const { start } = AudioBufferSourceNode.prototype;
AudioBufferSourceNode.prototype.start = function (when, ...more) {
  played.push([when, this.buffer.getChannelData(0)]);
  return start.call(this, when, ...more);
};
window.AudioWorkletNode = class extends AudioWorkletNode {
  constructor(context, ...given) {
    super(context, ...given);
    const session = { raw: [] }, earlier = played.length;
    window.sessions.push(session);
    this.port.addEventListener('message', (event) => {
      const [at, samples] = event.data;
      session.raw.push(samples.slice());
      samples.fill(0);
      for (const [when, sound] of played.slice(earlier)) {
        const from = Math.round((at - when - DELAY_S) * context.sampleRate);
        const end = Math.min(samples.length, sound.length - from);
        for (let k = Math.max(0, -from); k < end; k += 1) samples[k] += sound[k + from];
      }
      if (LOST[0] <= session.raw.length && session.raw.length < LOST[1]) event.stopImmediatePropagation();
    });
  }
};
""".replace("DELAY_S", str(DELAY_S)).replace("LOST", str(list(LOST)))


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """Clicks half a second apart, as a microphone would hear them that is beside the loudspeaker."""
    sound = np.zeros(SAMPLE_RATE_HZ // 2)
    click = click_sample(SAMPLE_RATE_HZ)
    sound[2000 : 2000 + len(click)] = click
    path = tmp_path_factory.mktemp("heard") / "clicks.wav"
    soundfile.write(path, np.tile(sound, 20), SAMPLE_RATE_HZ, subtype="PCM_16")
    return path


@pytest.fixture
def page(lab, played, driver):
    lab.write_notebook("recorder/take.ipynb", [CELL])
    flags = [
        "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-audio-capture={played}",
        "--autoplay-policy=no-user-gesture-required",
    ]
    browser = driver.chromium.launch(executable_path=find_chromium(), args=[*CHROMIUM_FLAGS, *flags])
    context = browser.new_context(permissions=["microphone"])
    context.add_init_script(ROOM)
    page = Page(context, lab, "recorder/take.ipynb")
    yield page
    assert page.problems == []
    browser.close()


def wait_for(page, words):
    """Until the recorder says something of these words; what it says."""
    said = page.page.locator(".wb-said")
    expect(said).to_contain_text(re.compile(words))
    return said.inner_text()


def test_a_take_is_recorded_and_the_delay_measured(page, lab):
    page.run_all()
    root = page.page.locator(".wb-recorder")
    root.wait_for(timeout=60000)
    kernel = lab.kernel_of(page.notebook)
    root.get_by_role("button", name="Measure the delay").click()
    wait_for(page, "ms to be heard")
    assert kernel.value("recorder.delay_s") == pytest.approx(DELAY_S, abs=0.0005)
    root.get_by_role("button", name="Record").click()
    wait_for(page, "Recording")
    assert root.get_by_role("button", name="Record").is_disabled()
    page.page.wait_for_function("sessions[1].raw.length >= 2000")
    root.get_by_role("button", name="Stop").click()
    wait_for(page, "Recorded")
    samples, rate = soundfile.read(lab.root / "recorder" / kernel.value("str(recorder.recording)"))
    assert rate == SAMPLE_RATE_HZ and len(samples) >= 2000 * 128
    # Every click stands in the take where it was heard, those after a stretch that never reached the page, too.
    start_s, beat_s = kernel.value("[recorder._click_of_take.start_s, 60 / recorder.click_bpm]")
    clicks_s = np.arange(start_s, len(samples) / rate - 0.1, beat_s)
    lost_s = [(n - 1) * 128 / rate for n in LOST]
    clicks_s = clicks_s[(clicks_s < lost_s[0] - 0.1) | (clicks_s > lost_s[1])]
    assert clicks_s[0] < lost_s[0] and len(clicks_s) >= 6
    sounds = [click_sample(rate, accented) for accented in (False, True)]
    for at_s in clicks_s:
        first = round((at_s - 0.05) * rate)
        heard = max((np.abs(correlate(samples[first : first + rate // 5], s, "valid")) for s in sounds), key=np.max)
        assert heard.argmax() / rate == pytest.approx(0.05, abs=0.001)
    # What came before was the microphone's: its click, unbent.
    raw = page.page.evaluate(
        """() => {
        const all = new Uint8Array(sessions[1].raw.flatMap((block) => [...new Uint8Array(block.buffer)]));
        return btoa(Array.from(all, (byte) => String.fromCharCode(byte)).join(""));
    }"""
    )
    microphone, click = np.frombuffer(base64.b64decode(raw), "<f4").astype(float), sounds[0].astype(float)
    energy = np.sqrt(np.maximum(correlate(microphone**2, np.ones(len(click)), "valid"), 1e-9) * (click**2).sum())
    assert (np.abs(correlate(microphone, click, "valid")) / energy).max() > 0.9, "no microphone"
    kernel.close()
