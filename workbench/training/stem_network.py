"""The network that tells drums from the rest: spectra of a mix to a mask for its drums.

The spectrum is split into bands, narrow below and wide above; each band of two
neighbouring frames becomes one vector; recurrent layers read the vectors by
turns along the bands and along time; each band then gives complex factors for
its bins (the scheme of Y. Luo, J. Yu, *Music source separation with band-split
RNN*, IEEE/ACM TASLP 2023, written anew, smaller).
"""

from __future__ import annotations

import torch
from torch import nn

from workbench.sound.frames import BINS, TOGETHER

#: Bands from the lowest bin up: how many, and how many bins wide (21.5 Hz a bin).
STEM_BANDS = ((15, 3), (14, 10), (8, 24), (8, 46), (2, 140))
assert sum(count * width for count, width in STEM_BANDS) == BINS

#: Levels below this (the mix has a root mean square of 1) count as silence.
FLOOR = 1e-3


class _ByBand(nn.Module):
    """A linear layer of its own for each band: (bands, n, inputs) to (bands, n, outputs)."""

    def __init__(self, bands: int, inputs: int, outputs: int, scale: float = 1.0) -> None:
        super().__init__()
        reach = scale * inputs**-0.5
        self.weight = nn.Parameter(torch.empty(bands, inputs, outputs).uniform_(-reach, reach))
        self.bias = nn.Parameter(torch.zeros(bands, 1, outputs))

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return torch.matmul(x, self.weight) + self.bias


class _StemReader(nn.Module):
    """A recurrent layer both ways along the first axis, added to what it reads: (steps, n, width)."""

    def __init__(self, width: int, hidden: int) -> None:
        super().__init__()
        self.norm = nn.LayerNorm(width)
        self.gru = nn.GRU(width, hidden, bidirectional=True)
        self.out = nn.Linear(2 * hidden, width)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return x + self.out(self.gru(self.norm(x))[0])


class StemNetwork(nn.Module):
    """Spectra (passages, frames, BINS, 2) of mixes to factors of the same shape; frames a multiple of TOGETHER.

    The last axis holds real and imaginary parts; drums are the complex product
    of spectrum and factors.
    """

    def __init__(self, width: int = 96, hidden: int = 96, turns: int = 8) -> None:
        super().__init__()
        self.inward = nn.ModuleList(_ByBand(count, TOGETHER * bins * 3, width) for count, bins in STEM_BANDS)
        self.across = nn.ModuleList(_StemReader(width, hidden) for _ in range(turns))
        self.along = nn.ModuleList(_StemReader(width, hidden) for _ in range(turns))
        self.norm = nn.LayerNorm(width)
        self.decide = nn.ModuleList(_ByBand(count, width, width) for count, _ in STEM_BANDS)
        self.outward = nn.ModuleList(_ByBand(count, width, TOGETHER * bins * 4, 0.3) for count, bins in STEM_BANDS)
        for layer, (_, bins) in zip(self.outward, STEM_BANDS):
            # To begin with, a third of everything is drums.
            nn.init.constant_(layer.bias[..., : TOGETHER * bins * 2 : 2], 0.6)

    def forward(self, spectra: torch.Tensor) -> torch.Tensor:
        b, frames = spectra.shape[:2]
        t = frames // TOGETHER
        power = (spectra * spectra).sum(dim=-1, keepdim=True) + FLOOR**2
        seen = torch.cat([spectra * power**-0.35, 0.25 * torch.log(power)], dim=-1)
        vectors, first = [], 0
        for layer, (count, bins) in zip(self.inward, STEM_BANDS):
            band = seen[:, :, first : first + count * bins].reshape(b, t, TOGETHER, count, bins * 3)
            vectors.append(layer(band.permute(3, 1, 0, 2, 4).reshape(count, t * b, TOGETHER * bins * 3)))
            first += count * bins
        x = torch.cat(vectors)
        bands, _, width = x.shape
        for across, along in zip(self.across, self.along):
            x = across(x).reshape(bands, t, b, width).transpose(0, 1).reshape(t, bands * b, width)
            x = along(x).reshape(t, bands, b, width).transpose(0, 1).reshape(bands, t * b, width)
        x = self.norm(x)
        factors, first = [], 0
        for decide, outward, (count, bins) in zip(self.decide, self.outward, STEM_BANDS):
            value, gate = outward(torch.tanh(decide(x[first : first + count]))).chunk(2, dim=-1)
            band = (value * torch.sigmoid(gate)).reshape(count, t, b, TOGETHER, bins, 2)
            factors.append(band.permute(2, 1, 3, 0, 4, 5).reshape(b, frames, count * bins, 2))
            first += count
        return torch.cat(factors, dim=2)
