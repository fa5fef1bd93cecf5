"""Telling the user how long work goes on.

A *progress* is any ``callable(done: float, what: str)`` with ``done`` from 0 to
1; functions that work long take one and may be given ``None``.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TextIO

#: No longer than this nothing is told of a step that goes on where no line can be renewed, seconds.
SILENT_S = 10.0

Progress = Callable[[float, str], None]


def silent(done: float, what: str) -> None:
    """A progress that tells nobody."""


def part(progress: Progress | None, start: float, end: float) -> Progress:
    """The progress of a step that spans ``start … end`` of the whole."""
    tell = progress or silent
    return lambda done, what: tell(start + (end - start) * min(max(done, 0.0), 1.0), what)


class TerminalProgress:
    """Writes one renewed line to standard error; where that is no terminal, a line for each new step and now and then
    how far it is."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self.stream = stream or sys.stderr
        self._what, self._told_s = "", 0.0
        self._width = 0

    def __call__(self, done: float, what: str) -> None:
        if self.stream.isatty():
            line = f"{done:4.0%}  {what}"
            self.stream.write("\r" + line.ljust(self._width))
            self._width = len(line)
            if done >= 1.0:
                self.stream.write("\n")
        elif what != self._what or time.monotonic() - self._told_s > SILENT_S:
            self.stream.write(f"{what}: {done:.0%}\n" if what == self._what else f"{what}\n")
            self._told_s = time.monotonic()
        self._what = what
        self.stream.flush()
