"""A chart rewritten in the order and at the times of a recording.

A draft made elsewhere has times of its own.  To be heard and corrected against
the recording, its bars are put where the recording plays them: repeats written
out, stretches that it lacks as empty bars, bars that are never played left out.
"""

from __future__ import annotations

import os
from dataclasses import replace

from workbench.alignment.align import align_chart
from workbench.alignment.alignedbars import AlignedBar, Alignment, aligned_time_s, bar_span
from workbench.chart import Chart, Recording, WrittenBar
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.errors import AnalysisError
from workbench.files.audio import sha256_of
from workbench.listening.transcription import transcribe
from workbench.progress import Progress


def write_on_recording(chart: Chart, alignment: Alignment, recording: Recording | None = None) -> Chart:
    """The chart as the recording plays it.

    Parameters
    ----------
    chart : Chart
    alignment : Alignment
        Of this chart, from :func:`workbench.alignment.align.align_chart`.
    recording : Recording, optional
        What the new chart names as its recording.

    Returns
    -------
    Chart
        One bar for each aligned bar and for each bar's length of a stretch that
        the chart lacks; notes keep their deviations.  Texts and marks, which
        stand at single bars of the old order, go with the first time their
        bar is played.

    Raises
    ------
    AnalysisError
        If no bar was aligned.
    """
    if not any(b.chart_bar is not None for b in alignment.bars):
        raise AnalysisError("No bar of the chart was found in the recording.")
    timed: list[Bar] = []
    written: list[WrittenBar] = []
    first_played: dict[int, int] = {}
    edge = float("-inf")
    for k, aligned in enumerate(alignment.bars):
        start = max(aligned.start_s, edge)  # fitted edges may overlap by milliseconds
        edge = max(aligned.end_s, start + 0.1)
        if aligned.chart_bar is None:
            for bar in _empty_bars(chart, alignment, k, start, edge):
                timed.append(bar)
                written.append(WrittenBar())
            continue
        first_played.setdefault(aligned.chart_bar, len(timed))
        old = chart.time_map.bars[aligned.chart_bar]
        played, span = AlignedBar(None, start, edge), bar_span(chart, aligned.chart_bar)
        times = [aligned_time_s(t, span, played) for t in old.beat_times_s]
        timed.append(replace(old, beat_times_s=tuple(times), fixed=False))
        written.append(chart.bars[aligned.chart_bar])
    moved = {}  # to the first bar from its beginning on that is played
    for s in reversed(chart.sections):
        following = min((k for k in first_played if k >= s.bar_index), default=None)
        if following is not None:
            moved[first_played[following]] = replace(s, bar_index=first_played[following])
    marks = []
    for m in chart.marks:
        shift = first_played.get(m.start[0], len(timed)) - m.start[0]
        if m.end[0] + shift < len(timed):
            marks.append(replace(m, start=(m.start[0] + shift, m.start[1]), end=(m.end[0] + shift, m.end[1])))
    return replace(
        chart,
        time_map=TimeMap(timed, edge),
        bars=tuple(written),
        recording=recording or chart.recording,
        sections=tuple(moved.values()),
        texts=tuple(
            replace(t, bar_index=first_played[t.bar_index]) for t in chart.texts if t.bar_index in first_played
        ),
        marks=tuple(marks),
    )


def lay_on_recording(chart: Chart, path: str | os.PathLike, progress: Progress | None = None) -> tuple[Chart, float]:
    """The chart as a recording plays it (see :func:`write_on_recording`), and how well they agree, 0 to 1."""
    heard = transcribe(path, progress=progress)
    alignment = align_chart(chart, heard.strokes, heard.beat_times_s, heard.duration_s)
    recording = Recording(os.fspath(path), sha256_of(path), heard.duration_s)
    return write_on_recording(chart, alignment, recording), alignment.agreement


def _empty_bars(chart: Chart, alignment: Alignment, k: int, start_s: float, end_s: float) -> list[Bar]:
    """Bars for a stretch that the chart lacks, in the meter and tempo beside it."""
    beside = (*alignment.bars[:k][::-1], *alignment.bars[k + 1 :])
    like, old = next((b, chart.time_map.bars[b.chart_bar]) for b in beside if b.chart_bar is not None)
    usual_s = (like.end_s - like.start_s) * float(old.meter.beat_length / old.length)
    beats = max(1, round((end_s - start_s) / usual_s))
    beat_s = (end_s - start_s) / beats
    out = []
    for first in range(0, beats, old.meter.counted_beats):
        count = min(old.meter.counted_beats, beats - first)
        # A few beats left over are a short bar of their own meter.
        meter = Meter(count * (3 if old.meter.is_compound else 1), old.meter.unit)
        step_s = count * beat_s / meter.counted_beats
        begins_s = start_s + first * beat_s
        out.append(Bar(meter, tuple(begins_s + j * step_s for j in range(meter.counted_beats))))
    return out
