"""A take recorded in a real JupyterLab from Chromium's fake microphone, which plays a file round and round."""

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
        "--autoplay-policy=no-user-gesture-required",
    ]
    browser = driver.chromium.launch(executable_path=find_chromium(), args=[*CHROMIUM_FLAGS, *flags])
    page = Page(browser.new_context(permissions=["microphone"]), lab, "recorder/take.ipynb")
    yield page
    assert page.problems == []
    browser.close()


def wait_for(page, words):
    """Until the recorder says something of these words; what it says."""
    said = page.page.locator(".wb-said")
    expect(said).to_contain_text(re.compile(words), timeout=30000)
    return said.inner_text()


def test_a_take_is_recorded_and_the_delay_measured(page, lab):
    page.run_all()
    root = page.page.locator(".wb-recorder")
    root.wait_for(timeout=60000)
    # The microphone's clicks come when they will: now and then too late after those that are played.
    for _ in range(4):
        root.get_by_role("button", name="Measure the delay").click()
        wait_for(page, "hold the headphones to the microphone[.]")
        if "ms to be heard" in wait_for(page, "ms to be heard|not heard"):
            break
    kernel = lab.kernel_of(page.notebook)
    # The fake device knows nothing of the loudspeaker: any delay below the distance of its clicks is as good.
    assert 0 <= kernel.value("recorder.delay_s") < 0.5
    root.get_by_role("button", name="Record").click()
    wait_for(page, "Recording")
    assert root.get_by_role("button", name="Record").is_disabled()
    page.page.wait_for_timeout(4500)
    root.get_by_role("button", name="Stop").click()
    wait_for(page, "Recorded")
    samples, rate = soundfile.read(lab.root / "recorder" / kernel.value("str(recorder.recording)"))
    assert rate == SAMPLE_RATE_HZ and 3.5 < len(samples) / rate < 12
    # What was captured is what the microphone played, once it runs: clicks half a second apart, none lost, none bent.
    heard, half = np.abs(correlate(samples, click_sample(rate), "valid")), rate // 2
    first = rate + int(heard[rate : rate + half].argmax())
    starts = range(first - half // 2, len(heard) - half, half)
    peaks = [at + int(heard[at : at + half].argmax()) for at in starts]
    assert len(peaks) >= 4 and np.abs(np.diff(peaks) - half).max() <= rate * 0.001
    assert kernel.value("recorder._click_of_take.start_s") > 0.5
    kernel.close()
