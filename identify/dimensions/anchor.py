"""Lengths of a settled lying part as the camera's pose and the axis's height move: cheap enough for a budget.

Settling the axis anew for every derivative costs far more than it tells: a small change of the pose carries the axis
along, seen through the same two pixels at the same heights over the bench.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from identify.dimensions.axis import Axis, Profile, Sides, unrolled
from identify.geometry.camera import on_height, project
from identify.model import Array, Camera, Pose


@dataclass(frozen=True, slots=True, eq=False)
class Anchor:
    """Two points of the axis: ``points_px`` (2, 2) and their heights over the bench ``height_mm`` (2,)."""

    points_px: Array
    height_mm: Array


def anchored(profile: Profile, camera: Camera, pose: Pose) -> Anchor:
    """The axis of a settled part held by its two ends in the picture."""
    span = np.array([float(np.min(profile.station_mm)), float(np.max(profile.station_mm))])
    ends = profile.axis.at(span)
    return Anchor(project(camera, pose, ends), ends[:, 2])


def axis_of(anchor: Anchor, camera: Camera, pose: Pose, lift_mm: float = 0.0, lean_rad: float = 0.0) -> Axis:
    """The axis through both points at their heights, shifted up by ``lift_mm`` and turned by ``lean_rad``."""
    heights = anchor.height_mm + lift_mm
    first, last = on_height(camera, pose, anchor.points_px, heights)
    rise = 0.5 * lean_rad * float(np.linalg.norm(last - first))
    if rise:
        first, last = on_height(camera, pose, anchor.points_px, heights + np.array([-rise, rise]))
    along = last - first
    return Axis(first, along / max(float(np.linalg.norm(along)), 1e-9))


def width(
    sides: Sides,
    at: tuple[NDArray[np.int64], NDArray[np.int64]],
    axis: Axis,
    camera: Camera,
    pose: Pose,
    shift_px: float,
) -> float:
    """Mean distance of left and right edges at stations (I,), (J,) from each other across the axis [mm].

    Both edges are moved outward by ``shift_px``.
    """
    points = np.concatenate([sides.left_px[at[0]], sides.right_px[at[1]]])
    count = len(at[0])
    if shift_px:
        outward = np.concatenate([(sides.left_px - sides.right_px)[at[0]], (sides.right_px - sides.left_px)[at[1]]])
        points += outward / np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9) * shift_px
    _, signed = unrolled(axis, camera, pose, points)
    return abs(float(signed[count:].sum()) / len(at[1]) - float(signed[:count].sum()) / count)


def stretch(axis: Axis, camera: Camera, pose: Pose, first_px: Array, last_px: Array) -> float:
    """Distance along the axis of the rays through two pixels (2,) [mm]."""
    at, _ = unrolled(axis, camera, pose, np.array([first_px, last_px]))
    return abs(float(at[1] - at[0]))
