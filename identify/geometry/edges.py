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
    """Profiles (N, K, 3) correlated along themselves with a kernel of odd length; the ends go on as they are."""
    one = np.ones(1)
    seen = cv2.sepFilter2D(profiles, cv2.CV_64F, kernel, one, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(seen, float).reshape(profiles.shape)


def sample_profiles(rgb: Bytes, stations_px: Array, normals: Array, offsets_px: Array) -> Array:
    """Linear light along normals: (N, K, 3) at ``offsets_px`` (K,) from each of ``stations_px`` (N, 2)."""
    ends = [np.asarray(stations_px) + offset * np.asarray(normals) for offset in offsets_px[[0, -1]]]
    block = 1 + len(ends[0]) // MOST_BLOCKS
    starts = np.arange(0, len(ends[0]), block)
    limit = np.array(rgb.shape[1::-1])
    low = np.clip(np.floor(np.minimum.reduceat(np.minimum(*ends), starts)) - 2, 0, limit - 1)
    high = np.clip(np.ceil(np.maximum.reduceat(np.maximum(*ends), starts)) + 3, 1, limit)
    light = np.empty((len(ends[0]), len(offsets_px), 3))
    boxes = np.hstack([low, high]).astype(int)
    for first, last, (x0, y0, x1, y1) in _pieces(boxes, 0, len(starts), MOST_ROWS // block):
        here = slice(first * block, last * block)
        crop = linear_light(rgb[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)])
        x, y = (
            (stations_px[here, axis, None] + offsets_px * normals[here, axis, None] - corner).astype(np.float32)
            for axis, corner in ((0, x0), (1, y0))
        )
        seen = cv2.remap(crop, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        light[here] = seen.reshape(*x.shape, 3)
    return light


def _pieces(boxes: NDArray[np.int_], first: int, last: int, most: int) -> Iterator[tuple[int, int, list[int]]]:
    """Runs of at most ``most`` blocks, each with the box of picture it needs; halved as long as that saves picture.

    A long slanting line has a large box, most of which it doesn't touch.
    """
    box, middle = _around(boxes[first:last]), (first + last) // 2
    parts = ((first, middle), (middle, last))
    if last - first > most or (
        last - first > 1 and sum(_area(_around(boxes[one:two])) for one, two in parts) + PIECE_PX < _area(box)
    ):
        for one, two in parts:
            yield from _pieces(boxes, one, two, most)
    else:
        yield first, last, box


def _around(boxes: NDArray[np.int_]) -> list[int]:
    return [*boxes[:, :2].min(axis=0).tolist(), *boxes[:, 2:].max(axis=0).tolist()]


def _area(box: list[int]) -> int:
    return (box[2] - box[0]) * (box[3] - box[1])
