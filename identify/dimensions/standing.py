"""A standing part: the upright round body whose rim and lower edge make the outline, its diameter and height together.

A circle of radius R at height h shows as large as one of R H / (H - h) on the bench, H being the camera's height, so
the rim alone gives its radius for a known height only. But it also shows further from the camera's foot point, by the
same factor, whatever its radius: where the rim's circle and one lower down are both seen, their centres tell the
height, and each has a radius of its own. Three circles are fitted: the rim, the body's lower edge (as wide as the rim,
or narrower where the rim is a collar, or wider where the body has its flange below), and what the body stands on.
What is known of their heights and steps beforehand enters as more observations, each with its spread.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.dimensions import hull
from identify.geometry.camera import moved, on_height, pixels, project, to_camera
from identify.model import Array, BudgetLine, Camera, Outline, Pose
from identify.uncertainty import Estimate

POINTS = 120
START_PX = 200  # side of the plan in which the first circle is looked for
# Numbers of a fit: centre x, y, radius and height of the rim; the pose's steps; step in and height of the lower edge,
# step in and height of what it stands on.
PLACE, RADIUS, HEIGHT, POSE, STEP, FOOT = slice(0, 2), 2, 3, slice(4, 11), 11, 12
COUNT = 15
_LOW = np.array([-np.inf, -np.inf, 1.0, 0.5, *[-6.0] * 7, -3.0, 0.0, -3.0, 0.0])
_HIGH = np.array([np.inf, np.inf, 200.0, 250.0, *[6.0] * 7, 25.0, 60.0, 25.0, 20.0])
INDEPENDENT = 10.0  # edge points that err on their own; the rest repeat their neighbours' error
EDGE_PX = 0.25
LENS_REL = 0.0015
SHADOW_PX = 0.17
ROUND_REL = 0.001
HIDDEN_FOOT = 0.4  # how often a body of which nothing is known hides all that is below its rim
OUTLIER = 9.0 * INDEPENDENT / POINTS  # three standard deviations of a point: one further off is no worse
CAUCHY = 6.0  # points' uncertainties, of all that say the same, beyond which one counts less and less
LEAST_USED = 0.4  # share of the outline that must agree with an upright body
MOST_REST = 0.03  # of the outline's size: a worse fit is no upright body
MOST_LACKING = 0.10  # of the body's image: an outline that leaves off more is not the part's
TRIES = 6
DAMPED = 8.0
FARTHEST = 2.0  # of what is likely beforehand that one step may go: slopes hold near by only
CLOSE = 1e-3  # of the cost: a step that gains less is the last
_SPREAD, _SHARE = np.polynomial.hermite_e.hermegauss(15)
_SHARE = _SHARE / _SHARE.sum()


@dataclass(frozen=True, slots=True)
class Form:
    """What is known of a body's circles below its rim before the photo [mm]; the steps in are of radii.

    Parameters
    ----------
    foot_mm : height of its lower edge over the bench, on pegs or a step.
    step_mm : by how much that is narrower than the rim all round; ``wider`` where it may be wider too.
    rest_mm : the same of what the body stands on, at ``low_mm``; None where that never shows.
    """

    foot_mm: float = 0.0
    u_foot_mm: float = 0.5
    step_mm: float = 0.0
    u_step_mm: float = 1.5
    wider: bool = False
    rest_mm: float | None = None
    u_rest_mm: float = 1.0
    low_mm: float = 1.8
    u_low_mm: float = 0.9


@dataclass(frozen=True, slots=True)
class Height:
    """What is known of the rim's height over the bench before the photo: value, its spread [mm], where from."""

    value_mm: float
    u_mm: float
    source: str
    form: Form | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Stood:
    """A standing body fitted at one pose.

    Parameters
    ----------
    shape_mm : (4,) centre x, centre y, radius, height of the rim over the bench
    used : (M,) bool, the outline points that agree
    rest_px : root mean square of their distances from the fitted outline [px]
    estimate : diameter of the wider one of rim and lower edge
    """

    shape_mm: Array
    points_px: Array
    used: NDArray[np.bool_]
    rest_px: float
    estimate: Estimate
    u_height_mm: float
    line_px: Array
    likelihood: float
    base: bool


def stand(
    outline: Outline, camera: Camera, pose: Pose, prior: Height, *, u_size_rel: float, rim_mm: float | None = None
) -> list[Stood]:
    """Fit the body to the outline at one pose.

    A body of which nothing is known is fitted twice: with its lower edge, and as a rim that hides what is below it.
    Nothing is given that comes nowhere near the outline. With ``rim_mm`` heights are counted from the reference's
    plane, in which the rim is.
    """
    picked = np.linspace(0, len(outline.contour_px), POINTS, endpoint=False).astype(int)
    points = outline.contour_px[picked]
    start = _start(points, camera, pose, prior, rim_mm)
    if start is None:
        return []
    u_px = float(np.hypot(EDGE_PX, outline.u_px))
    factor = np.asarray(np.linalg.cholesky(pose.covariance + 1e-12 * np.eye(7)), float)
    ways = ((prior.form, 1.0),) if prior.form is not None else ((Form(), 1 - HIDDEN_FOOT), (None, HIDDEN_FOOT))
    found = []
    for form, odds in ways:
        fit = _Fit(camera, pose, points, u_px, prior, form, rim_mm, factor)
        first = fit.best(np.concatenate([start, fit.likely[POSE.start :]]), np.ones(POINTS, bool), robust=True)
        off = fit.off_px(first)
        used = np.abs(off) < 3.0 * max(1.4826 * float(np.median(np.abs(off))), 0.5)
        rest = float(np.sqrt(np.mean(off[used] ** 2)))
        if used.mean() < LEAST_USED or rest > MOST_REST * float(np.ptp(points, axis=0).max()):
            continue
        # what the form leaves over counts as its points' error
        loose = _Fit(camera, pose, points, max(u_px, rest), prior, form, rim_mm, factor)
        best = loose.best(first, used, robust=False)
        if loose.lacking(best) > MOST_LACKING:
            continue
        found.append(_stood(loose, best, used, rest, 0.5 * outline.u_px, u_size_rel, math.log(odds)))
    return found


class _Fit:
    """Outline points (M, 2) [px] against an upright body: rim (4 numbers), pose (7), form below the rim (4).

    The pose's numbers are steps in units of the Cholesky factor of its covariance, focal length first, so that each
    is one standard deviation and what is known of the pose beforehand is that each is zero, give or take one.
    """

    def __init__(
        self,
        camera: Camera,
        pose: Pose,
        points_px: Array,
        u_px: float,
        prior: Height,
        form: Form | None,
        rim_mm: float | None,
        factor: Array,
    ) -> None:
        self.camera, self.pose, self.points_px, self.u_px = camera, pose, points_px, u_px
        self.prior, self.form, self.rim_mm, self.factor = prior, form, rim_mm, factor
        self.sigma_px = u_px * math.sqrt(POINTS / INDEPENDENT)  # so that all points count as the independent ones
        given = form or Form()
        below = [given.step_mm, given.foot_mm, given.rest_mm or 0.0, given.low_mm]
        spreads = [given.u_step_mm, given.u_foot_mm, given.u_rest_mm, given.u_low_mm]
        self.likely = np.array([0.0, 0.0, 0.0, prior.value_mm, *[0.0] * 7, *below])
        self.u_likely = np.array([np.inf, np.inf, np.inf, prior.u_mm, *[1.0] * 7, *spreads])
        self.circles = 1 if form is None else 2 if form.rest_mm is None else 3
        self.low = _LOW.copy()
        if not given.wider:
            self.low[STEP] = 0.0

    def view(self, numbers: Array) -> tuple[Camera, Pose]:
        """Camera and pose of the numbers (15,)."""
        return moved(self.camera, self.pose, self.factor @ numbers[POSE])

    def points_mm(self, numbers: Array) -> Array:
        """Points (K * 72, 3) of rim, lower edge and what it stands on."""
        radius, high = numbers[RADIUS], numbers[HEIGHT]
        radii = radius - np.array([0.0, numbers[STEP], numbers[STEP + 2]])
        heights = np.array([high, min(numbers[FOOT], high), numbers[FOOT + 2]])
        if self.rim_mm is not None:
            heights += self.rim_mm - high
        return hull.circles(numbers[PLACE], radii[: self.circles], heights[: self.circles])

    def off_px(self, numbers: Array) -> Array:
        """Signed distance (M,) of the points from the outline of the body [px]."""
        camera, pose = self.view(numbers)
        seen = pixels(camera, to_camera(pose, self.points_mm(numbers)))
        return hull.apart(self.points_px, seen[hull.around(seen)])

    def lacking(self, numbers: Array) -> float:
        """Share of the body's image that is not within the outline."""
        camera, pose = self.view(numbers)
        seen = pixels(camera, to_camera(pose, self.points_mm(numbers)))
        body = seen[hull.around(seen)]
        low, high = body.min(axis=0), body.max(axis=0)
        cells = np.zeros((2, START_PX, START_PX), np.uint8)
        for one, polygon in zip(cells, (body, self.points_px), strict=True):
            cv2.fillPoly(one, [np.round((polygon - low) * (START_PX - 1) / (high - low).max()).astype(np.int32)], 1)
        return float(np.mean(cells[1][cells[0] > 0] == 0))

    def slopes(self, numbers: Array) -> tuple[Array, Array]:
        """Distances (M,) of the points from the outline [px], and by how much each number lessens them (M, 15)."""
        camera, pose = self.view(numbers)
        points = self.points_mm(numbers)
        seen = pixels(camera, to_camera(pose, points))
        off, outward = hull.slopes(camera, pose, self.factor, points, hull.around(seen), self.points_px)
        own = np.zeros((len(off), COUNT))
        own[:, : hull.SHARED] = outward[:, : hull.SHARED]
        for ring in range(1, self.circles):
            wide, high = outward[:, [hull.SHARED + 2 * ring - 2, hull.SHARED + 2 * ring - 1]].T
            own[:, RADIUS] += wide
            own[:, STEP + 2 * ring - 2], own[:, FOOT + 2 * ring - 2] = -wide, high
        if numbers[FOOT] > numbers[HEIGHT]:  # nothing of the body is over its rim
            own[:, HEIGHT] += own[:, FOOT]
            own[:, FOOT] = 0.0
        if self.rim_mm is not None:  # the rim stays where it is, and what is below it goes down
            own[:, HEIGHT] = -own[:, FOOT] - own[:, FOOT + 2]
        return off, own

    def normal(self, own: Array, weights: Array) -> Array:
        """Normal matrix (15, 15) of points of ``weights`` (M,) and of what is known beforehand."""
        return (own * weights[:, None]).T @ own + np.diag(self.u_likely**-2.0)

    def cost(self, numbers: Array, off: Array, used: NDArray[np.bool_], knee_px: float) -> float:
        """Half of it is the negative logarithm of how likely points and numbers are; Cauchy's beyond ``knee_px``."""
        square, knee = (off[used] / self.sigma_px) ** 2, (knee_px / self.sigma_px) ** 2
        points = knee * np.log1p(square / knee) if np.isfinite(knee) else square
        return float(points.sum() + np.sum(((numbers - self.likely) / self.u_likely) ** 2))

    def best(self, start: Array, used: NDArray[np.bool_], *, robust: bool) -> Array:
        """The numbers (15,) that fit best: Levenberg's and Marquardt's steps within the bounds.

        The knee of Cauchy's cost comes down with the distances, so that a start far off is not taken for outliers.
        """
        low, high = self.low + 1e-6, _HIGH - 1e-6
        numbers = np.clip(start, low, high)
        damping = 1e-3
        for _ in range(12 if robust else 8):
            off, own = self.slopes(numbers)
            knee = max(CAUCHY * self.u_px, 1.5 * float(np.median(np.abs(off)))) if robust else math.inf
            cost = self.cost(numbers, off, used, knee)
            weights = used / (1 + (off / knee) ** 2) / self.sigma_px**2
            downhill = own.T @ (weights * off) - (numbers - self.likely) / self.u_likely**2
            normal = self.normal(own, weights)
            for _ in range(TRIES):
                free = ~(((numbers <= low) & (downhill < 0)) | ((numbers >= high) & (downhill > 0)))
                step = np.zeros(COUNT)
                damped = normal + damping * np.diag(np.diag(normal))
                step[free] = np.linalg.solve(damped[np.ix_(free, free)], downhill[free])
                tried = np.clip(numbers + np.clip(step, -FARTHEST * self.u_likely, FARTHEST * self.u_likely), low, high)
                then = self.cost(tried, self.off_px(tried), used, knee)
                if then < cost:
                    break
                damping *= DAMPED
            else:
                break
            damping = max(damping / DAMPED, 1e-6)
            numbers = tried
            if cost - then < CLOSE * max(1.0, 0.01 * then):
                break
        return numbers


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
    """The fit with its budget: every observation has unit variance, so each group's share adds in quadrature."""
    off, own = fit.slopes(numbers)
    normal = fit.normal(own, used / fit.sigma_px**2)
    inverse = np.linalg.inv(normal)
    value, slope, u_wider = _widest(numbers, inverse)
    by_number = inverse @ slope
    gain = (own[used] @ by_number) / fit.sigma_px
    known = by_number / fit.u_likely
    scale = float(value / max(np.ptp(fit.points_px, axis=0).max(), 1.0))
    outward = abs(float(gain.sum())) / fit.sigma_px
    pose_rest = float(np.sum(known[POSE][1:] ** 2))
    size = min((u_size_rel * value) ** 2, pose_rest)
    budget = (
        BudgetLine("focal length", abs(float(known[POSE][0]))),
        BudgetLine("reference size", math.sqrt(size)),
        BudgetLine("pose", math.sqrt(pose_rest - size)),
        BudgetLine("height", abs(float(known[HEIGHT]))),
        BudgetLine("form of rim and base", math.hypot(u_wider, *known[STEP:].tolist())),
        BudgetLine("not a plain cylinder", rest_px * scale),
        BudgetLine("outline", float(np.linalg.norm(gain)) * max(1.0, rest_px / fit.u_px)),
        BudgetLine("part edge", outward * float(np.hypot(EDGE_PX, u_outline_px)) / math.sqrt(2)),
        BudgetLine("lens", LENS_REL * value),
        BudgetLine("shadow and glare", SHADOW_PX * scale),
        BudgetLine("out of round", ROUND_REL * value),
    )
    misfit = np.sum(np.minimum((off / fit.sigma_px) ** 2, OUTLIER))
    misfit += np.sum(((numbers - fit.likely) / fit.u_likely) ** 2)
    likelihood = log_odds - 0.5 * float(misfit) - 0.5 * float(np.linalg.slogdet(normal)[1])
    likelihood -= INDEPENDENT * math.log(fit.u_px) + float(np.sum(np.log(fit.u_likely[HEIGHT:])))
    u_height = math.sqrt(float(inverse[HEIGHT, HEIGHT]))
    line = _line(fit, numbers)
    return Stood(
        numbers[:4], fit.points_px, used, rest_px, Estimate(value, budget), u_height, line, likelihood, fit.circles > 1
    )


def _widest(numbers: Array, covariance: Array) -> tuple[float, Array, float]:
    """Diameter [mm] of the wider one of rim and lower edge, its slope by the numbers (15,), and what that leaves over.

    Either may be the wider one where they are nearly alike: the value is the mean over the step's distribution.
    """
    u_step = math.sqrt(float(covariance[STEP, STEP]))
    wider = np.maximum(-(numbers[STEP] + u_step * _SPREAD), 0.0)
    mean, share = float(_SHARE @ wider), float(_SHARE @ (wider > 0))
    slope = np.zeros(len(numbers))
    slope[RADIUS], slope[STEP] = 2.0, -2.0 * share
    rest = float(_SHARE @ (wider - mean) ** 2) - (share * u_step) ** 2
    return 2 * (float(numbers[RADIUS]) + mean), slope, 2 * math.sqrt(max(rest, 0.0))


def _line(fit: _Fit, numbers: Array) -> Array:
    """End points (2, 2) [px] of the diameter, of the wider one of rim and lower edge, along the picture's rows."""
    camera, pose = fit.view(numbers)
    below = numbers[STEP] < 0
    top = float(numbers[FOOT if below else HEIGHT])
    if fit.rim_mm is not None:
        top += fit.rim_mm - float(numbers[HEIGHT])
    right = pose.rotation[0] * np.array([1.0, 1.0, 0.0])
    right = right / np.linalg.norm(right) * (numbers[RADIUS] - min(numbers[STEP], 0.0))
    centre = np.array([numbers[0], numbers[1], top])
    return project(camera, pose, np.array([centre - right, centre + right]))
