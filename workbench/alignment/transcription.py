"""Hearing a recording for checking: strokes, the pulse, and how sure each moment is.

Quicker than drafting, because no bars are aligned and nothing is written: the
chart that is checked brings both.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np

from workbench.chart.events import Stroke
from workbench.files.audio import load_audio
from workbench.listening.activations import Activations
from workbench.listening.beats import track_pulse
from workbench.listening.draft import SAMPLE_RATE_HZ, find_detector
from workbench.listening.onsets import refine_onsets
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
    """

    strokes: tuple[Stroke, ...]
    beat_times_s: tuple[float, ...]
    duration_s: float
    activations: Activations | None = None


def transcribe(
    recording: str | os.PathLike, detector: str | None = None, exact: bool = False, progress: Progress | None = None
) -> Transcription:
    """Hear the strokes and the pulse of a recording.

    Parameters
    ----------
    recording : path
    detector : str, optional
        From :data:`workbench.listening.draft.DETECTORS`.
    exact : bool
        Move the strokes onto the attacks in the waveform
        (:mod:`workbench.listening.onsets`), for measuring how they were played.
    progress : Progress, optional

    Raises
    ------
    AudioError
        If the recording cannot be used; the message says why.
    AnalysisError
        If there is no such detector.
    """
    listener = find_detector(detector)
    audio = load_audio(recording, SAMPLE_RATE_HZ, mono=True, progress=part(progress, 0.0, 0.1))
    samples = audio.mono()
    activations = listener.compute_activations(samples, SAMPLE_RATE_HZ, part(progress, 0.1, 0.85))
    strokes = sorted(listener.detect_strokes(activations))
    tell = part(progress, 0.85, 1.0)
    tell(0.0, "Finding the pulse")
    pulse_s = track_pulse(np.maximum(activations.beat, activations.downbeat), activations.frame_rate_hz)
    if exact:
        tell(0.5, "Measuring the strokes")
        strokes = refine_onsets(samples, SAMPLE_RATE_HZ, strokes)
    tell(1.0, "Heard")
    inside = pulse_s[(pulse_s >= 0) & (pulse_s <= audio.duration_s)]
    return Transcription(tuple(strokes), tuple(float(t) for t in inside), audio.duration_s, activations)
