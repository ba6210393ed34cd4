"""How likely a bench's normals are, seen from a camera, before a reference object is looked at."""

from __future__ import annotations

import math

import numpy as np

from identify.geometry import lenses, rulings, textures
from identify.geometry.coin_pose import Prior, refocused
from identify.model import Array, Bytes, Camera


def up_is_away(normals: Array, log_focal: float = 0.0) -> Array:
    """Prior density (N,) of bench normals (N, 3) in the camera frame.

    People hold the camera so that the top of the picture is further away; one in four photos says nothing.
    """
    tilt = np.arccos(np.clip(-normals[:, 2], -1, 1))
    per_sine = tilt / np.maximum(np.sin(tilt), 1e-9)
    x, y = np.degrees(normals[:, 0] * per_sine), np.degrees(normals[:, 1] * per_sine)
    held = np.exp(-0.5 * ((x / 8) ** 2 + ((y + 15) / 12) ** 2)) / (8 * 12)
    loose = np.exp(-0.5 * ((x / 20) ** 2 + (y / 20) ** 2)) / (20 * 20)
    return np.asarray(0.75 * held + 0.25 * loose)


def likely(rgb: Bytes, camera: Camera, skip_px: Array) -> Prior:
    """How likely a bench's normals are before its coin is looked at: how cameras are held, its lines and its texture.

    Parameters
    ----------
    rgb : (H, W, 3), the full photo
    skip_px : (M, 2) polygon whose lines do not count [px]
    """
    known = camera.focal_source == "EXIF"
    shifts = (0.0,) if known else lenses.SHIFTS
    cameras = [refocused(camera, shift) for shift in shifts]
    looks = [found for found in (rulings.look(rgb, cameras, skip_px), textures.look(rgb, cameras)) if found is not None]
    if not looks:
        return up_is_away
    told = dict(zip(shifts, zip(*looks, strict=True), strict=True))

    def density(normals: Array, log_focal: float) -> Array:
        nearest = min(told, key=lambda shift: abs(shift - log_focal))
        return math.prod((each.likelihood(normals) for each in told[nearest]), start=up_is_away(normals))

    return density
