"""A take that an electronic kit tells stroke by stroke: a MIDI file instead of a sound.

Times, drums and loudness are exact, so nothing of it is doubtful.  Only the pulse, which such a file need not have,
is found by the ear: in the strokes, sounded.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from workbench.chart import Chart
from workbench.chart.events import Stroke
from workbench.checking.pagesound import sound_strokes
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.beats import track_pulse
from workbench.listening.detect import compute_activations
from workbench.listening.transcription import Transcription
from workbench.notation.midi_read import read_strokes
from workbench.progress import Progress

MIDI_ENDINGS = (".mid", ".midi")


def is_midi(path: str | os.PathLike) -> bool:
    """Whether a take is a MIDI file, by its name."""
    return Path(path).suffix.lower() in MIDI_ENDINGS


def played_strokes(chart: Chart, recording: str | os.PathLike) -> tuple[Stroke, ...]:
    """The strokes of an electronic kit's take, its keys by the chart's kit map.

    Its module tells each time the hi-hat is closed by foot; in a part that writes none of that it is no stroke.

    Raises
    ------
    FileFormatError
        If the file cannot be used, or holds no drums.
    """
    strokes = read_strokes(recording, chart.kit_map)
    by_foot = any(n.instrument == "pedal hi-hat" or "foot splash" in n.articulations for _, n in chart.notes())
    return strokes if by_foot else tuple(s for s in strokes if s.instrument != "pedal hi-hat")


def read_kit_take(chart: Chart, recording: str | os.PathLike, progress: Progress | None = None) -> Transcription:
    """The strokes of an electronic kit's take, and their pulse (see :func:`played_strokes`)."""
    strokes = played_strokes(chart, recording)
    if not strokes:
        return Transcription((), (), 0.0, known=True)
    sound = sound_strokes(strokes)
    found = compute_activations(sound, progress)
    pulse_s = track_pulse(np.maximum(found.beat, found.downbeat), found.frame_rate_hz)
    return Transcription(strokes, tuple(map(float, pulse_s)), len(sound) / SAMPLE_RATE_HZ, known=True)
