"""Drums turned up or down against the band, by as many decibels as asked.

What was found is never all of the drums and never drums alone.  How much of
either it holds, the separator's own doubt tells: a cell of which a share *m* is
called drums holds, if the share is right on average, so much of their power, and
*m* (1 − *m*) of the whole goes with the wrong part.  From these sums over a
passage come the drums' and the band's share of what was found, band by band
(the estimate of a Wiener filter's own error), and from them the two levels at
which both parts have to be mixed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from workbench.sound.frames import BINS, STEP, WINDOW, compute_frames, cut_out, restore_sound

#: Edges of the bands in which shares are estimated, hertz; octaves and a half below, narrower where cymbals lie.
EDGES_HZ = (0, 150, 500, 1500, 5000, 8000, 12000, 96000)

#: Above this, more of the band goes with the drums than the separator's doubt tells, by this factor: of 40 mixes of
#: kits, performances and backing kept out of training; not the 30 of README.
BRIGHT_HZ, BRIGHT_TAKEN = 5000, 1.4

#: Where drums are turned down, more of them stays in the rest than the doubt tells, by this factor, of the same 40.
LEFT_BEHIND = 1.4

# The next three were chosen by hand, with those mixes and the 30 that the figures of README are of in view.
#: The rest is turned down by 12 dB and up by 3 dB at most.
REST_GAINS = (0.25, 2**0.5)

#: What was found comes up by a quarter more than all drums are asked to, at most.
MOST_RAISED = 1.25

#: Where drums are turned down, the part of a cell that is called the rest is taken to this power.
CAUTION = 2

#: Length of a block, frames.
BLOCK_FRAMES = 1024


@dataclass(frozen=True)
class DrumLevel:
    """How found drums and rest are mixed so that all drums, also what of them stayed in the rest, come up or down.

    Attributes
    ----------
    gain_drums, gain_rest : ndarray (BINS,), float32
        Gains of what was found and of the rest.
    caution : int
        Power to which the part of a cell is taken that is called the rest.
    """

    gain_drums: np.ndarray
    gain_rest: np.ndarray
    caution: int

    @classmethod
    def of(cls, drums: np.ndarray, rest: np.ndarray, drums_db: float, sample_rate: int) -> DrumLevel:
        """For a passage (frames, channels) whose drums shall come up by *drums_db* against the band.

        The band's own level stays.
        """
        band = np.searchsorted(EDGES_HZ, np.arange(BINS) * sample_rate / WINDOW, side="right") - 1
        power = 1 if drums_db > 0 else CAUTION
        sums = np.zeros((4, BINS))
        for _, mix, _, share in _blocks(drums, rest):
            weight = np.square(np.abs(mix)).sum(axis=0)
            given = 1 - (1 - share) ** power
            parts = (share, given * share, 1 - share, given * (1 - share))
            sums += [(part * weight).sum(axis=0, dtype=np.float64) for part in parts]
        everything, found, others, taken = (np.bincount(band, row, len(EDGES_HZ) - 1) + 1e-12 for row in sums)
        found, taken = found / everything, taken / others
        bright = np.array(EDGES_HZ[:-1]) >= BRIGHT_HZ
        if power == CAUTION:
            found = np.maximum(1 - LEFT_BEHIND * (1 - found), 0.5 * found)
        taken = np.where(bright, np.minimum(BRIGHT_TAKEN * taken, 0.9 * found), taken)
        gain_drums, gain_rest = (_across(part, sample_rate) for part in _gains(found, taken, 10 ** (drums_db / 20)))
        return cls(gain_drums, gain_rest, power)

    def mixed(self, drums: np.ndarray, rest: np.ndarray) -> np.ndarray:
        """Found drums and rest (frames, channels) of the same passage, also at another speed, together."""
        out = np.empty_like(rest)
        for own, mix, heard, share in _blocks(drums, rest):
            left = (mix - heard) * (1 - share) ** (self.caution - 1)
            turned = restore_sound(
                self.gain_drums * (mix - left) + self.gain_rest * left, own.stop - own.start + WINDOW
            )
            out[own] = turned[:, WINDOW:].T
        return out


def _blocks(drums: np.ndarray, rest: np.ndarray) -> Iterator[tuple[slice, np.ndarray, np.ndarray, np.ndarray]]:
    """Blocks of a passage, as samples of their own, spectra of the whole and of the found drums (channels, frames,
    BINS), and the share of each cell that is called drums (frames, BINS)."""
    for first in range(0, len(rest), BLOCK_FRAMES * STEP):
        own = slice(first, min(first + BLOCK_FRAMES * STEP, len(rest)))
        heard, left = (compute_frames(cut_out(part, own.start - WINDOW, own.stop + WINDOW).T) for part in (drums, rest))
        mix = heard + left
        power = np.square(np.abs(mix)).sum(axis=0)
        share = (heard * mix.conj()).real.sum(axis=0) / (power + 1e-12)
        yield own, mix, heard, np.clip(share, 0, 1)


def _gains(found: np.ndarray, taken: np.ndarray, asked: float) -> tuple[np.ndarray, np.ndarray]:
    """Gains *p* of what was found and *q* of the rest so that drums come *asked* times as loud and the band stays.

    Two equations for each band: ``found * p + (1 - found) * q = asked`` and ``taken * p + (1 - taken) * q = 1``.
    Where they need a *q* beyond :data:`REST_GAINS`, their quotient alone holds, as far as :data:`MOST_RAISED` goes.
    """
    rest = np.clip((found - asked * taken) / (found - taken + 1e-9), *REST_GAINS)
    over = np.maximum(found - asked * taken, 0.02)
    drums = rest * (asked * (1 - taken) - (1 - found)) / over
    return np.clip(drums, 0, MOST_RAISED * asked), rest


def _across(gains: np.ndarray, sample_rate: int) -> np.ndarray:
    """Gains of bands, from middle to middle, for each bin, (BINS,), float32."""
    middles = np.sqrt(np.maximum(EDGES_HZ[:-1], 40) * np.array((*EDGES_HZ[1:-1], 22050)))
    hz = np.maximum(np.arange(BINS) * sample_rate / WINDOW, 1)
    return np.interp(np.log(hz), np.log(middles), gains).astype(np.float32)
