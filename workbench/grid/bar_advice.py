"""What the grid says of the bars: other readings to take, and where lines and hits disagree.

Told to the page as the field ``bars`` of its information, worked out beside the edits, which never wait for it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

from workbench.chart import Chart
from workbench.chart import data as chartdata
from workbench.chart.counting import the_bar
from workbench.chart.edits import LayBars
from workbench.chart.meter import TimeMap
from workbench.errors import ChartError
from workbench.files.document import ChartDocument
from workbench.listening.hearing import Hearing, hearing_for, kept_hearing, lay_anew, look_at_bars
from workbench.listening.readings import with_percent

#: So long nothing changes before advice is worked out: edits come first, seconds.
STILL_S = 0.5


class BarAdvice:
    """Advice on the bars of an open chart.

    Parameters
    ----------
    document : ChartDocument
    recording : function () → path or None
        Where the recording is; it is listened to again where nothing is kept of it.
    tell : function (dict)
        Gets fields of the page's information.
    """

    def __init__(
        self, document: ChartDocument, recording: Callable[[], str | Path | None], tell: Callable[[dict], None]
    ) -> None:
        self._document, self._recording, self._tell = document, recording, tell
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="bar advice")
        self._lock = threading.Lock()
        self._timer: threading.Timer | None = None
        self._last: dict[str, Any] = {}
        of = document.chart.recording
        self._hearing = None if of is None else kept_hearing(document.path.parent, of.sha256)

    def close(self) -> None:
        """No more advice is given."""
        if self._timer is not None:
            self._timer.cancel()
        self._worker.shutdown(wait=False, cancel_futures=True)

    def info(self) -> dict[str, Any]:
        """What was told last, for a page that comes later."""
        return self._last

    def renew(self, after_s: float = STILL_S) -> None:
        """Work out the advice anew once nothing has changed for a moment; there is none without a recording."""
        if self._document.chart.recording is None:
            return
        with self._lock:
            if self._timer is not None:
                self._timer.cancel()
            self._timer = threading.Timer(after_s, self._soon)
            self._timer.daemon = True
            self._timer.start()

    def reading(self, number: Any) -> TimeMap:
        """The bars of a reading by its number in the advice.

        Raises
        ------
        ChartError
            If there is none.
        """
        readings = self._hearing.readings if self._hearing else ()
        if not isinstance(number, int) or isinstance(number, bool) or not 0 <= number < len(readings):
            raise ChartError("There is no such reading of the bars any more.")
        return readings[number].time_map

    def lay_anew(self, first_bar: int, attempt: Callable[..., object]) -> None:
        """Track the bars from a bar on again, beside the edits; ``attempt`` is given what to do in the end."""
        self._document.chart.time_map.check_bar(first_bar)
        self._worker.submit(attempt, self._lay_anew, first_bar)

    # -- inside ----------------------------------------------------------------------------------

    def _soon(self) -> None:
        with suppress(RuntimeError):  # closed meanwhile
            self._worker.submit(self._work_out)

    def _work_out(self) -> None:
        chart = self._document.chart
        found = advice(chart, self._hearing)
        # Advice on bars that were changed meanwhile is old; the change has asked for its own.
        if self._document.chart.time_map is chart.time_map:
            self._last = {"bars": found}
            self._tell(self._last)

    def _lay_anew(self, first_bar: int) -> None:
        chart = self._document.chart
        try:
            folder = self._document.path.parent
            if self._hearing is None:
                self._hearing = hearing_for(chart, folder, self._recording(), self._tell_done)
            self._tell({"listening": "nearly there"})
            new = lay_anew(chart, self._hearing, first_bar)
            if self._document.chart.time_map is not chart.time_map:
                raise ChartError("The bars were changed meanwhile; lay them anew once more.")
            self._document.apply(LayBars(new))
        except Exception:
            self._tell({"listening": ""})
            raise
        where = the_bar(chart.time_map.bar_number(first_bar))
        done = f"Bars laid anew by ear from {where} on; every hit stays where it was heard."
        self._tell({"listening": "", "notice": done})

    def _tell_done(self, done: float, _what: str) -> None:
        self._tell({"listening": f"{done:.0%}"})


def advice(chart: Chart, hearing: Hearing | None) -> dict[str, Any]:
    """How the bars lie, other readings by their numbers, and where lines and hits disagree, as data for the page."""
    look = look_at_bars(chart, hearing.readings if hearing else ())
    return {
        "now": with_percent(look.now, look.set_bars),
        "others": [
            {"reading": k, "words": look.told[k], "percent": round(100 * r.probability)}
            for k, r in look.readings.items()
        ],
        "dispute": look.dispute,
        "faults": [
            {
                "first_bar": f.first_bar,
                "last_bar": f.last_bar,
                "words": f.words,
                "mends": f.mends,
                "edit": chartdata.to_data(f.edit),
                "leave": chartdata.to_data(f.leave(len(chart))),
            }
            for f in look.faults
        ],
    }
