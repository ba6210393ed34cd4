"""Windows of strips as the edge network sees them, changed in place, scale and light; made where the network learns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from identify.geometry import part_edge
from identify.geometry.part_edge import COLUMNS, MIDDLE
from training.edge_strips import SHRUNK, SPARE, Strip, in_one

LENGTH = 128  # rows of a window
FINER = 0.6  # a column of a window covers at least this share of a strip's: photos are larger than the pictures
MOST_REACH = 32.0  # columns: no edge is looked for further off


@dataclass(frozen=True, slots=True, eq=False)
class Stock:
    """Strips in one piece on a device: light (R, K, 3) uint8 and edge (R,) of all rows, and each strip's first row."""

    light: Tensor
    edge: Tensor
    first: Tensor
    count: Tensor
    reach: Tensor
    closed: Tensor

    def __len__(self) -> int:
        return len(self.first)


def stock(strips: Sequence[Strip], device: torch.device | str = "cpu") -> Stock:
    """Put strips on a device, all widened to the widest."""
    light, edge, ends = in_one(strips)
    counts = np.diff(ends, prepend=0)
    place = {"device": device}
    return Stock(
        torch.from_numpy(light).to(device),
        torch.from_numpy(edge).to(device),
        torch.tensor(ends - counts, **place),
        torch.tensor(counts, **place),
        torch.tensor([one.reach for one in strips], dtype=torch.float32, **place),
        torch.tensor([one.closed for one in strips], **place),
    )


def plain(data: Stock, chosen: Tensor, begin: Tensor | None = None) -> tuple[Tensor, Tensor]:
    """Windows (B, 4, LENGTH, COLUMNS) of the ``chosen`` strips (B,) as they are, and the edge's columns (B, LENGTH).

    ``begin`` (B,) is each window's first row as a share of those that there are; 0 where it is not given. The edge is
    nan where there is none within reach.
    """
    ones = torch.ones(len(chosen), device=chosen.device)
    begin = torch.zeros_like(ones) if begin is None else begin
    light, edge, reach = _looked(data, chosen, begin, ones, ones, 0 * ones[:, None].expand(-1, LENGTH))
    return _given(light, reach), edge


def changed(data: Stock, chosen: Tensor, dice: torch.Generator) -> tuple[Tensor, Tensor]:
    """Windows as ``plain`` gives them, of strips that are shifted, leant, bent, scaled, and lit and seen otherwise."""
    roll = Dice(dice, len(chosen), data.light.device)
    reach = data.reach[chosen]
    along = torch.linspace(0, 1, LENGTH, device=data.light.device)
    wave = torch.sin(2 * math.pi * (along * roll.between(0.5, 3)[:, None] + roll.between(0, 1)[:, None]))
    off = roll.normal(0.15)[:, None] + roll.normal(0.1)[:, None] * along + roll.normal(0.08)[:, None] * wave
    shift = torch.clamp(reach[:, None] * off, -SPARE * reach[:, None], SPARE * reach[:, None])
    across = torch.where(roll.some(0.6), torch.exp(roll.between(math.log(FINER), math.log(SHRUNK))), 1.0)
    rows = torch.where(roll.some(0.5), torch.exp(roll.between(math.log(0.6), math.log(1.5))), 1.0)
    light, edge, reach = _looked(data, chosen, roll.between(0, 1), across, rows, shift)
    turned = roll.some(0.5)
    light = torch.where(turned[:, None, None, None], light.flip(2), light)
    edge = torch.where(turned[:, None], edge.flip(1), edge)
    return _given(seen_otherwise(lit_otherwise(light, roll), roll), reach), edge


class Dice:
    """Random numbers (B,) for the windows of a batch."""

    def __init__(self, source: torch.Generator, count: int, device: torch.device) -> None:
        self.source, self.count, self.device = source, count, device

    def between(self, low: float, high: float, *more: int) -> Tensor:
        """Evenly between two values."""
        return low + (high - low) * torch.rand(self.count, *more, generator=self.source, device=self.device)

    def normal(self, spread: float, *more: int) -> Tensor:
        """Normally about 0."""
        return spread * torch.randn(self.count, *more, generator=self.source, device=self.device)

    def some(self, share: float) -> Tensor:
        """True for a share of them."""
        return self.between(0, 1) < share


def _looked(
    data: Stock, chosen: Tensor, begin: Tensor, across: Tensor, rows: Tensor, shift: Tensor
) -> tuple[Tensor, Tensor, Tensor]:
    """Light (B, 3, L, C) in 0..1, the edge's columns (B, L) and reach (B,) of windows about shifted, scaled lines."""
    width, count = data.light.shape[1], data.count[chosen]
    closed = data.closed[chosen]
    rows = torch.where(closed, rows, torch.minimum(rows, (count - 1) / (LENGTH - 1)))
    room = torch.where(closed, count.float(), count - 1 - rows * (LENGTH - 1))
    step = torch.arange(LENGTH, device=chosen.device)
    row = torch.round((begin * room)[:, None] + rows[:, None] * step).long()
    row = torch.where(closed[:, None], row % count[:, None], torch.minimum(row, count[:, None] - 1))
    index = data.first[chosen][:, None] + row
    middle = (width - 1) // 2
    places = middle + shift[..., None] + across[:, None, None] * (torch.arange(COLUMNS, device=chosen.device) - MIDDLE)
    places = places.clamp(0, width - 1.001)
    left = places.floor().long()
    share = (places - left)[..., None]
    one, next_ = (data.light[index[..., None], column].float() for column in (left, left + 1))
    light = torch.lerp(one, next_, share)
    reach = torch.clamp(data.reach[chosen] / across, max=MOST_REACH)
    edge = (data.edge[index] - middle - shift) / across[:, None] + MIDDLE
    far = (edge - MIDDLE).abs() > part_edge.FAR * reach[:, None] + 2
    edge = torch.where(far | (edge < 0) | (edge > COLUMNS - 1), torch.nan, edge)
    return light.permute(0, 3, 1, 2) / 255, edge, reach


def _given(light: Tensor, reach: Tensor) -> Tensor:
    place = ((torch.arange(COLUMNS, device=light.device) - MIDDLE) / reach[:, None]).clamp(-2, 2)
    return torch.cat([light, place[:, None, None, :].expand(-1, 1, LENGTH, -1)], 1)


def lit_otherwise(light: Tensor, roll: Dice) -> Tensor:
    """Other colours and exposure, light that falls off, shadows' borders and reflections, burnt highlights."""
    light = light * torch.exp(roll.normal(0.1, 3))[:, :, None, None]
    light = torch.where(_all(roll.some(0.3)), light[:, torch.randperm(3, device=light.device)], light)
    light = torch.where(_all(roll.some(0.15)), light.mean(1, keepdim=True), light)
    u, v = (torch.linspace(-1, 1, size, device=light.device) for size in light.shape[2:])
    u = u[:, None]
    fall = _all(roll.normal(0.12)) * u + _all(roll.normal(0.12)) * v
    light = light * torch.exp(fall)
    for share, dark in ((0.3, True), (0.15, False)):
        turn, far = roll.between(0, 2 * math.pi), roll.between(-0.8, 0.8)
        wide = torch.exp(roll.between(math.log(0.015), math.log(0.4)))
        border = torch.sigmoid((_all(torch.cos(turn)) * u + _all(torch.sin(turn)) * v - _all(far)) / _all(wide))
        depth = roll.between(0.05, 0.55) * roll.some(share)
        if dark:
            light = light * (1 - _all(depth) * border)
        else:
            light = light + _all(0.7 * depth) * 4 * border * (1 - border)
    burnt = torch.where(roll.some(0.2), roll.between(1.1, 2.0), 1.0)
    return (_all(burnt) * light).clamp(0, 1) ** _all(roll.between(0.75, 1.35))


def seen_otherwise(light: Tensor, roll: Dice) -> Tensor:
    """A softer, smeared, sharpened, noisier picture, with the colour washed out as by a photo file."""
    across = roll.between(0.3, 2.8) * roll.some(0.5)
    along = roll.between(0.3, 1.6) * roll.some(0.4)
    washed = light.mean(1, keepdim=True)
    washed = washed + _smoothed(light - washed, roll.between(1, 4), roll.between(1, 3))
    light = torch.where(_all(roll.some(0.35)), washed, light)
    light = _smoothed(light, across, along)
    sharp = roll.between(0.3, 1.5) * roll.some(0.2)
    light = light + _all(sharp) * (light - _smoothed(light, roll.between(0.8, 2.0), roll.between(0.8, 2.0)))
    grain = roll.normal(1.0, *light.shape[1:]) * _all(roll.between(0, 0.02) + 0.03 * roll.some(0.1))
    coarse = _smoothed(roll.normal(1.0, *light.shape[1:]), roll.between(1, 3), roll.between(1, 3))
    return (light + grain + coarse * _all(roll.between(0, 0.06) * roll.some(0.4))).clamp(0, 1)


def _all(value: Tensor) -> Tensor:
    return value[:, None, None, None]


def _smoothed(light: Tensor, across: Tensor, along: Tensor, half: int = 6) -> Tensor:
    """Light (B, C, L, K) smoothed by Gaussians of each window's own widths (B,) [columns, rows]; 0 leaves it."""
    taps = torch.arange(-half, half + 1, device=light.device)
    count, channels, length, columns = light.shape
    seen = light.reshape(1, count * channels, length, columns)
    for sigma, shape, room in ((across, (1, -1), (half, half, 0, 0)), (along, (-1, 1), (0, 0, half, half))):
        kernel = torch.exp(-0.5 * (taps / sigma.clamp(min=0.05)[:, None]) ** 2)
        kernel = (kernel / kernel.sum(1, keepdim=True)).repeat_interleave(channels, 0)
        padded = torch.nn.functional.pad(seen, room, mode="replicate")
        seen = torch.nn.functional.conv2d(padded, kernel.view(-1, 1, *[len(taps) if n < 0 else 1 for n in shape]),
                                          groups=count * channels)  # fmt: skip
    return seen.view(light.shape)
