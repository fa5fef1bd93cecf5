"""How much a beat sounds like a fill: a small logistic model.

The features say what a drummer listens for: hands leave the time-keeping
cymbal, toms come in, drums follow one another without a layer of time above
them, and the beat does not repeat what the bars around it play there.  The
coefficients (``fill_model.json``) were fitted by
:mod:`workbench.training.fill_tuning` on the training split of the Groove MIDI
Dataset (CC BY 4.0); what they are worth on its
validation split, file length held equal, ``benchmarks/bench_fills.py`` says.
"""

from __future__ import annotations

import json
from functools import cache
from importlib import resources

import numpy as np

from workbench.patterns import VOICES, WEIGHTS, Patterns, likeness

#: Bars on each side with which a beat is compared.
NEIGHBOURS = 12

#: Share of those bars that must agree before a beat counts as repeated; a fill
#: that comes back every fourth bar is still no groove.
AGREEING = 0.4


def _columns(*names: str) -> list[int]:
    return [k for k, (name, _) in enumerate(VOICES) if name in names]


_KEEPING = _columns("hi-hat", "ride")
_TOMS = _columns("high tom", "mid tom", "floor tom")
#: Voices counted together as one feature.
_COUNTED: dict[str, list[int]] = {
    "kick": _columns("kick"), "ghost or full snare": _columns("snare"),
    "full snare": _columns("backbeat"), "time-keeping": _KEEPING,
    "pedal hi-hat": _columns("pedal hi-hat"), "crash": _columns("crash"), "tom": _TOMS,
}
_DRUMS = _columns("snare", "high tom", "mid tom", "floor tom")
_SOUNDS = [k for k, (name, _) in enumerate(VOICES) if name not in ("backbeat", "open hi-hat")]
_OWN = (*(f"{name} strokes" for name in _COUNTED), "layered places", "places of drums alone")

FEATURE_NAMES: tuple[str, ...] = (
    *_OWN, *(f"{name} around" for name in _OWN),
    "no time kept", "no time kept around", "toms", "repeated",
)


def beat_features(patterns: Patterns) -> np.ndarray:
    """Features of every beat, (beats, features); see :data:`FEATURE_NAMES`."""
    beats = patterns.beats
    counts = beats.sum(axis=2)
    grouped = np.column_stack([counts[:, columns].sum(axis=1) for columns in _COUNTED.values()])
    cymbals = beats[:, _KEEPING].max(axis=1)
    drums = beats[:, _DRUMS].max(axis=1) * (1 - cymbals)
    layered = beats[:, _SOUNDS].sum(axis=1) > 1
    own = np.column_stack([np.minimum(grouped, 4), layered.sum(axis=1), drums.sum(axis=1)])
    around = _around(own, beats.any(axis=(1, 2)))
    keeping = list(_COUNTED).index("time-keeping")
    alone, alone_around = own[:, keeping] == 0, around[:, keeping] == 0
    toms = grouped[:, list(_COUNTED).index("tom")] > 0
    return np.column_stack([
        own, around, alone, alone & alone_around, toms, repeated(patterns)]).astype(float)


def _around(own: np.ndarray, sounding: np.ndarray) -> np.ndarray:
    """Mean of the sounding neighbour beats; the beat itself where there is none."""
    padded = np.pad(own, ((1, 1), (0, 0)))
    there = np.pad(sounding.astype(float), 1)
    number = (there[:-2] + there[2:])[:, None]
    total = padded[:-2] * there[:-2, None] + padded[2:] * there[2:, None]
    return np.where(number > 0, total / np.maximum(number, 1), own)


def repeated(patterns: Patterns) -> np.ndarray:
    """How well the bars around play the same on each beat, (beats,), 0–1.

    The mean likeness to the best-agreeing :data:`AGREEING` share of the
    sounding bars within :data:`NEIGHBOURS`; 0 where there is no other bar.
    """
    out = np.zeros(len(patterns.beats))
    bars = patterns.chart.time_map.bars
    kinds: dict[tuple, list[int]] = {}
    for k, bar in enumerate(bars):
        if patterns.sounding[k] and not bar.is_pickup:
            kinds.setdefault((bar.meter,), []).append(k)
    for (meter,), members in kinds.items():
        index = np.array(members)
        near = np.abs(index[:, None] - index[None, :]) <= NEIGHBOURS
        np.fill_diagonal(near, False)
        number = near.sum(axis=1)
        wanted = np.maximum(np.ceil(AGREEING * number), np.minimum(number, 2)).astype(int)
        if not number.any():
            continue
        for q in range(meter.counted_beats):
            rows = patterns.first_beat[index] + q
            flat = patterns.beats[rows].reshape(len(rows), -1)
            alike = likeness(flat, np.repeat(WEIGHTS, patterns.beats.shape[2]).astype(np.float32))
            best = -np.sort(-np.where(near, alike, -1.0), axis=1)
            total = np.cumsum(best, axis=1)
            pick = np.maximum(wanted, 1) - 1
            mean = total[np.arange(len(rows)), pick] / np.maximum(wanted, 1)
            out[rows] = np.where(number > 0, mean, 0.0)
    return out


@cache
def _coefficients() -> tuple[np.ndarray, float]:
    text = resources.files("workbench").joinpath("fill_model.json").read_text("utf-8")
    data = json.loads(text)
    return np.array([data["coefficients"][n] for n in FEATURE_NAMES]), float(data["intercept"])


def fill_logits(patterns: Patterns) -> np.ndarray:
    """Log-odds that each beat belongs to a fill, (beats,); silent beats get
    minus infinity."""
    weights, intercept = _coefficients()
    logits = beat_features(patterns) @ weights + intercept
    return np.where(patterns.beats.any(axis=(1, 2)), logits, -np.inf)


def performance_score(patterns: Patterns) -> float:
    """Mean log-odds over the sounding beats: how much a whole take is a fill."""
    logits = fill_logits(patterns)
    heard = np.isfinite(logits)
    return float(logits[heard].mean()) if heard.any() else -np.inf
