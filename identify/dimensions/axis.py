"""The axis of a lying part and its profile: what each edge pixel says of the radius at its place along the axis.

A cylinder of radius r shows as the images of the two planes through the camera that touch it. So a ray through an
edge pixel touches the cylinder: its distance from the axis is r, and the foot of that distance is its station.
The axis lies where the part rests: its lower side is the convex hull of the profile, and the part stands on the
hull's side below its centre of mass.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, median_filter

from identify.geometry.camera import camera_place_mm, world_rays
from identify.model import Array, Camera, Pose

ROUNDS = 12
CREST_MM = 1.0  # a part rests on its thread's crests, so contact is the profile's maximum this far to either side


@dataclass(frozen=True, slots=True, eq=False)
class Axis:
    """A line in the world: ``foot_mm`` (3,) on it, ``along`` (3,) its unit direction, near horizontal."""

    foot_mm: Array
    along: Array

    def at(self, stations_mm: Array) -> Array:
        """Points (N, 3) of the line at ``stations_mm`` (N,) from the foot."""
        return self.foot_mm + np.asarray(stations_mm, float)[:, None] * self.along

    @property
    def across(self) -> Array:
        """The horizontal unit direction (3,) to the right of the axis, seen from above."""
        right = np.array([self.along[1], -self.along[0], 0.0])
        return right / np.linalg.norm(right)


def unrolled(axis: Axis, camera: Camera, pose: Pose, points_px: Array) -> tuple[Array, Array]:
    """Station (N,) and signed distance (N,) from the axis of the rays through pixels (N, 2) [mm]; right is positive.

    Source of the formula: the common perpendicular of two lines.
    """
    start = camera_place_mm(pose)
    rays = world_rays(camera, pose, points_px)
    between = start - axis.foot_mm
    turn = rays @ axis.along
    square = 1.0 - turn**2
    stations = (axis.along @ between - turn * (rays @ between)) / square
    normals = np.cross(rays, axis.along)
    signed = (normals @ between) / np.sqrt(square)
    return stations, signed


@dataclass(frozen=True, slots=True, eq=False)
class Sides:
    """The two outline edges of a lying part [px]: ``left_px`` (N, 2) and ``right_px`` (N, 2), station by station.

    ``trusted`` (N,) says at which stations both edges were found.
    """

    left_px: Array
    right_px: Array
    trusted: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """Radius along the axis: ``station_mm`` (N,) ascending, ``left_mm`` and ``right_mm`` (N,) from the axis [mm]."""

    axis: Axis
    station_mm: Array
    left_mm: Array
    right_mm: Array
    trusted: NDArray[np.bool_]

    @property
    def radius_mm(self) -> Array:
        """Mean of both sides (N,) [mm]."""
        return (self.left_mm + self.right_mm) / 2


def settle(
    axis: Axis,
    camera: Camera,
    pose: Pose,
    sides: Sides,
    *,
    under: Array | None = None,
) -> Profile:
    """Move the axis until it is midway between the edges and the part rests on the bench z = 0.

    Parameters
    ----------
    under : (N,) contact height over radius, station by station; 1 for round sections, cos 30° where a hexagon lies
        on a flat. Default 1 everywhere.

    Source of the method: fixed-point iteration; each round shrinks the error by about radius over distance.
    """
    factor = np.ones(len(sides.left_px)) if under is None else under
    now = axis
    profile = _profile(now, camera, pose, sides)
    for _ in range(ROUNDS):
        moved = _rested(_centred(now, profile), profile, factor)
        change = float(np.linalg.norm(moved.foot_mm - now.foot_mm) + 30 * np.linalg.norm(moved.along - now.along))
        now = moved
        profile = _profile(now, camera, pose, sides)
        if change < 1e-5:
            break
    return profile


def _profile(axis: Axis, camera: Camera, pose: Pose, sides: Sides) -> Profile:
    left_at, left = unrolled(axis, camera, pose, sides.left_px)
    right_at, right = unrolled(axis, camera, pose, sides.right_px)
    return Profile(axis, (left_at + right_at) / 2, -left, right, sides.trusted)


def _centred(axis: Axis, profile: Profile) -> Axis:
    """Shift and turn the axis in plan so that both sides are equally far, by least absolute values."""
    lean = (profile.right_mm - profile.left_mm) / 2
    keep = profile.trusted
    station, values = profile.station_mm[keep], lean[keep]
    weight: Array = np.ones(len(station))
    line = np.zeros(2)
    for _ in range(8):
        whole = float(weight.sum())
        at, level = float(weight @ station) / whole, float(weight @ values) / whole
        apart = weight * (station - at)
        rise = float(apart @ values) / max(float(apart @ (station - at)), 1e-12)
        line = np.array([level - rise * at, rise])
        weight = 1 / np.maximum(np.abs(values - line[0] - rise * station), 0.02)
    foot = axis.foot_mm + line[0] * axis.across
    along = axis.along + line[1] * axis.across
    return Axis(foot, along / np.linalg.norm(along))


def _contacts(profile: Profile, factor: Array) -> tuple[Array, Array]:
    keep = profile.trusted
    order = np.argsort(profile.station_mm[keep], kind="stable")
    station = profile.station_mm[keep][order]
    span = 2 * max(1, round(CREST_MM / max(float(np.ptp(station)) / len(station), 1e-6))) + 1
    sides = [
        maximum_filter1d(median_filter((side * factor)[keep][order], 3), span)
        for side in (profile.left_mm, profile.right_mm)
    ]
    return station, (sides[0] + sides[1]) / 2


def _centre_of_mass(profile: Profile) -> float:
    keep = profile.trusted
    weight = np.maximum(profile.radius_mm[keep], 0) ** 2
    return float(np.sum(weight * profile.station_mm[keep]) / max(float(np.sum(weight)), 1e-9))


def _rested(axis: Axis, profile: Profile, factor: Array) -> Axis:
    """The axis with the hull's side under the centre of mass on the bench."""
    station, contact = _contacts(profile, factor)
    first, last = _hull_side(station, contact, _centre_of_mass(profile))
    rise = float((contact[last] - contact[first]) / max(station[last] - station[first], 1e-9))
    level = float(np.linalg.norm(axis.along[:2]))
    slope = math.atan(float(np.clip(rise, -0.7, 0.7)))
    along = np.array([*(axis.along[:2] / level * math.cos(slope)), math.sin(slope)])
    height = (contact[first] - rise * station[first]) * math.cos(slope)
    return Axis(np.array([axis.foot_mm[0], axis.foot_mm[1], height]), along)


def _upper_hull(station: Array, contact: Array) -> list[int]:
    """Indices of the upper hull's corners, by station (Andrew's monotone chain)."""
    hull: list[int] = []
    x, y = station.tolist(), contact.tolist()  # plain numbers: four times as fast one by one
    for index in range(len(x)):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (x[b] - x[a]) * (y[index] - y[a]) < (y[b] - y[a]) * (x[index] - x[a]):
                break
            hull.pop()
        hull.append(index)
    return hull


def _hull_side(station: Array, contact: Array, over_mm: float) -> tuple[int, int]:
    """Indices of the two ends of the hull's side over a station."""
    hull = _upper_hull(station, contact)
    for first, last in pairwise(hull):
        if station[last] >= over_mm:
            return first, last
    return hull[max(len(hull) - 2, 0)], hull[-1]
