"""One augmented batch from stored pictures: other backgrounds, other framing, other light and camera.

Bench pictures turn by any angle, installed taps by a few degrees. Half of the batch is framed near the part, as the
classifier's second look does it. What the frame lost of the part decides the target: too little left is not scored,
nothing left is ``none``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import torch
from torch import Tensor
from torch.nn import functional as F

from identify.classifier import FILL, PART
from training.dataset import UNKNOWN, Pictures
from training.degrade import chance, degrade, toned, uniform


@dataclass(slots=True, eq=False)
class Batch:
    """Normalised pixels (B, 3, S, S) and targets; ``mask`` (B, 3, S/4, S/4) holds the share of each label."""

    pixels: Tensor
    mask: Tensor
    klass: Tensor
    view: Tensor
    varieties: Tensor


def smaller(batch: Batch, side_px: int) -> Batch:
    """The batch with its pictures ``side_px`` px wide, shrunk by areas as the classifier does it."""
    grid = side_px // 4
    return replace(
        batch,
        pixels=F.interpolate(batch.pixels, size=(side_px, side_px), mode="area"),
        mask=F.interpolate(batch.mask, size=(grid, grid), mode="area"),
    )


@dataclass(frozen=True, slots=True)
class Settings:
    """How strongly to augment; probabilities a picture."""

    near: float = 0.45
    elsewhere: float = 0.08
    background: float = 0.25
    bars: float = 0.3
    cutout: float = 0.3
    jigsaw: float = 0.03
    degrade: float = 1.0
    coarse: float = 0.6
    blurred: float = 0.5
    installed_turn_deg: float = 15.0


class Augmenter:
    """Draws augmented batches of ``side_px`` px from pictures stored at least as large.

    ``nothing`` is the class number of ``none``, ``installed`` the view number.
    """

    def __init__(
        self,
        pictures: Pictures,
        settings: Settings,
        *,
        side_px: int,
        nothing: int,
        installed: int,
        mean: float,
        std: float,
        compiled: bool = False,
    ) -> None:
        self.side_px = side_px
        parts = (toned, _sample, _cut_out)
        self.tones, self.sampled, self.covered = map(torch.compile, parts) if compiled else parts
        self.pictures = pictures
        self.settings = settings
        self.nothing = nothing
        self.installed = installed
        self.mean = mean
        self.std = std
        self.empty = torch.nonzero((pictures.klass == nothing) & (pictures.box[:, 2] == 0)).reshape(-1)

    def draw(self, chosen: Tensor) -> Batch:
        """An augmented batch of the pictures numbered ``chosen`` (B,)."""
        p = self.pictures
        x = p.pixels[chosen].float() / 255
        mask = p.mask[chosen].long()
        klass, view, varieties = p.klass[chosen].clone(), p.view[chosen].clone(), p.varieties[chosen].clone()
        x, mask = self._other_background(x, mask, klass)
        before = (mask == PART).float().mean(dim=(1, 2))
        grid, side = self._framing(p.box[chosen], view == self.installed, x)
        x, labels, beyond = self.sampled(x, mask, grid, self.settings.bars)
        x, labels = self.covered(x, labels, self.settings.cutout)
        left = labels[:, PART].mean(dim=(1, 2)) * side**2 / before.clamp(min=1e-6)
        self._retarget(klass, view, varieties, before, left)
        self._jigsaw(x, labels, klass, view, varieties)
        if (s := self.settings).degrade > 0:
            worse = degrade(x, self.tones, coarse=s.coarse, blurred=s.blurred)
            x = torch.where(chance(x, s.degrade, 1, 1, 1), worse, x)
        x = torch.where(beyond, torch.full_like(x, FILL / 255), x)
        x = (x * 255).round() / 255
        return Batch((x * 255 - self.mean) / self.std, F.avg_pool2d(labels, 4), klass, view, varieties)

    def _other_background(self, x: Tensor, mask: Tensor, klass: Tensor) -> tuple[Tensor, Tensor]:
        """Part and reference object cut out along the mask and laid on something that shows no part.

        That is a picture without a part, the shuffled tiles of any other picture, or a pattern of two colours.
        """
        p, b = self.pictures, len(x)
        any_other = torch.randint(len(p), (b,), device=x.device)
        empty = self.empty[torch.randint(len(self.empty), (b,), device=x.device)] if len(self.empty) else any_other
        kind = torch.randint(0 if len(self.empty) else 1, 3, (b, 1, 1), device=x.device)
        other = torch.where(kind.view(-1) == 0, empty, any_other)
        behind, behind_mask = p.pixels[other].float() / 255, p.mask[other].long()
        behind = torch.where(kind.unsqueeze(1) == 1, shuffled(behind, 8 if float(torch.rand(())) < 0.5 else 4), behind)
        behind = torch.where(kind.unsqueeze(1) == 2, pattern(x), behind)
        behind_mask = torch.where(kind == 0, behind_mask, torch.zeros_like(behind_mask))
        if float(torch.rand(())) < 0.5:
            behind, behind_mask = behind.flip(3), behind_mask.flip(2)
        swap = chance(x, self.settings.background, 1, 1) & (klass != self.nothing).view(-1, 1, 1)
        edge = F.avg_pool2d((mask > 0).float().unsqueeze(1), 3, 1, 1)
        alpha = torch.where(swap.unsqueeze(1), edge, torch.ones_like(edge))
        return alpha * x + (1 - alpha) * behind, torch.where(swap & (mask == 0), behind_mask, mask)

    def _framing(self, box: Tensor, installed: Tensor, x: Tensor) -> tuple[Tensor, Tensor]:
        """Sampling grid (B, S, S, 2), and the frame's side as a share of the stored picture's (B,)."""
        b, size, s = len(x), x.shape[-1], self.settings
        box = box.float() / size * 2 - 1
        centre, extent = (box[:, :2] + box[:, 2:]) / 2, (box[:, 2:] - box[:, :2]).amax(dim=1) / 2
        seen = extent > 0.01
        near = chance(x, s.near) & seen
        elsewhere = chance(x, s.elsewhere) & ~near
        side = torch.exp(uniform(x, math.log(0.7), math.log(1.25), b))
        side = torch.where(near, (extent / uniform(x, 0.35, 0.95, b)).clamp(0.33, 1.3), side)
        side = torch.where(elsewhere, uniform(x, 0.3, 0.6, b), side)
        shift = uniform(x, -1, 1, b, 2)
        middle = shift * torch.where(seen, 0.12, (1 - side).clamp(min=0.1)).unsqueeze(1)
        middle = torch.where(near.unsqueeze(1), centre + shift * 0.1 * side.unsqueeze(1), middle)
        middle = torch.where(elsewhere.unsqueeze(1), shift * (1 - side).unsqueeze(1), middle)
        turn = torch.where(
            installed, uniform(x, -1, 1, b) * math.radians(s.installed_turn_deg), uniform(x, -math.pi, math.pi, b)
        )
        flip = torch.where(chance(x, 0.5), -1.0, 1.0)
        wide, shear = torch.exp(uniform(x, -0.12, 0.12, b)), uniform(x, -0.1, 0.1, b)
        line = (torch.arange(self.side_px, device=x.device) + 0.5) / self.side_px * 2 - 1
        v, u = torch.meshgrid(line, line, indexing="ij")
        u, v = u.expand(b, -1, -1), v.expand(b, -1, -1)
        far = 1 + (uniform(x, -0.12, 0.12, b, 1, 1) * u + uniform(x, -0.12, 0.12, b, 1, 1) * v)
        us, vs = (flip * wide).view(-1, 1, 1) * u / far + shear.view(-1, 1, 1) * v, v / far / wide.view(-1, 1, 1)
        cos, sin = (torch.cos(turn) * side).view(-1, 1, 1), (torch.sin(turn) * side).view(-1, 1, 1)
        grid = torch.stack([cos * us - sin * vs, sin * us + cos * vs], dim=-1)
        return grid + middle.view(-1, 1, 1, 2), side

    def _retarget(self, klass: Tensor, view: Tensor, varieties: Tensor, before: Tensor, left: Tensor) -> None:
        """Adjust targets in place to what the frame still shows of the part."""
        had = (klass != self.nothing) & (before > 0)
        gone = had & (left < 0.01)
        partly = had & ~gone & (left < 0.4)
        klass[gone] = self.nothing
        klass[partly] = UNKNOWN
        for target in (view, varieties):
            target[gone | partly] = UNKNOWN

    def _jigsaw(self, x: Tensor, labels: Tensor, klass: Tensor, view: Tensor, varieties: Tensor) -> None:
        """Shuffle tiles of some pictures: right texture without the form is not a fitting."""
        size = x.shape[-1]
        some = torch.nonzero(chance(x, self.settings.jigsaw) & (labels[:, PART].mean(dim=(1, 2)) > 0.15)).reshape(-1)
        if len(some) == 0 or size % 8:
            return
        x[some] = shuffled(x[some], 8)
        labels[some] = 0
        labels[some, 0] = 1
        klass[some] = self.nothing
        view[some] = UNKNOWN
        varieties[some] = UNKNOWN


def _cut_out(x: Tensor, labels: Tensor, p: float) -> tuple[Tensor, Tensor]:
    """A finger, a rag, a shadowed corner: a turned rectangle of one colour with some noise over the picture."""
    b, size = len(x), x.shape[-1]
    line = (torch.arange(size, device=x.device) + 0.5) / size * 2 - 1
    v, u = torch.meshgrid(line, line, indexing="ij")
    for _ in range(2):
        du, dv = u - uniform(x, -1, 1, b, 1, 1), v - uniform(x, -1, 1, b, 1, 1)
        turn = uniform(x, 0, math.pi, b, 1, 1)
        along, across = du * torch.cos(turn) + dv * torch.sin(turn), dv * torch.cos(turn) - du * torch.sin(turn)
        inside = (along.abs() < uniform(x, 0.05, 0.6, b, 1, 1)) & (across.abs() < uniform(x, 0.03, 0.2, b, 1, 1))
        inside = (inside & chance(x, p, 1, 1)).unsqueeze(1)
        colour = uniform(x, 0, 1, b, 3, 1, 1) + 0.05 * torch.randn_like(x)
        x = torch.where(inside, colour.clamp(0, 1), x)
        covered = torch.zeros_like(labels)
        covered[:, 0] = 1
        labels = torch.where(inside, covered, labels)
    return x, labels


def shuffled(x: Tensor, tiles: int) -> Tensor:
    """Pictures (B, 3, S, S) with their ``tiles`` × ``tiles`` tiles in another order; S is a multiple of ``tiles``."""
    b, c, size, _ = x.shape
    tile = size // tiles
    order = torch.randperm(tiles * tiles, device=x.device)
    apart = x.reshape(b, c, tiles, tile, tiles, tile).permute(0, 1, 2, 4, 3, 5).reshape(b, c, -1, tile, tile)
    mixed = apart[:, :, order].reshape(b, c, tiles, tiles, tile, tile).permute(0, 1, 2, 4, 3, 5)
    return mixed.reshape(b, c, size, size)


def pattern(like: Tensor) -> Tensor:
    """Blotches, blocks or stripes of two colours (B, 3, S, S), as print, tiles and cloth have."""
    b, _, height, width = like.shape
    fine = int(torch.randint(6, 64, ()))
    rows, columns = (fine, fine) if float(torch.rand(())) < 0.6 else (fine, max(2, fine // 8))
    seeds = torch.rand(b, 1, rows, columns, device=like.device)
    mode = "nearest" if float(torch.rand(())) < 0.5 else "bilinear"
    spread = F.interpolate(seeds, size=(height, width), mode=mode)
    share = ((spread - uniform(like, 0.3, 0.7, b, 1, 1, 1)) * uniform(like, 2, 40, b, 1, 1, 1)).sigmoid()
    first, second = uniform(like, 0, 1, b, 3, 1, 1), uniform(like, 0, 1, b, 3, 1, 1)
    return share * first + (1 - share) * second


def _sample(x: Tensor, mask: Tensor, grid: Tensor, bars: float) -> tuple[Tensor, Tensor, Tensor]:
    """Pixels, one-hot labels and where the frame is letter-box grey, all through one sampling grid."""
    b, size = len(x), grid.shape[1]
    onehot = F.one_hot(mask, 3).permute(0, 3, 1, 2).to(x.dtype)
    both = F.grid_sample(
        torch.cat([x, onehot], dim=1), grid, mode="bilinear", padding_mode="reflection", align_corners=False
    )
    out, labels = both[:, :3], both[:, 3:]
    outside = (grid.abs() > 1).any(dim=-1, keepdim=True).permute(0, 3, 1, 2) & chance(x, 0.3, 1, 1, 1)
    line = ((torch.arange(size, device=x.device) + 0.5) / size * 2 - 1).abs()
    high = uniform(x, 0.55, 0.9, b, 1)
    bar = (line > high).view(b, 1, size, 1) & chance(x, bars / 2, 1, 1, 1)
    post = (line > high).view(b, 1, 1, size) & chance(x, bars / 2, 1, 1, 1)
    beyond = outside | bar | post
    background = torch.zeros_like(labels)
    background[:, 0] = 1
    return out, torch.where(beyond, background, labels), beyond
