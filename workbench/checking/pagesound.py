"""The sound that a page carries: a recording, and beside it what is written, in the recording's time."""

from __future__ import annotations

import base64
import io
import os
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

import numpy as np
import soundfile

from workbench.alignment.alignedbars import Alignment, aligned_time_s, bar_span
from workbench.chart import Chart
from workbench.chart.events import Stroke
from workbench.chart.ornaments import play_note
from workbench.errors import WorkbenchError
from workbench.files.audio import SAMPLE_RATE_HZ, describe_audio, load_audio
from workbench.sound.rendering import RING_OUT_S, Hit, mix_hits

#: Longer recordings are linked, not carried: their page would be too large to hand over, seconds.
LONGEST_CARRIED_S = 600.0
#: Peaks of carried sound, full scale being 1: MP3 overshoots a little (no source).
CARRIED_PEAK = 0.9


def sound_strokes(strokes: Sequence[Stroke]) -> np.ndarray:
    """Strokes played by our kit, mono, float32, at :data:`~workbench.files.audio.SAMPLE_RATE_HZ`, peaks within ±1."""
    length = round((max((s.time_s for s in strokes), default=0.0) + RING_OUT_S) * SAMPLE_RATE_HZ)
    hits = [Hit(s.time_s, s.instrument, s.velocity, variation=k) for k, s in enumerate(strokes)]
    sound = mix_hits(hits, length, SAMPLE_RATE_HZ, room=False).mean(axis=1)
    return sound / max(1.0, float(np.abs(sound).max(initial=0.0)))


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
    """Sound within a page: mono, as MP3 in a data URL."""
    file = io.BytesIO()
    loudest = max(float(np.abs(samples).max(initial=0.0)), 1.0)
    soundfile.write(file, CARRIED_PEAK / loudest * samples, SAMPLE_RATE_HZ, format="MP3", subtype="MPEG_LAYER_III")
    return "data:audio/mpeg;base64," + base64.b64encode(file.getvalue()).decode()


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
