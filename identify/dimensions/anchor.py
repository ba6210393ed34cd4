"""Lengths of a settled lying part as the camera's pose and the axis's height move: cheap enough for a budget.

Settling the axis anew for every derivative costs far more than it tells: a small change of the pose carries the axis
along, seen through the same two pixels at the same heights over the bench.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from identify.dimensions.axis import Axis, Profile, Sides, unrolled
from identify.geometry.camera import on_height, project
from identify.model import Array, Camera, Pose


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Left and right edges of Q widths one after the other: ``points_px`` (N, 2), the way outward of each (N, 2).

    ``first`` (2 Q,) is each edge's first point, ``counts`` (2 Q,) is how many it has.
    """

    points_px: Array
    outward: Array
    first: NDArray[np.int64]
    counts: NDArray[np.int64]


def pairs(sides: Sides, places: Sequence[tuple[NDArray[np.int64], NDArray[np.int64]]]) -> Pairs:
    """The edges at the stations (I,) of the left side and (J,) of the right one of each width."""
    across = sides.right_px - sides.left_px
    across = across / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9)
    points = [side[at] for both in places for side, at in zip((sides.left_px, sides.right_px), both, strict=True)]
    ways = [way[at] for both in places for way, at in zip((-across, across), both, strict=True)]
    counts = np.array([len(each) for each in points], np.int64)
    nothing = np.zeros((0, 2))
    return Pairs(
        np.concatenate([nothing, *points]), np.concatenate([nothing, *ways]), np.cumsum(counts) - counts, counts
    )


@dataclass(frozen=True, slots=True, eq=False)
class Anchor:
    """Two points of the axis, ``points_px`` (2, 2), their heights over the bench ``height_mm`` (2,), and the edges."""

    points_px: Array
    height_mm: Array
    edges: Pairs


def anchored(profile: Profile, camera: Camera, pose: Pose, edges: Pairs) -> Anchor:
    """The axis of a settled part held by its two ends in the picture."""
    span = np.array([float(np.min(profile.station_mm)), float(np.max(profile.station_mm))])
    ends = profile.axis.at(span)
    return Anchor(project(camera, pose, ends), ends[:, 2], edges)


def axis_of(anchor: Anchor, camera: Camera, pose: Pose, lift_mm: float = 0.0, lean_rad: float = 0.0) -> Axis:
    """The axis through both points at their heights, shifted up by ``lift_mm`` and turned by ``lean_rad``."""
    heights = anchor.height_mm + lift_mm
    first, last = on_height(camera, pose, anchor.points_px, heights)
    rise = 0.5 * lean_rad * float(np.linalg.norm(last - first))
    if rise:
        first, last = on_height(camera, pose, anchor.points_px, heights + np.array([-rise, rise]))
    along = last - first
    return Axis(first, along / max(float(np.linalg.norm(along)), 1e-9))


def widths(anchor: Anchor, axis: Axis, camera: Camera, pose: Pose, shift_px: float) -> Array:
    """Mean distances (Q,) of left and right edges from each other across the axis [mm].

    All edges are moved outward by ``shift_px``.
    """
    edges = anchor.edges
    if not len(edges.counts):
        return np.zeros(0)
    points = edges.points_px + shift_px * edges.outward if shift_px else edges.points_px
    _, signed = unrolled(axis, camera, pose, points)
    means = np.add.reduceat(signed, edges.first) / edges.counts
    return np.abs(means[1::2] - means[::2])


def stretch(axis: Axis, camera: Camera, pose: Pose, first_px: Array, last_px: Array) -> float:
    """Distance along the axis of the rays through two pixels (2,) [mm]."""
    at, _ = unrolled(axis, camera, pose, np.array([first_px, last_px]))
    return abs(float(at[1] - at[0]))
