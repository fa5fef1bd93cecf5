"""From a recording to a first chart: the draft that a user corrects.

Listening, bars, what the bars say of each stroke, writing: :mod:`workbench.listening.transcription`, then
:mod:`workbench.listening.beats` (with :mod:`workbench.listening.harmony`), then
:mod:`workbench.listening.second_pass` and :mod:`workbench.chart.quantizer`.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from workbench.chart import Chart, Recording
from workbench.chart.events import Beat, Stroke
from workbench.chart.ghosts import mark_ghosts
from workbench.chart.pocket import Pocket
from workbench.chart.quantizer import quantize
from workbench.errors import AnalysisError
from workbench.files.annotations import beats_table, hits_table, possible_hits_table, write_beats, write_hits
from workbench.files.audio import sha256_of
from workbench.files.chartfile import ENDING, moved_chart
from workbench.files.document import ChartDocument
from workbench.files.safefile import check_folder, make_folder
from workbench.listening.activations import Activations
from workbench.listening.beats import beats_of
from workbench.listening.doubt_limit import put_in_doubt
from workbench.listening.harmony import hear_harmony
from workbench.listening.hearing import Hearing, keep_hearing
from workbench.listening.readings import NOTHING_KNOWN, BarReading, BarWish, track_readings
from workbench.listening.same_sound import whiten
from workbench.listening.second_pass import second_pass
from workbench.listening.transcription import detect_recording
from workbench.progress import Progress, part

if TYPE_CHECKING:
    import pandas


@dataclass(frozen=True)
class Draft:
    """A drafted chart and what it was made from.

    Attributes
    ----------
    chart : Chart
    strokes : tuple of Stroke
        As detected, in order of time.
    pulse : tuple of Beat
        Those within the recording.
    activations : Activations
    hearing : Hearing
        What was heard of the bars; ``readings``, ways to read them, the likeliest first: the chart is written on that.
    hits, beats : pandas.DataFrame
        The chart as tables (:func:`workbench.hits`, :func:`workbench.beats`).
    possible_hits : pandas.DataFrame
        What the chart does not write but may have been played, each with a probability and a reason
        (:func:`workbench.files.annotations.possible_hits_table`).

    Examples
    --------
    >>> import workbench as wb
    >>> wb.draft(wb.demo_song()).chart.feel
    'straight'
    """

    chart: Chart
    strokes: tuple[Stroke, ...]
    pulse: tuple[Beat, ...]
    activations: Activations
    hearing: Hearing

    @property
    def readings(self) -> tuple[BarReading, ...]:
        return self.hearing.readings

    @property
    def recording(self) -> Path:
        """The recording as it was named for drafting."""
        assert self.chart.recording is not None
        return Path(self.chart.recording.path)

    @property
    def hits(self) -> pandas.DataFrame:
        return hits_table(self.chart)

    @property
    def possible_hits(self) -> pandas.DataFrame:
        return possible_hits_table(self.chart)

    @property
    def beats(self) -> pandas.DataFrame:
        return beats_table(self.chart)

    def __repr__(self) -> str:
        return (
            f"<Draft of {self.chart.title}: {len(self.chart)} bars, {sum(len(b.notes) for b in self.chart.bars)} hits>"
        )


@dataclass(frozen=True)
class DraftFiles:
    """Where a draft was written."""

    chart: Path
    hits: Path
    beats: Path


def draft_chart(path: str | os.PathLike, progress: Progress | None = None, wish: BarWish = NOTHING_KNOWN) -> Draft:
    """Draft the drum chart of a recording.

    Parameters
    ----------
    path : path of a recording
    progress : Progress, optional
    wish : BarWish
        What the user knows of the bars.

    Raises
    ------
    AudioError
        If the recording cannot be used; the message says why.
    AnalysisError
        If no bars are as wished.
    """
    path = Path(path)
    found = detect_recording(path, part(progress, 0.0, 0.8))
    strokes, activations, duration_s = found.strokes, found.activations, found.duration_s
    for line_s in wish.lines_s:
        if not 0 <= line_s <= duration_s:
            raise AnalysisError(f"No bar begins at {line_s:g} s: the recording lasts {duration_s:.1f} s.")
    harmony, white = hear_harmony(found.samples), whiten(found.samples)
    del found
    bars_progress = part(progress, 0.8, 0.95)
    bars_progress(0.0, "Finding the bars")
    readings = track_readings(activations, strokes, duration_s, harmony, wish)
    time_map = readings[0].time_map
    if wish != NOTHING_KNOWN:  # how likely the bars are that were wished, against all others
        readings = track_readings(activations, strokes, duration_s, harmony)
    bars_progress(1.0, "Writing the chart")
    again = second_pass(activations, strokes, time_map, white)
    written = quantize(again.strokes, time_map)
    recording = Recording(str(path), sha256_of(path), duration_s)
    chart = Chart(time_map, written.bars, title=_title(path), recording=recording, feel=written.feel)
    chart = replace(chart, pocket=Pocket(written.swing_ratio), possible_hits=tuple(again.possible_hits))
    chart = put_in_doubt(chart)
    if chart.instruments_used():
        chart = replace(mark_ghosts(chart), kit=chart.instruments_used())
    pulse = tuple(b for b in beats_of(time_map) if 0.0 <= b.time_s <= duration_s)
    part(progress, 0.0, 1.0)(1.0, "Drafted")
    return Draft(chart, strokes, pulse, activations, Hearing(activations, harmony, readings))


def draft_files(path: str | os.PathLike, out: str | os.PathLike) -> DraftFiles:
    """Where the draft of a recording goes in a folder."""
    stem, out = Path(path).stem, Path(out)
    return DraftFiles(out / f"{stem}{ENDING}", out / f"{stem}.hits.csv", out / f"{stem}.beats.csv")


def write_draft(
    draft: Draft, out: str | os.PathLike, overwrite: bool = False, recording: str | None = None
) -> DraftFiles:
    """Write a draft's chart, hits and beats into a folder (made if missing).

    ``recording`` is the path by which the chart names its recording, by default the way there from the folder.

    Raises
    ------
    FileFormatError
        If a chart of that name exists, whose edits would be lost, and
        ``overwrite`` is not set; or the folder cannot be written to.
    """
    files = draft_files(draft.recording, out)
    check_folder(out)
    make_folder(out)
    chart = moved_chart(draft.chart, Path(), files.chart.parent)
    if recording is not None and chart.recording is not None:
        chart = replace(chart, recording=replace(chart.recording, path=recording))
    ChartDocument.create(chart, files.chart, overwrite=overwrite).close()
    if chart.recording is not None:
        keep_hearing(draft.hearing, files.chart.parent, chart.recording.sha256)
    write_hits(chart, files.hits)
    write_beats(chart, files.beats)
    return files


def _title(path: Path) -> str:
    return path.stem.replace("_", " ").strip()
