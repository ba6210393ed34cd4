"""The pose of a bench beneath any place of the picture, where many coins show its form and one of them the scale."""

from __future__ import annotations

import math

import numpy as np

from identify.geometry import tilts
from identify.geometry.coin_pose import Coin
from identify.model import Array, Camera, Pose

U_TILT_DEG = 1.2  # of a lone coin beyond what its picture tells: robust scatter on the calibration split of renders


def pose(form: tuple[Array, Array, float], coin: Coin, camera: Camera, place_px: Array) -> Pose:
    """The plane that touches the bench beneath a place (2,) [px]; the world's origin is there.

    Parameters
    ----------
    form : slope and bow (5,) as ``tilts.bench`` has them, their covariance (5, 5), and how much coins rock on it
    coin : the reference, whose size alone gives the scale
    """
    numbers, doubt, rocking = form
    place = (np.asarray(place_px, float) - camera.centre_xy_px) / camera.focal_px
    normal, point = _touching(numbers, rocking, coin, camera, place)
    slopes = np.zeros((7, 5))
    for k, step in enumerate(1e-4 * np.eye(5)):
        (other, there), (less, back) = (
            _touching(numbers + sign * step, rocking, coin, camera, place) for sign in (1, -1)
        )
        slopes[1:4, k] = np.cross(normal, (other - less) / 2e-4)
        slopes[4:, k] = (there - back) / 2e-4
    covariance = slopes @ doubt @ slopes.T
    covariance[4:, 4:] += (coin.u_size_rel**2 + tilts.u_rocking(rocking) ** 2) * np.outer(point, point)
    along = np.array([1.0, 0, 0, 0, 0, 0, point[2]])
    covariance += camera.u_focal_rel**2 * np.outer(along, along)
    return Pose(frames(normal[None])[0], point, with_thickness(covariance, normal, coin.thickness_mm))


def _touching(numbers: Array, rocking: float, coin: Coin, camera: Camera, place: Array) -> tuple[Array, Array]:
    """Normal and point (3,) [mm] of the bench in a direction (2,)."""
    centres, squares = tilts.of([coin.rim], camera)
    normals = tilts.normals(numbers, np.vstack([centres, place]))
    places, radii, _ = tilts.circles(normals[:1], centres, squares)
    radii = tilts.unrocked(radii, rocking, normals[:1], centres, squares)
    face_mm = float(places[0] @ normals[0]) * coin.radius_mm / radii[0]
    depth_mm = (face_mm - coin.thickness_mm) / float(np.append(centres[0], 1.0) @ normals[0])
    rise = tilts.log_depth(numbers, place[None])[0] - tilts.log_depth(numbers, centres)[0]
    return normals[1], depth_mm * math.exp(rise) * np.append(place, 1.0)


def frames(normals: Array) -> Array:
    """Rotations (N, 3, 3) whose third column is the bench's normal and whose first lies along the picture's x."""
    first = np.array([1.0, 0.0, 0.0]) - normals[:, :1] * normals
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return np.stack([first, np.cross(normals, first), normals], axis=2)


def turned_about(place: Array, rotation: Array, u_rad: float) -> Array:
    """Covariance (7, 7) of a doubt about both tilts of the plane about a place of it (3,) [mm]."""
    total = np.zeros((7, 7))
    for axis in (rotation[:, 0], rotation[:, 1]):
        change = np.array([0.0, *axis, *(-np.cross(axis, place))])
        total += u_rad**2 * np.outer(change, change)
    return total


def with_thickness(covariance: Array, normal: Array, thickness_mm: float) -> Array:
    """The covariance with the doubt about the reference's thickness along the bench's normal."""
    u_mm = 0.05 + 0.05 * min(thickness_mm, 2.0)
    total = covariance.copy()
    total[4:, 4:] += u_mm**2 * np.outer(normal, normal)
    return total
