"""Pictures unwrapped about coins, changed anew for every step of training: bent, lit, tinted and blurred otherwise.

A bent one stands for another start: the radii of each spoke are stretched, and the true radii with them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import torch
from torch import Tensor
from torch.nn import functional

from identify.geometry.rings import SCALES, SPOKES

STRETCH, LEAN = 0.015, 0.012  # standard deviations of the radii: all alike, and with once and twice the angle
TINT, CURVE, SHADE = 0.1, 0.12, 0.08  # of the channels, of the exponent of light, of light from one side
GRAIN, BLURRED = 0.02, 0.4  # at most, and share of the pictures
SPREAD = 0.8  # bins: standard deviation of what is taught about the true edge
STEP = float(SCALES[1] - SCALES[0])
Stock = Sequence[tuple[Tensor, Tensor]]


def batch(stock: Stock, size: int, turn: int) -> tuple[Tensor, Tensor]:
    """Changed pictures (B, 3, SPOKES, K) in 0 to 1 and radii (B, 2, SPOKES), as many of each file of the stock.

    Parameters
    ----------
    stock : pictures (N, SPOKES, K, 3) uint8 and radii (N, 2, SPOKES) of each file
    turn : which step it is: every second one is mirrored, every fifth one has its colours mixed up
    """
    parts = [size // len(stock) + (k < size % len(stock)) for k in range(len(stock))]
    chosen = [torch.randint(0, len(pictures), (part,), device=pictures.device)
              for part, (pictures, _) in zip(parts, stock, strict=True)]  # fmt: skip
    x = torch.cat([pictures[those] for those, (pictures, _) in zip(chosen, stock, strict=True)])
    y = torch.cat([radii[those] for those, (_, radii) in zip(chosen, stock, strict=True)])
    x = x.permute(0, 3, 1, 2).float() / 255
    roll = int(torch.randint(0, SPOKES, (1,)))
    x, y = torch.roll(x, roll, 2), torch.roll(y, roll, 2)
    if turn % 2:
        x, y = x.flip(2), y.flip(2)
    if turn % 5 == 0:
        x = x[:, torch.randperm(3, device=x.device)]
    x, y = bent(x, y)
    return developed(x), y


def bent(x: Tensor, y: Tensor) -> tuple[Tensor, Tensor]:
    """Pictures and radii on spokes that are stretched as about an ellipse of another size, place and shape."""
    device, many = x.device, len(x)
    angle = 2 * math.pi * torch.arange(SPOKES, device=device) / SPOKES
    waves = torch.stack([torch.cos(angle), torch.sin(angle), torch.cos(2 * angle), torch.sin(2 * angle)])
    stretch = 1 + STRETCH * torch.randn(many, 1, device=device) + LEAN * torch.randn(many, 4, device=device) @ waves
    places = torch.tensor(SCALES, dtype=x.dtype, device=device) * stretch[..., None]
    columns = 2 * (places - float(SCALES[0])) / (STEP * (len(SCALES) - 1)) - 1
    rows = torch.linspace(-1, 1, SPOKES, device=device)[None, :, None].expand_as(columns)
    grid = torch.stack([columns, rows], 3)
    x = functional.grid_sample(x, grid, mode="bilinear", padding_mode="border", align_corners=True)
    return x, y / stretch[:, None]


def developed(x: Tensor) -> Tensor:
    """Pictures in another light and by another camera."""
    device, many = x.device, len(x)

    def dice(*shape: int) -> Tensor:
        return torch.randn(many, *shape, device=device)

    some = torch.rand(many, 1, 1, 1, device=device)
    soft = functional.avg_pool2d(functional.pad(x, (1, 1, 0, 0), mode="replicate"), (1, 3), 1)
    x = x + (some < BLURRED) * torch.rand(many, 1, 1, 1, device=device) * (soft - x)
    turn = 2 * math.pi * (torch.arange(SPOKES, device=device) / SPOKES)[None, None, :, None]
    side = torch.cos(turn + 2 * math.pi * torch.rand(many, 1, 1, 1, device=device))
    x = x * torch.exp(TINT * (dice(3, 1, 1) + dice(1, 1, 1))) * (1 + SHADE * dice(1, 1, 1) * side)
    x = x.clamp(1e-4, 1) ** torch.exp(CURVE * dice(1, 1, 1))
    x = x + GRAIN * torch.rand(many, 1, 1, 1, device=device) * torch.randn_like(x)
    return x.clamp(0, 1)


def loss(logs: Tensor, radii: Tensor) -> Tensor:
    """Cross entropy of log odds (B, 2, SPOKES, K) and a bell about each radius (B, 2, SPOKES) that is told."""
    scales = torch.tensor(SCALES, dtype=logs.dtype, device=logs.device)
    told = (radii > scales[0]) & (radii < scales[-1])
    places = torch.nan_to_num(radii, nan=1.0)
    wanted = torch.exp(-0.5 * ((scales - places[..., None]) / (SPREAD * STEP)) ** 2)
    wanted = wanted / (wanted.sum(3, keepdim=True) + 1e-9)
    return -((wanted * logs).sum(3) * told).sum() / told.sum().clamp(min=1)
