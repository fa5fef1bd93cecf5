"""Drums and rest of a recording apart.

A small network, trained on synthetic mixes (``weights/SEPARATOR.md``), gives each
cell of the recording's spectrum its drums; what is left is the rest, so both
always add up to the recording.  Work goes in pieces of :data:`PIECE_S`, each
heard with its surroundings and blended into the next.  A piece depends on
nothing outside them, so that any bars can be had at once and in any order, and
memory does not grow with the recording.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
import soxr

from workbench.files.audio import SAMPLE_RATE_HZ, Audio
from workbench.progress import Progress, silent
from workbench.sound.frames import compute_frames, restore_sound
from workbench.sound.runtime import Session, open_weights

#: Length of a piece, what is heard of its surroundings on either side, and how long it blends into the next, seconds.
PIECE_S, AROUND_S, BLEND_S = 10.0, 1.0, 0.1

#: Pieces quieter than this (root mean square, −90 dBFS) hold no drums.
SILENCE_RMS = 10 ** (-90 / 20)


@dataclass(frozen=True)
class Stems:
    """A recording taken apart; ``drums + rest`` is the recording, sample by sample."""

    drums: Audio
    rest: Audio

    def mixed(self, drums_db: float) -> Audio:
        """The recording with its drums turned up or down."""
        gain = np.float32(10 ** (drums_db / 20))
        return Audio(self.rest.samples + gain * self.drums.samples, self.rest.sample_rate)


@cache
def _network() -> Session:
    return open_weights("workbench.sound.weights", "separator")


def separate(audio: Audio, progress: Progress | None = None) -> Stems:
    """Take a recording apart into drums and the rest.

    Parameters
    ----------
    audio : Audio
        Any rate and number of channels; the channels share what is found, so
        that everything stays where it was between left and right.
    progress : Progress, optional

    Raises
    ------
    AnalysisError
        If the network's weights are missing or damaged.
    """
    drums = np.concatenate([d for _, d in separate_blocks([audio.samples], audio.sample_rate, progress)])
    return Stems(Audio(drums, audio.sample_rate), Audio(audio.samples - drums, audio.sample_rate))


def separate_blocks(
    blocks: Iterable[np.ndarray], sample_rate: int, progress: Progress | None = None
) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Take apart a recording that comes in blocks (frames, channels).

    Yields
    ------
    (ndarray, ndarray), (frames, channels) each
        Mix and drums, stretch by stretch; the same however long the blocks are.
    """


def count_pieces(frames: int, sample_rate: int) -> int:
    """Pieces of a recording of *frames* samples."""
    return max(1, math.ceil(frames / (PIECE_S * sample_rate)))


def piece_drums(cut: Callable[[int, int], np.ndarray], sample_rate: int, piece: int) -> np.ndarray:
    """Drums of one piece and of the :data:`BLEND_S` after it, (frames, channels), float32.

    Parameters
    ----------
    cut : function of first and last sample (exclusive)
        The recording there, (frames, channels), silent outside.
    """
    first, last = round(piece * PIECE_S * sample_rate), round((piece + 1) * PIECE_S * sample_rate)
    around, blend = round(AROUND_S * sample_rate), round(BLEND_S * sample_rate)
    heard = cut(first - around, last + blend + around)
    return _drums_of(heard, sample_rate)[around : around + last - first + blend]
