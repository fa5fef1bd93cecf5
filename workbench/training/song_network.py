"""The network that follows a whole song (:mod:`workbench.listening.song_pulse`): from its picture to beats and bar
lines.

Two convolutions at 50 frames a second look at single strokes; a stack of dilated ones at 12.5 frames a second, each
with a gate, sees 80 s to either side; on the way back to 50 frames a second both are joined.
"""

from __future__ import annotations

from collections.abc import Sequence

import torch
from torch import nn

from workbench.listening.song_pulse import PICTURE_ROWS

#: Channels at each frame rate, and how often the dilations 1, 2, 4 … are gone through, and up to which power of two.
FAST_CHANNELS, SLOW_CHANNELS, TURNS, DILATIONS = 48, 64, 2, 9


class _Dilated(nn.Module):
    """A gated dilated convolution, added to what it reads: (songs, channels, frames)."""

    def __init__(self, channels: int, dilation: int, left_out: float) -> None:
        super().__init__()
        self.norm = nn.BatchNorm1d(channels)
        self.conv = nn.Conv1d(channels, 2 * channels, 3, padding=dilation, dilation=dilation)
        self.out = nn.Conv1d(channels, channels, 1)
        self.left_out = nn.Dropout(left_out)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return x + self.out(self.left_out(nn.functional.glu(self.conv(self.norm(x)), 1)))


class SongNetwork(nn.Module):
    """Pictures (songs, PICTURE_ROWS, frames) to logits of beat and downbeat (songs, 2, frames); frames a multiple of 4.

    Parameters
    ----------
    left_out : float
        Share of what the dilated layers say that is left out while it learns.
    """

    def __init__(self, left_out: float = 0.0) -> None:
        super().__init__()
        self.front = nn.Sequential(
            nn.Conv1d(PICTURE_ROWS, FAST_CHANNELS, 5, padding=2),
            nn.ReLU(),
            nn.Conv1d(FAST_CHANNELS, FAST_CHANNELS, 5, padding=2),
            nn.ReLU(),
        )
        self.halved = nn.Sequential(nn.Conv1d(FAST_CHANNELS, SLOW_CHANNELS, 4, stride=2, padding=1), nn.ReLU())
        self.quartered = nn.Sequential(nn.Conv1d(SLOW_CHANNELS, SLOW_CHANNELS, 4, stride=2, padding=1), nn.ReLU())
        self.follow = nn.Sequential(
            *(_Dilated(SLOW_CHANNELS, 2**k, left_out) for _ in range(TURNS) for k in range(DILATIONS))
        )
        self.to_half = nn.Sequential(
            nn.ConvTranspose1d(SLOW_CHANNELS, SLOW_CHANNELS, 4, stride=2, padding=1), nn.ReLU()
        )
        self.to_fine = nn.Sequential(
            nn.ConvTranspose1d(SLOW_CHANNELS, FAST_CHANNELS, 4, stride=2, padding=1), nn.ReLU()
        )
        self.head = nn.Sequential(
            nn.Conv1d(2 * FAST_CHANNELS, 64, 5, padding=2), nn.ReLU(), nn.Conv1d(64, 2, 3, padding=1)
        )

    def forward(self, picture: torch.Tensor) -> torch.Tensor:
        fine = self.front(picture)
        half = self.halved(fine)
        followed = self.follow(self.quartered(half))
        return self.head(torch.cat([self.to_fine(self.to_half(followed) + half), fine], dim=1))


class MeanOfSongNetworks(nn.Module):
    """The mean of the logits of networks that began otherwise."""

    def __init__(self, networks: Sequence[SongNetwork]) -> None:
        super().__init__()
        self.networks = nn.ModuleList(networks)

    def forward(self, picture: torch.Tensor) -> torch.Tensor:
        return torch.stack([network(picture) for network in self.networks]).mean(dim=0)
