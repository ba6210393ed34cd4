"""The tilt of a coin from both its rims: the top one all round, and the bottom one where the side wall is in view.

A top rim alone leaves the sign of the tilt open and says little near straight-down, where its shape goes with the
square of the tilt. The visible wall goes with the tilt itself and lies on the side that faces the camera. Every
normal of a grid is given the best centre and size, and the log likelihood of the edges beside the coin.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from identify.geometry import ellipse as ellipses
from identify.geometry.edges import sample_profiles, steepness
from identify.model import Array, Bytes, Camera, Ellipse

STATIONS = 144
INDEPENDENT = 8.0  # of the stations: neighbours share shadow, wear, glare and relief, which no model of the rims has
MISSING = 0.12  # share of a rim that shows no edge, or another one
U_SHAPE = 0.012  # of the radius: the second harmonic of a rim as first measured
WIDEST_DEG = 55.0


@dataclass(frozen=True, slots=True, eq=False)
class Normals:
    """Trial normals with their coin.

    Parameters
    ----------
    tilts_rad : (N, 2) tilt from the line of sight, as a vector across it [rad]
    normals : (N, 3) towards the camera, in its frame
    centres_mm : (N, 3) of the coin's top face [mm]
    log_likelihood : (N,)
    """

    tilts_rad: Array
    normals: Array
    centres_mm: Array
    log_likelihood: Array


@dataclass(frozen=True, slots=True, eq=False)
class Surroundings:
    """The edges on short lines across a coin's rim, as a table: the nearest edge to any offset on each line.

    ``nearest_px`` is (STATIONS, K) over ``offsets_px`` (K,); ``density`` is the number of edges per pixel of line.
    """

    start: Ellipse
    normals: Array
    offsets_px: Array
    nearest_px: Array
    density: float
    u_px: float


def surroundings(rgb: Bytes, rim: Ellipse) -> Surroundings | None:
    """Look at the picture beside a coin's rim; None where there are hardly any edges to see."""
    stations, normals = ellipses.rim(rim, STATIONS)
    blur = float(np.clip(rim.major_px / 90, 0.8, 3.0))
    step = blur / 3
    offsets = np.arange(-0.16 * rim.major_px - 2, 0.14 * rim.major_px + 2, step)
    steep = steepness(sample_profiles(rgb, stations, normals, offsets), step_px=step, blur_px=blur)
    inner = steep[:, 1:-1]
    floor = np.maximum(0.004, 0.15 * steep.max(axis=1, keepdims=True))
    rows, columns = np.nonzero((inner >= steep[:, :-2]) & (inner > steep[:, 2:]) & (inner > floor))
    if len(np.unique(rows)) < 0.6 * STATIONS:
        return None
    left, middle, right = steep[rows, columns], steep[rows, columns + 1], steep[rows, columns + 2]
    shift = 0.5 * (left - right) / np.minimum(left - 2 * middle + right, -1e-12)
    places = offsets[columns + 1] + np.clip(shift, -1, 1) * step
    nearest = np.full(steep.shape, 1e3)
    for row in range(STATIONS):
        mine = places[rows == row]
        if len(mine):
            nearest[row] = mine[np.argmin(np.abs(offsets[:, None] - mine), axis=1)]
    density = len(rows) / (STATIONS * (offsets[-1] - offsets[0]))
    return Surroundings(rim, normals, offsets, nearest, density, math.hypot(0.35, 0.006 * rim.major_px))


def coarse_tilts_rad() -> tuple[Array, Array]:
    """Tilts (N, 2) in rings up to WIDEST_DEG, and the area that each stands for (N,) [rad²]."""
    radii = np.radians([0, 2, 4, 6, 8, 10, 12.5, 15, 18, 21, 25, 30, 35, 41, 48, WIDEST_DEG])
    turn = 2 * np.pi * np.arange(24) / 24
    width = np.gradient(radii)
    area = np.repeat(radii * width * 2 * np.pi / 24, 24)
    area[:24] = math.pi * (radii[1] / 2) ** 2 / 24
    tilts = radii[:, None, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    return tilts.reshape(-1, 2), area


def fine_tilts_rad(middle_rad: Array, *, reach_deg: float = 4.0, step_deg: float = 0.5) -> tuple[Array, Array]:
    """Tilts (N, 2) on a square about one, and the area that each stands for (N,) [rad²]."""
    side = np.radians(np.arange(-reach_deg, reach_deg + step_deg / 2, step_deg))
    x, y = np.meshgrid(side, side)
    tilts = middle_rad + np.column_stack([x.ravel(), y.ravel()])
    return tilts, np.full(len(tilts), math.radians(step_deg) ** 2)


def judge(seen: Surroundings, camera: Camera, tilts_rad: Array, *, radius_mm: float, thickness_mm: float) -> Normals:
    """Give every tilt (N, 2) its best centre and size, and the log likelihood of the edges."""
    towards = sight(seen.start, camera)
    first, second = _across(towards[None])
    angle = np.linalg.norm(tilts_rad, axis=1, keepdims=True)
    side = tilts_rad / np.maximum(angle, 1e-12)
    normals = np.sin(angle) * (side[:, :1] * first + side[:, 1:] * second) - np.cos(angle) * towards
    starts = _first_centres(seen, camera, normals, radius_mm, thickness_mm)
    tried = [_settled(seen, camera, normals, start, radius_mm, thickness_mm) for start in starts]
    best = np.argmax([score for _, score in tried], axis=0)
    rows = np.arange(len(normals))
    centres, scores = (np.stack([each[part] for each in tried])[best, rows] for part in range(2))
    return Normals(tilts_rad, normals, centres, scores * INDEPENDENT / STATIONS)


def _first_centres(
    seen: Surroundings, camera: Camera, normals: Array, radius_mm: float, thickness_mm: float
) -> list[Array]:
    """Centres (N, 3) to start from: the rim as first measured was the top one, or the outline of top and wall."""
    towards = sight(seen.start, camera)
    depth = camera.focal_px * radius_mm / seen.start.major_px
    across = normals - (normals @ towards)[:, None] * towards
    starts = []
    for nearness in (1.0, 1.03):
        place = np.tile(depth * nearness / towards[2] * towards, (len(normals), 1))
        starts += [place, place + 0.5 * thickness_mm * across]
    return starts


def _settled(
    seen: Surroundings, camera: Camera, normals: Array, centres: Array, radius_mm: float, thickness_mm: float
) -> tuple[Array, Array]:
    """The centres (N, 3) moved onto the edges, and the log likelihood (N,) of the edges there."""
    for _ in range(3):
        tops, bottoms, wall = _curves(seen, camera, normals, centres, radius_mm, thickness_mm)
        centres = centres + _step_mm(seen, camera, centres, tops, bottoms, wall)
    tops, bottoms, wall = _curves(seen, camera, normals, centres, radius_mm, thickness_mm)
    score = _gain(seen, tops).sum(axis=1) + (_gain(seen, bottoms) * wall).sum(axis=1)
    score += _explained(seen, np.where(wall, bottoms, tops), tops)
    return centres, score + _shaped(seen, tops, np.maximum(tops, bottoms)) * STATIONS / INDEPENDENT


def tilt_vectors(normals: Array, sights: Array) -> Array:
    """Tilts (N, 2) of normals (N, 3) from lines of sight (N or 1, 3), as ``judge`` takes them [rad]."""
    sights = sights / np.linalg.norm(sights, axis=1, keepdims=True)
    first, second = _across(sights)
    x, y = np.sum(normals * first, axis=1), np.sum(normals * second, axis=1)
    sine = np.maximum(np.hypot(x, y), 1e-12)
    angle = np.arctan2(sine, -np.sum(normals * sights, axis=1))
    return np.column_stack([x, y]) * (angle / sine)[:, None]


def sight(rim: Ellipse, camera: Camera) -> Array:
    """Unit direction (3,) to an ellipse's centre."""
    x = (rim.x_px - camera.centre_xy_px[0]) / camera.focal_px
    y = (rim.y_px - camera.centre_xy_px[1]) / camera.focal_px
    return np.array([x, y, 1.0]) / math.sqrt(x * x + y * y + 1)


def _across(sights: Array) -> tuple[Array, Array]:
    first = np.array([1.0, 0.0, 0.0]) - sights[:, :1] * sights
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return first, np.cross(sights, first)


def _curves(
    seen: Surroundings, camera: Camera, normals: Array, centres: Array, radius_mm: float, thickness_mm: float
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Offsets (N, STATIONS) [px] of top and bottom rim from the start, and where the bottom one shows apart."""
    turn = 2 * np.pi * np.arange(48) / 48
    first = np.array([1.0, 0.0, 0.0]) - normals[:, :1] * normals
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second = np.cross(normals, first)
    radial = np.cos(turn)[None, :, None] * first[:, None] + np.sin(turn)[None, :, None] * second[:, None]
    top = centres[:, None] + radius_mm * radial
    bottom = top - thickness_mm * normals[:, None]
    faces = np.sum(radial * -bottom, axis=2) > 0
    places, tops = _offsets(seen, camera, top)
    places_bottom, bottoms = _offsets(seen, camera, bottom)
    stations = 2 * np.pi * np.arange(STATIONS) / STATIONS
    on_top = _resampled(places, tops, stations)
    on_bottom = _resampled(places_bottom, bottoms, stations)
    shows = _resampled(places_bottom, faces.astype(float), stations) > 0.5
    return on_top, on_bottom, shows & (on_bottom - on_top > 2.0 * seen.u_px)


def _offsets(seen: Surroundings, camera: Camera, points: Array) -> tuple[Array, Array]:
    """Angle on the start's own circle and signed distance from it [px] of camera-frame points (N, M, 3)."""
    x = camera.centre_xy_px[0] + camera.focal_px * points[..., 0] / points[..., 2] - seen.start.x_px
    y = camera.centre_xy_px[1] + camera.focal_px * points[..., 1] / points[..., 2] - seen.start.y_px
    inverse = np.linalg.inv(ellipses.shape_matrix(seen.start))
    u, v = inverse[0, 0] * x + inverse[0, 1] * y, inverse[1, 0] * x + inverse[1, 1] * y
    length = np.hypot(u, v)
    p, q = inverse[0, 0] * u + inverse[0, 1] * v, inverse[1, 0] * u + inverse[1, 1] * v
    return np.arctan2(v, u), (length - 1) * length / np.hypot(p, q)


def _resampled(angles: Array, values: Array, stations: Array) -> Array:
    """Values (N, M) at angles (N, M) of closed curves, taken at the stations' angles (N, STATIONS).

    The angles run evenly enough that the two beside a station are found by counting those below it.
    """
    order = np.argsort(angles, axis=1)
    full = 2 * np.pi
    ring = np.take_along_axis(angles, np.hstack([order[:, -1:], order, order[:, :1]]), axis=1)
    ring[:, 0] -= full
    ring[:, -1] += full
    heights = np.take_along_axis(values, np.hstack([order[:, -1:], order, order[:, :1]]), axis=1)
    wanted = (stations + np.pi) % full - np.pi
    rows = np.arange(len(ring))[:, None]
    ranks = np.searchsorted((ring + rows * 4 * full).ravel(), (wanted + rows * 4 * full).ravel(), side="right")
    index = np.clip(ranks.reshape(len(ring), -1) - rows * ring.shape[1], 1, ring.shape[1] - 1)
    left, right = np.take_along_axis(ring, index - 1, axis=1), np.take_along_axis(ring, index, axis=1)
    share = (wanted - left) / np.maximum(right - left, 1e-12)
    low, high = np.take_along_axis(heights, index - 1, axis=1), np.take_along_axis(heights, index, axis=1)
    return np.asarray(low + share * (high - low))


def _misses(seen: Surroundings, curve: Array) -> Array:
    """Distance (N, STATIONS) from a curve's offsets to the nearest edge of each line [px]."""
    step = seen.offsets_px[1] - seen.offsets_px[0]
    index = np.clip(np.rint((curve - seen.offsets_px[0]) / step).astype(int), 0, len(seen.offsets_px) - 1)
    return np.asarray(seen.nearest_px[np.arange(STATIONS), index] - curve)


def _gain(seen: Surroundings, curve: Array) -> Array:
    """Log likelihood (N, STATIONS) of the nearest edges over edges strewn at random."""
    squared = (_misses(seen, curve) / seen.u_px) ** 2
    peak = (1 - MISSING) / (math.sqrt(2 * math.pi) * seen.u_px * seen.density)
    return np.log(MISSING + peak * np.exp(-0.5 * squared))


def _explained(seen: Surroundings, outer: Array, inner: Array) -> Array:
    """Log likelihood (N,) that the rim as first measured is one of the two curves and no mark on the face."""
    start = _misses(seen, np.zeros((1, STATIONS)))
    there = np.abs(start) < 0.02 * seen.start.major_px
    away = np.minimum(np.abs(outer - start), np.abs(inner - start)) / seen.u_px
    return np.asarray((np.log(MISSING + (1 - MISSING) * np.exp(-0.5 * away**2)) * there).sum(axis=1))


def _shaped(seen: Surroundings, tops: Array, outlines: Array) -> Array:
    """Log likelihood (N,) that the rim as first measured has the shape of the top rim, or of top and wall together."""
    turn = 2 * np.pi * np.arange(STATIONS) / STATIONS
    waves = np.stack([np.cos(2 * turn), np.sin(2 * turn)], axis=1) * 2 / STATIONS
    squared = [
        np.sum((curve @ waves) ** 2, axis=1) / (U_SHAPE * seen.start.major_px) ** 2 for curve in (tops, outlines)
    ]
    return np.asarray(np.log(np.exp(-0.5 * squared[0]) + np.exp(-0.5 * squared[1]) + 1e-6))


def _step_mm(
    seen: Surroundings, camera: Camera, centres: Array, tops: Array, bottoms: Array, wall: NDArray[np.bool_]
) -> Array:
    """Move of the centres (N, 3) [mm] that brings the curves onto their nearest edges, far ones left out."""
    turn = 2 * np.pi * np.arange(STATIONS) / STATIONS
    grow = np.sum((np.column_stack([np.cos(turn), np.sin(turn)]) @ ellipses.shape_matrix(seen.start)) * seen.normals, 1)
    basis = np.column_stack([seen.normals, grow])
    gate = 4 * seen.u_px
    total, pull = np.zeros((len(centres), 3, 3)), np.zeros((len(centres), 3))
    for curve, used in ((tops, np.ones_like(wall)), (bottoms, wall)):
        miss = _misses(seen, curve)
        weight = used / (1 + (miss / seen.u_px) ** 2) * (np.abs(miss) < gate)
        total += np.einsum("hs,si,sj->hij", weight, basis, basis)
        pull += np.einsum("hs,hs,si->hi", weight, miss, basis)
    move = np.linalg.solve(total + 1e-6 * np.eye(3), pull[..., None])[..., 0]
    depth = centres[:, 2]
    across = move[:, :2] * (depth / camera.focal_px)[:, None]
    return np.column_stack([across, np.zeros(len(depth))]) - centres * np.clip(move[:, 2:3], -0.1, 0.1)
