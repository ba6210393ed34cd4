"""Ellipses: robust sub-pixel fits with their covariance, and the two poses of a circle that an ellipse shows.

A fit starts with the approximate-mean-square fit (Taubin, IEEE PAMI 13, 1991, as OpenCV has it) and then
minimises the Sampson distance (Hartley and Zisserman, Multiple View Geometry, 2nd edition 2004, section 4.2.6)
under a Cauchy loss by reweighted Gauss-Newton steps; points further than four standard deviations are left out of
the last ones. An ellipse is carried as its centre and the symmetric matrix that makes it from the unit circle, so
that a circle is no singular case.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from identify.model import Array, Ellipse

_CAUCHY = 1.5  # the loss bends at this many standard deviations


@dataclass(frozen=True, slots=True, eq=False)
class EllipseFit:
    """A fitted ellipse.

    Parameters
    ----------
    covariance : (5, 5) of (x, y, m_xx, m_xy, m_yy) [px²], m being ``shape_matrix``
    residuals_px : (N,) signed Sampson distances of the points given, positive outside [px]
    scatter_px : robust standard deviation of the residuals [px]
    """

    ellipse: Ellipse
    covariance: Array
    residuals_px: Array
    scatter_px: float


def shape_matrix(ellipse: Ellipse) -> Array:
    """The symmetric matrix (2, 2) [px] that turns the unit circle into the ellipse about its centre."""
    cos, sin = math.cos(ellipse.angle_rad), math.sin(ellipse.angle_rad)
    turn = np.array([[cos, -sin], [sin, cos]])
    return turn @ np.diag([ellipse.major_px, ellipse.minor_px]) @ turn.T


def from_shape_matrix(centre_px: Array, matrix: Array) -> Ellipse:
    """The ellipse of a centre (2,) [px] and a symmetric matrix (2, 2) [px]; the inverse of ``shape_matrix``."""
    lengths, directions = np.linalg.eigh(np.asarray(matrix, float))
    long = int(np.argmax(np.abs(lengths)))
    axis = directions[:, long]
    return Ellipse(
        x_px=float(centre_px[0]),
        y_px=float(centre_px[1]),
        major_px=float(abs(lengths[long])),
        minor_px=float(abs(lengths[1 - long])),
        angle_rad=math.atan2(axis[1], axis[0]),
    )


def rim(ellipse: Ellipse, count: int) -> tuple[Array, Array]:
    """Points of the rim (count, 2) [px], evenly spaced in the circle's own angle, and unit outward normals."""
    turn = 2 * np.pi * np.arange(count) / count
    unit = np.column_stack([np.cos(turn), np.sin(turn)])
    matrix = shape_matrix(ellipse)
    normals = unit @ np.linalg.inv(matrix)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return np.array([ellipse.x_px, ellipse.y_px]) + unit @ matrix, normals


def distances(ellipse: Ellipse, points_px: Array) -> Array:
    """Signed Sampson distances (N,) of points (N, 2), positive outside [px]."""
    matrix = shape_matrix(ellipse)
    return _sampson(np.array([ellipse.x_px, ellipse.y_px, matrix[0, 0], matrix[0, 1], matrix[1, 1]]), points_px)


def _sampson(numbers: Array, points: Array) -> Array:
    return _seen(numbers, points)[0]


def _seen(numbers: Array, points: Array) -> tuple[Array, Array]:
    """Signed Sampson distances (N,), and how they change with the numbers (N, 5).

    The rim moves along its normal; exact on the rim.
    """
    x, y, xx, xy, yy = numbers.tolist()
    dx, dy = points[:, 0] - x, points[:, 1] - y
    det = xx * yy - xy * xy
    ux, uy = (yy * dx - xy * dy) / det, (xx * dy - xy * dx) / det  # the unit circle's
    nx, ny = (yy * ux - xy * uy) / det, (xx * uy - xy * ux) / det
    square = ux * ux + uy * uy
    slope = np.maximum(np.sqrt(nx * nx + ny * ny), 1e-9)
    away = np.maximum(np.sqrt(square), 1e-9)
    nx, ny, ux, uy = nx / slope, ny / slope, ux / away, uy / away
    changes = np.stack([-nx, -ny, -nx * ux, -(nx * uy + ny * ux), -ny * uy], axis=1)
    return (square - 1) / (2 * slope), changes


def _middle(values: Array) -> float:
    """The median of values (N,); numpy's own takes five times as long on so few."""
    ordered = np.sort(values)
    return 0.5 * float(ordered[(len(values) - 1) // 2] + ordered[len(values) // 2])


def fit(points_px: Array, *, start: Ellipse | None = None, weights: Array | None = None) -> EllipseFit | None:
    """Fit an ellipse to points of its rim, outliers notwithstanding.

    Parameters
    ----------
    points_px : (N, 2), N >= 6 [px]
    start : an ellipse to start from instead of the approximate-mean-square fit
    weights : (N,) of the points, 1 where not given

    Returns
    -------
    None where the points do not determine an ellipse.
    """
    points = np.asarray(points_px, float).reshape(-1, 2)
    if len(points) < 6:
        return None
    middle = points.mean(axis=0)
    scale = float(np.sqrt(np.mean(np.sum((points - middle) ** 2, axis=1)))) or 1.0
    local = (points - middle) / scale
    own = np.ones(len(points)) if weights is None else weights / np.mean(weights)
    first = _concentrated(local) if start is None else _moved(start, middle, scale)
    if first is None:
        return None
    for turn in range(20):
        residuals, slopes = _seen(first, local)
        spread = max(1.4826 * _middle(np.abs(residuals)), 1e-9)
        weight = own * _weights(residuals, spread) * (np.abs(residuals) < (4 * spread if turn > 2 else np.inf))
        weighted = slopes.T * weight
        step = -np.linalg.solve(weighted @ slopes + 1e-12 * np.eye(5), weighted @ residuals)
        first = first + step
        if not np.all(np.isfinite(first)) or first[2] * first[4] - first[3] ** 2 <= 1e-6:
            return None
        if turn > 3 and np.max(np.abs(step)) < 2e-5:
            break
    residuals, slopes = _seen(first, local)
    spread = max(1.4826 * _middle(np.abs(residuals)), 1e-9)
    matrix = np.array([[first[2], first[3]], [first[3], first[4]]])
    return EllipseFit(
        ellipse=from_shape_matrix(middle + scale * first[:2], scale * matrix),
        covariance=_covariance(slopes, residuals, spread) * scale**2,
        residuals_px=residuals * scale,
        scatter_px=spread * scale,
    )


def _concentrated(local: Array) -> Array | None:
    """The start from the best seven tenths of the points: the loss needs a scale that outliers do not set."""
    first = _start(local)
    for _ in range(6):
        distance = np.abs(_sampson(first, local)) if first is not None else np.zeros(0)
        better = _start(local[distance <= np.quantile(distance, 0.7)]) if len(distance) >= 10 else None
        first = first if better is None else better
    return first


def _start(local: Array) -> Array | None:
    (x, y), (width, height), angle_deg = cv2.fitEllipseAMS(local.astype(np.float32).reshape(-1, 1, 2))
    if not np.all(np.isfinite([x, y, width, height])) or min(width, height) < 1e-3 or max(width, height) > 100:
        return None
    return _moved(Ellipse(x, y, width / 2, height / 2, math.radians(angle_deg)), np.zeros(2), 1.0)


def _moved(ellipse: Ellipse, middle: Array, scale: float) -> Array:
    matrix = shape_matrix(ellipse) / scale
    centre = (np.array([ellipse.x_px, ellipse.y_px]) - middle) / scale
    return np.array([*centre, matrix[0, 0], matrix[0, 1], matrix[1, 1]])


def _weights(residuals: Array, spread: float) -> Array:
    return np.asarray(1.0 / (1.0 + (residuals / (_CAUCHY * spread)) ** 2))


def _covariance(slopes: Array, residuals: Array, spread: float) -> Array:
    weight = _weights(residuals, spread) * (np.abs(residuals) < 4 * spread)
    noise = float(np.sum(weight * residuals**2) / max(np.sum(weight) - 5, 1))
    return np.asarray(np.linalg.pinv((slopes * weight[:, None]).T @ slopes) * noise, float)


def cones(points: Array) -> Array:
    """Algebraic least-squares conics (K, 3, 3) through K sets of points (K, N, 2), N >= 5.

    The points are in units of the focal length (x/z, y/z); the sign is such that a cone's inside is negative.
    """
    middle = points.mean(axis=1, keepdims=True)
    local = points - middle
    scale = np.sqrt(np.mean(np.sum(local**2, axis=2), axis=1))[:, None, None]
    x, y = np.moveaxis(local / scale, 2, 0)
    rows = np.stack([x * x, x * y, y * y, x, y], axis=2)
    gram = np.einsum("kni,knj->kij", rows, rows)
    a, b, c, d, e = np.moveaxis(np.linalg.solve(gram, rows.sum(axis=1)[..., None])[..., 0], 1, 0)
    local_cone = np.stack([a, b / 2, d / 2, b / 2, c, e / 2, d / 2, e / 2, -np.ones_like(a)], axis=1).reshape(-1, 3, 3)
    shift = np.zeros_like(local_cone)
    shift[:, 0, 0] = shift[:, 1, 1] = 1 / scale[:, 0, 0]
    shift[:, :2, 2] = -middle[:, 0] / scale[:, 0]
    shift[:, 2, 2] = 1
    return shift.transpose(0, 2, 1) @ local_cone @ shift


def circle_poses(cone: Array, radius_mm: Array) -> tuple[Array, Array]:
    """Both poses of a circle seen as a conic: unit normals towards the camera and centres, each (K, 2, 3) [mm].

    Parameters
    ----------
    cone : (K, 3, 3) symmetric, x^T Q x = 0 on the rim, x a direction in the camera frame
    radius_mm : (K,) [mm]

    Notes
    -----
    With the eigenvalues l1 >= l2 > 0 > l3 of the cone, Q - l2 I is the product of two planes; every plane parallel
    to one of them cuts the cone in a circle. The plane's distance is l2 r / sqrt(-l1 l3). The derivation needs no
    more than completing the square; the result is the textbook one (Hartley and Zisserman 2004, chapter 8, cones).
    """
    signed = cone * np.where(np.linalg.det(cone) < 0, 1.0, -1.0)[:, None, None]
    values, vectors = np.linalg.eigh(signed)
    low, middle, high = values.T
    e_low, e_high = vectors[:, :, 0], vectors[:, :, 2]
    e_low = e_low * np.where(e_low[:, 2] < 0, -1.0, 1.0)[:, None]
    across = np.sqrt(np.clip(high - middle, 0, None))[:, None, None]
    along = np.sqrt(middle - low)[:, None, None]
    norm = np.sqrt(high - low)[:, None, None]
    side = np.array([1.0, -1.0])[None, :, None]
    normal = (side * across * e_high[:, None] + along * e_low[:, None]) / norm
    distance = (middle * radius_mm / np.sqrt(-high * low))[:, None, None]
    mirrored = side * across * e_high[:, None] - along * e_low[:, None]
    sphere = -(norm * distance / (2 * middle[:, None, None])) * mirrored
    reach = distance - np.sum(normal * sphere, axis=2, keepdims=True)
    centre = sphere + reach * normal
    towards = np.where(np.sum(normal * centre, axis=2, keepdims=True) > 0, -1.0, 1.0)
    return normal * towards, centre * np.where(centre[:, :, 2:3] < 0, -1.0, 1.0)
