"""Reduced pictures: exact halvings first, which are cheap, then the rest of the way.

Several steps of a photo's way look at the same reduced picture, so those of a picture are kept as long as the picture
itself: nothing may be written into a picture that was reduced.
"""

from __future__ import annotations

import weakref

import cv2
import numpy as np

from identify.model import Bytes

NEAR_ENOUGH = 1.1  # a long side this much over the wanted one is left so
_kept: dict[int, tuple[weakref.ref[Bytes], dict[tuple[int, int], Bytes]]] = {}  # by the picture's identity


def halved(picture: Bytes) -> Bytes:
    """Means of 2 x 2 pixels of (H, W) or (H, W, C); an odd last row or column is left out."""
    height, width = (side // 2 * 2 for side in picture.shape[:2])
    return _shrunk(picture, (width // 2, height // 2), width, height)


def _shrunk(picture: Bytes, size: tuple[int, int], width: int, height: int) -> Bytes:
    """The first ``width`` columns and ``height`` rows of a picture at another size, as it was made before."""
    name = id(picture)
    known = _kept.get(name)
    if known is None or known[0]() is not picture:
        known = _kept[name] = weakref.ref(picture, lambda _: _kept.pop(name, None)), {}
    if size not in known[1]:
        small = cv2.resize(picture[:height, :width], size, interpolation=cv2.INTER_AREA)
        known[1][size] = np.asarray(small, np.uint8)
    return known[1][size]


def reduced(picture: Bytes, long_side_px: float) -> tuple[Bytes, float]:
    """The picture (H, W) or (H, W, C) with a long side of about ``long_side_px`` or less, and its pixels' size.

    A small picture's pixel x has its centre at (x + 0.5) factor - 0.5 in the given one.
    """
    factor = 1.0
    while max(picture.shape[:2]) >= 2 * long_side_px:
        picture = halved(picture)
        factor *= 2
    height, width = picture.shape[:2]
    further = max(height, width) / long_side_px
    if further <= NEAR_ENOUGH:
        return picture, factor
    size = (round(width / further), round(height / further))
    return _shrunk(picture, size, width, height), factor * width / size[0]
