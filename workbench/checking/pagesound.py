"""The sound that a page carries: a recording, and what is written of the bars that the page shows, in its time."""

from __future__ import annotations

import base64
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np

from workbench.alignment.alignedbars import Alignment, aligned_time_s, bar_span
from workbench.chart import Chart
from workbench.chart.events import Stroke
from workbench.chart.ornaments import play_note
from workbench.checking.findings import BEFORE_LINE_S
from workbench.checking.reportpage import Report
from workbench.errors import WorkbenchError
from workbench.files.audio import SAMPLE_RATE_HZ, describe_audio, load_audio
from workbench.files.mp3 import coded_mp3
from workbench.sound.rendering import RING_OUT_S, Hit, mix_hits

#: Longer recordings are linked, not carried: their page would be too large to hand over, seconds.
LONGEST_CARRIED_S = 600.0
#: Peaks of carried sound, full scale being 1: MP3 overshoots a little (no source).
CARRIED_PEAK = 0.9
#: Bits a second of carried sound.
CARRIED_BPS = 112_000


def with_sounds(page: Callable[[], Report], recorded: Callable[[], str], chart: Chart, alignment: Alignment) -> Report:
    """A page that carries the recording, coded meanwhile, and what is written of the bars that it shows."""
    with ThreadPoolExecutor(max_workers=1) as pool:
        sound = pool.submit(recorded)
        report, written = written_bars(page(), chart, alignment)
        written_sound = carried(written) if len(written) else ""
        return replace(report, sound=sound.result(), written_sound=written_sound)


def written_bars(report: Report, chart: Chart, alignment: Alignment) -> tuple[Report, np.ndarray]:
    """A sound of what is written of the bars that a page shows, in the recording's time, one after the other; and the
    page, its bars knowing where they are in it."""
    strokes = written_strokes(chart, alignment)
    blocks: list[tuple[str, Any]] = []
    pieces, length = [np.zeros(0, np.float32)], 0
    for kind, content in report.blocks:
        if kind == "bar":
            start_s, end_s = (at_s - BEFORE_LINE_S for at_s in content.stretch)
            own = [replace(s, time_s=s.time_s - start_s) for s in strokes if start_s <= s.time_s < end_s]
            pieces.append(_struck(own, end_s - start_s))
            line_s = length / SAMPLE_RATE_HZ + BEFORE_LINE_S
            content = replace(content, written_at=(line_s, line_s + end_s - start_s))
            length += len(pieces[-1])
        blocks.append((kind, content))
    return replace(report, blocks=tuple(blocks)), np.concatenate(pieces)


def sound_strokes(strokes: Sequence[Stroke]) -> np.ndarray:
    """Strokes played by our kit, mono, float32, at :data:`~workbench.files.audio.SAMPLE_RATE_HZ`, peaks within ±1."""
    sound = _struck(strokes, max((s.time_s for s in strokes), default=0.0))
    return sound / max(1.0, float(np.abs(sound).max(initial=0.0)))


def _struck(strokes: Sequence[Stroke], length_s: float) -> np.ndarray:
    """Strokes, mono, until what was struck before ``length_s`` has rung out."""
    hits = [Hit(s.time_s, s.instrument, s.velocity, variation=k) for k, s in enumerate(strokes)]
    return mix_hits(hits, round((length_s + RING_OUT_S) * SAMPLE_RATE_HZ), SAMPLE_RATE_HZ, room=False).mean(axis=1)


def written_strokes(chart: Chart, alignment: Alignment) -> list[Stroke]:
    """What the chart writes, at the times at which a recording plays its bars."""
    return sorted(
        Stroke(max(0.0, aligned_time_s(s.time_s, bar_span(chart, k), bar)), s.instrument, s.velocity)
        for bar in alignment.bars
        if (k := bar.chart_bar) is not None
        for note in chart.bars[k].notes
        for s in play_note(chart, k, note)
    )


def carried(samples: np.ndarray) -> str:
    """Sound within a page: mono, as MP3 in a data URL.

    Its rate is constant: at variable rate browsers guess where a time lies, and miss it by up to a second.
    """
    loudest = max(float(np.abs(samples).max(initial=0.0)), 1.0)
    coded = coded_mp3(CARRIED_PEAK / loudest * samples[:, None], SAMPLE_RATE_HZ, CARRIED_BPS, quick=True)
    return "data:audio/mpeg;base64," + base64.b64encode(coded).decode()


def carried_sound(recording: str | os.PathLike, page: str | os.PathLike) -> str:
    """A recording to be played by a page, within it, so that the page alone can be handed over; a link where the
    recording is gone or too long."""
    try:
        if describe_audio(recording).duration_s > LONGEST_CARRIED_S:
            return relative_link(recording, page)
        return carried(load_audio(recording, SAMPLE_RATE_HZ, mono=True).samples[:, 0])
    except WorkbenchError:
        return relative_link(recording, page)


def relative_link(target: str | os.PathLike, page: str | os.PathLike) -> str:
    """A link from a page to a file near it, quoted for HTML's ``src``."""
    path = os.path.relpath(Path(target).resolve(), Path(page).resolve().parent)
    return quote(path.replace(os.sep, "/"))
