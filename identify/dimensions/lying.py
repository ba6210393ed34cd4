"""A lying part in the photo: how far its outline reaches from its axis, and what the profile and the ends say."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from identify.dimensions.axis import Axis, Profile, Sides, unrolled
from identify.geometry.camera import camera_place_mm, project
from identify.model import Array, Camera, Outline, Pose

WIDE = 0.6  # of the widest place: a part is its body from the first to the last place that is as wide
MIRROR_PX = 160  # side of the picture in which an outline is laid over its mirror image
LEAN_OVER_MM = 3.0  # a thread's two edges differ within a pitch, not over two


def outermost(axis: Axis, camera: Camera, pose: Pose, contour_px: Array, station_mm: Array) -> tuple[Array, Array]:
    """How far the contour reaches left and right of the axis at each station (N,), (N,) [mm]; nan where it doesn't."""
    at, signed = unrolled(axis, camera, pose, np.vstack([contour_px, contour_px[:1]]))
    step, count = station_mm[1] - station_mm[0], len(station_mm)
    place = (at - station_mm[0]) / step
    low, high = np.minimum(place[:-1], place[1:]), np.maximum(place[:-1], place[1:])
    first = np.maximum(np.ceil(low), 0).astype(int)
    passed = np.maximum(np.minimum(np.floor(high), count - 1).astype(int) + 1 - first, 0)  # stations by each piece
    piece = np.repeat(np.arange(len(passed)), passed)
    index = first[piece] + np.arange(len(piece)) - np.repeat(np.cumsum(passed) - passed, passed)
    start, end = at[piece], at[piece + 1]
    share = (station_mm[index] - start) / np.where(end != start, end - start, np.inf)
    value = signed[piece] + share * (signed[piece + 1] - signed[piece])
    reach = np.full(2 * count, -np.inf)
    np.maximum.at(reach, index + count * (value > 0), np.abs(value))
    left, right = np.where(np.isfinite(reach), reach, np.nan).reshape(2, count)
    return left, right


def contour_sides(outline: Outline, camera: Camera, pose: Pose, axis: Axis) -> Sides | None:
    """Both edges as the outline has them at even stations, to settle the axis a first time."""
    at, _ = unrolled(axis, camera, pose, outline.contour_px)
    station = np.linspace(at.min(), at.max(), 162)[1:-1]
    left, right = outermost(axis, camera, pose, outline.contour_px, station)
    keep = np.isfinite(left) & np.isfinite(right)
    if keep.sum() < 20:
        return None
    station = station[keep]
    across = sideways(axis, pose, station)
    left_px = project(camera, pose, axis.at(station) - left[keep, None] * across)
    right_px = project(camera, pose, axis.at(station) + right[keep, None] * across)
    return Sides(left_px, right_px, np.ones(len(station), bool))


def sideways(axis: Axis, pose: Pose, station: Array) -> Array:
    """Unit directions (N, 3) to the right, square to the axis and to the line of sight of each station."""
    sight = axis.at(station) - camera_place_mm(pose)
    right = np.cross(sight, axis.along)
    right *= np.sign(right @ axis.across)[:, None]
    return right / np.linalg.norm(right, axis=1, keepdims=True)


def symmetric(profile: Profile, mm_per_px: float) -> NDArray[np.bool_]:
    """Stations (N,) where both sides are equally far from the axis, as on a turned part."""
    step = float(np.ptp(profile.station_mm)) / len(profile.station_mm)
    lean = uniform_filter1d(profile.right_mm - profile.left_mm, max(3, round(LEAN_OVER_MM / step)))
    return profile.trusted & (np.abs(lean) < np.maximum(0.05 * profile.radius_mm, 2.0 * mm_per_px))


def mirrored(
    outline: Outline, profile: Profile, usable: NDArray[np.bool_], camera: Camera, pose: Pose
) -> tuple[float, float]:
    """Area that the outline and its mirror image in the axis share, over the area of either: all of it, and its body.

    The body is from the first to the last place that is ``WIDE`` of the widest: a lever's stem may stand askew.
    """
    at, side = unrolled(profile.axis, camera, pose, outline.contour_px)
    if not np.isfinite([at, side]).all():
        return 0.0, 0.0
    half = float(np.max(np.abs(side)))
    scale = MIRROR_PX / max(float(np.ptp(at)), 2 * half, 1e-6)
    size = int(2 * half * scale) + 12, int(np.ptp(at) * scale) + 12
    covers: list[NDArray[np.bool_]] = []
    for sign in (1.0, -1.0):
        polygon = np.column_stack([(at - at.min()) * scale + 5, (half + sign * side) * scale + 5])
        covers.append(np.asarray(cv2.fillPoly(np.zeros(size, np.uint8), [np.round(polygon).astype(np.int32)], 1)) > 0)
    shared, either = np.sum(covers[0] & covers[1], axis=0), np.sum(covers[0] | covers[1], axis=0)
    radius = np.where(usable, profile.radius_mm, 0.0)
    wide = profile.station_mm[radius > WIDE * np.percentile(radius[usable], 97)] if usable.any() else profile.station_mm
    first, last = np.round((np.array([wide.min(), wide.max()]) - at.min()) * scale + 5).astype(int)
    within = slice(max(0, int(first)), int(last) + 1)
    whole, about = (float(shared[one].sum() / max(int(either[one].sum()), 1)) for one in (slice(None), within))
    return whole, about


def crest_line(radius_mm: Array, station_mm: Array, reach_mm: float) -> Array:
    """Upper envelope (N,) of a profile over ``reach_mm`` to either side."""
    step = float(np.median(np.diff(station_mm)))
    return maximum_filter1d(radius_mm, 2 * max(1, round(reach_mm / step)) + 1)


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """The outline at both end faces: mean pixel (2,) of each about the axis, and the end's radius [mm].

    ``bulge_mm`` is how far each face's rim reaches beyond the face in the photo, ``doubt_px`` how far off another place
    may be that could be the end (root mean square) [px].
    """

    first_px: Array
    last_px: Array
    radius_mm: tuple[float, float]
    bulge_mm: tuple[float, float]
    doubt_px: tuple[float, float] = (0.0, 0.0)


def ends(outline: Outline, profile: Profile, camera: Camera, pose: Pose) -> Ends:
    """Where the outline crosses the axis at either end."""
    at, signed = unrolled(profile.axis, camera, pose, outline.contour_px)
    found, radii, doubts = [], [], []
    for sign in (-1.0, 1.0):
        tip = float(np.max(sign * at))
        depth = sign * profile.station_mm
        near = profile.trusted & (depth > tip - 2.5) & (depth < tip - 0.4)
        radius = (
            float(np.median(profile.radius_mm[near])) if near.any() else float(np.abs(signed[np.argmax(sign * at)]))
        )
        radius = max(radius, 0.5)
        middle = (np.abs(signed) < 0.35 * radius) & (sign * at > tip - 0.5 * radius - 2.0)
        found.append(
            outline.contour_px[middle].mean(axis=0) if middle.any() else outline.contour_px[np.argmax(sign * at)]
        )
        radii.append(radius)
        last = sign * at > tip - max(1.5, 0.3 * radius)
        doubts.append(0.0 if outline.doubt_px is None else float(np.sqrt(np.mean(outline.doubt_px[last] ** 2))))
    bare = Ends(found[0], found[1], (radii[0], radii[1]), (0.0, 0.0))
    seen_at, true_at = _end_places(bare, profile.axis, camera, pose)
    bulge = np.abs(seen_at - true_at)
    return replace(bare, bulge_mm=(float(bulge[0]), float(bulge[1])), doubt_px=(doubts[0], doubts[1]))


def _end_places(ends_: Ends, axis: Axis, camera: Camera, pose: Pose) -> tuple[Array, Array]:
    """Stations of both ends as seen at the axis's height, and less the rim's bulge (2,), (2,) [mm].

    A face turned away shows its upper rim, a face turned to the camera its lower one; both reach outward by
    radius times the slope of the line of sight (similar triangles).
    """
    seen_at, _ = unrolled(axis, camera, pose, np.array([ends_.first_px, ends_.last_px]))
    place = camera_place_mm(pose) - axis.foot_mm
    over = float(place @ axis.along)
    away = float(np.linalg.norm(place - over * axis.along))
    true_at = []
    for seen, radius, sign in zip(seen_at.tolist(), ends_.radius_mm, (-1.0, 1.0), strict=True):
        true = seen
        for _ in range(3):
            turned_away = sign * (true - over) > 0
            true = seen - sign * abs(true - over) * radius / (away - radius if turned_away else away + radius)
        true_at.append(true)
    return seen_at, np.array(true_at)


def end_stations(ends_: Ends, axis: Axis, camera: Camera, pose: Pose) -> tuple[float, float]:
    """Stations of the two end faces [mm]."""
    _, true_at = _end_places(ends_, axis, camera, pose)
    return float(true_at[0]), float(true_at[1])


def length(ends_: Ends, axis: Axis, camera: Camera, pose: Pose) -> float:
    """Distance of the two end faces along the axis [mm]."""
    first, last = end_stations(ends_, axis, camera, pose)
    return last - first
