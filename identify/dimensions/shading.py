"""Which way a lying part's surface is banded: its axis from the light and dark inside its outline.

Shoulders, grooves and rings of a turned part run across its axis, highlights along it. So the steps of light inside
the outline gather about one direction and its perpendicular, and the stronger of the two tells the axis even where a
short wide outline mirrors itself almost as well about another line. Source of the method: structure tensor (Foerstner
and Guelch 1987), with the steps' strength bounded so that one glint counts no more than a groove.
"""

from __future__ import annotations

import cv2
import numpy as np

from identify.model import Array, Outline, Photo

BLUR_PX = 1.2
RIM_PX = 4  # of the outline's own edge, which is not looked at
STRONGEST = 90  # percentile of the steps beyond which strength is bounded
LEAST_GATHERED = 0.25  # of the steps: looser ones show no direction; calibration split of the rendered pictures
FEWEST = 200


def grain(photo: Photo, outline: Outline) -> tuple[Array, bool] | None:
    """Unit direction (2,) in the picture about which the steps of light gather; None where they don't.

    The second answer is False where as many gather about its perpendicular, so that either may be the axis.
    """
    contour = (outline.contour_px + 0.5) / photo.reduced - 0.5
    low = np.maximum(np.floor(contour.min(axis=0)).astype(int) - 2, 0)
    high = np.ceil(contour.max(axis=0)).astype(int) + 3
    crop = photo.rgb[low[1] : high[1], low[0] : high[0]]
    if crop.shape[0] < 9 or crop.shape[1] < 9:
        return None
    grey = np.sqrt(cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY).astype(np.float32))
    smooth = cv2.GaussianBlur(grey, (0, 0), BLUR_PX)
    steps = cv2.Sobel(smooth, cv2.CV_32F, 1, 0) + 1j * cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    cover = cv2.fillPoly(np.zeros(grey.shape, np.uint8), [np.round(contour - low).astype(np.int32)], 1)
    inner = cv2.erode(cover, np.ones((2 * RIM_PX + 1, 2 * RIM_PX + 1), np.uint8), borderValue=0) > 0
    seen = steps[inner]
    size = np.abs(seen)
    if len(seen) < FEWEST or not size.any():
        return None
    weight = np.minimum(size, np.percentile(size, STRONGEST)) / np.maximum(size, 1e-9) ** 2
    gathered = complex(np.sum(weight * seen**2) / np.sum(weight * size**2))
    if abs(gathered) < LEAST_GATHERED:
        return None
    turn = np.angle(gathered) / 2
    square = abs(complex(np.sum(weight * seen**4 / np.maximum(size, 1e-9) ** 2) / np.sum(weight * size**2)))
    return np.array([np.cos(turn), np.sin(turn)]), abs(gathered) > square
