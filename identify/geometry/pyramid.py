"""Reduced pictures: exact halvings first, which are cheap, then the rest of the way."""

from __future__ import annotations

import cv2
import numpy as np

from identify.model import Bytes

NEAR_ENOUGH = 1.1  # a long side this much over the wanted one is left so


def halved(picture: Bytes) -> Bytes:
    """Means of 2 x 2 pixels of (H, W) or (H, W, C); an odd last row or column is left out."""
    height, width = (side // 2 * 2 for side in picture.shape[:2])
    size = (width // 2, height // 2)
    return np.asarray(cv2.resize(picture[:height, :width], size, interpolation=cv2.INTER_AREA), np.uint8)


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
    small = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
    return small, factor * width / size[0]
