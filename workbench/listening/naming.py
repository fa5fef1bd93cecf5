"""Which tom: strokes named by their pitch beside all the others of the song.

The detector names each stroke as it hears it, and on a kit that it does not know it takes one tom for two, or two for
one.  A song's toms differ in pitch, and each sounds alike throughout: the pitches of all their strokes are cut into
as many drums as there are, at most three, which bear their names in order of pitch, as far as the detector is inclined
to name them so.  What the cut says, how well it fits and what the detector said of the stroke and of those that sound
like it (:data:`TOM_MEASURES`) is weighed by a small network, learnt by :mod:`workbench.training.naming_learning`.  Each
moment gets one tom: two names for one stroke are far more usual than two toms struck together.  Names that contradict
the pitches are not believed: then each stroke keeps the one that the detector is most inclined to.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources

import numpy as np
from scipy.ndimage import maximum_filter1d

from workbench.chart.drumkit import THREE_TOMS
from workbench.chart.events import Stroke
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.activations import Activations
from workbench.listening.detect import SAME_STROKE_S, read_calibration
from workbench.listening.features import loudness_gain
from workbench.sound.spectrum import hann, spectra

# Without another word a number here was set by hand, no source.
#: Bands in which pitches are sought (their middles, hertz), somewhat less than a semitone apart.
_CORNERS_HZ = np.geomspace(45, 450, 42)
PITCH_HZ = _CORNERS_HZ[1:-1]
#: Samples heard from an attack on, and as many of what sounded before: how many before the attack each begins, ends.
ATTACK, ATTACK_FROM, BEFORE_UNTIL = 4096, 200, 250
#: Power of a band, of a recording whose root mean square is 1, below which nothing sounds.
NOTHING = 1e-4
#: Strokes whose levels by band differ by this factor (root mean square, natural logarithm of power) sound alike.
ALIKE = 0.9
#: Strokes that are compared with all others at once.
STROKES_AT_ONCE = 512

#: How wide the pitches of a drum scatter, semitones, what a stroke far from them costs at most, and what a drum costs
#: (in both, half the square of spreads); what the detector's inclination weighs against it, how much of it counts, and
#: how likely it is wrong altogether.
SPREAD, FARTHEST, ONE_MORE, INCLINED, SOFTENED, WRONG = 0.8, 4.0, 1.0, 0.4, 0.6, 0.02
#: Two toms are at least so far apart, semitones.
NEAREST = 1.5
#: Pitches are counted in steps of so many semitones above 100 Hz.
PITCH_STEPS = np.arange(-15, 28, 0.5)
#: What is further from a drum than this, semitones, is not it.
FAR = 6.0

#: What is measured of each moment, in order.
TOM_MEASURES = (
    *(f"{what} {name}" for what in ("inclined to", "heard", "cut as", "semitones from") for name in THREE_TOMS),
    *("song's misfit", "misfit", *(f"share of {name}" for name in THREE_TOMS), "pitch"),
    *(f"{what} {name}" for what in ("those alike inclined to", "song inclined to") for name in THREE_TOMS),
)

#: Frames around a moment whose activations are dealt out anew.
REACH = 3
#: Another name must be so many times likelier than the one that the detector is most inclined to.
STAYS = 2.0
#: So many strokes of a tom have a pitch that counts.
ENOUGH_STROKES = 3
#: What a less likely tom keeps of a moment's activation: its share of the likeliest, to this power.
DEALT = 0.5


@dataclass(frozen=True)
class Moments:
    """When toms are heard.

    Attributes
    ----------
    time_s : ndarray (n,), seconds, increasing
    frame : ndarray (n,), int, of the activations' peaks
    strokes : list of list of Stroke
        Those heard there, the surest first.
    likely : ndarray (n, toms), 0–1
        The highest activation near by.
    """

    time_s: np.ndarray
    frame: np.ndarray
    strokes: list[list[Stroke]]
    likely: np.ndarray


@dataclass(frozen=True)
class NamingNetwork:
    """A network of one hidden layer: measures, less their mean and divided by their spread, to the likelihood of names.

    Attributes
    ----------
    mean, spread : ndarray (measures,)
    hidden : ndarray (measures, units), bias : ndarray (units,)
    out : ndarray (units, toms), out_bias : ndarray (toms,)
    """

    mean: np.ndarray
    spread: np.ndarray
    hidden: np.ndarray
    bias: np.ndarray
    out: np.ndarray
    out_bias: np.ndarray

    #: Measures count at most so many spreads from their mean.
    FARTHEST = 4.0

    def probabilities(self, measures: np.ndarray) -> np.ndarray:
        """How likely each tom is (n, toms), 0–1."""
        near = np.clip((measures - self.mean) / self.spread, -self.FARTHEST, self.FARTHEST)
        said = np.exp(np.maximum(near @ self.hidden + self.bias, 0) @ self.out + self.out_bias)
        return np.asarray(said / said.sum(axis=1, keepdims=True))


@cache
def read_network() -> NamingNetwork:
    """The network that belongs to the packaged weights of the detector."""
    data = json.loads(resources.files("workbench.listening").joinpath("naming.json").read_text())
    assert data["measures"] == list(TOM_MEASURES)
    return NamingNetwork(*(np.array(data[key]) for key in ("mean", "spread", "hidden", "bias", "out", "out_bias")))


def name_by_song(
    samples: np.ndarray, activations: Activations, strokes: Sequence[Stroke]
) -> tuple[Activations, list[Stroke]]:
    """A recording's activations and strokes with its toms named by all of them.

    Parameters
    ----------
    samples : ndarray (n,), float32
        Mono, :data:`~workbench.files.audio.SAMPLE_RATE_HZ`.
    activations : Activations
    strokes : sequence of Stroke
        Detected in them.

    Returns
    -------
    activations, strokes
        In order of time; at each moment the toms' activation is dealt out by how likely each of them is, so that
        whatever is asked later hears the same names.
    """
    moments = find_moments(activations, strokes)
    return name_by_levels(low_levels(samples, moments.time_s), moments, activations, strokes)


def name_by_levels(
    level: np.ndarray, moments: Moments, activations: Activations, strokes: Sequence[Stroke]
) -> tuple[Activations, list[Stroke]]:
    """As :func:`name_by_song`, of what each moment's attack adds (n, bands; see :func:`low_levels`)."""
    if not len(level):
        return activations, sorted(strokes)
    measures = measure(level, moments)
    likely = read_network().probabilities(measures)
    likely[np.arange(len(likely)), moments.likely.argmax(axis=1)] *= STAYS
    if not in_order(measures[:, TOM_MEASURES.index("pitch")], likely.argmax(axis=1)):
        likely = moments.likely
    columns = [activations.column(name) for name in THREE_TOMS]
    onset, velocity = activations.onset.copy(), activations.velocity.copy()
    named = [s for s in strokes if s.instrument not in THREE_TOMS]
    for frame, heard, share in zip(
        moments.frame, moments.strokes, (likely / likely.max(axis=1, keepdims=True)) ** DEALT
    ):
        here = slice(max(0, frame - REACH), frame + REACH + 1)
        surest, name = heard[0], THREE_TOMS[int(np.argmax(share))]
        onset[here, columns] = onset[here, columns].max(axis=1)[:, None] * share
        velocity[here, activations.column(name)] = velocity[here, activations.column(surest.instrument)]
        named.append(replace(surest, instrument=name))
    return replace(activations, onset=onset, velocity=velocity), sorted(named)


def in_order(pitch: np.ndarray, named: np.ndarray) -> bool:
    """Whether the middle pitches of toms so named (n,), indices in THREE_TOMS, fall from the high to the floor tom.

    Examples
    --------
    >>> pitch = np.repeat([8.0, 1.0], 3)
    >>> in_order(pitch, np.repeat([0, 2], 3)), in_order(pitch, np.repeat([1, 0], 3))
    (True, False)
    """
    own = [pitch[named == k] for k in range(len(THREE_TOMS))]
    middle = [np.median(those) for those in own if len(those) >= ENOUGH_STROKES]
    return bool(np.all(np.diff(middle) < NEAREST))


def find_moments(activations: Activations, strokes: Sequence[Stroke]) -> Moments:
    """Moments at which toms are heard, strokes nearer than :data:`~workbench.listening.detect.SAME_STROKE_S` being
    one."""
    gathered: list[list[Stroke]] = []
    for stroke in sorted(s for s in strokes if s.instrument in THREE_TOMS):
        there = gathered[-1] if gathered else []
        if (
            there
            and stroke.time_s - there[0].time_s < SAME_STROKE_S
            and stroke.instrument not in {s.instrument for s in there}
        ):
            there.append(stroke)
        else:
            gathered.append([stroke])
    gathered = [sorted(heard, key=lambda s: -s.confidence) for heard in gathered]
    calibration, columns = read_calibration(), [activations.column(name) for name in THREE_TOMS]
    time_s = np.array([heard[0].time_s for heard in gathered])
    late_s = np.array([calibration.onset_bias_s[activations.column(heard[0].instrument)] for heard in gathered])
    frame = np.round((time_s + late_s) * activations.frame_rate_hz).astype(int)
    frame = np.clip(frame, 0, len(activations.onset) - 1)
    highest = maximum_filter1d(activations.onset[:, columns], 2 * REACH + 1, axis=0)
    return Moments(time_s, frame, gathered, highest[frame])


def measure(level: np.ndarray, moments: Moments) -> np.ndarray:
    """What is measured of each moment (n, :data:`TOM_MEASURES`), from what its attack adds (n, bands)."""
    high = np.clip(moments.likely, 0.003, 0.997)
    high = np.log(high / (1 - high))
    inclined = high - high.mean(axis=1, keepdims=True)
    heard = np.array([[any(s.instrument == name for s in there) for name in THREE_TOMS] for there in moments.strokes])
    pitch = pitches(level)
    sure = np.clip(moments.likely.max(axis=1), 0.2, 1) ** 2
    named, away = cut_by_pitch(pitch, np.log(_softmax(SOFTENED * inclined) + WRONG), sure)
    cut, misfit = np.eye(len(THREE_TOMS))[named], np.minimum(away[np.arange(len(named)), named], FARTHEST)
    alike = of_those_alike(level, inclined)
    usual = np.log(_softmax(inclined).mean(axis=0) + 0.01)

    def everywhere(of_song: np.ndarray) -> np.ndarray:
        return np.tile(of_song, (len(pitch), 1))

    fit = [everywhere(misfit.mean(keepdims=True)), misfit, everywhere(cut.mean(axis=0))]
    return np.column_stack([inclined, heard, cut, away, *fit, pitch, alike, everywhere(usual)])


def low_levels(samples: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """What each attack adds to what sounded before it, in the bands of :data:`PITCH_HZ` (n, bands), natural logarithm
    of power."""
    gain = loudness_gain(samples)
    at, padded = np.round(np.asarray(time_s) * SAMPLE_RATE_HZ).astype(int), 2 * ATTACK
    hz = np.fft.rfftfreq(padded, 1 / SAMPLE_RATE_HZ)
    rise, fall = (
        (hz - _CORNERS_HZ[:-2, None]) / np.diff(_CORNERS_HZ)[:-1, None],
        (_CORNERS_HZ[2:, None] - hz) / np.diff(_CORNERS_HZ)[1:, None],
    )
    bins = hz < _CORNERS_HZ[-1]
    bands = np.maximum(0, np.minimum(rise, fall))[:, bins].T
    out = np.empty((len(at), len(PITCH_HZ)))
    for k, first in enumerate(at):
        now, before = (
            np.abs(spectra(samples, range(start, start + 1), hann(ATTACK), padded)[0, bins]) ** 2
            for start in (first - ATTACK_FROM, first - BEFORE_UNTIL - ATTACK)
        )
        out[k] = np.maximum(now - before, 0) @ bands
    return np.log(out * gain**2 / ATTACK + NOTHING)


def pitches(level: np.ndarray) -> np.ndarray:
    """The pitch of each attack (n,), semitones above 100 Hz: the highest band, lower ones somewhat preferred, and the
    vertex of the parabola through it and its neighbours.

    Examples
    --------
    >>> pitches(np.where(np.arange(40) == 14, 0.0, -9.0)[None]).round(1)
    array([0.8])
    """
    level = level - 0.5 * np.log(PITCH_HZ)
    top = np.clip(level.argmax(axis=1), 1, len(PITCH_HZ) - 2)
    left, middle, right = (level[np.arange(len(top)), top + k] for k in (-1, 0, 1))
    shift = np.clip(0.5 * (left - right) / np.minimum(left - 2 * middle + right, -1e-6), -0.5, 0.5)
    return np.asarray(12 * (np.log2(PITCH_HZ[top] / 100) + shift * np.log2(PITCH_HZ[1] / PITCH_HZ[0])))


def of_those_alike(level: np.ndarray, values: np.ndarray) -> np.ndarray:
    """The mean of what is said of the strokes that sound like each (n, …), the more alike the more it counts."""
    shape = level - level.mean(axis=1, keepdims=True)
    square = (shape**2).mean(axis=1)
    out = []
    # In parts, so that memory does not grow with the square of a song's length.
    for rows in range(0, len(shape), STROKES_AT_ONCE):
        here = slice(rows, rows + STROKES_AT_ONCE)
        apart = np.maximum(square[here, None] + square - 2 * shape[here] @ shape.T / shape.shape[1], 0)
        near = np.exp(-apart / (2 * ALIKE**2))
        out.append(near @ values / near.sum(axis=1, keepdims=True))
    return np.concatenate(out)


def cut_by_pitch(pitch: np.ndarray, log_likely: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The drums of a song: at most one of each name, in order of pitch.

    The pitches are cut where it costs least: the strokes of a drum lie near its middle pitch (those far away cost no
    more than :data:`FARTHEST`) and are likely to be called so; no drum without need.

    Parameters
    ----------
    pitch : ndarray (n,), semitones
    log_likely : ndarray (n, toms)
        How likely each name is, natural logarithm.
    weight : ndarray (n,)

    Returns
    -------
    named : ndarray (n,), int
        Index in :data:`THREE_TOMS`.
    away : ndarray (n, toms), semitones
        How far each stroke is from each drum, at most :data:`FAR`, which is also that of drums the song has not.

    Examples
    --------
    >>> named, away = cut_by_pitch(np.array([0.0, 12.0, 0.2, 5.0]), np.zeros((4, 3)), np.full(4, 3.0))
    >>> named
    array([2, 0, 2, 1])
    """
    place = np.clip(np.digitize(pitch, PITCH_STEPS) - 1, 0, len(PITCH_STEPS) - 1)
    used, place = np.unique(place, return_inverse=True)
    middle, count = PITCH_STEPS[used] + 0.25, np.bincount(place, weight)
    said = np.zeros((len(used), len(THREE_TOMS)))
    np.add.at(said, place, log_likely * weight[:, None])
    said, below = np.vstack([np.zeros(len(THREE_TOMS)), said.cumsum(axis=0)]), np.append(0, count.cumsum())
    n = len(used)
    cost, centre = np.zeros((n + 1, n + 1)), np.full((n + 1, n + 1), np.nan)
    for first in range(n):
        for end in range(first + 1, n + 1):
            half = np.searchsorted(below[first + 1 : end + 1], (below[first] + below[end]) / 2)
            centre[first, end] = middle[min(first + half, end - 1)]
            off = (middle[first:end] - centre[first, end]) ** 2 / (2 * SPREAD**2)
            cost[first, end] = count[first:end] @ np.minimum(off, FARTHEST) + ONE_MORE
    # Of each name: its drum has the steps from one cut to the next, or none.
    high, mid, floor = (cost - INCLINED * (said[None, :, k] - said[:, None, k]) for k in range(len(THREE_TOMS)))
    either = np.where(np.tri(n + 1, k=-1, dtype=bool), np.inf, floor[0][:, None] + mid + high[:, n])
    with np.errstate(invalid="ignore"):
        gaps = (
            centre - centre[0][:, None],
            centre[:, n] - centre,
            np.where(np.isnan(centre), centre[:, n] - centre[0][:, None], np.inf),
        )
        either[np.any([gap < NEAREST for gap in gaps], axis=0)] = np.inf
    lower, upper = (int(k) for k in np.unravel_index(int(np.argmin(either)), either.shape))
    drums = [(upper, n), (lower, upper), (0, lower)]
    off = np.stack(
        [np.abs(pitch - centre[cut]) if cut[0] < cut[1] else np.full(len(pitch), np.inf) for cut in drums], 1
    )
    named = np.argmin(np.minimum(off**2 / (2 * SPREAD**2), FARTHEST + np.isinf(off) * 1e9) - INCLINED * log_likely, 1)
    return named, np.minimum(off, FAR)


def _softmax(x: np.ndarray) -> np.ndarray:
    up = np.exp(x)
    return np.asarray(up / up.sum(axis=1, keepdims=True))
