"""Turned parts drawn point by point through an exact camera: truth for tests and for the measuring benchmark.

No renderer and no network: a surface r(s, a) about a lying or standing axis is sampled densely, projected and kept
where nearest to the camera. What is drawn is exact to the sampling; the light is a plain diffuse one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.spatial import ConvexHull

from identify.geometry.camera import camera_place_mm, project
from identify.model import Array, Bytes, Camera, Pose

Surface = Callable[[Array, Array], Array]


def look_at(distance_mm: float, tilt_deg: float, towards_deg: float = 90.0, *, roll_deg: float = 0.0) -> Pose:
    """A camera that looks at the world's origin from ``distance_mm``, ``tilt_deg`` away from straight down.

    ``towards_deg`` is the direction on the bench in which the camera stands.
    """
    tilt, turn = math.radians(tilt_deg), math.radians(towards_deg)
    away = np.array([math.sin(tilt) * math.cos(turn), math.sin(tilt) * math.sin(turn), math.cos(tilt)])
    ahead = -away
    right = np.array([math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg)), 0.0])
    right -= (right @ ahead) * ahead
    right /= np.linalg.norm(right)
    rotation = np.array([right, np.cross(ahead, right), ahead])
    return Pose(rotation, -rotation @ (distance_mm * away), np.zeros((7, 7)))


@dataclass(frozen=True, slots=True)
class Turned:
    """A turned part: ``radius`` (mm) of station (mm) and angle (rad), from station 0 to ``length_mm``."""

    radius: Surface
    length_mm: float

    def envelope(self, station_mm: Array) -> Array:
        """The largest radius (N,) over all angles at each station."""
        angles = np.linspace(0, 2 * math.pi, 73)[:-1]
        return np.max(self.radius(station_mm[:, None], angles[None, :]), axis=1)


def stepped(*steps: tuple[float, float]) -> Surface:
    """Cylinders one after the other: (length, diameter) of each [mm]."""
    ends = np.cumsum([length for length, _ in steps])

    def radius(station: Array, angle: Array) -> Array:
        which = np.clip(np.searchsorted(ends, station + 0 * angle, side="right"), 0, len(steps) - 1)
        return np.array([diameter / 2 for _, diameter in steps])[which]

    return radius


def whitworth(major_mm: float, pitch_mm: float) -> Surface:
    """A 55 degree thread of the basic form: depth 0.640327 pitch, rounded crests and roots (ISO 228-1)."""
    depth = 0.640327 * pitch_mm

    def radius(station: Array, angle: Array) -> Array:
        phase = (station / pitch_mm - angle / (2 * math.pi)) % 1.0
        flank = np.abs(2 * phase - 1)  # 0 at the crest, 1 at the root
        sharp = 0.960491 * pitch_mm * (flank - 1 / 6)
        return major_mm / 2 - np.clip(sharp + 0.0 * phase, 0, depth)

    return radius


def hexagon(across_flats_mm: float, roll_rad: float = 0.0) -> Surface:
    """A hexagonal prism with one flat square to the direction ``roll_rad``."""

    def radius(station: Array, angle: Array) -> Array:
        off = (angle - roll_rad + math.pi / 6) % (math.pi / 3) - math.pi / 6
        return across_flats_mm / 2 / np.cos(off) + 0 * station

    return radius


def joined(*parts: tuple[float, Surface]) -> Turned:
    """Surfaces one after the other, each with its length [mm]."""
    ends = np.concatenate([[0.0], np.cumsum([length for length, _ in parts])])

    def radius(station: Array, angle: Array) -> Array:
        station, angle = np.broadcast_arrays(station, angle)
        value = np.zeros(station.shape)
        for index, (_, surface) in enumerate(parts):
            last = index == len(parts) - 1
            here = (station >= ends[index]) & ((station < ends[index + 1]) | last)
            value[here] = surface(station[here] - ends[index], angle[here])
        return value

    return Turned(radius, float(ends[-1]))


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Where a part lies: ``foot_mm`` is the axis at station 0, ``along`` its direction, ``down`` square to it."""

    foot_mm: Array
    along: Array
    down: Array


def laid(part: Turned, centre_xy_mm: tuple[float, float], heading_deg: float) -> Placed:
    """Lay a turned part on the bench: on the side of its convex hull under its centre of mass."""
    station = np.linspace(0, part.length_mm, 2001)
    down_reach = part.radius(station, np.zeros_like(station))
    hull = ConvexHull([*np.column_stack([station, -down_reach]), [station[0], 0.0], [station[-1], 0.0]])
    weight = part.envelope(station) ** 2
    centre = float(np.sum(weight * station) / weight.sum())
    rise, level = 0.0, float(down_reach.max())
    for (_, ny, _), (a, b) in zip(hull.equations, hull.simplices, strict=True):
        if ny < -1e-9 and a < len(station) and b < len(station):
            low, high = sorted((station[a], station[b]))
            if low <= centre <= high:
                rise, level = _line(station, down_reach, int(a), int(b))
    slope = math.atan(rise)
    turn = math.radians(heading_deg)
    ahead = np.array([math.cos(turn), math.sin(turn), 0.0])
    along = math.cos(slope) * ahead + np.array([0, 0, math.sin(slope)])
    down = math.sin(slope) * ahead - np.array([0, 0, math.cos(slope)])
    middle = np.array([*centre_xy_mm, 0.0]) - ahead * part.length_mm / 2 * math.cos(slope)
    foot = middle + np.array([0, 0, level * math.cos(slope)])
    return Placed(foot, along, down)


def _line(station: Array, reach: Array, a: int, b: int) -> tuple[float, float]:
    rise = (reach[b] - reach[a]) / (station[b] - station[a])
    return float(rise), float(reach[a] - rise * station[a])


def stood(centre_xy_mm: tuple[float, float]) -> Placed:
    """Stand a turned part on the bench with station 0 below."""
    return Placed(np.array([*centre_xy_mm, 0.0]), np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]))


def surface_points(part: Turned, placed: Placed, spacing_mm: float) -> tuple[Array, Array]:
    """Points (N, 3) [mm] and outward normals (N, 3) of the part's skin, ends closed."""
    widest = float(part.envelope(np.linspace(0, part.length_mm, 500)).max())
    rows = int(part.length_mm / spacing_mm) + 2
    columns = int(2 * math.pi * widest / spacing_mm) + 2
    station, angle = np.meshgrid(
        np.linspace(0, part.length_mm, rows), np.linspace(0, 2 * math.pi, columns, endpoint=False), indexing="ij"
    )
    radius = part.radius(station, angle)
    side = np.cross(placed.along, placed.down)
    outward = np.cos(angle)[..., None] * placed.down + np.sin(angle)[..., None] * side
    skin = placed.foot_mm + station[..., None] * placed.along + radius[..., None] * outward
    slope = np.gradient(radius, axis=0) / (station[1, 0] - station[0, 0])
    normals = outward - np.clip(slope, -3, 3)[..., None] * placed.along
    turn = np.gradient(radius, axis=1) / (angle[0, 1] - angle[0, 0]) / radius
    around = -np.sin(angle)[..., None] * placed.down + np.cos(angle)[..., None] * side
    normals = normals - turn[..., None] * around
    points, directions = [skin.reshape(-1, 3)], [normals.reshape(-1, 3)]
    steps = np.abs(np.diff(part.radius(station[:, 0], station[:, 0] * 0)))
    for row in [0, *np.flatnonzero(steps > 2 * spacing_mm), rows - 1]:
        for share in np.linspace(0, 1, int(widest / spacing_mm) + 2):
            ends = [row, min(row + 1, rows - 1)] if row not in (0, rows - 1) else [row]
            rim = np.max(radius[ends], axis=0)
            face = placed.foot_mm + station[row, 0] * placed.along + (share * rim)[:, None] * outward[row]
            points.append(face)
            bigger_ahead = row == 0 or (row < rows - 1 and radius[row + 1, 0] > radius[row, 0])
            directions.append(np.broadcast_to(-placed.along if bigger_ahead else placed.along, face.shape))
    flat = np.concatenate(directions)
    return np.concatenate(points), flat / np.linalg.norm(flat, axis=1, keepdims=True)


def draw(
    part: Turned,
    placed: Placed,
    camera: Camera,
    pose: Pose,
    size_hw: tuple[int, int],
    *,
    finer: int = 3,
    blur_px: float = 0.6,
    noise: float = 0.004,
    seed: int = 0,
) -> tuple[Bytes, Bytes]:
    """A picture (H, W, 3) of the part on a plain bench, and its mask (H, W): 0 bench, 1 part."""
    height, width = size_hw
    reach = float(np.linalg.norm(camera_place_mm(pose)))
    skin, normals = surface_points(part, placed, 0.55 * reach / camera.focal_px / finer)
    pixels = project(camera, pose, skin)
    fine = np.round((pixels + 0.5) * finer - 0.5).astype(int)
    inside = (fine >= 0).all(axis=1) & (fine[:, 0] < width * finer) & (fine[:, 1] < height * finer)
    depth = np.linalg.norm(skin - camera_place_mm(pose), axis=1)
    order = np.flatnonzero(inside)
    order = order[np.argsort(-depth[order])]
    light = np.array([0.3, 0.5, 0.81])
    shade = 0.10 + 0.55 * np.maximum(normals @ (light / np.linalg.norm(light)), 0)
    picture = np.full((height * finer, width * finer), -1.0, np.float32)
    picture[fine[order, 1], fine[order, 0]] = shade[order]
    holes = (picture < 0).astype(np.uint8)
    closed = cv2.morphologyEx(1 - holes, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    filled = cv2.dilate(picture, np.ones((3, 3), np.uint8))
    picture = np.where((holes == 1) & (closed == 1), filled, picture)
    twice = cv2.erode(
        np.kron(closed, np.ones((2, 2), np.uint8)), np.ones((3, 3), np.uint8)
    )  # a splat reaches half a cell too far
    mask = cv2.resize(twice.astype(np.float32), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    colour = np.array([1.0, 0.78, 0.45], np.float32)
    bench = np.array([0.62, 0.64, 0.66], np.float32)
    filled = cv2.dilate(picture, np.ones((3, 3), np.uint8))
    picture = np.where(picture < 0, np.maximum(filled, 0), picture)
    linear = mask[..., None] * picture[..., None] * colour + (1 - mask[..., None]) * bench
    linear = cv2.resize(linear, (width, height), interpolation=cv2.INTER_AREA)
    linear = cv2.GaussianBlur(linear, (0, 0), blur_px) if blur_px else linear
    linear = linear + np.random.default_rng(seed).normal(0, noise, linear.shape)
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-6) ** (1 / 2.4) - 0.055)
    cover = cv2.resize(mask, (width, height), interpolation=cv2.INTER_AREA)
    return np.clip(np.round(coded * 255), 0, 255).astype(np.uint8), (cover >= 0.5).astype(np.uint8)
