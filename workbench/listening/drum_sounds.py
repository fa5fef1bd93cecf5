"""The sounds that a chart calls by one drum's name, told apart by their waveforms.

In drafts of programmed music a drum is often several: some of the "closed hi-hats" are claps, others a synthesizer's
clicks.  Each of these is one recording, played again and again, so its strokes correlate with each other and with no
others (:mod:`workbench.listening.same_sound`), and one word of the user is right for all of them.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np
from scipy.sparse.csgraph import connected_components

from workbench.chart import Chart, Note
from workbench.files.audio import SAMPLE_RATE_HZ, load_audio
from workbench.listening.same_sound import (
    LEEWAY,
    PIECE,
    correlate,
    correlate_at,
    laid_on,
    pieces_at,
    shared_sound,
    whiten,
)
from workbench.progress import Progress

# Numbers were chosen by hand with drafts of programmed songs in view, no source.
#: So many strokes of a drum are compared with each other; of the others each joins the sound that it is like.
COMPARED_STROKES = 160
#: Two pieces are alike that correlate more than this, and more than nearly all (percent) of so many places anywhere do
#: with each other.
LEAST_ALIKE, MORE_THAN_PERCENT, PLACES_ANYWHERE = 0.25, 99.5, 120
#: Of a sound's own strokes most correlate with it at least this part of what the middle one does.
PART_OF_MIDDLE = 0.6
#: Sounds whose means correlate more than this are one: a kick with this or that note of the bass, say.
ONE_SOUND = 0.6
#: A sound is struck so often at least, and makes up so much of its drum; no drum is told to have more.
LEAST_STROKES, LEAST_PART, MOST_SOUNDS = 4, 0.04, 6


@dataclass(frozen=True)
class DrumSound:
    """One sound of a drum.

    Attributes
    ----------
    hits : tuple of (int, Note), in the order of the music
        With their bar index.
    alike : bool
        False for those that are like none of the others.
    """

    hits: tuple[tuple[int, Note], ...]
    alike: bool = True


def sounds_of(chart: Chart, white: np.ndarray, name: str, bars: range | None = None) -> list[DrumSound]:
    """The hits of a drum by their sound, the most frequent first, and those last that are like none.

    Parameters
    ----------
    chart : Chart
    white : ndarray (n,)
        Its recording (:func:`~workbench.listening.same_sound.whiten`).
    name : str
        Of the drum.
    bars : range, optional
        Of these bars only, by index.

    Returns
    -------
    list of DrumSound
        One, of all hits, where nothing tells them apart; none where the drum plays nothing.
    """
    bars = range(len(chart)) if bars is None else bars
    hits = [(k, n) for k in bars for n in chart.bars[k].notes if n.instrument == name]
    hits.sort(key=lambda hit: chart.note_time_s(*hit))
    if not hits:
        return []
    kind = tell_apart(white, np.array([chart.note_time_s(k, n) for k, n in hits]))
    kinds = sorted(set(kind), key=lambda k: (k < 0, -np.count_nonzero(kind == k)))
    if kinds[0] < 0:
        return [DrumSound(tuple(hits))]
    return [DrumSound(tuple(h for h, own in zip(hits, kind, strict=True) if own == k), bool(k >= 0)) for k in kinds]


def whiten_recording(path: str | os.PathLike, progress: Progress | None = None) -> np.ndarray:
    """A recording as :func:`sounds_of` takes it.

    Raises
    ------
    AudioError
        If the recording cannot be used; the message says why.
    """
    return whiten(load_audio(path, SAMPLE_RATE_HZ, mono=True, progress=progress).samples[:, 0])


def tell_apart(white: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """Which sound each stroke has (n,), int, -1 for one that is like no others.

    Parameters
    ----------
    white : ndarray (samples,)
    time_s : ndarray (n,)
    """
    rng = np.random.default_rng(0)
    some = np.sort(rng.permutation(len(time_s))[:COMPARED_STROKES])
    pieces = pieces_at(white, time_s[some])
    anywhere_s = rng.uniform(0, len(white) / SAMPLE_RATE_HZ, PLACES_ANYWHERE)
    by_chance = _alike(pieces_at(white, anywhere_s))
    limit = max(np.percentile(by_chance[np.triu_indices(len(by_chance), 1)], MORE_THAN_PERCENT), LEAST_ALIKE)
    alike, left = _alike(pieces) > limit, np.ones(len(some), bool)
    sounds: list[np.ndarray] = []
    limits: list[float] = []
    while len(sounds) < MOST_SOUNDS and left.any():
        kin = (alike & left & left[:, None]).sum(axis=1)
        centre = int(np.argmax(kin))
        mine = left & alike[centre]
        if mine.sum() < max(LEAST_STROKES, LEAST_PART * len(some)):
            break
        sound = shared_sound(pieces[mine], pieces[centre, LEEWAY : LEEWAY + PIECE])
        told = correlate(pieces, sound)
        enough = max(limit, PART_OF_MIDDLE * float(np.median(told[mine])))
        mine = left & (told > enough)
        if mine.sum() < LEAST_STROKES:
            break
        sounds.append(sound)
        limits.append(enough)
        left &= ~mine
    if not sounds:
        return np.full(len(time_s), -1)
    told = np.stack([correlate_at(white, time_s, sound) for sound in sounds], axis=1)
    best = told.argmax(axis=1)
    return np.where(told[np.arange(len(told)), best] > np.array(limits)[best], _joined(np.stack(sounds))[best], -1)


def _joined(sounds: np.ndarray) -> np.ndarray:
    """Numbers of sounds (m, :data:`~workbench.listening.same_sound.PIECE`), the same for those that are one (m,)."""
    alike = laid_on(np.pad(sounds, ((0, 0), (LEEWAY, LEEWAY))), sounds)[0] > ONE_SOUND
    return np.asarray(connected_components(alike, directed=False)[1])


def _alike(pieces: np.ndarray) -> np.ndarray:
    """How far pieces correlate with each other (n, n), −1–1, at best within the leeway."""
    plain = pieces[:, LEEWAY : LEEWAY + PIECE]
    best, at = laid_on(pieces, plain / (np.linalg.norm(plain, axis=1, keepdims=True) + 1e-9))
    ends = np.cumsum(np.pad(pieces.astype(float) ** 2, ((0, 0), (1, 0))), axis=1)
    energy = np.take_along_axis(ends, at + PIECE, axis=1) - np.take_along_axis(ends, at, axis=1)
    told = best / np.sqrt(energy + 1e-9)
    return np.asarray(np.maximum(told, told.T))
