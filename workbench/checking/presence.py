"""How likely a written note was played, where no stroke of its drum was surely detected.

A chart says which drum is struck where, so less is asked of the ear than in a draft.  But how much less?  A faint peak
may be the note, or what a louder drum leaves in its neighbour's activation.  What tells them apart is measured of each
such note (:data:`NOTE_MEASURES`): how high the drum's activation is there, beside the song's own strokes of that drum
and beside what is just before and after it; how loud the note is written; what sounds there that is not written; how
well this drum, this bar and this place of the other bars are heard.  Each measure gives points, a line through a few
corners (additive logistic regression: T. Hastie, R. Tibshirani, *Generalized Additive Models*, 1990), learnt by
:mod:`workbench.training.presence_learning` from right charts into which notes were written that nobody played.

The *presence* is the probability that a note was played if half of all such notes were: its odds are how much likelier
what is heard is of a note that was played than of one that was not.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

import numpy as np

from workbench.chart.drumkit import DETECTED, instrument
from workbench.chart.ghosts import is_soft
from workbench.grouping import grouped
from workbench.listening.activations import Activations
from workbench.listening.second_pass import logit
from workbench.listening.transcription import Transcription

if TYPE_CHECKING:
    from workbench.checking.findings import Expected

# Numbers whose origin is not named were chosen by hand, no source; the points belong to measures made with these only.
#: A stroke less sure than this is none by itself: a loud drum leaves such a peak in its neighbour's activation.
SURE_STROKE = 0.7
#: A note is looked for this far from where the song usually has its drum, seconds.
NEAR_PLACE_S = 0.05
#: Notes this near are one moment, seconds.
MOMENT_S = 0.03
#: Height of strokes of a drum of which too few are heard, and how many these are.
HEIGHT_UNHEARD, FEWEST_SURE = 0.8, 3
#: Fewest strokes from which it is told how late a drum comes.
FEWEST_TIMED = 6

#: What is measured of a note without a sure stroke, in order; heights and shares as log odds.
NOTE_MEASURES = (
    *(
        "height",
        "above usual",
        "stands out",
        "away",
        "velocity",
        "soft",
        "kin unwritten",
        "others unwritten",
        "others written",
    ),
    *("heard at place", "alone at place", "heard of drum", "heard in bar"),
)

_FAMILY = np.array([instrument(name).family for name in DETECTED])
_RINGS = (_FAMILY == "cymbal") | (np.array(DETECTED) == "open hi-hat")
#: Drums that the ear takes for each other: of one family, and what rings.
_ALIKE = ((_FAMILY[:, None] == _FAMILY) | (_RINGS[:, None] & _RINGS)) & ~np.eye(len(DETECTED), dtype=bool)
_OTHERS = ~_ALIKE & ~np.eye(len(DETECTED), dtype=bool)


@dataclass(frozen=True)
class PresencePoints:
    """Points of each measure, which add up to the log odds that a note was played.

    Attributes
    ----------
    corners, points : tuple of ndarray
        For each measure values of it, increasing, and their points; between them a straight line, beyond them as at
        the last.
    constant : float
    """

    corners: tuple[np.ndarray, ...]
    points: tuple[np.ndarray, ...]
    constant: float

    def probabilities(self, measures: np.ndarray) -> np.ndarray:
        """Presence of notes (n,), 0–1, of their measures (n, :data:`NOTE_MEASURES`)."""
        lines = zip(measures.T, self.corners, self.points, strict=True)
        said = self.constant + sum(np.interp(values, at, points) for values, at, points in lines)
        return np.asarray(1 / (1 + np.exp(-said)))


@cache
def read_points() -> PresencePoints:
    """The points that belong to the packaged detector."""
    data = json.loads(resources.files("workbench.checking").joinpath("presence.json").read_text())
    lines = [data["measures"][name] for name in NOTE_MEASURES]
    corners, points = (tuple(np.array(line[key]) for line in lines) for key in ("corners", "points"))
    return PresencePoints(corners, points, data["constant"])


def presence_of(
    heard: Transcription, expected: Sequence[Expected], names: Sequence[str], sure: Mapping[int, float]
) -> dict[int, float]:
    """How likely notes were played of which no stroke was surely detected, 0–1; see the module.

    Parameters
    ----------
    heard : Transcription
    expected, names : sequence of Expected, of str
        Every written note in order of time, and what it would be heard as.
    sure : mapping of int to float
        Those of which a stroke was surely detected, and when, seconds.

    Returns
    -------
    dict of int to float
        By index in ``expected``; nothing where the recording has no activations of the packaged detector's drums.
    """
    rows, measures = measure_notes(heard, expected, names, sure)
    said = read_points().probabilities(measures)
    return {i: float(p) for i, p in zip(rows, said, strict=True)}


def measure_notes(
    heard: Transcription, expected: Sequence[Expected], names: Sequence[str], sure: Mapping[int, float]
) -> tuple[list[int], np.ndarray]:
    """Which notes are without a sure stroke, and what is measured of them (n, :data:`NOTE_MEASURES`)."""
    found = heard.activations
    if found is None or found.instruments != DETECTED:
        return [], np.zeros((0, len(NOTE_MEASURES)))
    rows = [i for i, name in enumerate(names) if i not in sure and name in DETECTED]
    late_s = _lateness(expected, names, sure)
    usual = {k: _usual_log_odds(heard, found, k) for k in {DETECTED.index(names[i]) for i in rows}}
    at_place = _SurelyHeard([(name, e.note.position) for name, e in zip(names, expected)], sure)
    of_drum, in_bar = _SurelyHeard(names, sure), _SurelyHeard([e.aligned_index for e in expected], sure)
    times_s = np.array([e.stroke.time_s for e in expected])
    columns = np.array([DETECTED.index(name) if name in DETECTED else -1 for name in names])
    reach = round(NEAR_PLACE_S * found.frame_rate_hz)
    out = np.empty((len(rows), len(NOTE_MEASURES)))
    for row, i in enumerate(rows):
        note, k = expected[i].note, columns[i]
        frame = round((times_s[i] + late_s[names[i]]) * found.frame_rate_hz)
        first = int(np.clip(frame - reach, 0, len(found.onset) - 1))
        window = found.onset[first : max(first, frame + reach) + 1]
        top, highest = window.max(axis=0), first + int(window[:, k].argmax())
        height = _log_odds(top[k])
        together = slice(*np.searchsorted(times_s, (times_s[i] - MOMENT_S, times_s[i] + MOMENT_S)))
        written = np.isin(np.arange(len(DETECTED)), columns[together])
        sounding = ((_ALIKE[k], ~written), (_OTHERS[k], ~written), (_OTHERS[k], written))
        out[row] = (
            *(height, height - usual[k], height - _log_odds(min(window[0, k], window[-1, k]))),
            *(abs(highest - frame) / found.frame_rate_hz, note.velocity / 127, is_soft(note)),
            *(_log_odds(top[those & told].max(initial=0)) for those, told in sounding),
            *(at_place.log_odds(i), at_place.others(i) == 0, of_drum.log_odds(i), in_bar.log_odds(i)),
        )
    return rows, out


class _SurelyHeard:
    """How many of the other notes with the same key have a sure stroke."""

    def __init__(self, keys: Sequence, sure: Mapping[int, float]) -> None:
        self.keys, self.sure = keys, sure
        self.written, self.found = Counter(keys), Counter(keys[i] for i in sure)

    def others(self, i: int) -> int:
        return self.written[self.keys[i]] - 1

    def log_odds(self, i: int) -> float:
        found = self.found[self.keys[i]] - (i in self.sure)
        return float(np.log((found + 0.5) / (self.others(i) - found + 0.5)))


def _lateness(expected: Sequence[Expected], names: Sequence[str], sure: Mapping[int, float]) -> dict[str, float]:
    """How much later than written each drum is usually heard, seconds; of those seldom heard as all are."""
    late = grouped((names[i], time_s - expected[i].stroke.time_s) for i, time_s in sure.items())
    every = [x for those in late.values() for x in those]
    usual = float(np.median(every)) if every else 0.0
    return {n: float(np.median(late[n])) if len(late.get(n, ())) >= FEWEST_TIMED else usual for n in set(names)}


def _usual_log_odds(heard: Transcription, found: Activations, column: int) -> float:
    """Median height of a drum's sure strokes in the song."""
    sure = [s for s in heard.strokes if s.instrument == DETECTED[column] and s.confidence >= SURE_STROKE]
    frames = [round(s.time_s * found.frame_rate_hz) for s in sure]
    tops = [float(found.onset[max(0, f - 2) : f + 3, column].max(initial=0)) for f in frames]
    return _log_odds(float(np.median(tops)) if len(tops) >= FEWEST_SURE else HEIGHT_UNHEARD)


def _log_odds(p: float) -> float:
    return float(logit(np.asarray(p)))
