"""Beats and bar lines as the whole song tells them: a network that follows it from beginning to end.

The detector hears beats where they sound like beats; mean bars forget what came when.  This network reads the song as
a listener follows it: what is struck, where the detector hears beats and downbeats, where harmony changes.  Dilated
convolutions reach 80 s to either side (networks of this kind for beats: M. E. P. Davies, S. Böck, *Temporal
convolutional networks for musical audio beat tracking*, EUSIPCO 2019).  It proposes no bars: the readings are
weighed once more by how well they agree with it.  Learnt by :mod:`workbench.training.song_pulse`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from scipy.special import expit, softmax

from workbench.chart.events import Stroke
from workbench.errors import AnalysisError
from workbench.listening.activations import Activations
from workbench.listening.chooser import Candidate, Heard
from workbench.listening.harmony import Harmony
from workbench.listening.opening import opens_with_bar
from workbench.listening.pulse import Pulse
from workbench.sound.runtime import Session, open_packaged, threads_given

#: Frames a second; so many are read together.
SONG_PICTURE_RATE_HZ, READ_TOGETHER = 50, 4

#: Rows of the picture that strokes are told in; all others share the last of them.
STROKE_ROWS = (
    ("kick",),
    ("snare", "side stick"),
    ("closed hi-hat",),
    ("open hi-hat", "pedal hi-hat"),
    ("ride", "ride bell"),
    ("crash", "second crash", "splash", "china"),
    ("high tom", "mid tom", "floor tom"),
    ("tambourine", "cowbell", "hand clap"),
)
STROKE_ROW = {name: k for k, names in enumerate(STROKE_ROWS) for name in names}
#: Rows after these: beat and downbeat as the detector hears them, changes of bass and chords from one frame of the
#: harmony to the next, and over three.
PULSE_ROWS, BASS_ROWS, CHORD_ROWS = slice(8, 10), (10, 12), (11, 13)
PICTURE_ROWS = 14
CHANGE_OVER = 1, 3

#: How much a stroke shows that is as soft as can be.
SOFTEST_SHOWN = 0.3


def picture(activations: Activations, strokes: Sequence[Stroke], harmony: Harmony | None) -> np.ndarray:
    """What the network reads of a song, (:data:`PICTURE_ROWS`, frames), float32, 0–1."""
    together = round(activations.frame_rate_hz / SONG_PICTURE_RATE_HZ)
    n = len(activations.beat) // together
    out = np.zeros((PICTURE_ROWS, n), np.float32)
    rows = np.array([STROKE_ROW[s.instrument] for s in strokes], dtype=int)
    frames = np.array([s.time_s for s in strokes]) * SONG_PICTURE_RATE_HZ
    velocities, confidences = (np.array([getattr(s, k) for s in strokes]) for k in ("velocity", "confidence"))
    show_strokes(out, rows, frames, velocities / 127.0, confidences)
    for row, heard in zip(out[PULSE_ROWS], (activations.beat, activations.downbeat), strict=True):
        row[:] = heard[: n * together].reshape(n, together).max(axis=1)
    if harmony is not None and len(harmony.pitch_classes):
        at = np.arange(n) / SONG_PICTURE_RATE_HZ * harmony.frame_rate_hz
        for rows_of, classes in ((BASS_ROWS, slice(0, 12)), (CHORD_ROWS, slice(12, 24))):
            energy = harmony.pitch_classes[:, classes]
            level = np.linalg.norm(energy, axis=1, keepdims=True)
            shape = energy / (level + 0.05 * level.max() + 1e-6)
            for over, k in zip(CHANGE_OVER, rows_of, strict=True):
                change = np.zeros(len(shape))
                change[over:] = np.clip(1.0 - (shape[over:] * shape[:-over]).sum(axis=1), 0.0, 1.0)
                out[k] = np.interp(at, np.arange(len(change)), change)
    return out


def show_strokes(
    out: np.ndarray, rows: np.ndarray, frames: np.ndarray, velocities: np.ndarray, confidences: np.ndarray
) -> None:
    """Draw strokes into a picture, each in the two frames that it lies between; velocities 0 to 1."""
    shown = (SOFTEST_SHOWN + (1.0 - SOFTEST_SHOWN) * velocities) * confidences
    first = np.floor(frames).astype(int)
    for at, share in ((first, 1.0 - (frames - first)), (first + 1, frames - first)):
        inside = (at >= 0) & (at < out.shape[1])
        np.maximum.at(out, (rows[inside], at[inside]), (shown * share)[inside])


@dataclass(frozen=True)
class SongPulse:
    """The network, and how much what it says counts, and that recordings begin with a bar.

    Attributes
    ----------
    session : Session
    before : float
        How much the log probabilities before count.
    beats, lines : float
        How much the log likelihoods a second count, of a reading's beats and of its bar lines.
    opening : float
        How much likelier a reading is, natural log, if the recording begins with one of its bars.
    """

    session: Session
    before: float
    beats: float
    lines: float
    opening: float

    def hear(self, heard: Heard) -> Pulse:
        """Likelihoods of beat and downbeat, :data:`SONG_PICTURE_RATE_HZ` a second."""
        shown = picture(heard.activations, heard.strokes, heard.harmony)
        padded = np.pad(shown, ((0, 0), (0, -shown.shape[1] % READ_TOGETHER)))
        logits = self.session.run(None, {"picture": padded[None]})[0][0, :, : shown.shape[1]]
        return Pulse(SONG_PICTURE_RATE_HZ, *expit(logits))

    def weigh(self, probabilities: np.ndarray, heard: Heard, found: Sequence[Candidate]) -> np.ndarray:
        """Probabilities of readings, (readings,), sum 1, from those before and how the readings agree with what is
        heard."""
        return np.asarray(softmax(self.told(probabilities, heard, found) @ self.weights))

    @property
    def weights(self) -> np.ndarray:
        """Of what :meth:`told` tells, (4,)."""
        return np.array([getattr(self, name) for name in TOLD])

    def told(self, probabilities: np.ndarray, heard: Heard, found: Sequence[Candidate]) -> np.ndarray:
        """What is told of readings, (readings, 4), as :data:`TOLD` names it."""
        scores = agreements(self.hear(heard), found) / heard.activations.duration_s
        opens = opens_with_bar(heard.activations.begins_s, found)
        return np.column_stack([np.log(probabilities + LEAST_BEFORE), scores, opens])


#: What is told of readings: log probabilities before, how beats and lines agree, whether a bar begins the recording.
TOLD = ("before", "beats", "lines", "opening")


#: Probabilities below this are as good as none.
LEAST_BEFORE = 1e-6


def agreements(pulse: Pulse, found: Sequence[Candidate]) -> np.ndarray:
    """Log likelihoods of the beats and of the bar lines of readings, (readings, 2), natural log."""
    by_grid: dict[int, float] = {}
    out = np.zeros((len(found), 2))
    for k, candidate in enumerate(found):
        beats_s, starts = candidate.grid.beats_s, np.array(candidate.path.starts, dtype=int)
        key = id(candidate.grid)
        if key not in by_grid:
            by_grid[key] = pulse.score(beats_s)
        lines = beats_s[starts[(starts >= 0) & (starts < len(beats_s))]]
        out[k] = by_grid[key], pulse.score(lines, "downbeat") if len(lines) else 0.0
    return out


@cache
def song_pulse() -> SongPulse:
    """The network that is shipped.

    Raises
    ------
    AnalysisError
        If its weights are missing or damaged.
    """
    package = "workbench.listening.weights"
    try:
        session = open_packaged(package, "song_pulse", threads_given())
        told = json.loads(resources.files(package).joinpath("song_pulse.json").read_text())
        return SongPulse(session, **{name: told[name] for name in TOLD})
    except Exception as error:
        raise AnalysisError("The weights that bars are chosen with are missing or damaged; install again.") from error
