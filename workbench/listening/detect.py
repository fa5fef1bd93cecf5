"""The trained detector: strokes, loudness, beats and downbeats from a recording.

A small network, trained on synthetic mixes (``weights/MODEL_CARD.md``), runs on
the CPU through onnxruntime.  Long recordings are heard in overlapping passages,
some of them at once, so that memory does not grow with their length.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
from scipy.ndimage import maximum_filter1d
from threadpoolctl import threadpool_limits

from workbench.chart.drumkit import DETECTED, ONE_SURFACE, Limb, instrument
from workbench.chart.events import Stroke
from workbench.errors import AnalysisError, AudioError
from workbench.listening.activations import Activations
from workbench.listening.features import FRAME_RATE_HZ, HOP, WINDOWS, compute_features, count_frames, loudness_gain
from workbench.listening.timbre import LEVEL_BANDS, keep_levels
from workbench.progress import Progress, part
from workbench.sound.runtime import Session, open_packaged, open_session, threads_given

# Without another word a number here was set by hand, no source.
#: Frames heard at once, and frames of context on either side that are heard but not kept.
PASSAGE = 2500
CONTEXT = 250

#: Spectra of so many frames are made at a time: more would not stay in a processor's cache.
IN_CACHE = 256

#: So many passages are heard at once, each on a core of its own; more would need more memory.
AT_ONCE = 4

#: Within this time two detections are one stroke, seconds.
SAME_STROKE_S = 0.03

#: A drummer strikes this many drums at once with the hands, within this time, seconds.
HANDS, HANDS_TOGETHER_S = 2, 0.025

#: A stroke is the highest frame within so many frames on either side.
PEAK_REACH = 2


#: Below this rise (natural logarithm) no closed hi-hat was struck: in even patterns the network fills in notes that
#: nobody plays. F of closed hi-hats on 48 validation clips stays (0.682 to 0.681 alone, 0.930 to 0.928 in mixes).
LEAST_RISE = 0.7
#: What is softer counts as silence, some 55 dB below usual strokes.  The softest stroke of 18 recordings is 10 dB
#: louder; the last bit of a file, switched on and off by dither, is as much softer and had been heard as a hi-hat.  Of
#: 23,622 strokes heard in 71 rendered songs two are left out, both such.
LEAST_LEVEL = -3.5
#: What is louder is the first sound of a recording: some 42 dB below usual strokes, above the noise of tapes and rooms.
FIRST_SOUND = -2.0
CLOSED_HAT = DETECTED.index("closed hi-hat")


@dataclass(frozen=True)
class Calibration:
    """What validation on kept-out kits, performances and backing has found.

    Attributes
    ----------
    threshold : ndarray (13,)
        Activation from which a peak counts as a stroke.
    onset_bias_s : ndarray (13,)
        Mean time by which a peak is behind the stroke.
    activation, confidence : ndarray (13, points)
        Peak height and the share of such peaks that are strokes of this instrument.
    """

    threshold: np.ndarray
    onset_bias_s: np.ndarray
    activation: np.ndarray
    confidence: np.ndarray


@cache
def read_calibration() -> Calibration:
    """The calibration that belongs to the packaged weights."""
    data = json.loads(resources.files("workbench.listening.weights").joinpath("detector.json").read_text())
    rows = [data["instruments"][name] for name in DETECTED]
    threshold, onset_bias_s, activation, confidence = (
        np.array([row[key] for row in rows]) for key in ("threshold", "onset_bias_s", "activation", "confidence")
    )
    return Calibration(threshold, onset_bias_s, activation, confidence)


def load_weights(weights: bytes | None = None) -> Session:
    """Open the network.

    Parameters
    ----------
    weights : bytes, optional
        An ONNX model; by default the packaged one, whose SHA-256 is checked.

    Raises
    ------
    AnalysisError
        If the weights are missing or damaged.
    """
    try:
        threads = max(1, threads_given() // AT_ONCE)
        if weights is not None:
            return open_session(weights, threads)
        return open_packaged("workbench.listening.weights", "detector", threads)
    except Exception as error:
        raise AnalysisError("The detector's weights are missing or damaged; install the workbench again.") from error


@cache
def _packaged() -> Session:
    return load_weights()


def _features(samples: np.ndarray, gain: float, first_frame: int, n_frames: int) -> np.ndarray:
    """Features of frames that may lie outside the recording (heard as silence)."""
    # In whole frames, and so far on either side as a window reaches.
    first = max(0, first_frame - CONTEXT // 10) * HOP
    last = max(first, (first_frame + n_frames + CONTEXT // 10) * HOP)
    passage, begin = samples[first:last] * np.float32(gain), first_frame - first // HOP
    return np.concatenate(
        [compute_features(passage, begin + k, min(IN_CACHE, n_frames - k)) for k in range(0, n_frames, IN_CACHE)]
    )


def compute_activations(
    samples: np.ndarray, progress: Progress | None = None, session: Session | None = None
) -> Activations:
    """Likelihoods of strokes, beats and downbeats, 100 a second.

    Parameters
    ----------
    samples : ndarray (n,), float
        Mono, :data:`~workbench.files.audio.SAMPLE_RATE_HZ`.
    progress : callable, optional
    session : Session, optional
        Another network than the packaged one (see :func:`load_weights`).

    Returns
    -------
    Activations
        For the thirteen instruments of :data:`~workbench.chart.drumkit.DETECTED`.

    Raises
    ------
    AudioError
        If there is no sound in the samples.
    AnalysisError
        If the packaged weights are damaged.
    """
    tell = part(progress, 0.0, 1.0)
    if not len(samples):
        raise AudioError("The recording holds no sound; choose another file.")
    if not np.isfinite(samples[:: max(1, len(samples) // 100_000)]).all():
        raise AudioError("The recording holds values that are not numbers; export it again.")
    gain = loudness_gain(samples)
    session = session or _packaged()
    frames = count_frames(len(samples))
    n = len(DETECTED)
    out = np.empty((frames, 2 * n + 2), np.float32)
    levels = np.empty((frames, len(WINDOWS), LEVEL_BANDS), np.float16)
    # One short recording is heard as it is; a longer one in equal passages.
    keep = min(PASSAGE, -(-frames // 5) * 5)
    span = keep + 2 * CONTEXT
    starts = range(0, frames, keep)

    def hear(start: int) -> np.ndarray:
        features = _features(samples, gain, start - CONTEXT, span)
        logits = session.run(None, {"frames": features[None]})[0][0]
        logits[nothing_rises(features), CLOSED_HAT] = -30
        logits[nothing_sounds(features), :n] = -30
        kept = slice(CONTEXT, CONTEXT + min(keep, frames - start))
        levels[start : start + keep] = keep_levels(features[kept])
        return np.asarray(logits[kept])

    # Threads for products of matrices would only wait for those that hear other passages.
    with threadpool_limits(1, "blas"), ThreadPoolExecutor(min(AT_ONCE, threads_given())) as pool:
        for start, logits in zip(starts, pool.map(hear, starts), strict=True):
            out[start : start + keep] = logits
            tell(min(1.0, (start + keep) / frames), "Listening")
    np.clip(out, -30, 30, out=out)
    likely = 1 / (1 + np.exp(-out))
    onset, velocity, beat, downbeat = likely[:, :n], likely[:, n : 2 * n], likely[:, 2 * n], likely[:, 2 * n + 1]
    return Activations(FRAME_RATE_HZ, DETECTED, onset, velocity, beat, downbeat, levels, find_first_sound(levels))


def find_first_sound(levels: np.ndarray) -> float | None:
    """When a recording begins to sound, seconds, by its levels (:func:`~workbench.listening.timbre.keep_levels`).

    Examples
    --------
    >>> levels = np.full((200, 2, 40), -6.0)
    >>> levels[150:] = 1.0
    >>> find_first_sound(levels)
    1.5
    """
    for first in range(0, len(levels), IN_CACHE):
        loud = np.flatnonzero(_loudest_group(levels[first : first + IN_CACHE, 0]) > FIRST_SOUND)
        if len(loud):
            return float(first + loud[0]) / FRAME_RATE_HZ
    return None


def nothing_rises(features: np.ndarray) -> np.ndarray:
    """Frames (frames,), bool, around which no band rises enough for a closed hi-hat."""
    return _largest_rise(features) < LEAST_RISE


def nothing_sounds(features: np.ndarray) -> np.ndarray:
    """Frames (frames,), bool, around which no band is loud enough for a stroke to be heard in this music."""
    return np.asarray(maximum_filter1d(_loudest_group(features[:, 0]), 9) < LEAST_LEVEL)


def _groups(bands: np.ndarray) -> np.ndarray:
    """Levels of ten groups of bands (frames, 10), natural logarithm of magnitude."""
    return bands.reshape(len(bands), 10, -1).mean(axis=2)


def _loudest_group(bands: np.ndarray) -> np.ndarray:
    return _groups(bands).max(axis=1)


def _largest_rise(features: np.ndarray) -> np.ndarray:
    """How far the loudest of ten groups of bands rises around each frame (frames,), natural logarithm of magnitude."""
    groups = _groups(features[:, 0])
    after = maximum_filter1d(groups, 5, axis=0, origin=-1)
    before = np.mean([np.roll(groups, k, axis=0) for k in (2, 3, 4)], axis=0)
    return np.asarray(np.max(after - before, axis=1))


def find_peaks(activation: np.ndarray, threshold: float) -> np.ndarray:
    """Frames that are the highest of their neighbours and reach a threshold.

    Examples
    --------
    >>> find_peaks(np.array([0, .2, .9, .3, 0, 0, .6, 0]), 0.5)
    array([2, 6])
    """
    highest = maximum_filter1d(activation, 2 * PEAK_REACH + 1, mode="constant")
    frames = np.flatnonzero((activation >= threshold) & (activation == highest))
    # Of equal frames side by side only the first counts.
    return frames[np.diff(frames, prepend=-PEAK_REACH - 1) > PEAK_REACH]


def refine_times(activation: np.ndarray, frames: np.ndarray) -> np.ndarray:
    """Peak times between frames, seconds: the vertex of the parabola through three frames."""
    padded = np.pad(activation.astype(float), 1)
    left, top, right = padded[frames], padded[frames + 1], padded[frames + 2]
    bend = left - 2 * top + right
    shift = np.where(bend < -1e-9, 0.5 * (left - right) / np.where(bend < -1e-9, bend, 1.0), 0.0)
    return (frames + np.clip(shift, -0.5, 0.5)) / FRAME_RATE_HZ


def detect_strokes(activations: Activations) -> list[Stroke]:
    """Strokes of a whole recording, in order of time.

    Parameters
    ----------
    activations : Activations
        From :func:`compute_activations`.

    Returns
    -------
    list of Stroke
        Times corrected for each instrument's usual lateness; confidence is
        the share of peaks as high as this one that were strokes of that
        instrument in validation.
    """
    calibration = read_calibration()
    strokes = []
    for name in activations.instruments:
        row, column = DETECTED.index(name), activations.column(name)
        onset = activations.onset[:, column]
        frames = find_peaks(onset, calibration.threshold[row])
        times = refine_times(onset, frames) - calibration.onset_bias_s[row]
        sure = np.interp(onset[frames], calibration.activation[row], calibration.confidence[row])
        loud = np.clip(np.round(activations.velocity[frames, column] * 127), 1, 127).astype(int)
        strokes += [
            Stroke(max(0.0, float(t)), name, int(v), float(c)) for t, v, c in zip(times, loud, sure, strict=True)
        ]
    for group in ONE_SURFACE:
        rivals = [s for s in strokes if s.instrument in group]
        weaker = set(_find_weaker(rivals))
        strokes = [s for s in strokes if s not in weaker]
    return _for_two_hands(sorted(strokes))


def _for_two_hands(strokes: list[Stroke]) -> list[Stroke]:
    """Strokes in order of time, less the least sure of any that more than two hands would have to strike at once.

    Percussion may be somebody else's.
    """
    struck = [
        s
        for s in strokes
        if instrument(s.instrument).limb is Limb.HAND and instrument(s.instrument).family != "percussion"
    ]
    times_s = [s.time_s for s in struck]
    too_many: set[Stroke] = set()
    for k, time_s in enumerate(times_s):
        at_once = [s for s in struck[k : bisect_right(times_s, time_s + HANDS_TOGETHER_S)] if s not in too_many]
        surest: dict[str, float] = {}
        for s in at_once:
            surest[s.instrument] = max(s.confidence, surest.get(s.instrument, 0.0))
        kept = sorted(surest, key=surest.__getitem__, reverse=True)[:HANDS]
        too_many |= {s for s in at_once if s.instrument not in kept}
    return [s for s in strokes if s not in too_many]


def _find_weaker(strokes: list[Stroke]) -> list[Stroke]:
    """Strokes beside which a surer one on another instrument of the list is heard."""
    ordered = sorted(strokes)
    weaker = []
    for k, one in enumerate(ordered):
        for other in ordered[k + 1 :]:
            if other.time_s - one.time_s > SAME_STROKE_S:
                break
            if other.instrument != one.instrument:
                weaker.append(min(one, other, key=lambda s: s.confidence))
    return weaker
