"""Telling the user how long work goes on.

A *progress* is any ``callable(done: float, what: str)`` with ``done`` from 0 to
1; functions that work long take one and may be given ``None``.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TextIO

Progress = Callable[[float, str], None]


def silent(done: float, what: str) -> None:
    """A progress that tells nobody."""


def part(progress: Progress | None, start: float, end: float) -> Progress:
    """The progress of a step that spans ``start … end`` of the whole."""
    tell = progress or silent
    return lambda done, what: tell(start + (end - start) * min(max(done, 0.0), 1.0), what)


class TerminalProgress:
    """Writes one renewed line to standard error; quiet where that is no terminal
    except for each new step."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self.stream = stream or sys.stderr
        self._what = ""
        self._width = 0

    def __call__(self, done: float, what: str) -> None:
        if self.stream.isatty():
            line = f"{done:4.0%}  {what}"
            self.stream.write("\r" + line.ljust(self._width))
            self._width = len(line)
            if done >= 1.0:
                self.stream.write("\n")
        elif what != self._what:
            self.stream.write(f"{what}\n")
        self._what = what
        self.stream.flush()
