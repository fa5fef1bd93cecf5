"""Progress of long work in a notebook."""

from __future__ import annotations

import ipywidgets as w


class ProgressBar(w.HBox):
    """A bar with words; give it to any function that takes a ``progress``."""

    def __init__(self) -> None:
        self._bar = w.FloatProgress(min=0.0, max=1.0, layout=w.Layout(width="300px"))
        self._words = w.Label()
        super().__init__([self._bar, self._words])

    def __call__(self, done: float, what: str) -> None:
        self._bar.value = done
        self._words.value = what
