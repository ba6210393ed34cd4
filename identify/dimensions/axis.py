"""The axis of a lying part and its profile: what each edge pixel says of the radius at its place along the axis.

A cylinder of radius r shows as the images of the two planes through the camera that touch it. So a ray through an
edge pixel touches the cylinder: its distance from the axis is r, and the foot of that distance is its station.
The axis lies where the part rests: its lower side is the convex hull of the profile, and the part stands on the
hull's side below its centre of mass.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from identify.geometry.camera import camera_place_mm, world_rays
from identify.model import Array, Camera, Pose

ROUNDS = 12
# A stretch slimmer than this share of the widest that lies so far off the line of the wide ones stands askew.
SLIM, ASKEW_MM = 0.5, 0.5
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
    return passed(axis, camera_place_mm(pose), world_rays(camera, pose, points_px))


def passed(axis: Axis, start_mm: Array, rays: Array) -> tuple[Array, Array]:
    """``unrolled`` for lines of sight: unit directions (N, 3) from the camera's place (3,) [mm]."""
    between = start_mm - axis.foot_mm
    turn, ahead, signed = np.array([axis.along, between, crossed(axis.along, between)]) @ rays.T
    square = 1.0 - turn * turn
    return (float(axis.along @ between) - turn * ahead) / square, signed / np.sqrt(square)


def crossed(one: Array, other: Array) -> Array:
    """Cross product (3,) of two vectors (3,); numpy's own takes ten times as long on so few numbers."""
    (a, b, c), (d, e, f) = one.tolist(), other.tolist()
    return np.array([b * f - c * e, c * d - a * f, a * e - b * d])


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
    close_mm: float = 1e-5,
    resting: bool = True,
    askew: bool = False,
) -> Profile:
    """Move the axis until it is midway between the edges and the part rests on the bench z = 0.

    Parameters
    ----------
    under : (N,) contact height over radius, station by station; 1 for round sections, cos 30° where a hexagon lies
        on a flat. Default 1 everywhere.
    resting : False where the axis keeps its height and its slope.
    askew : whether what is slim may stand askew, as a lever's stem does.

    Source of the method: fixed-point iteration; each round shrinks the error by about radius over distance.
    """
    factor = np.ones(len(sides.left_px)) if under is None else under
    now = axis
    start = camera_place_mm(pose)
    rays = world_rays(camera, pose, np.concatenate([sides.left_px, sides.right_px]))
    profile = _profile(now, start, rays, sides.trusted)
    for _ in range(ROUNDS):
        moved = _centred(now, profile, askew=askew)
        moved = _rested(moved, profile, factor) if resting else moved
        change = float(np.linalg.norm(moved.foot_mm - now.foot_mm) + 30 * np.linalg.norm(moved.along - now.along))
        now = moved
        profile = _profile(now, start, rays, sides.trusted)
        if change < close_mm:
            break
    return profile


def _profile(axis: Axis, start_mm: Array, rays: Array, trusted: NDArray[np.bool_]) -> Profile:
    """The profile about an axis by the lines of sight (2 N, 3) to the left edge's points, then to the right one's."""
    at, signed = passed(axis, start_mm, rays)
    count = len(trusted)
    return Profile(axis, (at[:count] + at[count:]) / 2, -signed[:count], signed[count:], trusted)


def _centred(axis: Axis, profile: Profile, *, askew: bool) -> Axis:
    """Shift and turn the axis in plan so that both sides are equally far, by least absolute values.

    Where what is slim may stand askew, and lies off the line through what is wide, the wide tells the axis.
    """
    lean = (profile.right_mm - profile.left_mm) / 2
    keep = profile.trusted
    station, values, radius = profile.station_mm[keep], lean[keep], np.maximum(profile.radius_mm[keep], 0.0)
    middle = float(station.mean())
    local = station - middle
    level, rise = _line(local, values, np.ones(len(local)))
    slim = radius < SLIM * float(radius.max())
    if askew and slim.any():
        by_wide = _line(local, values, radius**2 + 1e-9)
        if float(np.median(np.abs(values - by_wide[0] - by_wide[1] * local)[slim])) > ASKEW_MM:
            level, rise = by_wide
    foot = axis.foot_mm + (level - rise * middle) * axis.across
    along = axis.along + rise * axis.across
    return Axis(foot, along / np.linalg.norm(along))


def _line(place: Array, values: Array, weights: Array) -> tuple[float, float]:
    """Level at 0 and rise of the line through values (N,) at places (N,) by weighted least absolute values."""
    sums = np.array([np.ones_like(place), place, values, place * place, place * values])
    level = rise = 0.0
    now = weights
    for _ in range(8):
        whole, at, mean, square, both = (sums @ now).tolist()
        rise = (both - at * mean / whole) / max(square - at * at / whole, 1e-12)
        level = (mean - rise * at) / whole
        now = weights / np.maximum(np.abs(values - level - rise * place), 0.02)
    return level, rise


def _contacts(profile: Profile, factor: Array) -> tuple[Array, Array]:
    keep = profile.trusted
    order = np.argsort(profile.station_mm[keep], kind="stable")
    station = profile.station_mm[keep][order]
    span = 2 * max(1, round(CREST_MM / max(float(np.ptp(station)) / len(station), 1e-6))) + 1
    sides = [
        maximum_filter1d(_middles((side * factor)[keep][order]), span) for side in (profile.left_mm, profile.right_mm)
    ]
    return station, (sides[0] + sides[1]) / 2


def _middles(values: Array) -> Array:
    """Medians of each value (N,) and its two neighbours; the ends stay as they are."""
    before, here, after = values[:-2], values[1:-1], values[2:]
    low, high = np.minimum(before, here), np.maximum(before, here)
    return np.concatenate([values[:1], np.maximum(low, np.minimum(high, after)), values[-1:]])


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


def _hull_side(station: Array, contact: Array, over_mm: float) -> tuple[int, int]:
    """Indices of the two ends of the upper hull's side over a station; stations (N,) ascend.

    Each end in turn is moved to where the line through the other one touches the points on its own side.
    """
    split = int(np.clip(np.searchsorted(station, over_mm), 1, len(station) - 1))
    first = int(np.argmax(contact[:split]))
    last = split
    for _ in range(len(station)):
        rises = (contact[split:] - contact[first]) / np.maximum(station[split:] - station[first], 1e-9)
        last = split + int(np.argmax(rises))
        falls = (contact[last] - contact[:split]) / np.maximum(station[last] - station[:split], 1e-9)
        before, first = first, int(np.argmin(falls))
        if first == before:
            break
    return first, last
