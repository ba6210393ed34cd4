"""The tilt of a bench from its own texture: what is alike all over it looks finer where it is further away.

Speckle, weave and grain of one kind have one tensor of mean squared frequencies on the bench; a camera sees it changed
in every place by the Jacobian of the projection there (shape from the distortion of a homogeneous texture: Malik and
Rosenholtz, International Journal of Computer Vision 23, 1997). Filters and the lens let through less than all of that
change; how much less is told by the picture made half as large. A
bench without texture says nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.geometry.bows import frames
from identify.geometry.camera import rays
from identify.geometry.pyramid import reduced
from identify.geometry.tilted import Tilted
from identify.model import Array, Bytes, Camera

SEARCH_PX = 500
CELLS = 12, 9  # along the longer and the shorter side
FINE_PX, WIDE_PX = 1.0, 8.0  # standard deviations of the blurs between which a filter lets through
LEVELS = 3  # pictures, each half as large as the one before
LEAST_CONTRAST = 1.5  # standard deviation [codes]: less is the sensor's grain
LEAST_TEXTURED = 0.4  # share of the cells
KEPT = 0.9  # of the change that a picture half as large shows: the lens's own blur is in both
LEAST_GAIN, U_GAIN = 0.1, 0.2  # share of the true change that is seen, and how well it is known
LEAST_SPREAD = 0.04  # of the logarithm of the frequency over the cells of a bench
INDEPENDENT = 0.2  # of the cells
ODDS = 0.8  # that the bench is alike all over
WIDEST_DEG, STEP_DEG = 48.0, 6.0


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """Cells with texture: places (C, 2) [px], log frequency (C,), its usual shape (2, 2), and the gain."""

    places: Array
    logs: Array
    shape: Array
    gain: float


def look(rgb: Bytes, cameras: Sequence[Camera]) -> list[Tilted] | None:
    """How likely every tilt makes a photo (H, W, 3) alike all over, by each camera; None where there is no texture.

    Parameters
    ----------
    cameras : that may have taken it
    """
    seen = _seen(rgb)
    if not seen:
        return None
    side = np.arange(-WIDEST_DEG, WIDEST_DEG + STEP_DEG / 2, STEP_DEG)
    tilts = np.radians(np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2))
    angle = np.linalg.norm(tilts, axis=1)
    normals = np.column_stack([tilts * (np.sin(angle) / np.maximum(angle, 1e-9))[:, None], -np.cos(angle)])
    found = []
    for camera in cameras:
        log = sum(_judged(each, camera, normals) for each in seen) / (LEVELS - 1)
        likelihood = np.exp(log - np.max(log))
        even = ODDS * likelihood / likelihood.mean() + 1 - ODDS
        found.append(Tilted(np.log(even).reshape(len(side), len(side)), STEP_DEG))
    return found


def _seen(rgb: Bytes) -> list[_Seen]:
    """What each filter sees, but for the widest one, where there is texture."""
    small, factor = reduced(rgb, SEARCH_PX)
    grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), np.float32)
    size = grey.shape[1::-1]
    count = CELLS if size[0] >= size[1] else CELLS[::-1]
    x, y = (np.arange(many) + 0.5 for many in count)
    cells = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2) * np.array(size) / count
    tensors, powers, logs = [], [], []
    for rank in range(LEVELS):
        tensor, power = _spectrum(_band(grey), count)
        tensors.append(tensor)
        powers.append(power)
        logs.append(0.5 * np.log(np.maximum(np.trace(tensor, axis1=1, axis2=2), 1e-9)) - rank * math.log(2))
        grey = np.asarray(cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.float32)
    found = []
    for fine, wide in pairwise(range(LEVELS)):
        good = np.minimum(powers[fine], powers[wide]) > LEAST_CONTRAST**2
        if np.count_nonzero(good) < LEAST_TEXTURED * len(good):
            continue
        gain = KEPT * (1 + float(np.median((logs[wide] - logs[fine])[good])) / math.log(2))
        if gain > KEPT * LEAST_GAIN:
            tensor = tensors[fine][good]
            shape = np.median(tensor / np.trace(tensor, axis1=1, axis2=2)[:, None, None], axis=0)
            found.append(_Seen(cells[good] * factor - 0.5, logs[fine][good], shape, min(gain, 1.0)))
    return found


def _band(grey: NDArray[np.float32]) -> NDArray[np.float32]:
    """What is between FINE_PX and WIDE_PX of a picture (H, W); the wide blur is taken from a quarter of it."""
    height, width = grey.shape
    fine = cv2.GaussianBlur(grey, (0, 0), FINE_PX)
    coarse = cv2.resize(fine, (max(1, width // 4), max(1, height // 4)), interpolation=cv2.INTER_AREA)
    coarse = cv2.GaussianBlur(coarse, (0, 0), math.sqrt(WIDE_PX**2 - FINE_PX**2) / 4)
    return np.asarray(fine - cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)


def _spectrum(band: NDArray[np.float32], count: tuple[int, int]) -> tuple[Array, Array]:
    """Tensors (C, 2, 2) of mean squared frequency [rad² / px²] and power (C,) in each cell."""
    across, down = (cv2.Sobel(band, cv2.CV_32F, *way, scale=1 / 8) for way in ((1, 0), (0, 1)))
    means = [
        np.asarray(cv2.resize(each, count, interpolation=cv2.INTER_AREA), float).ravel()
        for each in (band * band, across * across, across * down, down * down)
    ]
    power, xx, xy, yy = means
    tensor = np.stack([xx, xy, xy, yy], axis=1).reshape(-1, 2, 2)
    return tensor / np.maximum(power, 1e-6)[:, None, None], power


def _judged(seen: _Seen, camera: Camera, normals: Array) -> Array:
    """Log likelihood (N,) of normals (N, 3), but for a constant."""
    middle = _jacobians(np.array([camera.centre_xy_px]), camera, normals)[:, 0]
    back = np.linalg.inv(middle)
    bench = np.swapaxes(back, 1, 2) @ seen.shape @ back
    changes = _jacobians(seen.places, camera, normals).astype(np.float32)  # half of the time of doubles
    (a, b), (c, d) = (changes[:, :, 0, 0], changes[:, :, 0, 1]), (changes[:, :, 1, 0], changes[:, :, 1, 1])
    xx, xy, yy = (bench[:, None, row, column].astype(np.float32) for row, column in ((0, 0), (0, 1), (1, 1)))
    expected = 0.5 * np.log(xx * (a * a + b * b) + 2 * xy * (a * c + b * d) + yy * (c * c + d * d))
    gains = np.array([1 - U_GAIN, 1.0, 1 + U_GAIN], np.float32) * np.float32(seen.gain)
    off = seen.logs.astype(np.float32) - gains[:, None, None] * expected
    off = off - np.median(off, axis=2, keepdims=True)
    spread = max(1.4826 * float(np.median(np.abs(off), axis=2).min()), LEAST_SPREAD)
    worth = (
        -1.5 * INDEPENDENT * np.log1p(0.5 * (off / np.float32(spread)) ** 2).sum(axis=2)
    )  # Student's t of two degrees
    return np.asarray(np.logaddexp.reduce(worth, axis=0), float)


def _jacobians(places: Array, camera: Camera, normals: Array) -> Array:
    """Of places on the bench by places (C, 2) in the picture: (N, C, 2, 2) for normals (N, 3), but for a factor each.

    A sight r meets the plane at r / (-n r); its derivative is that of a quotient.
    """
    sights = rays(camera, places)
    sights = sights / sights[:, 2:]
    depth = np.maximum(-(normals @ sights.T), 0.05)[:, :, None, None]
    axes = frames(normals)[:, :, :2].transpose(0, 2, 1)
    along = (axes @ sights.T).transpose(0, 2, 1)[..., None]
    return np.asarray(axes[:, None, :, :2] / depth + along * normals[:, None, None, :2] / depth**2)
