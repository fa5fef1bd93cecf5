"""How much a beat sounds like a fill: a small logistic model.

The features say what a drummer listens for: the hands leave the time-keeping
cymbal, toms come in, drums follow one another or sound together, no backbeat
falls under a cymbal, the foot gives up the hi-hat, and the beat repeats neither
the bars around it nor the beat half a bar away.  The coefficients
(``fill_model.json``) were fitted by :mod:`workbench.training.fill_tuning` on the
training split of the Groove MIDI Dataset (CC BY 4.0): bars that are fills against
bars of the same groove, and of other grooves put in their place.  What they are
worth on its validation split ``tests/benchmarks/bench_fills.py`` says.
"""

from __future__ import annotations

import json
from functools import cache
from importlib import resources

import numpy as np

from workbench.reading.patterns import TICKS, VOICES, WEIGHTS, Patterns, likeness

# Numbers whose origin is not named: chosen by trial, no source.
#: Bars on each side with which a beat is compared.
BARS_AROUND = 12

#: Share of those bars that must agree before a beat counts as repeated; a fill
#: that comes back every fourth bar is still no groove.
AGREEING = 0.4

#: Strokes of a run lie no farther apart than an 8th triplet, in ticks; longer
#: runs than this many strokes count no more.
RUN_GAP, LONGEST_RUN = TICKS // 3, 6

#: The hands are away from the cymbal for at most this many ticks; then they are off it.
LONGEST_ABSENCE = 2 * TICKS


def _columns(*names: str) -> list[int]:
    return [k for k, (name, _) in enumerate(VOICES) if name in names]


_TIME = _columns("hi-hat", "ride")
CYMBAL_COLUMNS = _columns("hi-hat", "ride", "crash", "percussion")
_TOMS = _columns("high tom", "mid tom", "floor tom")
DRUM_COLUMNS = _columns("snare", "high tom", "mid tom", "floor tom")
_KICK, _SNARE, _BACKBEAT, _PEDAL = (_columns(n)[0] for n in ("kick", "snare", "backbeat", "pedal hi-hat"))

#: What each feature counts (places in the beat, if it does not say otherwise), and
#: what a drummer expects: +1 it speaks for a fill, -1 against it, 0 either way.
FEATURES: dict[str, int] = {
    "toms at all": +1,
    "drums together": +1,
    "drums together in the beats beside": +1,
    "strokes in a run of drums alone, beats beside": +1,
    "beats without a cymbal around": +1,
    "no time kept": +1,
    "cymbal alone": -1,
    "ghost notes under a cymbal": -1,
    "backbeat under a cymbal": -1,
    "backbeat under a cymbal in the beats beside": -1,
    "kick under drums without a cymbal": 0,
    "pedal hi-hat": 0,
    "like the beat half a bar away, 0-1": -1,
    "repeated in the bars around, 0-1": -1,
    "least repeated beat of the bar, 0-1": -1,
}


def beat_features(patterns: Patterns) -> np.ndarray:
    """Features of every beat, (beats, features), in the order of :data:`FEATURES`."""
    beats = patterns.beats
    sounding = np.any(beats, axis=(1, 2))
    cymbal, drum = beats[:, CYMBAL_COLUMNS].max(axis=1), beats[:, DRUM_COLUMNS].max(axis=1)
    kick, snare, backbeat = beats[:, _KICK], beats[:, _SNARE], beats[:, _BACKBEAT]
    together = (beats[:, DRUM_COLUMNS].sum(axis=1) > 1).sum(axis=1)
    under_cymbal = backbeat[:, 0] * cymbal[:, 0]
    again = repeated(patterns)
    return np.column_stack(
        [
            beats[:, _TOMS].any(axis=(1, 2)),
            together,
            _beside(together, sounding),
            _beside(_runs(drum * (1 - cymbal)), sounding),
            _absence(cymbal, _sounding_bars(patterns)),
            ~beats[:, _TIME].any(axis=(1, 2)),
            (cymbal * (1 - kick) * (1 - drum)).sum(axis=1),
            ((snare - backbeat) * cymbal).sum(axis=1),
            under_cymbal,
            _beside(under_cymbal, sounding),
            (kick * drum * (1 - cymbal)).sum(axis=1),
            beats[:, _PEDAL].sum(axis=1),
            _half_bar_likeness(patterns),
            again,
            _least_of_bar(again, patterns),
        ]
    ).astype(float)


def _beside(values: np.ndarray, sounding: np.ndarray) -> np.ndarray:
    """Mean of the sounding beats before and after; the beat itself where there is none."""
    padded, there = np.pad(values.astype(float), 1), np.pad(sounding.astype(float), 1)
    number = there[:-2] + there[2:]
    total = padded[:-2] * there[:-2] + padded[2:] * there[2:]
    return np.where(number > 0, total / np.maximum(number, 1), values)


def _runs(strokes: np.ndarray) -> np.ndarray:
    """Strokes of the longest run that touches each beat; ``strokes`` (beats, TICKS), 0 or 1."""
    at = np.flatnonzero(strokes)
    run = np.cumsum(np.diff(at, prepend=0) > RUN_GAP)
    length = np.zeros(strokes.size)
    length[at] = np.bincount(run)[run] if len(at) else 0
    return np.minimum(length.reshape(strokes.shape).max(axis=1), LONGEST_RUN)


def _sounding_bars(patterns: Patterns) -> tuple[int, int]:
    """First beat of the first bar that sounds and end of the last one's beats."""
    bars = np.flatnonzero(patterns.sounding)
    return (patterns.first_beat[bars[0]], patterns.first_beat[bars[-1] + 1]) if len(bars) else (0, 0)


def _absence(cymbal: np.ndarray, sounding: tuple[int, int]) -> np.ndarray:
    """How long no cymbal sounds around the places of each beat, mean in beats; both
    ends of what sounds (``sounding``, in beats) count as cymbals, however long the
    silence beyond them.  ``cymbal`` (beats, TICKS), 0 or 1."""
    first, end = sounding
    at = np.concatenate([[-1, first * TICKS - 1], np.flatnonzero(cymbal), [end * TICKS, cymbal.size]])
    place = np.arange(cymbal.size)
    gap = at[np.searchsorted(at, place)] - at[np.searchsorted(at, place, side="right") - 1]
    return np.minimum(gap, LONGEST_ABSENCE).reshape(cymbal.shape).mean(axis=1) / TICKS


def _half_bar_likeness(patterns: Patterns) -> np.ndarray:
    """Likeness to the beat half a bar before or after, the better of the two; 0 without one."""
    beats = patterns.beats
    out = np.zeros(len(beats))
    per_bar = np.diff(patterns.first_beat)
    in_bar = np.arange(len(beats)) - np.repeat(patterns.first_beat[:-1], per_bar)
    counted = np.repeat([b.meter.counted_beats for b in patterns.chart.time_map.bars], per_bar)
    half = np.maximum(counted // 2, 1)
    early = np.flatnonzero(in_bar + half < np.repeat(per_bar, per_bar))
    late = early + half[early]
    shared = (np.minimum(beats[early], beats[late]).sum(axis=2) * WEIGHTS).sum(axis=1)
    union = (np.maximum(beats[early], beats[late]).sum(axis=2) * WEIGHTS).sum(axis=1)
    alike = np.where(union > 0, shared / np.maximum(union, 1e-6), 0.0)
    np.maximum.at(out, early, alike)
    np.maximum.at(out, late, alike)
    return out


def _least_of_bar(values: np.ndarray, patterns: Patterns) -> np.ndarray:
    """The least value of each beat's bar."""
    least = np.minimum.reduceat(values, patterns.first_beat[:-1])
    return np.repeat(least, np.diff(patterns.first_beat))


def bars_around(index: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of bars by their indices: which of them lie beside each (their place in ``index``), and which of those within
    :data:`BARS_AROUND` bars, both (bars, 2 * BARS_AROUND + 1)."""
    beside = np.arange(len(index))[:, None] + np.arange(-BARS_AROUND, BARS_AROUND + 1)
    inside = (beside >= 0) & (beside < len(index))
    beside = np.where(inside, beside, 0)
    return beside, inside & (np.abs(index[beside] - index[:, None]) <= BARS_AROUND)


def repeated(patterns: Patterns) -> np.ndarray:
    """How well the bars around play the same on each beat, (beats,), 0–1.

    The mean likeness to the best-agreeing :data:`AGREEING` share of the
    sounding bars within :data:`BARS_AROUND`; 0 where there is no other bar.
    """
    out = np.zeros(len(patterns.beats))
    for meter, index in patterns.sounding_by_meter.items():
        beside, near = bars_around(index)
        near[:, BARS_AROUND] = False  # the bar itself
        number = near.sum(axis=1)
        wanted = np.maximum(np.ceil(AGREEING * number), np.minimum(number, 2)).astype(int)
        if not number.any():
            continue
        for q in range(meter.counted_beats):
            rows = patterns.first_beat[index] + q
            flat = patterns.beats[rows].reshape(len(rows), -1)
            every = likeness(flat, np.repeat(WEIGHTS, patterns.beats.shape[2]).astype(np.float32))
            alike = np.take_along_axis(every, beside, axis=1)
            best = -np.sort(-np.where(near, alike, -1.0), axis=1)
            total = np.cumsum(best, axis=1)
            pick = np.maximum(wanted, 1) - 1
            mean = total[np.arange(len(rows)), pick] / np.maximum(wanted, 1)
            out[rows] = np.where(number > 0, mean, 0.0)
    return out


@cache
def _coefficients() -> tuple[np.ndarray, float]:
    text = resources.files("workbench.reading").joinpath("fill_model.json").read_text("utf-8")
    data = json.loads(text)
    return np.array([data["coefficients"][n] for n in FEATURES]), float(data["intercept"])


def fill_logits(patterns: Patterns) -> np.ndarray:
    """Log-odds that each beat belongs to a fill, (beats,); silent beats get
    minus infinity."""
    return logits_of(patterns, *_coefficients())


def logits_of(patterns: Patterns, weights: np.ndarray, intercept: float) -> np.ndarray:
    """As :func:`fill_logits`, with coefficients given: ``weights`` (features,)."""
    logits = beat_features(patterns) @ weights + intercept
    return np.where(patterns.beats.any(axis=(1, 2)), logits, -np.inf)
