"""A standing part: the round body whose rim and base make the outline, its radius and height found together.

Seen from above, the outline of an upright cylinder is the convex hull of two circles' images: the rim at the top
and the base on the bench. The rim alone gives the radius for a known height only, R = R0 (Z - h) / Z; where the base
shows on the camera's side, both come out. What is known of the height beforehand (the user's figure, or what parts
of the class usually have) enters as one more observation, with its spread.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from identify.geometry.camera import camera_place_mm, moved, on_height, project, seen_from
from identify.model import Array, BudgetLine, Camera, Outline, Pose
from identify.uncertainty import Estimate

POINTS = 120
START_PX = 200  # side of the plan in which the first circle is looked for
CIRCLE = np.linspace(0, 2 * math.pi, 72, endpoint=False)
_SCALE = np.array([1, 1, 1, 5, *[1] * 7, 1, 2], float)
_STEP = np.array([0.05, 0.05, 0.05, 0.3, *[0.1] * 7, 0.05, 0.2])
_LOW = np.array([-np.inf, -np.inf, 1.0, 0.5, *[-6.0] * 7, 0.0, 0.0])
_HIGH = np.array([np.inf, np.inf, 200.0, 250.0, *[6.0] * 7, 25.0, 60.0])
COUNT = len(_STEP)
U_INSET_MM, U_NARROW_MM = 1.5, 9.0  # by which a foot, and a narrow one, is narrower than the rim, from zero on
INDEPENDENT = 12.0  # edge points that err on their own; the rest repeat their neighbours' error
EDGE_PX = 0.25
LENS_REL = 0.0015
SHADOW_PX = 0.17
ROUND_REL = 0.001
LIP_MM = 3.0  # of height: a rim is a lip above a narrower wall and base; training split of the rendered pictures
HIDDEN_BASE = 0.4  # how often a body's widest rim overhangs its base
OUTLIER = 9.0 * INDEPENDENT / POINTS  # three standard deviations of a point: one further off is no worse
LEAST_USED = 0.4  # share of the outline that must agree with an upright cylinder
MOST_REST = 0.03  # of the outline's size: a worse fit is no upright cylinder


@dataclass(frozen=True, slots=True)
class Height:
    """What is known of the rim's height over the bench before the photo: value, its spread [mm], where from.

    ``foot_mm`` is how high over the bench the body's lower edge usually is, on pegs or a step, and its spread.
    """

    value_mm: float
    u_mm: float
    source: str
    foot_mm: float = 0.0
    u_foot_mm: float = 0.5
    u_inset_mm: float = U_INSET_MM


@dataclass(frozen=True, slots=True, eq=False)
class Stood:
    """A standing body fitted at one pose.

    Parameters
    ----------
    shape_mm : (4,) centre x, centre y, radius, height of the rim over the base
    used : (M,) bool, the outline points that agree
    rest_px : root mean square of their distances from the fitted outline [px]
    """

    shape_mm: Array
    points_px: Array
    used: NDArray[np.bool_]
    rest_px: float
    estimate: Estimate
    u_height_mm: float
    rim_px: Array
    likelihood: float
    base: bool


def silhouette(
    shape_mm: Array,
    camera: Camera,
    pose: Pose,
    *,
    rim_mm: float | None = None,
    base: bool = True,
    foot_mm: tuple[float, float] = (0.0, 0.0),
) -> Array:
    """Outline (K, 2) [px] of an upright cylinder: hull of the images of its rim and its base.

    The base is on the bench, or, with ``rim_mm``, the rim is at that height and the base below it. Without ``base``
    the rim alone: a body that narrows below it hides its base. ``foot_mm``: how high the base is over the
    bench, and by how much it is narrower all round.
    """
    pixels = project(camera, pose, _rings(shape_mm, rim_mm, base, foot_mm))
    return pixels[_hull(pixels)]


def _rings(shape_mm: Array, rim_mm: float | None, base: bool, foot_mm: tuple[float, float]) -> Array:
    """Points (72 or 144, 3) of the rim, then of the base."""
    x, y, radius, height = shape_mm
    top = height if rim_mm is None else rim_mm
    turn = np.column_stack([np.cos(CIRCLE), np.sin(CIRCLE), np.zeros(len(CIRCLE))])
    rim = radius * turn + (x, y, top)
    return np.vstack([rim, (radius - foot_mm[1]) * turn + (x, y, top - height + foot_mm[0])]) if base else rim


def _hull(pixels: Array) -> NDArray[np.int64]:
    return np.asarray(cv2.convexHull(pixels.astype(np.float32), returnPoints=False).ravel(), np.int64)


def apart(points_px: Array, polygon_px: Array) -> Array:
    """Signed distance (N,) of points from a convex polygon's border [px]; outside is positive."""
    return _nearest(points_px, polygon_px)[0]


def _nearest(points_px: Array, polygon_px: Array) -> tuple[Array, NDArray[np.int64], Array, Array]:
    """Signed distances (N,), the nearest sides (N,), where on them (N,) from 0 to 1, and sides' normals (K, 2)."""
    ahead = np.roll(polygon_px, -1, axis=0)
    side = ahead - polygon_px
    long = np.maximum(np.sum(side**2, axis=1), 1e-12)
    right, below = (points_px[:, axis, None] - polygon_px[:, axis] for axis in (0, 1))
    area = float(np.sum(polygon_px[:, 0] * ahead[:, 1] - ahead[:, 0] * polygon_px[:, 1]))
    turn = side[:, 0] * below
    turn -= side[:, 1] * right
    within = turn.min(axis=1) >= 0 if area > 0 else turn.max(axis=1) <= 0
    share = right * (side[:, 0] / long)
    share += below * (side[:, 1] / long)
    np.minimum(np.maximum(share, 0, out=share), 1, out=share)
    right -= share * side[:, 0]
    below -= share * side[:, 1]
    squares = np.multiply(right, right, out=right)
    squares += np.multiply(below, below, out=below)
    nearest = squares.argmin(axis=1)
    rows = np.arange(len(points_px))
    distance = np.sqrt(squares[rows, nearest]) * np.where(within, -1.0, 1.0)
    normals = np.column_stack([side[:, 1], -side[:, 0]]) * (np.sign(area) / np.sqrt(long))[:, None]
    return distance, nearest, share[rows, nearest], normals


def stand(
    outline: Outline,
    camera: Camera,
    pose: Pose,
    prior: Height,
    *,
    u_size_rel: float,
    rim_mm: float | None = None,
    narrow_foot: bool = False,
) -> list[Stood]:
    """Fit the body to the outline at one pose: as a cylinder whose base shows, and as a rim that hides its base.

    None of the two is given that comes nowhere near the outline.
    """
    picked = np.linspace(0, len(outline.contour_px), POINTS, endpoint=False).astype(int)
    points = outline.contour_px[picked]
    start = _start(points, camera, pose, prior, rim_mm)
    if start is None:
        return []
    u_px = float(np.hypot(EDGE_PX, outline.u_px))
    factor = np.asarray(np.linalg.cholesky(pose.covariance + 1e-12 * np.eye(7)), float)
    found = []
    prior = replace(prior, u_inset_mm=U_NARROW_MM) if narrow_foot else prior
    ways = ((True, 1 - HIDDEN_BASE), (False, HIDDEN_BASE))
    for base, odds in ways:
        fit = _Fit(camera, pose, points, u_px, prior, rim_mm, base, factor)
        guess = np.concatenate([start, np.zeros(COUNT - 5), [prior.foot_mm]])
        first = fit.best(guess, np.ones(POINTS, bool), loss="cauchy")
        off = fit.off_px(first)
        used = np.abs(off) < 3.0 * max(1.4826 * float(np.median(np.abs(off))), 0.5)
        rest = float(np.sqrt(np.mean(off[used] ** 2)))
        if used.mean() < LEAST_USED or rest > MOST_REST * float(np.ptp(points, axis=0).max()):
            continue
        loose = replace(fit, u_px=max(u_px, rest))  # what the shape leaves over counts as its points' error
        best = loose.best(first, used, loss="linear")
        found.append(_stood(loose, best, used, rest, 0.5 * outline.u_px, u_size_rel, math.log(odds)))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """Outline points (M, 2) [px] against an upright cylinder: shape (4 numbers), pose (7), foot (inset, height).

    The pose's numbers are steps in units of the Cholesky factor of its covariance, focal length first, so that each
    is one standard deviation and what is known of the pose beforehand is that each is zero, give or take one.
    """

    camera: Camera
    pose: Pose
    points_px: Array
    u_px: float
    prior: Height
    rim_mm: float | None
    base: bool
    factor: Array

    @property
    def sigma_px(self) -> float:
        """Weight of one point, so that all together count as the independent ones."""
        return self.u_px * math.sqrt(POINTS / INDEPENDENT)

    def view(self, numbers: Array) -> tuple[Camera, Pose]:
        """Camera and pose of the numbers (13,)."""
        return moved(self.camera, self.pose, self.factor @ numbers[4:11])

    def off_px(self, numbers: Array) -> Array:
        """Signed distance (M,) of the points from the outline of the shape [px]."""
        pixels = self.pixels(numbers[None])[0]
        return apart(self.points_px, pixels[_hull(pixels)])

    def pixels(self, numbers: Array) -> Array:
        """Points (T, 72 or 144, 2) [px] of rim and base for T sets of numbers (T, 13)."""
        x, y, radius, height = numbers[:, :4].T[:, :, None]
        top = height if self.rim_mm is None else np.full_like(height, self.rim_mm)
        rings = [(radius, top)]
        if self.base:
            rings.append((radius - numbers[:, 11:12], top - height + numbers[:, 12:]))
        across = np.concatenate([wide * np.cos(CIRCLE) for wide, _ in rings], axis=1) + x
        along = np.concatenate([wide * np.sin(CIRCLE) for wide, _ in rings], axis=1) + y
        levels = np.concatenate([np.repeat(level, len(CIRCLE), axis=1) for _, level in rings], axis=1)
        return seen_from(self.camera, self.pose, numbers[:, 4:11] @ self.factor.T, np.stack([across, along, levels], 2))

    def residuals(self, numbers: Array, used: NDArray[np.bool_]) -> Array:
        """Points used, the height known beforehand, the pose's steps, and the foot, all in standard deviations."""
        off = self.off_px(numbers)[used] / self.sigma_px
        prior = self.prior
        foot = numbers[11] / prior.u_inset_mm, (numbers[12] - prior.foot_mm) / prior.u_foot_mm
        return np.concatenate([off, [(numbers[3] - prior.value_mm) / prior.u_mm], numbers[4:11], foot])

    def best(self, start: Array, used: NDArray[np.bool_], *, loss: str) -> Array:
        """The numbers (13,) that fit best."""
        found = least_squares(
            lambda numbers: self.residuals(numbers, used),
            np.clip(start, _LOW + 1e-6, _HIGH - 1e-6),
            jac=lambda numbers: self.jacobian(numbers, used),
            loss=loss,
            f_scale=1.5 * self.u_px / self.sigma_px * 4,
            x_scale=_SCALE,
            max_nfev=15,
            bounds=(_LOW, _HIGH),
        )
        return np.asarray(found.x)

    def jacobian(self, numbers: Array, used: NDArray[np.bool_]) -> Array:
        """Derivatives (M + 10, 13) of the residuals: as the nearest places of the outline move, so do the distances."""
        steps = np.diag(_STEP)
        trials = self.pixels(numbers + np.concatenate([np.zeros((1, COUNT)), steps, -steps]))
        hull = _hull(trials[0])
        _, nearest, share, normals = _nearest(self.points_px[used], trials[0, hull])
        first, last = hull[nearest], np.roll(hull, -1)[nearest]
        motion = (trials[1 : COUNT + 1] - trials[COUNT + 1 :]) / (2 * _STEP[:, None, None])
        places = (1 - share)[:, None] * motion[:, first] + share[:, None] * motion[:, last]
        slopes = np.zeros((int(used.sum()) + 10, COUNT))
        slopes[:-10] = -np.einsum("cni,ni->nc", places, normals[nearest]) / self.sigma_px
        slopes[-10, 3] = 1 / self.prior.u_mm
        slopes[-9:-2, 4:11] = np.eye(7)
        slopes[-2, 11], slopes[-1, 12] = 1 / self.prior.u_inset_mm, 1 / self.prior.u_foot_mm
        return slopes


def _start(points: Array, camera: Camera, pose: Pose, prior: Height, rim_mm: float | None) -> Array | None:
    """The largest circle that the outline holds in the plane of the rim: walls, foot and stem reach out of it only."""
    top = prior.value_mm if rim_mm is None else rim_mm
    plan = on_height(camera, pose, points, top)[:, :2]
    if not np.isfinite(plan).all():
        return None
    low = plan.min(axis=0)
    scale = START_PX / max(float(np.ptp(plan, axis=0).max()), 1e-6)
    polygon = np.round((plan - low) * scale).astype(np.int32) + 2
    cells = cv2.fillPoly(np.zeros((START_PX + 5, START_PX + 5), np.uint8), [polygon], 1)
    depth = cv2.distanceTransform(cells, cv2.DIST_L2, 5)
    _, radius, _, (column, row) = cv2.minMaxLoc(depth)
    x, y = low + (np.array([column, row]) - 2) / scale
    return np.array([x, y, radius / scale, prior.value_mm])


def _stood(
    fit: _Fit,
    numbers: Array,
    used: NDArray[np.bool_],
    rest_px: float,
    u_outline_px: float,
    u_size_rel: float,
    log_odds: float,
) -> Stood:
    """The fit with its budget: every residual has unit variance, so each group's share adds in quadrature."""
    jacobian = fit.jacobian(numbers, used)
    normal = jacobian.T @ jacobian
    gain = 2 * np.linalg.solve(normal, jacobian.T)[2]
    count = int(used.sum())
    value = 2 * float(numbers[2])
    scale = float(value / max(np.ptp(fit.points_px, axis=0).max(), 1.0))
    outward = abs(float(gain[:count].sum())) / fit.sigma_px
    pose_rest = float(np.sum(gain[count + 2 : count + 8] ** 2))
    size = min((u_size_rel * value) ** 2, pose_rest)
    away = float(camera_place_mm(fit.view(numbers)[1])[2] - numbers[3])
    lip = value * LIP_MM / max(away, 1.0) if fit.base and fit.rim_mm is None else 0.0
    budget = (
        BudgetLine("focal length", abs(float(gain[count + 1]))),
        BudgetLine("reference size", math.sqrt(size)),
        BudgetLine("pose", math.sqrt(pose_rest - size)),
        BudgetLine("height", abs(float(gain[count]))),
        BudgetLine("form of rim and base", math.hypot(lip, *gain[count + 8 :].tolist())),
        BudgetLine("not a plain cylinder", rest_px * scale),
        BudgetLine("outline", float(np.linalg.norm(gain[:count])) * max(1.0, rest_px / fit.u_px)),
        BudgetLine("part edge", outward * float(np.hypot(EDGE_PX, u_outline_px)) / math.sqrt(2)),
        BudgetLine("lens", LENS_REL * value),
        BudgetLine("shadow and glare", SHADOW_PX * scale),
        BudgetLine("out of round", ROUND_REL * value),
    )
    u_height = math.sqrt(float(np.linalg.inv(normal)[3, 3]))
    residuals = fit.residuals(numbers, np.ones(len(used), bool))
    misfit = np.sum(np.minimum(residuals[: len(used)] ** 2, OUTLIER)) + np.sum(residuals[len(used) :] ** 2)
    likelihood = log_odds - 0.5 * float(misfit) - 0.5 * float(np.linalg.slogdet(normal)[1])
    likelihood -= INDEPENDENT * math.log(fit.u_px)
    line = _rim_line(fit, numbers)
    return Stood(
        numbers[:4], fit.points_px, used, rest_px, Estimate(value, budget), u_height, line, likelihood, fit.base
    )


def _rim_line(fit: _Fit, numbers: Array) -> Array:
    """End points (2, 2) [px] of the rim's diameter along the picture's rows."""
    camera, pose = fit.view(numbers)
    top = float(numbers[3]) if fit.rim_mm is None else fit.rim_mm
    right = pose.rotation[0] * np.array([1.0, 1.0, 0.0])
    right = right / np.linalg.norm(right) * numbers[2]
    centre = np.array([numbers[0], numbers[1], top])
    return project(camera, pose, np.array([centre - right, centre + right]))
