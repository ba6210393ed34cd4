"""Sub-pixel edges: where the light changes along a short line across an edge.

Edges are located in linear light, where the half level of a blurred step stays at the edge; in gamma-coded
pixels it moves by up to half a pixel. sRGB transfer curve: IEC 61966-2-1.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.model import Array, Bytes

MOST_ROWS = 30000  # cv2.remap takes at most 32767
MOST_BLOCKS = 256  # of neighbouring stations, by which the picture that they need is cut out
PIECE_PX = 10000  # pixels whose light is worked out while one more piece is begun
FEW_PX = 40000  # pixels that are not worth to be looked at in pieces

_CODES = np.arange(256) / 255.0
_LINEAR = np.where(_CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4).astype(np.float32)


def linear_light(rgb: Bytes) -> NDArray[np.float32]:
    """RGB uint8 (H, W, 3) to linear light float32 (H, W, 3) in 0..1 (IEC 61966-2-1)."""
    return np.asarray(cv2.LUT(np.ascontiguousarray(rgb), _LINEAR), np.float32)


def steepness(profiles: Array, *, step_px: float, blur_px: float) -> Array:
    """Slope (N, K) of profiles (N, K, 3) smoothed by a Gaussian, over the three colours: a clean step gives its height.

    Parameters
    ----------
    step_px : distance of two samples of a profile [px]
    blur_px : standard deviation of the smoothing [px]
    """
    half = max(1, math.ceil(3 * blur_px / step_px))
    taps = np.arange(-half, half + 1) * step_px
    kernel = taps * np.exp(-0.5 * (taps / blur_px) ** 2)
    kernel /= np.sum(np.abs(kernel)) / 2
    slope = correlated(profiles, kernel)
    return np.sqrt(np.einsum("nkc,nkc->nk", slope, slope))


def correlated(profiles: Array, kernel: Array) -> Array:
    """Profiles (N, K, 3) correlated along themselves with a kernel of odd length; the ends go on as they are.

    Profiles in single precision stay so.
    """
    one, depth = np.ones(1), cv2.CV_32F if profiles.dtype == np.float32 else cv2.CV_64F
    seen = cv2.sepFilter2D(profiles, depth, kernel, one, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(seen, profiles.dtype).reshape(profiles.shape)


def sample_profiles(
    rgb: Bytes, stations_px: Array, normals: Array, offsets_px: Array, *, single: bool = False
) -> Array:
    """Linear light along normals: (N, K, 3) at ``offsets_px`` (K,) from each of ``stations_px`` (N, 2).

    In ``single`` precision what is done with many profiles takes half the time.
    """
    ends = [np.asarray(stations_px) + offset * np.asarray(normals) for offset in offsets_px[[0, -1]]]
    block = 1 + len(ends[0]) // MOST_BLOCKS
    starts = np.arange(0, len(ends[0]), block)
    limit = np.array(rgb.shape[1::-1])
    low = np.clip(np.floor(np.minimum.reduceat(np.minimum(*ends), starts)) - 2, 0, limit - 1)
    high = np.clip(np.ceil(np.maximum.reduceat(np.maximum(*ends), starts)) + 3, 1, limit)
    light = np.empty((len(ends[0]), len(offsets_px), 3), np.float32 if single else float)
    boxes = np.hstack([low, high]).astype(int)
    for first, last, (x0, y0, x1, y1) in _pieces(boxes, MOST_ROWS // block):
        here = slice(first * block, last * block)
        crop = linear_light(rgb[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)])
        x, y = (
            (stations_px[here, axis, None] + offsets_px * normals[here, axis, None] - corner).astype(np.float32)
            for axis, corner in ((0, x0), (1, y0))
        )
        seen = cv2.remap(crop, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        light[here] = seen.reshape(*x.shape, 3)
    return light


def sample_places(rgb: Bytes, places_px: Array) -> Array:
    """Linear light (N, 3) at single places (N, 2), as ``sample_profiles`` has it.

    Of the many pixels between few places the light is not worked out.
    """
    limit = np.array(rgb.shape[1::-1]) - 1
    below = np.floor(places_px)
    x, y = (places_px - below).astype(np.float32).T[..., None]
    (left, top), (right, bottom) = (np.clip(below + more, 0, limit).astype(np.int64).T for more in (0, 1))
    pixels = rgb.reshape(-1, 3)
    above, under = top * rgb.shape[1], bottom * rgb.shape[1]
    upper = (1 - x) * _LINEAR.take(pixels.take(above + left, axis=0))
    upper += x * _LINEAR.take(pixels.take(above + right, axis=0))
    lower = (1 - x) * _LINEAR.take(pixels.take(under + left, axis=0))
    lower += x * _LINEAR.take(pixels.take(under + right, axis=0))
    return np.asarray((1 - y) * upper + y * lower, float)


def _pieces(boxes: NDArray[np.int_], most: int) -> Iterator[tuple[int, int, list[int]]]:
    """Runs of at most ``most`` blocks, each with the box (4,) of picture it needs, in halves of halves of all blocks.

    A long slanting line has a large box, most of which it doesn't touch: pieces are as many as keep the work least.
    """
    count = len(boxes)
    around = [*boxes[:, :2].min(axis=0).tolist(), *boxes[:, 2:].max(axis=0).tolist()]
    if count <= most and (around[2] - around[0]) * (around[3] - around[1]) < FEW_PX:
        yield 0, count, around
        return
    levels: list[NDArray[np.int_]] = [boxes]
    while len(levels[-1]) > 1:
        below = levels[-1]
        pairs = np.concatenate([below, below[-1:]] if len(below) % 2 else [below]).reshape(-1, 2, 4)
        levels.append(np.hstack([pairs[..., :2].min(axis=1), pairs[..., 2:].max(axis=1)]).astype(np.int_))
    work: list[Array] = [_area(level) + PIECE_PX for level in levels]
    for rank in range(1, len(levels)):
        halves = np.abs(work[rank - 1])
        apart = np.add.reduceat(halves, np.arange(0, len(halves), 2))
        whole = work[rank] if min(count, 1 << rank) <= most else np.full(len(apart), np.inf)
        work[rank] = np.where(whole <= apart, whole, -apart)  # less than nothing: in two
    waiting = [(len(levels) - 1, 0)]
    while waiting:
        rank, index = waiting.pop()
        if work[rank][index] >= 0:
            yield index << rank, min((index + 1) << rank, count), levels[rank][index].tolist()
        else:
            waiting += [(rank - 1, half) for half in (2 * index + 1, 2 * index) if half < len(levels[rank - 1])]


def _area(boxes: NDArray[np.int_]) -> Array:
    return np.asarray((boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1]), float)
