"""A lying part in the photo: where its axis starts, its two edges station by station, and what the profile says."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, median_filter, uniform_filter1d

from identify.dimensions.axis import Axis, Profile, Sides, unrolled
from identify.geometry.camera import camera_place_mm, on_height, project
from identify.geometry.edges import sample_profiles
from identify.geometry.strip import follow, peak_offset, steepness
from identify.model import Array, Camera, Outline, Photo, Pose

EDGE_REACH_PX = 3.5  # the outline is already on the edge; look no further than this beside it
LONGEST = 3000  # stations at most
CYLINDER_MM = 6.0  # a shorter run tells nothing of the pose
LEAN_OVER_MM = 3.0  # a thread's two edges differ within a pitch, not over two


def first_axis(outline: Outline, camera: Camera, pose: Pose) -> Axis | None:
    """The long axis of the outline on the bench, at half its naive width; None where it runs above the horizon."""
    plan = on_height(camera, pose, outline.contour_px)[:, :2]
    if not np.isfinite(plan).all():
        return None
    centre, spread = _moments(plan)
    _, directions = np.linalg.eigh(spread)
    along, across = directions[:, 1], directions[:, 0]
    width = np.ptp(plan @ across)
    return Axis(np.array([*centre, 0.4 * width]), np.array([*along, 0.0]))


def _moments(polygon: Array) -> tuple[Array, Array]:
    """Centre (2,) and second moments (2, 2) of a polygon's area (Green's theorem)."""
    middle = polygon.mean(axis=0)
    a = polygon - middle
    b = np.roll(a, -1, axis=0)
    cross = a[:, 0] * b[:, 1] - b[:, 0] * a[:, 1]
    area = cross.sum() / 2
    centre = ((a + b) * cross[:, None]).sum(axis=0) / (6 * area)
    outer = np.einsum("n,ni,nj->ij", cross, a, a) + np.einsum("n,ni,nj->ij", cross, b, b)
    mixed = np.einsum("n,ni,nj->ij", cross, a, b)
    second = (2 * outer + mixed + mixed.T) / (24 * area)
    return centre + middle, second - np.outer(centre, centre)


def outermost(axis: Axis, camera: Camera, pose: Pose, contour_px: Array, station_mm: Array) -> tuple[Array, Array]:
    """How far the contour reaches left and right of the axis at each station (N,), (N,) [mm]; nan where it doesn't."""
    at, signed = unrolled(axis, camera, pose, np.vstack([contour_px, contour_px[:1]]))
    reach = np.full((2, len(station_mm)), np.nan)
    step = station_mm[1] - station_mm[0]
    for start, end, near, far in zip(at[:-1], at[1:], signed[:-1], signed[1:], strict=True):
        low, high = min(start, end), max(start, end)
        first = max(0, int(np.ceil((low - station_mm[0]) / step)))
        last = min(len(station_mm) - 1, int(np.floor((high - station_mm[0]) / step)))
        for index in range(first, last + 1):
            share = (station_mm[index] - start) / (end - start) if end != start else 0.0
            value = near + share * (far - near)
            side = int(value > 0)
            reach[side, index] = np.fmax(reach[side, index], abs(value))
    return reach[0], reach[1]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What the photo shows of a lying part before any millimetre is trusted.

    ``mm_per_px`` is the scale at the axis; ``rough_px`` the scatter of the edge along the part [px].
    """

    axis: Axis
    sides: Sides
    mm_per_px: float
    rough_px: float


def seen(photo: Photo, outline: Outline, camera: Camera, pose: Pose, axis: Axis) -> Seen | None:
    """Both edges of the part across its axis, sub-pixel, about every pixel along it; None where too few are found."""
    at, _ = unrolled(axis, camera, pose, outline.contour_px)
    ends = project(camera, pose, axis.at(np.array([at.min(), at.max()])))
    long_px = float(np.linalg.norm(ends[1] - ends[0])) / photo.reduced
    if not np.isfinite(long_px) or long_px < 12:
        return None
    mm_per_px = float(np.ptp(at)) / long_px / photo.reduced
    count = int(min(LONGEST, max(24, 1.5 * long_px)))
    inset = 1.5 * float(np.ptp(at)) / long_px
    station = np.linspace(at.min() + inset, at.max() - inset, count)
    left, right = outermost(axis, camera, pose, outline.contour_px, station)
    keep = np.isfinite(left) & np.isfinite(right)
    if keep.sum() < 20:
        return None
    station, left, right = station[keep], left[keep], right[keep]
    left_px, left_found, left_rough = _edge(photo, camera, pose, axis, station, -left)
    right_px, right_found, right_rough = _edge(photo, camera, pose, axis, station, right)
    trusted = left_found & right_found
    if trusted.sum() < 20:
        return None
    return Seen(axis, Sides(left_px, right_px, trusted), mm_per_px, max(left_rough, right_rough) * photo.reduced)


def _edge(
    photo: Photo, camera: Camera, pose: Pose, axis: Axis, station: Array, offset: Array
) -> tuple[Array, NDArray[np.bool_], float]:
    """Sub-pixel edge (N, 2) [px] near ``offset`` beside the axis, looked for square to it; found (N,); scatter [px]."""
    points = axis.at(station) + offset[:, None] * _sideways(axis, pose, station)
    start = _to_rgb(photo, project(camera, pose, points))
    outward = start - _to_rgb(photo, project(camera, pose, axis.at(station)))
    normals = outward / np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    step = 0.25
    offsets = np.arange(-EDGE_REACH_PX, EDGE_REACH_PX + step / 2, step)
    profiles = sample_profiles(photo.rgb, start, normals, offsets)
    steep = steepness(profiles, step, 0.7)
    visible = steepness(np.sqrt(np.maximum(profiles, 0)), step, 0.7)
    gain = np.minimum(visible, 0.12) / 0.12 - 0.6 * (offsets / EDGE_REACH_PX) ** 2
    path = follow(gain, jump=4, jump_cost=0.03)
    where, height = peak_offset(steep, path)
    shift = (where - len(offsets) // 2) * step
    found = (height > 0.004) & (np.abs(shift) < EDGE_REACH_PX - 0.5)
    edge = start + np.where(found, shift, 0.0)[:, None] * normals
    rough = float(1.4826 * np.median(np.abs(shift - median_filter(shift, 5)))) if len(shift) else 1.0
    return (edge + 0.5) * photo.reduced - 0.5, found, rough


def _to_rgb(photo: Photo, points_px: Array) -> Array:
    return (points_px + 0.5) / photo.reduced - 0.5


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


def cylinders(
    profile: Profile, usable: NDArray[np.bool_], mm_per_px: float
) -> list[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Runs of the profile that look like plain cylinders, each as the stations of its two halves."""
    smooth = median_filter(profile.radius_mm, 5)
    station = profile.station_mm
    jump = np.abs(np.concatenate([[0.0], smooth[2:] - smooth[:-2], [0.0]]))
    level = np.flatnonzero(usable & (jump < 0.5 * mm_per_px) & (smooth > 0))
    found = []
    for piece in np.split(level, np.flatnonzero(np.diff(level) > 1) + 1):
        if len(piece) < 8:
            continue
        piece = piece[1:-1]
        line = np.polyfit(station[piece], smooth[piece], 1)
        rest = float(np.std(smooth[piece] - np.polyval(line, station[piece])))
        long = float(abs(station[piece[-1]] - station[piece[0]]))
        if long >= CYLINDER_MM and rest < 0.5 * mm_per_px:
            middle = len(piece) // 2
            found.append((piece[:middle], piece[middle:]))
    return found


def body(profile: Profile, usable: NDArray[np.bool_], mm_per_px: float) -> NDArray[np.bool_] | None:
    """Stations (N,) of the body: the widest radius that enough of the length has, so no O-ring and no lug.

    The length at each radius is counted over 1 % or three quarters of a pixel, in one piece or several.
    """
    radius, step = profile.radius_mm, np.abs(np.gradient(profile.station_mm))
    index = np.flatnonzero(usable & (radius > 0))
    if len(index) < 10:
        return None
    band = np.maximum(0.01 * radius[index], 0.75 * mm_per_px)
    like = np.abs(radius[index][:, None] - radius[index][None, :]) <= band[:, None]
    length = like @ step[index]
    least = min(max(0.12 * float(np.ptp(profile.station_mm)), 3.0), 0.9 * float(length.max()))
    enough = np.flatnonzero(length >= least)
    widest = enough[np.argmax(radius[index][enough])]
    near = np.abs(radius[index] - radius[index][widest]) <= 2 * band[widest]
    best = enough[near[enough]][np.argmax(length[enough][near[enough]])]
    chosen = np.zeros(len(radius), bool)
    chosen[index[like[best]]] = True
    return chosen


def crest_line(radius_mm: Array, station_mm: Array, reach_mm: float) -> Array:
    """Upper envelope (N,) of a profile over ``reach_mm`` to either side."""
    step = float(np.median(np.diff(station_mm)))
    return maximum_filter1d(radius_mm, 2 * max(1, round(reach_mm / step)) + 1)


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """The outline at both end faces: mean pixel (2,) of each about the axis, and the end's radius [mm].

    ``bulge_mm`` is how far each face's rim reaches beyond the face in the photo.
    """

    first_px: Array
    last_px: Array
    radius_mm: tuple[float, float]
    bulge_mm: tuple[float, float]


def ends(outline: Outline, profile: Profile, camera: Camera, pose: Pose) -> Ends:
    """Where the outline crosses the axis at either end."""
    at, signed = unrolled(profile.axis, camera, pose, outline.contour_px)
    found, radii = [], []
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
    bare = Ends(found[0], found[1], (radii[0], radii[1]), (0.0, 0.0))
    seen_at, true_at = _end_places(bare, profile.axis, camera, pose)
    bulge = np.abs(seen_at - true_at)
    return Ends(found[0], found[1], (radii[0], radii[1]), (float(bulge[0]), float(bulge[1])))


def _end_places(ends_: Ends, axis: Axis, camera: Camera, pose: Pose) -> tuple[Array, Array]:
    """Stations of both ends as seen at the axis's height, and less the rim's bulge (2,), (2,) [mm].

    A face turned away shows its upper rim, a face turned to the camera its lower one; both reach outward by
    radius times the slope of the line of sight (similar triangles).
    """
    seen_at, _ = unrolled(axis, camera, pose, np.array([ends_.first_px, ends_.last_px]))
    place = camera_place_mm(pose) - axis.foot_mm
    over = float(place @ axis.along)
    away = float(np.linalg.norm(place - over * axis.along))
    true_at = seen_at.copy()
    for _ in range(3):
        for index, sign in ((0, -1.0), (1, 1.0)):
            radius = ends_.radius_mm[index]
            turned_away = sign * (true_at[index] - over) > 0
            true_at[index] = seen_at[index] - sign * abs(true_at[index] - over) * radius / (
                away - radius if turned_away else away + radius
            )
    return seen_at, true_at


def end_stations(ends_: Ends, axis: Axis, camera: Camera, pose: Pose) -> tuple[float, float]:
    """Stations of the two end faces [mm]."""
    _, true_at = _end_places(ends_, axis, camera, pose)
    return float(true_at[0]), float(true_at[1])


def length(ends_: Ends, axis: Axis, camera: Camera, pose: Pose) -> float:
    """Distance of the two end faces along the axis [mm]."""
    first, last = end_stations(ends_, axis, camera, pose)
    return last - first
