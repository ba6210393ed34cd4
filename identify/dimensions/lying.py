"""A lying part in the photo: where its axis starts, its two edges station by station, and what the profile says."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, median_filter, uniform_filter1d

from identify.dimensions.axis import Axis, Profile, Sides, unrolled
from identify.geometry import part_edge
from identify.geometry.camera import camera_place_mm, project
from identify.geometry.strip import follow, follow_each
from identify.model import Array, Camera, Outline, Photo, Pose

EDGE_REACH_PX = (3.0, 16.0)  # how far from the outline an edge is looked for
ALIKE_REL = 0.10  # both sides of a turned part are equally wide within this share of its width
FREE_MM = 0.7  # by which one edge may differ from the other: half a thread's depth and some blur
LEAST_STEP = 0.004  # a fainter step in linear light is noise
LEAST_ODDS = 0.35  # that the edge is where it is taken to be
LONGEST = 480  # stations at most: more tell nothing new of a diameter, and of a 1.3 mm pitch only on long parts
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
    across = _sideways(axis, pose, station)
    left_px = project(camera, pose, axis.at(station) - left[keep, None] * across)
    right_px = project(camera, pose, axis.at(station) + right[keep, None] * across)
    return Sides(left_px, right_px, np.ones(len(station), bool))


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What the photo shows of a lying part before any millimetre is trusted.

    ``mm_per_px`` is the scale at the axis; ``rough_px`` the scatter of the edge along the part [px]; ``doubt_px`` (N,)
    by how much both edges together may be others that lie beside them (standard deviation) [px].
    """

    axis: Axis
    sides: Sides
    mm_per_px: float
    rough_px: float
    doubt_px: Array


def seen(photo: Photo, outline: Outline, camera: Camera, pose: Pose, axis: Axis) -> Seen | None:
    """Both edges of the part across its axis, sub-pixel, at every pixel along it; None where too few are found.

    A turned part is equally wide on both sides of its axis, so once the line midway between both edges is found they
    are followed together, which holds where one of them is lost in shadow or a mirror image of the bench; each is then
    let free by a thread's depth.
    """
    beside_ = beside(photo, outline, camera, pose, axis)
    if beside_ is None:
        return None
    px_mm, reach = beside_.mm_per_px, beside_.reach_px
    odds = part_edge.likely([strip.profile for strip in beside_.strips], reach / part_edge.STEP_PX)
    own = _own_paths(odds, reach / part_edge.STEP_PX, float(np.clip(FREE_MM / px_mm, 1.5, reach)))
    edges = [strip.refined(each, path) for strip, each, path in zip(beside_.strips, odds, own, strict=True)]
    trusted = beside_.alike & edges[0].found & edges[1].found
    if trusted.sum() < 20:
        return None
    left_px, right_px = ((edge.points_px + 0.5) * photo.reduced - 0.5 for edge in edges)
    sides = Sides(left_px, right_px, trusted)
    rough = max(edge.rough_px for edge in edges) * photo.reduced
    doubts = [part_edge.doubt(one, path) * part_edge.STEP_PX for one, path in zip(odds, own, strict=True)]
    return Seen(axis, sides, px_mm / photo.reduced, rough, np.hypot(*doubts) * photo.reduced)


def _own_paths(odds: Array, reach: float, free_px: float) -> NDArray[np.int64]:
    """Columns (2, N) of the left and the right edge by their odds (2, N, K); ``reach`` in columns."""
    columns = np.arange(part_edge.COLUMNS)
    gains = part_edge.gain(odds) - 0.3 * ((columns - part_edge.MIDDLE) / reach) ** 2
    alone = follow_each(gains, jump=3, jump_cost=0.05, leap_cost=1.5)
    sure = np.minimum(*(part_edge.support(one, path) for one, path in zip(odds, alone, strict=True)))
    shift = np.round(_midway((alone[1] - alone[0]) / 2, sure)).astype(int)
    places = np.clip(columns + np.array([-1, 1])[:, None, None] * shift[:, None], 0, part_edge.COLUMNS - 1)
    both = np.take_along_axis(gains, places, axis=2).mean(axis=0)
    path = follow(both, jump=3, jump_cost=0.05, leap_cost=1.5) + np.array([-1, 1])[:, None] * shift
    away = (columns - path[:, :, None]) * part_edge.STEP_PX / free_px
    return follow_each(gains - np.where(np.abs(away) <= 1, 0.2 * away**2, 1e3), jump=4, jump_cost=0.03)


def _midway(lean: Array, weight: Array) -> Array:
    """The straight line (N,) through leans (N,) by weighted least absolute values."""
    row = np.linspace(-1, 1, len(lean))
    line: Array = np.zeros(2)
    now: Array = weight
    for _ in range(8):
        design = np.column_stack([np.ones_like(row), row])
        square = design.T @ (now[:, None] * design) + 1e-9 * np.eye(2)
        line = np.asarray(np.linalg.solve(square, design.T @ (now * lean)), float)
        now = np.asarray(weight / np.maximum(np.abs(lean - design @ line), 0.5), float)
    return np.asarray(line[0] + line[1] * row)


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """The picture beside both sides of a lying part, about where its outline is: left and right ``strips``.

    ``alike`` (N,) says where the outline is about as far from the axis on both sides, ``reach_px`` how far off the
    edge may be [rgb px], ``mm_per_px`` the size of an rgb pixel at the axis.
    """

    strips: tuple[Strip, Strip]
    alike: NDArray[np.bool_]
    reach_px: float
    mm_per_px: float


def beside(photo: Photo, outline: Outline, camera: Camera, pose: Pose, axis: Axis) -> Beside | None:
    """The strips in which both edges are looked for; None where the outline is too short."""
    at, _ = unrolled(axis, camera, pose, outline.contour_px)
    ends = project(camera, pose, axis.at(np.array([at.min(), at.max()])))
    long_px = float(np.linalg.norm(ends[1] - ends[0])) / photo.reduced
    if not np.isfinite(long_px) or long_px < 12:
        return None
    px_mm = float(np.ptp(at)) / long_px
    inset = 1.5 * px_mm
    station = np.linspace(at.min() + inset, at.max() - inset, int(min(LONGEST, max(24, 1.5 * long_px))))
    left, right = outermost(axis, camera, pose, outline.contour_px, station)
    keep = np.isfinite(left) & np.isfinite(right)
    if keep.sum() < 20:
        return None
    station, left, right = station[keep], left[keep], right[keep]
    alike = np.abs(left - right) < np.maximum(ALIKE_REL * (left + right), 3 * px_mm)
    reach = float(np.clip(0.08 * np.percentile(left + right, 95) / px_mm, *EDGE_REACH_PX))
    inward, outward = (
        _strip(photo, camera, pose, axis, station, sign * np.where(alike, (left + right) / 2, side))
        for sign, side in ((-1, left), (1, right))
    )
    return Beside((inward, outward), alike, reach, px_mm)


@dataclass(frozen=True, slots=True, eq=False)
class _Edge:
    """One edge: points (N, 2) [rgb px], found (N,), scatter along the part [px]."""

    points_px: Array
    found: NDArray[np.bool_]
    rough_px: float


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """The picture beside one side of the part: stations (N, 2) [rgb px], outward normals, light (N, K, 3)."""

    start_px: Array
    normals: Array
    profile: Array

    def refined(self, odds: Array, own: NDArray[np.int64]) -> _Edge:
        """The edge on the strip's path (N,) of columns."""
        offsets = part_edge.offsets_px()
        where, height = part_edge.sharpened(self.profile, odds, own)
        shift = offsets[0] + where * part_edge.STEP_PX
        found = (height > LEAST_STEP) & (part_edge.support(odds, own) > LEAST_ODDS)
        edge = self.start_px + np.where(found, shift, offsets[own])[:, None] * self.normals
        rough = float(1.4826 * np.median(np.abs(shift - median_filter(shift, 5))))
        return _Edge(edge, found, rough)


def _strip(photo: Photo, camera: Camera, pose: Pose, axis: Axis, station: Array, offset: Array) -> Strip:
    """The strip about ``offset`` (N,) beside the axis [mm], square to it."""
    points = axis.at(station) + offset[:, None] * _sideways(axis, pose, station)
    start = (project(camera, pose, points) + 0.5) / photo.reduced - 0.5
    outward = start - ((project(camera, pose, axis.at(station)) + 0.5) / photo.reduced - 0.5)
    normals = outward / np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    return Strip(start, normals, part_edge.profiles(photo.rgb, start, normals))


def _sideways(axis: Axis, pose: Pose, station: Array) -> Array:
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
