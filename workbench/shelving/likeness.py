"""Grooves of a shelf that are like one another: bars as vectors of strokes, compared by the weighted Jaccard index of
:mod:`workbench.reading.patterns`."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.sparse import csr_array

from workbench.errors import FileFormatError
from workbench.reading.part_reading import PartGroove
from workbench.reading.patterns import TICKS, VOICES, WEIGHTS, Patterns
from workbench.reading.read import Reading
from workbench.shelving.memory import SHELF_FOLDER, ShelfMemory

# Numbers whose origin is not named: chosen by eye, no source.
#: Grooves this much alike are called the same: a kick more, or a few strokes of the time-keeper less.
SAME_GROOVE = 0.85
#: So many other songs are named, the others counted.
MOST_NAMED = 5

#: Voices that open a bar for one another on 1: they tell no grooves apart there.
_OPENING = {k * TICKS for k, (name, _) in enumerate(VOICES) if name in ("hi-hat", "open hi-hat", "ride", "crash")}


@dataclass(frozen=True)
class LikeGroove:
    """A groove of another song.

    Attributes
    ----------
    key, song, artist : str
    bars : str
        Where it is played.
    name : str
        As students know it, or what it is.
    likeness : float
        0–1.
    """

    key: str
    song: str
    artist: str
    bars: str
    name: str
    likeness: float


def struck_slots(patterns: Patterns, bars: Sequence[int]) -> list[list[int]]:
    """Bars as lists of the slots in which something is struck: beat, voice, part of the beat."""
    return [np.flatnonzero(patterns.vectors[k]).tolist() for k in bars]


class GrooveIndex:
    """The grooves of a shelf.

    Parameters
    ----------
    entries : iterable of (str, dict)
        Keys of songs and what the catalogue says of them.
    """

    def __init__(self, entries: Iterable[tuple[str, Mapping[str, Any]]]) -> None:
        self._grooves: list[LikeGroove] = []
        self._of_bar: list[int] = []
        bars: list[list[int]] = []
        for key, entry in entries:
            for g in entry["grooves"]:
                if g["sure"] and not g["free"]:
                    bars += g["struck"]
                    self._of_bar += [len(self._grooves)] * len(g["struck"])
                    song = entry["title"] or key, entry["artist"]
                    self._grooves.append(LikeGroove(key, *song, g["bars"], g["name"], 0.0))
        self._bars = _rows(bars)
        self._sizes = self._bars @ _weights(self._bars.shape[1])

    @classmethod
    def of_folder(cls, folder: str | os.PathLike) -> GrooveIndex:
        """The grooves that a shelf knew when it was last worked through.

        Raises
        ------
        FileFormatError
            If there is no shelf.
        """
        if not (Path(folder) / SHELF_FOLDER).is_dir():
            shelve = f"workbench shelf {shlex.quote(str(folder))}"
            raise FileFormatError(f"There is no shelf in {folder}; make one with {shelve}.")
        return cls((k, m.entry) for k, m in ShelfMemory(Path(folder)).songs.items() if m.entry is not None)

    def like(self, struck: Sequence[Sequence[int]], least: float = SAME_GROOVE) -> list[LikeGroove]:
        """The grooves that are like one, the most alike first.

        Parameters
        ----------
        struck : sequence of sequence of int
            Its bars (:func:`struck_slots`).
        least : float
            Likeness from which they are told; that of phrases is the mean over the bars, each with its nearest.
        """
        if not self._grooves or not struck:
            return []
        best = np.zeros((len(struck), len(self._grooves)))
        for bar, slots in enumerate(map(_told, struck)):
            row = np.zeros(max(self._bars.shape[1], *(i + 1 for i in slots), 0))
            row[slots] = _weights(len(row))[slots]
            shared, size = self._bars @ row[: self._bars.shape[1]], row.sum()
            likeness = shared / np.maximum(self._sizes + size - shared, 1e-9)
            np.maximum.at(best[bar], self._of_bar, likeness)
        likeness = best.mean(axis=0)
        order = np.argsort(-likeness, kind="stable")
        return [replace(self._grooves[k], likeness=round(float(likeness[k]), 3)) for k in order if likeness[k] >= least]


def _told(slots: Iterable[int]) -> list[int]:
    return [i for i in slots if i not in _OPENING]


def _rows(bars: Sequence[Iterable[int]], width: int | None = None) -> csr_array:
    told = [_told(bar) for bar in bars]
    ends = np.cumsum([0, *(len(bar) for bar in told)])
    columns = np.array([i for bar in told for i in bar], int)
    wide = width if width is not None else int(columns.max(initial=-1)) + 1
    return csr_array((np.ones(len(columns)), columns, ends), shape=(len(bars), wide))


def _weights(width: int) -> np.ndarray:
    return WEIGHTS[np.arange(width) // TICKS % len(VOICES)]


def others_text(found: Sequence[LikeGroove]) -> str:
    """Other songs with a groove in words: "Half Tide (bars 1–8), Open Road (bars 3–6) and 4 more"; "" if none."""
    by_song: dict[str, LikeGroove] = {}
    for like in found:
        by_song.setdefault(like.key, like)
    named = [f"{g.song} ({g.bars})" for g in list(by_song.values())[:MOST_NAMED]]
    more = len(by_song) - len(named)
    return ", ".join(named) + (f" and {more} more" if more else "")


def with_others(reading: Reading, index: GrooveIndex) -> Reading:
    """A reading that says of each groove which other songs of a shelf have it."""
    chart, patterns = reading.chart, Patterns.of(reading.chart)

    def told(own: PartGroove) -> PartGroove:
        if own.free or own.grounds.is_left_out:
            return own
        found = index.like(struck_slots(patterns, own.groove.base_bars))
        others = [g for g in found if (g.song, g.artist) != (chart.title, chart.artist)]
        return replace(own, others=others_text(others))

    return replace(reading, grooves=tuple(told(g) for g in reading.grooves))
