"""The engraved score in the page, with the bar that sounds marked."""

from __future__ import annotations

import logging
import threading
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import anywidget
import ipywidgets
import traitlets as t

from workbench.chart import Chart
from workbench.chart.edits import Edit
from workbench.errors import WorkbenchError
from workbench.files.document import ChartDocument
from workbench.grid.widget import HitGrid
from workbench.progress import Progress

_STATIC = Path(__file__).parent / "static"
_log = logging.getLogger(__name__)

#: The score is engraved anew when no edit has come for so long, seconds.
QUIET_S = 0.8


class _Outdated(Exception):
    """The chart was edited while it was engraved."""


class ScoreView(anywidget.AnyWidget):
    """The score of a chart; it follows the edits and marks the bar that sounds.

    Parameters
    ----------
    source : HitGrid or ChartDocument
        Of a grid, the bar that sounds is marked; that works in the page, also
        while the kernel is busy.
    first_bar, last_bar : int, optional
        Bar indices to show; all by default.

    Examples
    --------
    >>> import workbench as wb
    >>> from tempfile import mkdtemp
    >>> score = wb.ScoreView(wb.open_chart(wb.demo_song(mkdtemp(), "chart")))
    >>> score.pages[0][:4]
    '<svg'
    """

    _esm = _STATIC / "score.js"
    _css = _STATIC / "score.css"

    pages = t.List(t.Unicode(), help="SVG of each page").tag(sync=True)
    heard_bar = t.Int(-1).tag(sync=True)
    height = t.Int(420, min=100, help="pixels; a long score scrolls").tag(sync=True)

    def __init__(
        self, source: HitGrid | ChartDocument, first_bar: int = 0, last_bar: int | None = None, **kwargs: Any
    ) -> None:
        grid = source if isinstance(source, HitGrid) else None
        document = source.document if isinstance(source, HitGrid) else source
        self.document = document
        self._range = (first_bar, last_bar)
        self._timer: threading.Timer | None = None
        self._shown = self._engraved(document.chart)
        super().__init__(pages=self._shown, **kwargs)
        self._stop_observing = document.observe(self._changed)
        if grid is not None:
            ipywidgets.jslink((grid, "heard_bar"), (self, "heard_bar"))

    def close(self) -> None:
        """Take the score out of the page."""
        self._stop_observing()
        if self._timer:
            self._timer.cancel()
        super().close()

    def _engraved(self, chart: Chart, progress: Progress | None = None) -> list[str]:
        # Imported here: the grid alone opens faster without the engraver.
        from workbench.engraving.engrave import engrave_svg

        first, last = self._range
        bars = None if (first, last) == (0, None) else (first, len(chart) - 1 if last is None else last)
        return engrave_svg(chart, bars, progress=progress)

    def _changed(self, document: ChartDocument, _edit: Edit | None) -> None:
        if self._timer:
            self._timer.cancel()
        self._timer = threading.Timer(QUIET_S, self._renew)
        self._timer.daemon = True
        self._timer.start()

    def _renew(self) -> None:
        chart = self.document.chart

        def while_it_is_the_chart(_done: float, _what: str) -> None:
            if chart is not self.document.chart:
                raise _Outdated

        try:
            pages = self._engraved(chart, while_it_is_the_chart)
            while_it_is_the_chart(1.0, "")
            self.pages = self._shown = pages
        except _Outdated:
            pass  # the next timer has the newer one
        except Exception as error:  # on a thread of its own, nobody else would hear of it
            _log.error("The score of %s could not be engraved", self.document.path.name, exc_info=error)
            why = f" {error}" if isinstance(error, WorkbenchError) else ""
            self.pages = [_note(f"This score is out of date: the last edits could not be engraved.{why}"), *self._shown]


def _note(text: str) -> str:
    """A sentence as a page of its own."""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" width="800" height="30" font-family="sans-serif" font-size="13">'
        f'<text x="10" y="20" fill="#b00020">{escape(text)}</text></svg>'
    )
