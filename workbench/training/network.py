"""The network: from two mel spectrograms to strokes, loudness, beats and downbeats.

Convolutions listen to single attacks; a recurrent layer at 100 frames a second
follows the pattern; a slow path at 20 frames a second (recurrent layers around
one self-attention layer) hears the bar and the kit over the whole passage; a
second fast layer decides with both in view.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import torch
from torch import nn

from workbench.chart.drumkit import DETECTED
from workbench.listening.features import BANDS, WINDOWS

#: Frames that the slow path takes together.
SLOW = 5

OUTPUTS = 2 * len(DETECTED) + 2


class _Block(nn.Sequential):
    def __init__(self, inputs: int, outputs: int) -> None:
        super().__init__(
            nn.Conv2d(inputs, outputs, 3, padding=1, bias=False), nn.BatchNorm2d(outputs), nn.ReLU(inplace=True)
        )


class _Attention(nn.Module):
    """One self-attention layer without positions (the recurrent layer before it knows them)."""

    def __init__(self, width: int, heads: int = 4) -> None:
        super().__init__()
        self.heads = heads
        self.norm = nn.LayerNorm(width)
        self.inward = nn.Linear(width, 3 * width)
        self.outward = nn.Linear(width, width)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        b, t, w = x.shape
        q, k, v = self.inward(self.norm(x)).view(b, t, 3, self.heads, w // self.heads).permute(2, 0, 3, 1, 4).unbind(0)
        weight = torch.softmax(q @ k.transpose(-1, -2) * (w // self.heads) ** -0.5, dim=-1)
        return x + self.outward((weight @ v).transpose(1, 2).reshape(b, t, w))


class Network(nn.Module):
    """Frames (batch, time, windows, bands) to logits (batch, time, OUTPUTS); time a multiple of SLOW.

    Outputs: 13 onsets, 13 velocities, beat, downbeat.
    """

    def __init__(
        self, channels: tuple[int, int, int] = (32, 64, 96), width: int = 224, fast: int = 256, slow: int = 96
    ) -> None:
        super().__init__()
        a, b, c = channels
        self.shift = nn.Parameter(torch.tensor(-3.0), requires_grad=False)
        self.front = nn.Sequential(
            _Block(len(WINDOWS), a),
            _Block(a, a),
            nn.MaxPool2d((1, 2)),
            _Block(a, b),
            _Block(b, b),
            nn.MaxPool2d((1, 2)),
            _Block(b, c),
            nn.MaxPool2d((1, 2)),
        )
        self.gather = nn.Sequential(nn.Linear(c * (BANDS // 8), width), nn.ReLU(inplace=True), nn.Dropout(0.1))
        self.fast1 = nn.GRU(width, fast, batch_first=True, bidirectional=True)
        self.slow_in = nn.Linear(SLOW * 2 * fast, 2 * slow)
        self.slow1 = nn.GRU(2 * slow, slow, batch_first=True, bidirectional=True)
        self.attend = _Attention(2 * slow)
        self.slow2 = nn.GRU(2 * slow, slow, batch_first=True, bidirectional=True)
        self.fast2 = nn.GRU(2 * fast + 2 * slow, fast, batch_first=True, bidirectional=True)
        self.heads = nn.Linear(2 * fast + width, OUTPUTS)
        nn.init.constant_(self.heads.bias[: len(DETECTED)], -3.0)

    def forward(self, frames: torch.Tensor) -> torch.Tensor:
        b, t = frames.shape[:2]
        x = self.front(frames.permute(0, 2, 1, 3) - self.shift)
        x = self.gather(x.permute(0, 2, 1, 3).reshape(b, t, -1))
        y = self.fast1(x)[0]
        z = torch.relu(self.slow_in(y.reshape(b, t // SLOW, -1)))
        z = self.slow1(z)[0]
        z = self.slow2(self.attend(z))[0]
        z = z.unsqueeze(2).expand(-1, -1, SLOW, -1).reshape(b, t, z.shape[-1])
        y = self.fast2(torch.cat([y, z], dim=-1))[0]
        return self.heads(torch.cat([y, x], dim=-1))


def write_state(state: dict[str, torch.Tensor], path: Path) -> None:
    """Keep parameters as .npz without pickles: tables of weights in half precision, the rest in single."""
    arrays = {k: v.float().cpu().numpy() for k, v in state.items()}
    np.savez_compressed(path, **{k: v.astype(np.float16) if v.ndim > 1 else v for k, v in arrays.items()})


def read_state(path: Path) -> dict[str, torch.Tensor]:
    """Parameters from a run's .pt file or from :func:`write_state`'s .npz."""
    if Path(path).suffix == ".npz":
        with np.load(path, allow_pickle=False) as arrays:
            return {k: torch.from_numpy(arrays[k].astype(np.float32)) for k in arrays.files}
    return torch.load(path, map_location="cpu", weights_only=True)
