"""The bench's tilt from the shapes of many rims that lie on it, their sizes unknown.

A coin away from the middle of the picture is seen from the side even by a camera that looks straight down, so its
shape changes in proportion to the bench's tilt. The dual conic of a circle about P with radius r in a plane of normal
n is r²(I - n n^T) - P P^T in the camera's frame (Hartley and Zisserman, Multiple View Geometry, 2nd edition 2004,
sections 2.2.3 and 8.3): centre and area of the ellipse seen give P and r up to scale, the rest tells n.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from identify.geometry import ellipse as ellipses
from identify.model import Array, Camera, Ellipse

U_SHAPE = 0.006  # of the radius: half the difference of a rim's axes; wear, shadow and the side wall
STRANGER = 0.1  # share of rims that do not lie on the bench, or are no rims
_WIDE = 0.08  # how far such a rim's shape may be off


def of(rims: Sequence[Ellipse], camera: Camera) -> tuple[Array, Array]:
    """Centres (N, 2) and squared shapes (N, 2, 2) of ellipses, in units of the focal length."""
    centres = np.array([[rim.x_px, rim.y_px] for rim in rims]).reshape(-1, 2) - camera.centre_xy_px
    shapes = np.array([ellipses.shape_matrix(rim) for rim in rims]).reshape(-1, 2, 2) / camera.focal_px
    return centres / camera.focal_px, shapes @ shapes


def _images(normal: Array, places: Array, radii: Array) -> tuple[Array, Array]:
    """Centres (N, 2) and squared shapes (N, 2, 2) of circles about places (N, 3) with radii (N,)."""
    dual = radii[:, None, None] ** 2 * (np.eye(3) - np.outer(normal, normal)) - places[:, :, None] * places[:, None, :]
    dual = dual / -dual[:, 2:, 2:]
    centres = -dual[:, :2, 2]
    return centres, dual[:, :2, :2] + centres[:, :, None] * centres[:, None, :]


def circles(normal: Array, centres: Array, squares: Array) -> tuple[Array, Array, Array]:
    """The circles on a plane whose images have these centres and areas.

    Returns
    -------
    Places (N, 3) on the sight to each circle's centre at depth 1, radii (N,) in the same unit, and squared shapes
    (N, 2, 2) of their images.
    """
    places = np.column_stack([centres, np.ones(len(centres))])
    area = np.sqrt(np.linalg.det(squares))
    facing = np.abs(places @ normal) / np.linalg.norm(places, axis=1)
    radii = np.sqrt(area / np.maximum(facing, 0.1))
    for _ in range(4):
        seen, shapes = _images(normal, places, radii)
        places[:, :2] += centres - seen
        radii = radii * np.sqrt(area / np.sqrt(np.maximum(np.linalg.det(shapes), 1e-18)))
    return places, radii, _images(normal, places, radii)[1]


def misshapen(normal: Array, centres: Array, squares: Array) -> Array:
    """How the rims differ in shape from those of circles on the plane (N, 2), as a share of the radius."""
    values, vectors = np.linalg.eigh(squares)
    white = (vectors / np.sqrt(values)[:, None, :]) @ vectors.transpose(0, 2, 1)
    off = white @ circles(normal, centres, squares)[2] @ white
    return np.column_stack([off[:, 0, 0] - off[:, 1, 1], 2 * off[:, 0, 1]]) / 4


def log_likelihood(normals: Array, rims: Sequence[Ellipse], camera: Camera) -> Array:
    """Log likelihood (K,) of the rims' shapes for normals (K, 3); some of the rims may not lie on the plane."""
    centres, squares = of(rims, camera)
    major = np.array([rim.major_px for rim in rims])
    variance = U_SHAPE**2 + (0.15 / major) ** 2
    result = np.zeros(len(normals))
    for k, normal in enumerate(normals):
        square = np.sum(misshapen(normal, centres, squares) ** 2, axis=1)
        right = (1 - STRANGER) * np.exp(-0.5 * square / variance) / variance
        wrong = STRANGER * np.exp(-0.5 * square / _WIDE**2) / _WIDE**2
        result[k] = np.sum(np.log(right + wrong + 1e-12))
    return result


def normals_about(middle: Array, *, reach_rad: float, count: int) -> Array:
    """Normals (count², 3) towards the camera on a square of tilts about one (2,) [rad]."""
    side = np.linspace(-reach_rad, reach_rad, count)
    x, y = np.meshgrid(middle[0] + side, middle[1] + side)
    return normals_of(np.column_stack([x.ravel(), y.ravel()]))


def normals_of(tilts_rad: Array) -> Array:
    """Normals (K, 3) towards the camera of tilts (K, 2) from the camera's axis [rad]."""
    angle = np.minimum(np.linalg.norm(tilts_rad, axis=1, keepdims=True), 1.4)
    return np.hstack([tilts_rad * np.sinc(angle / math.pi), -np.cos(angle)])


def tilts_of(normals: Array) -> Array:
    """Tilts (K, 2) from the camera's axis [rad] of normals (K, 3); the inverse of ``normals_of``."""
    sine = np.maximum(np.linalg.norm(normals[:, :2], axis=1, keepdims=True), 1e-12)
    return normals[:, :2] * np.arctan2(sine, -normals[:, 2:]) / sine


def likeliest(rims: Sequence[Ellipse], camera: Camera) -> Array:
    """The normal (3,) that the rims' shapes suit best."""
    middle = np.zeros(2)
    for reach, count in ((0.7, 15), (0.1, 7), (0.033, 7), (0.011, 5)):
        normals = normals_about(middle, reach_rad=reach, count=count)
        middle = tilts_of(normals[[int(np.argmax(log_likelihood(normals, rims, camera)))]])[0]
    return np.asarray(normals_of(middle[None])[0])


def expected(rim: Ellipse, normal: Array, camera: Camera) -> Ellipse:
    """The ellipse with the centre and area of ``rim`` that a circle on the plane would show."""
    centres, squares = of([rim], camera)
    values, vectors = np.linalg.eigh(circles(normal, centres, squares)[2][0])
    shape = (vectors * np.sqrt(values)) @ vectors.T * camera.focal_px
    return ellipses.from_shape_matrix(np.array([rim.x_px, rim.y_px]), shape)
