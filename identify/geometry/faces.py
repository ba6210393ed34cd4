"""A flat face with known points, as it may lie before the camera: where a fit of its pose starts."""

from __future__ import annotations

import math

import cv2
import numpy as np

from identify.geometry.camera import rotation_from_vector
from identify.model import Array


def right_handed(points_mm: Array, points_px: Array) -> Array:
    """The face's points (N, 3) [mm] in a frame whose z comes out of the face: y is turned round where it runs down."""
    middle_mm = points_mm - points_mm.mean(axis=0)
    middle_px = points_px - points_px.mean(axis=0)
    linear = np.linalg.lstsq(middle_mm, middle_px, rcond=None)[0]
    down = np.linalg.det(linear) > 0
    return np.column_stack([middle_mm * (1, -1 if down else 1), np.zeros(len(points_mm))])


def starts(flat_mm: Array, points_px: Array, focal_px: float, centre_px: Array) -> list[tuple[Array, Array]]:
    """Poses to start from: both of OpenCV's IPPE, or for points in a row three tilts of a frontal one."""
    matrix = np.array([[focal_px, 0, centre_px[0]], [0, focal_px, centre_px[1]], [0, 0, 1.0]])
    spread = np.linalg.svd(flat_mm[:, :2], compute_uv=False)
    if spread[1] > 0.02 * spread[0]:
        _, turns, shifts, _ = cv2.solvePnPGeneric(flat_mm, points_px, matrix, np.zeros(4), flags=cv2.SOLVEPNP_IPPE)
        return [
            (np.asarray(cv2.Rodrigues(turn)[0], float), np.asarray(shift, float).reshape(3))
            for turn, shift in zip(turns, shifts, strict=True)
        ]
    ends = [int(np.argmin(flat_mm[:, 0])), int(np.argmax(flat_mm[:, 0]))]
    along_px, along_mm = points_px[ends[1]] - points_px[ends[0]], flat_mm[ends[1]] - flat_mm[ends[0]]
    distance = focal_px * np.linalg.norm(along_mm) / np.linalg.norm(along_px)
    spin = math.atan2(-along_px[1], along_px[0]) - math.atan2(along_mm[1], along_mm[0])
    shift = distance * np.array([*((points_px.mean(axis=0) - centre_px) / focal_px), 1.0])
    upright = np.diag([1.0, -1.0, -1.0]) @ rotation_from_vector(np.array([0, 0, spin]))
    return [(rotation_from_vector(np.array([math.radians(tilt), 0, 0])) @ upright, shift) for tilt in (-20, 0, 20)]


def stretched(flat_mm: Array, log_across: Array) -> Array:
    """The face's points (..., N, 3) with y scaled by the exponentials of (...)."""
    grown = np.exp(log_across)[..., None]
    return np.stack([flat_mm[:, 0] + 0 * grown, flat_mm[:, 1] * grown, flat_mm[:, 2] + 0 * grown], axis=-1)
