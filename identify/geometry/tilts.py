"""The bench's tilt and bow from the shapes of many rims that lie on it, their sizes unknown.

A coin away from the middle of the picture is seen from the side even by a camera that looks straight down, so its
shape changes in proportion to the bench's tilt. The dual conic of a circle about P with radius r in a plane of normal
n is r²(I - n n^T) - P P^T in the camera's frame (Hartley and Zisserman, Multiple View Geometry, 2nd edition 2004,
sections 2.2.3 and 8.3): centre and area of the ellipse seen give P and r up to scale, the rest tells n.

A cloth is seldom flat. With x the direction to a place in units of the focal length, the logarithm of its depth is
taken as quadratic, c + g x + x H x / 2; then the normal there is along (g + H x, -1 - (g + H x) x), which follows from
the surface's two tangents.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from identify.geometry import ellipse as ellipses
from identify.model import Array, Camera, Ellipse

U_SHAPE = 0.004  # of the radius: half the difference of a rim's axes; drawn coins have 0.003 to 0.005
BOW = 0.1  # of a bench, in 1 / (focal length): a table's, and what side walls and the lens feign
U_FEIGNED = np.array([0.01, 0.01, 0.02, 0.02, 0.02])  # of slope and bow: k1 of 0.01 bows by twice that; and lighting
_BEND = 2.0  # the Cauchy loss bends at this many standard deviations
_PRIOR_TILT = 0.5  # [rad]


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """A bench as rims show it: slope x, y and bow xx, xy, yy of log depth (5,), and their covariance (5, 5).

    ``rocking`` is the relative standard deviation of sizes from coins that do not lie flat on it, on a coarse cloth:
    a lean d of a coin seen at an angle a changes half the difference of its axes by d sin(a) / 2, and the root of
    its area by nearly the same, d tan(a) / 2.
    """

    numbers: Array
    covariance: Array
    rocking: float


def normals(numbers: Array, places: Array) -> Array:
    """Unit normals (N, 3) towards the camera at directions (N, 2) of a bench of slope and bow (5,)."""
    x, y = places.T
    slope = numbers[:2] + np.column_stack([numbers[2] * x + numbers[3] * y, numbers[3] * x + numbers[4] * y])
    upright = np.column_stack([slope, -1 - np.sum(slope * places, axis=1)])
    return upright / np.linalg.norm(upright, axis=1, keepdims=True)


def log_depth(numbers: Array, places: Array) -> Array:
    """Logarithm of the depth (N,) in directions (N, 2), but for a constant, of a bench of slope and bow (5,)."""
    x, y = places.T
    bow = 0.5 * (numbers[2] * x * x + numbers[4] * y * y) + numbers[3] * x * y
    return np.asarray(numbers[0] * x + numbers[1] * y + bow)


def of(rims: Sequence[Ellipse], camera: Camera) -> tuple[Array, Array]:
    """Centres (N, 2) and squared shapes (N, 2, 2) of ellipses, in units of the focal length."""
    centres = np.array([[rim.x_px, rim.y_px] for rim in rims]).reshape(-1, 2) - camera.centre_xy_px
    shapes = np.array([ellipses.shape_matrix(rim) for rim in rims]).reshape(-1, 2, 2) / camera.focal_px
    return centres / camera.focal_px, shapes @ shapes


def images(facing: Array, places: Array, radii: Array) -> tuple[Array, Array]:
    """Centres (N, 2) and squared shapes (N, 2, 2) of circles about places (N, 3) with radii (N,)."""
    flat = np.eye(3) - facing[:, :, None] * facing[:, None, :]
    dual = radii[:, None, None] ** 2 * flat - places[:, :, None] * places[:, None, :]
    dual = dual / -dual[:, 2:, 2:]
    centres = -dual[:, :2, 2]
    return centres, dual[:, :2, :2] + centres[:, :, None] * centres[:, None, :]


def circles(facing: Array, centres: Array, squares: Array) -> tuple[Array, Array, Array]:
    """The circles that face along normals (3,) or (N, 3) whose images have these centres and areas.

    Returns
    -------
    Places (N, 3) on the sight to each circle's centre at depth 1, radii (N,) in the same unit, and squared shapes
    (N, 2, 2) of their images.
    """
    facing = np.broadcast_to(facing, (len(centres), 3))
    places = np.column_stack([centres, np.ones(len(centres))])
    area = np.sqrt(np.linalg.det(squares))
    share = np.abs(np.sum(places * facing, axis=1)) / np.linalg.norm(places, axis=1)
    radii = np.sqrt(area / np.maximum(share, 0.1))
    for _ in range(3):
        seen, shapes = images(facing, places, radii)
        places[:, :2] += centres - seen
        radii = radii * np.sqrt(area / np.sqrt(np.maximum(np.linalg.det(shapes), 1e-18)))
    return places, radii, images(facing, places, radii)[1]


def misshapen(facing: Array, centres: Array, squares: Array) -> Array:
    """How rims differ in shape from circles that face along normals (3,) or (N, 3): (N, 2), shares of the radius."""
    values, vectors = np.linalg.eigh(squares)
    white = (vectors / np.sqrt(values)[:, None, :]) @ vectors.transpose(0, 2, 1)
    off = white @ circles(facing, centres, squares)[2] @ white
    return np.column_stack([off[:, 0, 0] - off[:, 1, 1], 2 * off[:, 0, 1]]) / 4


def unrocked(radii: Array, rocking: float, facing: Array, centres: Array, squares: Array) -> Array:
    """Radii (N,) of coins that rock on the bench, from those that ``circles`` gives them as if they lay flat on it.

    What a coin's axes differ more than the bench's normal has it, along its tilt, its area has lost by leaning; as
    much of it is believed as the spread of rocking stands above the spread of shapes.
    """
    off = misshapen(facing, centres, squares)
    sights = np.column_stack([centres, np.ones(len(centres))])
    sights /= np.linalg.norm(sights, axis=1, keepdims=True)
    across = facing - np.sum(facing * sights, axis=1)[:, None] * sights
    turn = 2 * np.arctan2(across[:, 1], across[:, 0])
    lost = off[:, 0] * np.cos(turn) + off[:, 1] * np.sin(turn)
    return np.asarray(radii * (1 + lost * rocking**2 / (rocking**2 + U_SHAPE**2)))


def u_rocking(rocking: float) -> float:
    """Relative standard uncertainty that rocking leaves in a size by ``unrocked``."""
    return rocking * U_SHAPE / math.hypot(rocking, U_SHAPE)


def bench(rims: Sequence[Ellipse], camera: Camera) -> Bench:
    """The slope and bow that the rims' shapes suit best; rims that do not lie on it hardly pull."""
    centres, squares = of(rims, camera)
    u_shape = np.hypot(U_SHAPE, 0.1 / np.array([rim.major_px for rim in rims]))[:, None]

    def parts(numbers: Array) -> tuple[Array, Array]:
        off = misshapen(normals(numbers, centres), centres, squares) / u_shape
        return off.ravel(), numbers / (_PRIOR_TILT, _PRIOR_TILT, BOW, BOW, BOW)

    def residuals(numbers: Array) -> Array:
        off, prior = parts(numbers)
        return np.append(_bent(off), [*prior[:2], *_bent(prior[2:])])

    starts = [np.array([x, y, 0.0, 0.0, 0.0]) for x, y in _starts(centres, squares, u_shape)]
    fits = [least_squares(residuals, start, max_nfev=40) for start in starts]
    best = min(fits, key=lambda fit: float(fit.cost))
    off = parts(best.x)[0]
    excess = max(1.0, float(np.median(np.abs(off))) * 1.4826)
    rocking = float(np.median(u_shape)) * math.sqrt(excess**2 - 1)
    covariance = np.linalg.inv(best.jac.T @ best.jac) * excess**2 + np.diag(U_FEIGNED**2)
    return Bench(best.x, covariance, rocking)


def _bent(values: Array) -> Array:
    """Residuals under a Cauchy loss, so that a wrong rim cannot pull."""
    squared = np.maximum((values / _BEND) ** 2, 1e-12)
    return np.asarray(values * np.sqrt(np.log1p(squared) / squared))


def _starts(centres: Array, squares: Array, u_shape: Array) -> Array:
    """The two best (2, 2) of a grid of slopes of a flat bench, apart from each other."""
    side = np.tan(np.radians(np.arange(-40, 41, 8)))
    grid = np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2)
    cost = []
    for slope in grid:
        off = misshapen(normals(np.append(slope, np.zeros(3)), centres), centres, squares) / u_shape
        cost.append(float(np.sum(np.log1p((off / _BEND) ** 2))))
    first = grid[int(np.argmin(cost))]
    far = np.where(np.linalg.norm(grid - first, axis=1) > 0.2, cost, np.inf)
    return np.stack([first, grid[int(np.argmin(far))]])
