"""A take recorded in the notebook: the click in the headphones, the microphone into a file.

The page plays the click and sends what the microphone hears (``page/recorder.js``); the file grows as it comes.  One
clock times both in the page, so all that is not known is how long a click takes out to the ear and a stroke back in:
that delay is measured once, with the click played into the microphone, and kept beside the takes.
"""

from __future__ import annotations

import json
import os
from datetime import datetime
from pathlib import Path
from typing import Any

import anywidget
import numpy as np
import soundfile
import traitlets as t
from scipy.signal import correlate

from workbench.cautions import HEARING
from workbench.chart import Chart
from workbench.checking.playing import CLICK_BPM, Click
from workbench.checking.take import Take, assess_take
from workbench.errors import AnalysisError
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.files.safefile import make_folder, write_whole
from workbench.progress import Progress
from workbench.sound.rendering import click_sample

_PAGE = Path(__file__).parent / "page"

# Numbers whose origin is not named: chosen by eye, no source.
#: Longest delay that is looked for, seconds: shorter than the time between two clicks.
LONGEST_DELAY_S = 0.45
#: A click is heard if it stands out of what else the microphone hears by so many times, and so large a share of
#: clicks agree within so many seconds.
CLICK_STANDS_OUT, CLICKS_AGREEING, AGREE_S = 5.0, 0.6, 0.003


def measure_delay_s(samples: np.ndarray, click_times_s: np.ndarray, sample_rate: int = SAMPLE_RATE_HZ) -> float | None:
    """How long after it was played each click is heard, seconds; None if they are not heard.

    Parameters
    ----------
    samples : ndarray (n,)
        What the microphone heard.
    click_times_s : ndarray
        When the clicks were played, from the first sample.
    sample_rate : int
    """
    click = click_sample(sample_rate)
    found = np.abs(correlate(np.asarray(samples, float), click.astype(float), "valid"))
    reach = round(LONGEST_DELAY_S * sample_rate)
    delays = []
    for at_s in click_times_s:
        first = round(at_s * sample_rate)
        heard = found[first : first + reach] if first >= 0 else found[:0]
        if len(heard) == reach and heard.max() > CLICK_STANDS_OUT * np.quantile(heard, 0.9):
            delays.append(int(heard.argmax()) / sample_rate)
    if not delays:
        return None
    middle = float(np.median(delays))
    agreeing = [d for d in delays if abs(d - middle) <= AGREE_S]
    return float(np.mean(agreeing)) if len(agreeing) >= CLICKS_AGREEING * len(click_times_s) else None


class TakeRecorder(anywidget.AnyWidget):
    """Buttons that record a take to a click; see :func:`workbench.record_take`.

    Attributes
    ----------
    recording : Path or None
        The last take.
    delay_s : float or None
        From a click to its being heard by the microphone, once it is known.
    """

    _esm = _PAGE / "recorder.js"
    _css = _PAGE / "recorder.css"

    click_bpm = t.Float(100.0, min=CLICK_BPM[0], max=CLICK_BPM[1], help="counted beats a minute").tag(sync=True)
    count_in_bars = t.Int(1, min=0, max=4).tag(sync=True)
    beats = t.Int(4, min=1, help="counted beats of a bar").tag(sync=True)
    sample_rate = t.Int(SAMPLE_RATE_HZ).tag(sync=True)
    click = t.Bytes().tag(sync=True)
    accented_click = t.Bytes().tag(sync=True)
    message = t.Unicode().tag(sync=True)

    def __init__(
        self,
        chart: Chart,
        folder: str | os.PathLike,
        bars: tuple[int, int] | None = None,
        delay_s: float | None = None,
        **kwargs: Any,
    ) -> None:
        first = chart.time_map.bars[bars[0] if bars else 0]
        tempi = [chart.time_map.tempo_bpm(k) for k in (range(bars[0], bars[1] + 1) if bars else range(len(chart)))]
        self.chart, self.bars, self.folder = chart, bars, make_folder(folder)
        self.recording: Path | None = None
        self.delay_s = self._kept_delay() if delay_s is None else delay_s
        self._file: soundfile.SoundFile | None = None
        self._heard: list[np.ndarray] = []
        self._what, self._first_click_s, self._measuring_s = "", 0.0, np.zeros(0)
        self._click_of_take: Click | None = None
        kwargs.setdefault("click_bpm", round(float(np.median(tempi)), 1))
        super().__init__(
            beats=first.meter.counted_beats,
            click=click_sample(SAMPLE_RATE_HZ).tobytes(),
            accented_click=click_sample(SAMPLE_RATE_HZ, True).tobytes(),
            **kwargs,
        )
        self.message = self._ready()
        self.on_msg(self._receive)

    def assess(self, progress: Progress | None = None) -> Take:
        """The last take against the chart, the delay taken out.

        Raises
        ------
        AnalysisError
            If nothing is recorded, or it is no take of the chart.
        """
        if self.recording is None:
            raise AnalysisError("Nothing is recorded yet: press Record, play, press Stop.")
        return assess_take(self.chart, self.recording, self._click_of_take, progress, self.bars)

    # -- from the page -------------------------------------------------------------------

    def _receive(self, _: Any, message: dict, buffers: list) -> None:
        try:
            self._take_in(message, buffers)
        except (OSError, soundfile.LibsndfileError) as error:
            self._what = ""
            self.message = f"The take could not be written ({error}): make room in {self.folder}, and record it again."

    def _take_in(self, message: dict, buffers: list) -> None:
        kind = message.get("kind")
        if kind == "begin":
            self._measuring_s = message["first_click_s"] + message["apart_s"] * np.arange(message["clicks"])
            self._begin(str(message["what"]), float(message["first_click_s"]))
        elif kind == "piece" and self._what:
            samples = np.frombuffer(buffers[0], "<i2")
            if self._file is not None:
                self._file.write(samples)
            else:
                self._heard.append(samples)
        elif kind == "end" and self._what:
            self._end()
        elif kind == "refused":
            self.message = f"The microphone cannot be used: {message['reason']}"

    def _begin(self, what: str, first_click_s: float) -> None:
        self._close_file()  # of a page that was closed while it recorded
        self._what, self._first_click_s, self._heard = what, first_click_s, []
        if what == "take":
            stem, number = f"take {datetime.now():%Y-%m-%d %H.%M.%S}", 2
            path = self.folder / f"{stem}.wav"
            while path.exists():
                path, number = self.folder / f"{stem} ({number}).wav", number + 1
            self._file = soundfile.SoundFile(path, "w", self.sample_rate, 1, "PCM_16")
            bars = f"{self.count_in_bars} bar{'s' * (self.count_in_bars != 1)}"
            self.message = f"Recording: {bars} of count-in, then play."
        else:
            self.message = "Measuring: hold the headphones to the microphone."

    def _end(self) -> None:
        what, self._what = self._what, ""
        if what == "take":
            seconds = self._close_file()
            start_s = None if self.delay_s is None else self._first_click_s + self.delay_s
            self._click_of_take = Click(self.click_bpm, start_s)
            self.message = f"Recorded {seconds:.0f} s: {self.recording.name if self.recording else ''}."
            return
        heard = np.concatenate(self._heard or [np.zeros(0)]) / 32768
        self.delay_s = measure_delay_s(heard, self._measuring_s, self.sample_rate)
        if self.delay_s is None:
            self.message = (
                "The clicks were not heard: hold the headphones to the microphone, turn them up, and measure again."
            )
            return
        write_whole(self._delay_file, (json.dumps({"delay_s": round(self.delay_s, 5)}) + "\n").encode())
        self.message = f"A click takes {1000 * self.delay_s:.0f} ms to be heard; that is taken out of every take here."

    def _close_file(self) -> float:
        """End the file that is written, if one is; its length in seconds."""
        if self._file is None:
            return 0.0
        file, self._file = self._file, None
        self.recording, seconds = Path(file.name), file.frames / self.sample_rate
        file.close()
        return seconds

    @property
    def _delay_file(self) -> Path:
        return self.folder / "delay.json"

    def _kept_delay(self) -> float | None:
        try:
            return float(json.loads(self._delay_file.read_bytes())["delay_s"])
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def _ready(self) -> str:
        if self.delay_s is None:
            return (
                "Wear headphones, so that the microphone does not hear the click. Measure the delay once: without it, "
                f"early and late are told beside your own hi-hat or ride. {HEARING}"
            )
        return f"Wear headphones. {1000 * self.delay_s:.0f} ms of delay are taken out. {HEARING}"
