"""The whole song without its drums, to play along to: count-in, click, and a cue before each section."""

from __future__ import annotations

import numpy as np

from workbench.chart import Chart
from workbench.progress import Progress, silent
from workbench.sound.rendering import placed, render_click, render_count_in
from workbench.sound.separation import STRETCH_S, Separation


def render_play_along(
    chart: Chart,
    recording: Separation,
    frames: int,
    *,
    click: str = "quarter",
    click_db: float = -4.0,
    click_pan: float = 0.0,
    count_in_bars: int = 1,
    progress: Progress | None = None,
) -> np.ndarray:
    """Sound to play along to, (frames, 2), float32.

    In the bar before a section the click goes in eighths (own choice): something
    new begins at its end.

    Parameters
    ----------
    chart : Chart
        Whose time map lies on the recording.
    recording : Separation
    frames : int
        Length of the recording.
    click : str
        From :data:`workbench.sound.rendering.CLICKS`, or 'none'.
    """
    tell = progress or silent
    rate, time_map = recording.sample_rate, chart.time_map
    out = np.empty((frames, 2), np.float32)
    step = round(STRETCH_S * rate)
    for first in range(0, frames, step):
        tell(first / frames, "Taking the drums out of the song")
        last = min(first + step, frames)
        out[first:last] = recording.apart(first, last)[1]
    if click != "none":
        out = _laid(out, placed(render_click(time_map, click, rate, whole_recording=True), click_db, click_pan), 0)
    for section in chart.sections:
        if section.bar_index:
            before = section.bar_index - 1
            cue = render_click(time_map, "eighth", rate, before, before + 1)
            out = _laid(out, placed(cue, click_db, click_pan), round(time_map.bar_start_s(before) * rate))
    if count_in_bars:
        count = render_count_in(time_map.bars[0], time_map.tempo_bpm(0), rate, count_in_bars)
        start = round(time_map.bar_start_s(0) * rate) - len(count.samples)
        out = np.pad(out, ((max(-start, 0), 0), (0, 0)))
        out = _laid(out, placed(count, click_db, click_pan), max(start, 0))
    return out


def _laid(out: np.ndarray, sound: np.ndarray, at: int) -> np.ndarray:
    """A sound laid over another from a sample on, as far as that goes."""
    part = out[max(at, 0) : at + len(sound)]
    part += sound[max(-at, 0) :][: len(part)]
    return out
