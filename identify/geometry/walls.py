"""The tilt of a coin from both its rims: the top one all round, and the outline where the side wall is in view.

A top rim alone leaves the sign of the tilt open and says little near straight-down, where its shape goes with the
square of the tilt. The visible wall goes with the tilt itself and lies on the side that faces the camera. A network
tells odds of the top rim and of the outline on spokes about the coin; every normal of a grid is given the centre and
size that the rim has, and the log likelihood of both curves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from identify.geometry import coin_edge, rings, tilts
from identify.geometry import ellipse as ellipses
from identify.model import Array, Bytes, Camera, Ellipse

INDEPENDENT = 8.0  # of the spokes: neighbours share shadow, wear, glare and relief
MISSING = 0.02  # odds that a spoke shows another edge, as a share of a bin
LEAST_SUPPORT = 0.4  # share of the odds on the ring
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
    """A coin's rim, and log odds (2, SPOKES, len(SCALES)) of top rim and outline on the spokes about ``start``."""

    start: Ellipse
    rim: Ellipse
    log_odds: Array


def surroundings(rgb: Bytes, rim: Ellipse) -> Surroundings | None:
    """Look at the picture about a coin's rim; None where no edge goes round."""
    odds = coin_edge.log_odds(rgb, [rim])[0]
    found = rings.edge(odds[0], rim)
    if found is None or found.support < LEAST_SUPPORT:
        return None
    return Surroundings(rim, found.ellipse, np.log(np.exp(odds) + MISSING))


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
    """Give every tilt (N, 2) its centre, and the log likelihood of both curves."""
    towards = sight(seen.start, camera)
    first, second = _across(towards[None])
    angle = np.linalg.norm(tilts_rad, axis=1, keepdims=True)
    side = tilts_rad / np.maximum(angle, 1e-12)
    normals = np.sin(angle) * (side[:, :1] * first + side[:, 1:] * second) - np.cos(angle) * towards
    places, radii, _ = tilts.circles(
        normals, *(np.repeat(each, len(normals), 0) for each in tilts.of([seen.rim], camera))
    )
    bottoms = places - (radii * thickness_mm / radius_mm)[:, None] * normals
    top, bottom = (_radii(seen.start, camera, *tilts.images(normals, each, radii)) for each in (places, bottoms))
    score = _told(seen.log_odds[0], top) + _told(seen.log_odds[1], np.maximum(top, bottom))
    return Normals(tilts_rad, normals, places * (radius_mm / radii)[:, None], score * INDEPENDENT / rings.SPOKES)


def _radii(start: Ellipse, camera: Camera, centres: Array, squares: Array) -> Array:
    """Radii (N, SPOKES) of ellipses on the spokes about the start, in units of it."""
    inverse = np.linalg.inv(ellipses.shape_matrix(start))
    middle = (centres * camera.focal_px + camera.centre_xy_px - (start.x_px, start.y_px)) @ inverse
    form = np.linalg.inv(inverse @ (squares * camera.focal_px**2) @ inverse)
    along = np.einsum("si,nij,sj->ns", rings.UNIT, form, rings.UNIT)
    pulled = (form @ middle[:, :, None])[:, :, 0]
    half = pulled @ rings.UNIT.T
    rest = np.sum(pulled * middle, axis=1)[:, None] - 1
    return np.asarray((half + np.sqrt(np.maximum(half**2 - along * rest, 0))) / along)


def _told(log_odds: Array, radii: Array) -> Array:
    """Sum over the spokes (N,) of the log odds (SPOKES, K) at radii (N, SPOKES)."""
    place = np.clip((radii - rings.SCALES[0]) / (rings.SCALES[1] - rings.SCALES[0]), 0, len(rings.SCALES) - 1.001)
    below = place.astype(int)
    spokes = np.arange(rings.SPOKES)
    low, high = log_odds[spokes, below], log_odds[spokes, below + 1]
    return np.asarray((low + (place - below) * (high - low)).sum(axis=1))


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
