"""What the grid says of a drum's sounds: which of its hits sound alike, where they are more than one thing.

Told to the page as the field ``drum_sounds`` of its information when it asks, worked out beside the edits, which never
wait for it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Any

import numpy as np
import soxr

from workbench.chart import Chart
from workbench.files.audio import SAMPLE_RATE_HZ, Audio
from workbench.files.document import ChartDocument
from workbench.listening.drum_sounds import LEAST_STROKES, sounds_of
from workbench.listening.same_sound import whiten

#: A drum of fewer hits is looked at hit by hit; its sounds are not told.
FEWEST_TOLD_APART = 12
#: A longer recording is hardly one song, and to whiten it takes 450 kB of memory a second: its sounds are not told.
LONGEST_TOLD_S = 1800.0


class SoundAdvice:
    """The sounds of the drums of an open chart.

    Parameters
    ----------
    document : ChartDocument
    tell : function (dict)
        Gets fields of the page's information.
    """

    def __init__(self, document: ChartDocument, tell: Callable[[dict], None]) -> None:
        self._document, self._tell = document, tell
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="sound advice")
        self._lock = threading.RLock()
        self._audio: Audio | None = None
        self._of: Chart | None = None  # what was told is of this chart
        self._last: dict[str, Any] = {}

    def close(self) -> None:
        """No more is told."""
        self._worker.shutdown(wait=False, cancel_futures=True)

    def listen_to(self, audio: Audio) -> None:
        """From now on this is the recording; what was told of another one holds no more."""
        with self._lock:
            self._audio = audio
            self.forget()
            self._tell(self.info())

    def forget(self) -> None:
        """Nothing is known any more; a page that needs it asks."""
        with self._lock:
            self._of, self._last = None, {}

    def info(self) -> dict[str, Any]:
        """What was told last; empty where it is to be asked for."""
        return {"drum_sounds": self._last}

    def work_out(self, attempt: Callable[..., object]) -> None:
        """Tell the sounds of the chart as it is now, beside the edits; ``attempt`` is given what to do."""
        with suppress(RuntimeError):  # closed meanwhile
            self._worker.submit(attempt, self._work_out)

    # -- inside ----------------------------------------------------------------------------------

    def _work_out(self) -> None:
        chart, audio = self._document.chart, self._audio
        if audio is None:
            return
        found = self._last if self._of is chart else {"drums": told_sounds(chart, audio)}
        with self._lock:
            # Places in bars that were changed meanwhile are wrong; the page has been told to ask again.
            if self._document.chart.time_map is chart.time_map and self._audio is audio:
                self._of, self._last = chart, found
                self._tell(self.info())


def told_sounds(chart: Chart, audio: Audio) -> dict[str, list[dict[str, Any]]]:
    """The sounds of each drum that has several, the most frequent first, as data for the page."""
    names = [n.instrument for _, n in chart.notes()]
    often = [name for name in dict.fromkeys(names) if names.count(name) >= FEWEST_TOLD_APART]
    if not often or audio.duration_s > LONGEST_TOLD_S:
        return {}
    white = _white(audio)
    found = {name: sounds_of(chart, white, name) for name in often}
    return {
        name: [{"alike": bool(s.alike), "places": [[k, str(n.position)] for k, n in s.hits]} for s in sounds]
        for name, sounds in found.items()
        if len(sounds) > 1 and len(sounds[1].hits) >= LEAST_STROKES  # a few odd strokes are no sound
    }


def _white(audio: Audio) -> np.ndarray:
    mono = audio.mono()
    if audio.sample_rate != SAMPLE_RATE_HZ:
        mono = soxr.resample(mono, audio.sample_rate, SAMPLE_RATE_HZ)
    return whiten(mono)
