"""Directions that many straight lines of a picture share, and whether one of them leans to a plane.

Lines of one direction in space meet in one vanishing point (Hartley and Zisserman, Multiple View Geometry, 2nd
edition 2004, section 8.6). Around a level bench most long lines lie in its plane or stand upright on it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

from identify.geometry.camera import rays
from identify.geometry.pyramid import reduced
from identify.geometry.strokes import segments
from identify.model import Array, Bytes, Camera

SEARCH_PX = 1000
GRADIENT = 24  # of the faintest lines [codes, over three pixels]
SHORTEST = 0.03  # of the long side of the picture
LONGEST = 0.08  # what a line counts for at most
OFF_VERTICAL_DEG = 30.0  # what stands upright runs along the picture's height in an upright photo
WITHIN_DEG = 2.0  # of a line's plane from the shared direction
LEAST_SPREAD_DEG = 10.0  # of the lines about it: parallel lines close together share many directions
LEAST_EXTENT = 0.3  # of the picture's long side, over seven tenths of the lines: not one object's edges
LEAST_SHARE = 0.25  # of the length of all lines
FEWEST = 10


@dataclass(frozen=True, slots=True)
class Leaning:
    """A shared direction that is neither in a plane nor upright on it: its angle from the normal, and its share."""

    angle_deg: float
    share: float
    lines: int


def leaning(rgb: Bytes, camera: Camera, normal: Array, skip_px: Array) -> Leaning | None:
    """The strongest shared direction 15 to 65 degrees from a plane's normal, if lines bear it out.

    Parameters
    ----------
    rgb : (H, W, 3), the full photo
    normal : (3,) of the plane in the camera frame
    skip_px : (M, 2) polygon whose lines do not count [px]
    """
    ends, lengths = lines(rgb, skip_px)
    if len(ends) < FEWEST:
        return None
    planes = np.cross(rays(camera, ends[:, 0]), rays(camera, ends[:, 1]))
    planes /= np.linalg.norm(planes, axis=1, keepdims=True)
    trials = _directions()
    angle = np.degrees(np.arccos(np.clip(np.abs(trials @ normal), 0, 1)))
    steep = np.abs(trials[:, 0]) < math.tan(math.radians(OFF_VERTICAL_DEG)) * np.abs(trials[:, 1])
    asked = (angle < 15) | ((angle > 15) & (angle < 65) & steep)
    trials, angle = trials[asked], angle[asked]
    near = np.abs(trials @ planes.T) < math.sin(math.radians(WITHIN_DEG))
    scores = near @ lengths / lengths.sum()
    upright = scores[angle < 15].max()
    between = np.flatnonzero(angle > 15)
    for best in between[np.argsort(-scores[between])][:20]:
        mine = near[best]
        if scores[best] < max(LEAST_SHARE, 1.5 * upright) or mine.sum() < FEWEST:
            return None
        middles = ends[mine].mean(axis=1)
        extent = np.max(np.ptp(np.percentile(middles, [15, 85], axis=0), axis=0)) / max(rgb.shape[:2])
        spread = _spread_deg(planes[mine], trials[best], lengths[mine])
        if spread > LEAST_SPREAD_DEG and extent > LEAST_EXTENT:
            return Leaning(float(angle[best]), float(scores[best]), int(mine.sum()))
    return None


def lines(rgb: Bytes, skip_px: Array) -> tuple[Array, Array]:
    """Long straight lines outside a polygon: ends (N, 2, 2) [px], and how much each counts (N,) [px]."""
    small, factor = reduced(rgb, SEARCH_PX)
    grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), np.uint8)
    ends = (segments(grey, shortest_px=round(SHORTEST * max(grey.shape)), gradient=GRADIENT) + 0.5) * factor - 0.5
    lengths = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    border = skip_px.astype(np.float32).reshape(-1, 1, 2)
    margin = 0.02 * max(rgb.shape[:2])
    outside = [
        cv2.pointPolygonTest(border, (float(x), float(y)), True) < -margin for x, y in ends.mean(axis=1).reshape(-1, 2)
    ]
    kept = (lengths > SHORTEST * max(rgb.shape[:2])) & np.array(outside, bool).reshape(-1)
    return ends[kept], np.minimum(lengths[kept], LONGEST * max(rgb.shape[:2]))


@cache
def _directions(step_deg: float = 2.0) -> Array:
    """Unit directions (N, 3) evenly over a half sphere (a Fibonacci lattice)."""
    count = round(2 * math.pi / math.radians(step_deg) ** 2)
    z = (np.arange(count) + 0.5) / count
    turn = np.pi * (1 + math.sqrt(5)) * np.arange(count)
    radius = np.sqrt(1 - z * z)
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), z])


def _spread_deg(planes: Array, direction: Array, lengths: Array) -> float:
    """Standard deviation of the lines' planes about a direction they share, as an axial angle [deg]."""
    first = np.cross(direction, [1.0, 0.0, 0.0] if abs(direction[0]) < 0.7 else [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first)
    angle = 2 * np.arctan2(planes @ np.cross(direction, first), planes @ first)
    share = lengths / lengths.sum()
    together = min(1.0, math.hypot(float(share @ np.cos(angle)), float(share @ np.sin(angle))))
    return math.degrees(math.sqrt(-2 * math.log(max(together, 1e-9)))) / 2
