"""What light and camera do to a picture, batched on the device: pixels (B, 3, S, S) in [0, 1] in and out.

Each picture draws its own strengths; a strength of zero leaves it as it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import torch
from torch import Tensor
from torch.nn import functional as F

GREY = (0.299, 0.587, 0.114)  # ITU-R BT.601 luma

# ITU-T T.81 (JPEG), annex K, table K.1
LUMA_TABLE = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)


SIDES = (1.0, 0.75, 0.5, 0.375, 0.25)
COARSER = (1.0, 0.63, 0.3, 0.12)  # of the pictures below full size: how many are no finer than each of the others
REACHES_PX = (7, 7, 7, 6, 5)  # of the strongest blur at each of them: up to 20 px of the square's side


def uniform(like: Tensor, low: float, high: float, *shape: int) -> Tensor:
    """Uniform numbers of ``shape``, on the device of ``like``."""
    return torch.rand(*shape, device=like.device) * (high - low) + low


def chance(like: Tensor, p: float, *trailing: int) -> Tensor:
    """One boolean a picture, true with probability ``p``."""
    return torch.rand(len(like), *trailing, device=like.device) < p


def grey(x: Tensor) -> Tensor:
    """(B, 1, S, S) luma."""
    return (x * x.new_tensor(GREY).view(1, 3, 1, 1)).sum(1, keepdim=True)


def light(x: Tensor, strength: float = 1.0) -> Tensor:
    """Exposure, contrast, gamma, white balance, saturation, a gradient across the picture, and glare."""
    b, _, h, w = x.shape
    x = x * torch.exp2(uniform(x, -0.6, 0.5, b, 1, 1, 1) * strength)
    mean = x.mean(dim=(1, 2, 3), keepdim=True)
    x = (x - mean) * (1 + uniform(x, -0.35, 0.35, b, 1, 1, 1) * strength) + mean
    x = x.clamp(1e-4, 1) ** torch.exp2(uniform(x, -0.5, 0.5, b, 1, 1, 1) * strength)
    warmth = uniform(x, -0.14, 0.14, b, 1, 1, 1) * strength
    tint = uniform(x, -0.05, 0.05, b, 1, 1, 1) * strength
    x = x * torch.cat([1 + warmth, 1 + tint, 1 - warmth], dim=1)
    luma = grey(x)
    keep = 1 + uniform(x, -0.6, 0.3, b, 1, 1, 1) * strength
    keep = torch.where(chance(x, 0.06, 1, 1, 1), torch.zeros_like(keep), keep)
    x = luma + (x - luma) * keep
    v, u = torch.meshgrid(
        torch.linspace(-1, 1, h, device=x.device), torch.linspace(-1, 1, w, device=x.device), indexing="ij"
    )
    slope = uniform(x, -0.3, 0.3, b, 2, 1, 1) * strength
    x = x * (1 + slope[:, :1] * u + slope[:, 1:] * v)
    cx, cy = uniform(x, -1, 1, b, 1, 1), uniform(x, -1, 1, b, 1, 1)
    size = uniform(x, 0.03, 0.3, b, 1, 1)
    glare = torch.exp(-((u - cx) ** 2 + (v - cy) ** 2) / (2 * size**2)) * uniform(x, 0.1, 0.8, b, 1, 1)
    x = x + (glare * chance(x, 0.12, 1, 1)).unsqueeze(1)
    return x.clamp(0, 1)


def odd(x: Tensor) -> Tensor:
    """The harsher tone operations of AugMix: posterise, solarise, equalise by range, swap channels."""
    b = len(x)
    pick = torch.randint(0, 5, (b, 1, 1, 1), device=x.device)
    levels = torch.randint(4, 24, (b, 1, 1, 1), device=x.device).float()
    posterised = (x * levels).round() / levels
    over = uniform(x, 0.6, 1.0, b, 1, 1, 1)
    solarised = torch.where(x > over, 1 - x, x)
    low, high = x.amin(dim=(2, 3), keepdim=True), x.amax(dim=(2, 3), keepdim=True)
    stretched = (x - low) / (high - low + 1e-3)
    swapped = x[:, torch.randperm(3, device=x.device)]
    out = torch.where(pick == 0, posterised, x)
    out = torch.where(pick == 1, solarised, out)
    out = torch.where(pick == 2, stretched, out)
    return torch.where(pick == 3, swapped, out)


def mix(x: Tensor) -> Tensor:
    """AugMix [Hendrycks et al. 2020]: a convex mixture of the picture and two chains of tone operations."""
    b = len(x)
    share = uniform(x, 0, 1, b, 1, 1, 1)
    own = uniform(x, 0, 1, b, 1, 1, 1) ** (1 / 1.5)  # the law Beta(1.5, 1)
    chains = share * light(x) + (1 - share) * odd(light(x, 0.6))
    return own * chains + (1 - own) * light(x, 0.3)


def veil(x: Tensor, p: float = 0.2) -> Tensor:
    """Steam, a misted lens or stray light: a pale, cloudy layer that takes contrast away, more in some places."""
    b, _, h, w = x.shape
    clouds = F.interpolate(torch.rand(b, 1, 5, 5, device=x.device), size=(h, w), mode="bicubic", align_corners=True)
    share = (uniform(x, 0.1, 0.7, b, 1, 1, 1) * (0.5 + clouds)).clamp(0, 0.85) * chance(x, p, 1, 1, 1)
    return x + (uniform(x, 0.6, 1.0, b, 1, 1, 1) - x) * share


def blur(x: Tensor, p: float = 0.5, reach: int = 5) -> Tensor:
    """Defocus (Gaussian or a disc) or motion (a line of up to ``reach`` px to each side), a kernel for each picture."""
    b = len(x)
    r = torch.arange(-reach, reach + 1, device=x.device, dtype=x.dtype)
    v, u = torch.meshgrid(r, r, indexing="ij")
    sigma = uniform(x, 0.3, 0.3 + 0.3 * reach, b, 1, 1)
    radius = uniform(x, 0.7, reach, b, 1, 1)
    disc = torch.sigmoid((radius - (u**2 + v**2).sqrt()) * 3)  # of a lens that is open wide
    round_kernel = torch.where(chance(x, 0.4, 1, 1), disc, torch.exp(-(u**2 + v**2) / (2 * sigma**2)))
    turn = uniform(x, 0, math.pi, b, 1, 1)
    along, across = u * torch.cos(turn) + v * torch.sin(turn), v * torch.cos(turn) - u * torch.sin(turn)
    length = uniform(x, 1.0, float(reach), b, 1, 1)
    line_kernel = torch.exp(-(across**2) / 0.5) * torch.sigmoid((length - along.abs()) * 4)
    kernel = torch.where(chance(x, 0.4, 1, 1), line_kernel, round_kernel)
    still = ((u == 0) & (v == 0)).to(x.dtype).expand(b, -1, -1)
    kernel = torch.where(chance(x, p, 1, 1), kernel, still)
    kernel = kernel / kernel.sum(dim=(1, 2), keepdim=True)
    return filtered(F.pad(x, (reach,) * 4, mode="reflect"), kernel)


def filtered(x: Tensor, kernel: Tensor) -> Tensor:
    """Pictures (B, C, H, W) folded with a kernel (B, K, K) each: (B, C, H - K + 1, W - K + 1), by Fourier transforms.

    Of 15 × 15 numbers that takes a third of the time of sums, one kernel a picture.
    """
    size, beyond = x.shape[-2:], kernel.shape[-1] - 1
    waves = torch.fft.rfft2(x) * torch.fft.rfft2(kernel, s=size).unsqueeze(1)
    return torch.fft.irfft2(waves, s=size)[..., beyond:, beyond:]


def noise(x: Tensor, p: float = 0.6, dark: float = 0.15) -> Tensor:
    """Sensor noise: a part that grows with the root of the signal, a constant part, partly alike in all channels.

    It is up to 6 % of white, and up to four times that in a share ``dark`` of the pictures: taken in little light.
    """
    b = len(x)
    most = torch.where(chance(x, dark, 1, 1, 1), 0.24, 0.06)
    size = uniform(x, 0.0, 1.0, b, 1, 1, 1) * most * chance(x, p, 1, 1, 1)
    common, own = torch.randn_like(x[:, :1]), torch.randn_like(x)
    return (x + size * (0.6 * common + 0.8 * own) * (0.4 + 0.6 * x.clamp(0, 1).sqrt())).clamp(0, 1)


def _cosines(like: Tensor) -> Tensor:
    """The 8 × 8 matrix of the discrete cosine transform of type II, orthonormal."""
    k = torch.arange(8, device=like.device, dtype=like.dtype)
    matrix = torch.cos((2 * k[None] + 1) * k[:, None] * math.pi / 16) * 0.5
    matrix[0] *= math.sqrt(0.5)
    return matrix


def jpeg(x: Tensor, p: float = 0.6) -> Tensor:
    """Quantisation of 8 × 8 blocks after ITU-T T.81: quality 15 to 95, luma table for luma, coarser for colour."""
    b, _, h, w = x.shape
    quality = uniform(x, 15, 95, b, 1, 1, 1, 1)
    scale = torch.where(quality < 50, 50 / quality, 2 - quality / 50)  # the scaling rule of the IJG library
    table = (x.new_tensor(LUMA_TABLE).flatten() * scale).clamp(min=1) / 255
    luma = grey(x)
    colour = x - luma
    waves = torch.kron(_cosines(x), _cosines(x))  # of a block's 64 values, row after row

    def through(plane: Tensor, steps: Tensor) -> Tensor:
        blocks = plane.reshape(b, -1, h // 8, 8, w // 8, 8).permute(0, 1, 2, 4, 3, 5).flatten(-2)
        blocks = ((blocks @ waves.T / steps).round() * steps) @ waves
        return blocks.unflatten(-1, (8, 8)).permute(0, 1, 2, 4, 3, 5).reshape(b, -1, h, w)

    out = (through(luma, table) + through(colour, table * 2)).clamp(0, 1)
    return torch.where(chance(x, p, 1, 1, 1), out, x)


def toned(x: Tensor) -> Tensor:
    """Other light, and at times a veil over it."""
    return veil(mix(x))


def degrade(
    x: Tensor, tones: Callable[[Tensor], Tensor] = toned, *, coarse: float = 0.6, blurred: float = 0.5
) -> Tensor:
    """Light, then what lens, sensor and file do at the resolution that the photo had of the part.

    A near look stretches few pixels over the network's square, so blur, noise and JPEG blocks grow with them: each
    picture is made at one of ``SIDES`` shares of the square's side and stretched as the classifier does it. A share
    ``coarse`` of the pictures is made below full size, a share ``blurred`` of all is blurred.
    """
    x = tones(x)
    size = x.shape[-1]
    ends = [round(len(x) * (1 - coarse * part)) for part in COARSER]
    pieces = torch.randperm(len(x), device=x.device).tensor_split(ends)
    out = torch.empty_like(x)
    for some, share, reach in zip(pieces, SIDES, REACHES_PX, strict=True):
        if len(some) == 0:
            continue
        side = max(8, round(size * share / 8) * 8)
        small = x[some] if side == size else F.interpolate(x[some], size=(side, side), mode="area")
        seen = jpeg(noise(blur(small, blurred, reach)))
        out[some] = seen if side == size else F.interpolate(seen, size=(size, size), mode="bilinear")
    return out
