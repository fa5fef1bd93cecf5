"""Errors a user can meet.

Every error raised on purpose is a :class:`WorkbenchError` whose message is one
clear sentence: what was wrong and what to do.  The command line prints that
sentence and exits with status 2; the notebook shows it without a traceback.
"""

from workbench.escaping import one_line

#: Longest sentence that is shown, characters: what others named at length is shortened in its middle.
LONGEST_MESSAGE = 300


class WorkbenchError(Exception):
    """Root of all errors raised on purpose; its text, one line, is meant for the user."""

    def __str__(self) -> str:
        return one_line(super().__str__(), LONGEST_MESSAGE)

    def _render_traceback_(self) -> list[str]:
        """What IPython shows in a notebook: the sentence, no traceback."""
        return [str(self)]


class AudioError(WorkbenchError):
    """A recording could not be used (missing, unreadable, empty, silent …)."""


class FileFormatError(WorkbenchError):
    """A chart, score, MIDI or annotation file could not be understood."""


class ChartError(WorkbenchError):
    """An edit or a chart's content is not possible (no such bar, note …)."""


class AnalysisError(WorkbenchError):
    """An analysis could not be made from otherwise valid input."""
