"""Square windows of a picture, as a network of a fixed input takes them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from identify.geometry.pyramid import halved
from identify.model import Bytes

FILL = 127  # the grey of the letter-box bars: zero after normalisation
COARSE = 4.0  # times what is wanted: a larger picture is halved first, which is cheap and changes codes by few


@dataclass(frozen=True, slots=True, eq=False)
class Square:
    """A square window of a picture [px of that picture]; it may reach beyond the picture's edges."""

    left_px: float
    top_px: float
    side_px: float


def whole_square(size_hw: tuple[int, int]) -> Square:
    """The square that holds a whole picture, the picture in its middle."""
    side = max(size_hw)
    return Square((size_hw[1] - side) / 2, (size_hw[0] - side) / 2, float(side))


def cut_square(rgb: Bytes, square: Square, side_px: int) -> Bytes:
    """The window ``square`` of (H, W, 3), resized to (side_px, side_px, 3); grey where it reaches beyond the edges."""
    height, width = rgb.shape[:2]
    scale = side_px / square.side_px
    left, right = max(0, round(square.left_px)), min(width, round(square.left_px + square.side_px))
    top, bottom = max(0, round(square.top_px)), min(height, round(square.top_px + square.side_px))
    canvas = np.full((side_px, side_px, 3), FILL, np.uint8)
    if right <= left or bottom <= top:
        return canvas
    x, y = (
        min(side_px - 1, max(0, round((edge - start) * scale)))
        for edge, start in ((left, square.left_px), (top, square.top_px))
    )
    w = max(1, min(side_px - x, round((right - left) * scale)))
    h = max(1, min(side_px - y, round((bottom - top) * scale)))
    cut = rgb if (right - left, bottom - top) == (width, height) else rgb[top:bottom, left:right]
    while max(cut.shape[:2]) > COARSE * max(w, h):
        cut = halved(cut)
    if scale < 1 and (cut.shape[0] % h or cut.shape[1] % w):  # two thirds of the time that OpenCV takes with bytes
        means = cv2.resize(cut.astype(np.float32), (w, h), interpolation=cv2.INTER_AREA)
        canvas[y : y + h, x : x + w] = cv2.convertScaleAbs(means)
    else:
        method = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
        canvas[y : y + h, x : x + w] = cv2.resize(cut, (w, h), interpolation=method)
    return canvas
