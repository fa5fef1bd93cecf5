"""From a recording to its strokes and pulse: what drafts, checks and takes begin with."""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np

from workbench.chart.events import Stroke
from workbench.files.audio import SAMPLE_RATE_HZ, load_audio
from workbench.listening.activations import Activations
from workbench.listening.beats import track_pulse
from workbench.listening.detect import compute_activations, detect_strokes
from workbench.listening.harmony import hear_harmony
from workbench.listening.naming import name_by_song
from workbench.listening.onsets import refine_onsets
from workbench.listening.readings import BarReading, track_readings
from workbench.progress import Progress, part


@dataclass(frozen=True)
class Transcription:
    """What a recording was heard to hold.

    Attributes
    ----------
    strokes : tuple of Stroke, in order of time
    beat_times_s : tuple of float, seconds
    duration_s : float
    activations : Activations or None
        Where at hand, how likely strokes are between those detected.
    readings : tuple of BarReading
        Ways to read the recording's bars, the likeliest first, where they were looked for.
    known : bool
        The strokes were not heard but told by an electronic kit: none of them is doubtful, and no other was played.
    """

    strokes: tuple[Stroke, ...]
    beat_times_s: tuple[float, ...]
    duration_s: float
    activations: Activations | None = None
    readings: tuple[BarReading, ...] = ()
    known: bool = False


@dataclass(frozen=True)
class Detection:
    """A recording and the strokes detected in it.

    Attributes
    ----------
    samples : ndarray (n,), float32
        Mono, :data:`~workbench.files.audio.SAMPLE_RATE_HZ`.
    duration_s : float
    activations : Activations
    strokes : tuple of Stroke, in order of time
    """

    samples: np.ndarray
    duration_s: float
    activations: Activations
    strokes: tuple[Stroke, ...]


def detect_recording(path: str | os.PathLike, progress: Progress | None = None) -> Detection:
    """Read a recording, detect its strokes and name its toms by all of them.

    Parameters
    ----------
    path : path of a recording
    progress : Progress, optional

    Raises
    ------
    AudioError
        If the recording cannot be used; the message says why.
    """
    audio = load_audio(path, SAMPLE_RATE_HZ, mono=True, progress=part(progress, 0.0, 0.1))
    samples = audio.samples[:, 0]
    activations = compute_activations(samples, part(progress, 0.1, 1.0))
    activations, strokes = name_by_song(samples, activations, detect_strokes(activations))
    return Detection(samples, audio.duration_s, activations, tuple(strokes))


def transcribe(recording: str | os.PathLike, exact: bool = False, progress: Progress | None = None) -> Transcription:
    """Hear the strokes, the pulse and, unless ``exact``, the bars of a recording; the chart brings its own.

    Parameters
    ----------
    recording : path
    exact : bool
        Move the strokes onto the attacks in the waveform
        (:mod:`workbench.listening.onsets`), for measuring how they were played; of bars nothing is asked then.
    progress : Progress, optional

    Raises
    ------
    AudioError
        As :func:`detect_recording`.
    """
    found = detect_recording(recording, part(progress, 0.0, 0.85))
    strokes, activations = found.strokes, found.activations
    tell = part(progress, 0.85, 1.0)
    tell(0.0, "Finding the pulse")
    pulse_s = track_pulse(np.maximum(activations.beat, activations.downbeat), activations.frame_rate_hz)
    readings: tuple[BarReading, ...] = ()
    if exact:
        tell(0.5, "Measuring the strokes")
        strokes = tuple(refine_onsets(found.samples, SAMPLE_RATE_HZ, strokes))
    elif found.duration_s >= 1.0:
        readings = track_readings(activations, strokes, found.duration_s, hear_harmony(found.samples))
    tell(1.0, "Heard")
    inside = pulse_s[(pulse_s >= 0) & (pulse_s <= found.duration_s)]
    return Transcription(strokes, tuple(float(t) for t in inside), found.duration_s, activations, readings)
