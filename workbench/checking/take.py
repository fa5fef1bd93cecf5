"""A student's take against the chart, in figures and in words.

There is no mark out of ten: every figure comes with what it means.
"""

from __future__ import annotations

import html
import os
from dataclasses import dataclass

from workbench.chart import Chart
from workbench.checking.electronic import is_midi, read_kit_take
from workbench.checking.playing import Click, Playing, measure_playing
from workbench.checking.take_words import advice_of, is_doubtful, remarks_of, strengths_of, warnings_of
from workbench.facts import facts
from workbench.listening.transcription import Transcription, transcribe
from workbench.progress import Progress, part


@dataclass(frozen=True)
class Take:
    """A take assessed.

    Attributes
    ----------
    playing : Playing
        The figures.
    strengths, advice : tuple of str
        Sentences for the player, the most important first; none where the
        take may be of something else.
    warnings : tuple of str
        What to know before reading on.
    remarks : tuple of str
        How to read the figures; what could not be told.
    recording : str
        Its path, or name.
    """

    playing: Playing
    strengths: tuple[str, ...]
    advice: tuple[str, ...]
    remarks: tuple[str, ...]
    recording: str = ""
    warnings: tuple[str, ...] = ()

    def _repr_html_(self) -> str:
        """What a notebook shows: the take in words, its strokes and its bars."""
        from workbench.checking.take_report import draw_bars, draw_strokes

        said = (*self.warnings, *self.strengths, *self.advice)
        pictures = draw_strokes(self).svg("Strokes early and late"), draw_bars(self).svg("Bar by bar")
        return "".join(f"<p>{html.escape(text)}</p>" for text in said) + "".join(pictures)

    def to_data(self) -> dict:
        """The take as what JSON can hold."""
        told = facts(self, "warnings strengths advice remarks", recording=os.path.basename(self.recording))
        return self.playing.to_data() | told


def assess_take(
    chart: Chart,
    recording: str | os.PathLike,
    click: Click | None = None,
    progress: Progress | None = None,
    only_bars: tuple[int, int] | None = None,
) -> Take:
    """Assess a recording of somebody playing a chart; see :func:`workbench.take`.

    ``only_bars`` are the first and last index of the bars played, once or round and round (an exercise's loop).
    """
    listening = part(progress, 0.0, 0.95)
    heard = (
        read_kit_take(chart, recording, listening)
        if is_midi(recording)
        else transcribe(recording, exact=True, progress=listening)
    )
    tell = part(progress, 0.95, 1.0)
    tell(0.0, "Comparing with the chart")
    take = assess_strokes(chart, heard, click, str(recording), only_bars)
    tell(1.0, "Measured")
    return take


def assess_strokes(
    chart: Chart,
    heard: Transcription,
    click: Click | None = None,
    recording: str = "",
    only_bars: tuple[int, int] | None = None,
) -> Take:
    """Assess a take from the strokes heard in it (see :func:`assess_take`)."""
    playing = measure_playing(chart, heard, click, only_bars)
    words = ((), ()) if is_doubtful(playing) else (strengths_of(playing), advice_of(playing))
    return Take(playing, *words, remarks_of(playing, click), recording, warnings_of(playing))
