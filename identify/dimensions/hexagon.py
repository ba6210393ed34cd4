"""Hexagonal section of a lying part: told from a round one by its facets, rolled to fit, read across its flats.

The silhouette of a hexagon is as wide as its corners or narrower, down to its flats, as it is rolled. The corners
that face the camera show as lines between facets, and they fix the roll. Geometry of the regular hexagon: flats
are the corner circle times cos 30 degrees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from identify.dimensions.axis import Profile
from identify.geometry.camera import camera_place_mm, project
from identify.geometry.edges import sample_places
from identify.model import Array, Camera, Photo, Pose

SIXTH = math.pi / 3
ROLLS = np.linspace(0, SIXTH, 61)[:-1]
LEAST_MM, MOST_MM = 2.0, 18.0  # length of the section along the axis
LEAST_RADIUS_MM = 5.0
SHOULDER_MM = 2.5
CLEARER = 0.15  # facets must leave at most this share of what a smooth round surface leaves unexplained
MAIN = 0.85  # of the widest section; calibration split


@dataclass(frozen=True, slots=True, eq=False)
class Hexagon:
    """A hexagonal section.

    Parameters
    ----------
    stations : (N,) bool among the profile's
    roll_rad : angle of a corner from the line facing the camera, 0 to 60 degrees
    under : contact height over half width of the silhouette
    u_rel : relative standard uncertainty of the width across flats by the roll
    score : unexplained light with facets over unexplained light of a round surface; smaller is clearer
    """

    stations: NDArray[np.bool_]
    roll_rad: float
    under: float
    u_rel: float
    score: float
    method: str


def find(
    photo: Photo, camera: Camera, pose: Pose, profile: Profile, usable: NDArray[np.bool_], mm_per_px: float
) -> tuple[Hexagon, ...]:
    """Every section with facets, the widest first."""
    tried = [
        _fitted(photo, camera, pose, profile, first, last, mm_per_px)
        for first, last in _sections(profile, usable, mm_per_px)
    ]
    found = [one for one in tried if one is not None]
    return tuple(sorted(found, key=lambda one: -across_flats(one, profile, pose)))


def _sections(profile: Profile, usable: NDArray[np.bool_], mm_per_px: float) -> list[tuple[int, int]]:
    """Runs of nearly one radius and of a hexagon's length, in order of the stations."""
    radius = median_filter(profile.radius_mm, 3)
    station = profile.station_mm
    jump = np.abs(np.concatenate([[0.0], radius[2:] - radius[:-2], [0.0]]))
    level = np.flatnonzero(usable & (jump <= np.maximum(0.01 * radius, 0.9 * mm_per_px)) & (radius > LEAST_RADIUS_MM))
    sections = []
    for piece in np.split(level, np.flatnonzero(np.diff(level) > 1) + 1):
        if len(piece) < 6:
            continue
        if not LEAST_MM <= float(abs(station[piece[-1]] - station[piece[0]])) <= MOST_MM:
            continue
        low, middle, high = np.percentile(radius[piece], (10, 50, 90)).tolist()
        if high - low < 0.04 * middle:
            sections.append((int(piece[0]), int(piece[-1])))
    return sections


def _fitted(
    photo: Photo, camera: Camera, pose: Pose, profile: Profile, first: int, last: int, mm_per_px: float
) -> Hexagon | None:
    trim = (last - first) // 6
    inner = np.arange(first + trim, last - trim + 1)
    half = float(np.median(profile.radius_mm[inner]))
    across = np.linspace(-0.96, 0.96, max(31, int(2 * half / mm_per_px)))
    light = _light(photo, camera, pose, profile, inner, across * half)
    away = _away(profile, pose)
    unexplained = _facets_rest(_sums(light, across), across, ROLLS, half, away)
    smooth = _smooth_rest(light, across)
    best = int(np.argmin(unexplained))
    score = float(unexplained[best] / max(smooth, 1e-12))
    if score > CLEARER:
        return None
    roll = float(ROLLS[best])
    near = unexplained < unexplained[best] * 1.25
    widths = math.cos(math.pi / 6) / _reaches(ROLLS[near], half, away)
    u_rel = float(np.hypot(np.std(widths) / np.mean(widths), 0.004))
    stations = np.zeros(len(profile.radius_mm), bool)
    stations[first : last + 1] = True
    text = "lying, corners of the hexagon seen between its flats"
    return Hexagon(stations, roll, _under(profile, pose, roll, half), u_rel, score, text)


def carried(hexagon: Hexagon, profile: Profile) -> NDArray[np.bool_]:
    """Stations (N,) of the section and its blurred shoulders, where the silhouette is still the hexagon's."""
    middle = profile.station_mm[hexagon.stations]
    near = (profile.station_mm > middle.min() - SHOULDER_MM) & (profile.station_mm < middle.max() + SHOULDER_MM)
    return hexagon.stations | (near & (profile.radius_mm > 0.8 * float(np.median(profile.radius_mm[hexagon.stations]))))


def _light(
    photo: Photo, camera: Camera, pose: Pose, profile: Profile, inner: NDArray[np.int64], offsets_mm: Array
) -> Array:
    """Mean light (K,) across the section at ``offsets_mm`` (K,) from the axis, square to the line of sight."""
    axis = profile.axis
    centre = axis.at(profile.station_mm[inner])
    right = np.cross(centre - camera_place_mm(pose), axis.along)
    right *= np.sign(right @ axis.across)[:, None]
    right /= np.linalg.norm(right, axis=1, keepdims=True)
    points = centre[:, None, :] + offsets_mm[None, :, None] * right[:, None, :]
    pixels = (project(camera, pose, points.reshape(-1, 3)) + 0.5) / photo.reduced - 0.5
    light = sample_places(photo.rgb, pixels)
    coded = np.sqrt(light).reshape(len(inner), len(offsets_mm), 3)
    return np.asarray(np.median(coded, axis=0))


def _away(profile: Profile, pose: Pose) -> float:
    """Distance of the camera from the axis [mm]."""
    between = camera_place_mm(pose) - profile.axis.foot_mm
    return float(np.linalg.norm(between - (between @ profile.axis.along) * profile.axis.along))


def corners(roll_rad: Array | float, circle_mm: Array | float, away_mm: float) -> tuple[Array, NDArray[np.bool_]]:
    """Signed distance (..., 6) from the axis of the rays through the six corners, and which of them face the camera."""
    angles = np.asarray(roll_rad)[..., None] + SIXTH * np.arange(6)
    circle = np.asarray(circle_mm)[..., None]
    side, ahead = circle * np.sin(angles), circle * np.cos(angles)
    offsets = away_mm * side / np.sqrt((away_mm - ahead) ** 2 + side**2)
    return offsets, ahead > 0


def reach(roll_rad: float, half_mm: float, away_mm: float) -> float:
    """Half width of the silhouette over the corner circle's radius."""
    return float(_reaches(np.array([roll_rad]), half_mm, away_mm)[0])


def _reaches(rolls_rad: Array, half_mm: float, away_mm: float) -> Array:
    offsets, _ = corners(rolls_rad, half_mm, away_mm)
    return np.asarray((offsets.max(axis=-1) - offsets.min(axis=-1)) / 2 / half_mm)


def _sums(light: Array, across: Array) -> Array:
    """Sums from the first place on (K + 1, 12): 1, place, its square, light (3), place times light, light squared."""
    place = across[:, None]
    columns = np.hstack([np.ones_like(place), place, place**2, light, place * light, light**2])
    return np.vstack([np.zeros(columns.shape[1]), np.cumsum(columns, axis=0)])


def _facets_rest(sums: Array, across: Array, rolls: Array, half: float, away: float) -> Array:
    """Mean square of the light that straight lines between the corners leave unexplained, at each roll (R,)."""
    offsets, facing = corners(rolls, half / _reaches(rolls, half, away), away)
    inner = np.sort(np.where(facing & (np.abs(offsets) < 0.97 * half), offsets / half, 1.0), axis=1)
    cuts = np.hstack([np.full((len(rolls), 1), -1.0), inner, np.ones((len(rolls), 1))])  # those left out have no width
    guard = 0.03
    first = np.searchsorted(across, cuts[:, :-1] + guard, "right")
    last = np.searchsorted(across, cuts[:, 1:] - guard)
    long = last - first >= 4
    piece = np.where(long[..., None], sums[last] - sums[np.minimum(first, last)], 1.0)
    number, place, square = np.moveaxis(piece[..., :3], -1, 0)
    mean = piece[..., 3:6] / number[..., None]
    both = piece[..., 6:9] - place[..., None] * mean
    around = np.sum(piece[..., 9:] - piece[..., 3:6] * mean, axis=-1)
    spread = np.where(long, square - place**2 / number, 1.0)
    rest = np.where(long, around - np.sum(both**2, axis=-1) / spread, 0.0)
    return np.asarray(rest.sum(axis=1) / np.maximum(np.where(long, number, 0).sum(axis=1), 1))


def _smooth_rest(light: Array, across: Array) -> float:
    """Mean square of the light (K, 3) that a smooth round surface leaves: a polynomial in the surface's angle."""
    design = np.vander(np.arcsin(across) / (math.pi / 2), 7)
    smooth, *_ = np.linalg.lstsq(design, light, rcond=None)
    return float(np.mean(np.sum((light - design @ smooth) ** 2, axis=1)))


def _under(profile: Profile, pose: Pose, roll: float, half: float) -> float:
    """Contact height over half width: how far the lowest corner or flat reaches down from the axis."""
    axis = profile.axis
    sight = camera_place_mm(pose) - axis.at(np.array([float(np.mean(profile.station_mm))]))[0]
    sight -= (sight @ axis.along) * axis.along
    up = sight / np.linalg.norm(sight)
    right = np.cross(axis.along, up)
    right *= np.sign(right @ axis.across)
    angles = roll + SIXTH * np.arange(6)
    outward = np.cos(angles)[:, None] * up + np.sin(angles)[:, None] * right
    down = np.array([0.0, 0.0, -1.0])
    down = down - (down @ axis.along) * axis.along
    lowest = float(np.max(outward @ (down / np.linalg.norm(down))))
    return lowest / reach(roll, half, _away(profile, pose))


def is_main(found: Hexagon, profile: Profile, widest_mm: float) -> bool:
    """Whether the hexagon is the part's widest section: beside a wider one without facets it may be a gland nut's."""
    return float(np.median(profile.radius_mm[found.stations])) > MAIN * widest_mm


def across_flats(hexagon: Hexagon, profile: Profile, pose: Pose) -> float:
    """Width across flats [mm] from the silhouette's width and the roll."""
    half = float(np.median(profile.radius_mm[hexagon.stations]))
    away = _away(profile, pose)
    circle = half
    for _ in range(3):
        circle = half / reach(hexagon.roll_rad, circle, away)
    return 2 * circle * math.cos(math.pi / 6)
