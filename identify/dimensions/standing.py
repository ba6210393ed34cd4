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
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.dimensions import pile
from identify.dimensions.stance import (
    CELLS,
    EITHER_WAY,
    FOOT,
    HEIGHT,
    INDEPENDENT,
    POINTS,
    POSE,
    RADIUS,
    STEP,
    Fit,
    Form,
    Height,
)
from identify.geometry.camera import on_height, project
from identify.model import Array, BudgetLine, Camera, Outline, Pose
from identify.uncertainty import Estimate

EDGE_PX = 0.25
LENS_REL = 0.0015
SHADOW_PX = 0.17
ROUND_REL = 0.001
U_RIM_MM = 0.15  # of the diameter: a rim is bevelled, or has a lip as light as the bench
HIDDEN_WALL = 0.15  # how often all below the rim is narrower, or so dark that the outline leaves it off
PLAIN = 0.6  # how often a body's lower edge is as wide as its rim
HIDDEN_REST = 0.2  # how often what a body with a narrow foot stands on does not show
HIDDEN_FOOT = 0.4  # how often a body of which nothing is known hides all that is below its rim
OUTLIER = 9.0 * INDEPENDENT / POINTS  # three standard deviations of a point: one further off is no worse
LEAST_USED = 0.4  # share of the outline that must agree with an upright body
MOST_REST = 0.03  # of the outline's size: a worse fit is no upright body
MOST_LACKING = 0.10  # of the body's image: an outline that leaves off more is not the part's
FILLED = 0.95  # of its convex hull: an outline that fills less is that of a part that lies, or shows its stem
UPRIGHT = 0.008  # mean distance over size: of 132 lying parts of calibration pictures the nearest comes within 0.0098
_SPREAD, _SHARE = np.polynomial.hermite_e.hermegauss(15)
_SHARE = _SHARE / _SHARE.sum()


@dataclass(frozen=True, slots=True, eq=False)
class Stood:
    """A standing body fitted at one pose.

    Parameters
    ----------
    shape_mm : (4,) centre x, centre y, radius, height of the rim over the bench
    off_px : (M,) signed distances of the outline's points from the fitted one [px]
    used : (M,) bool, the points that agree
    rim : (M,) bool, those of them that are nearest to the rim; outward : (M, 2) unit normals there
    rest_px : root mean square of their distances [px]
    estimate : diameter of the wider one of rim and lower edge
    """

    shape_mm: Array
    points_px: Array
    off_px: Array
    used: NDArray[np.bool_]
    rim: NDArray[np.bool_]
    outward: Array
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
    if prior.narrow and rim_mm is None:
        return _piled(outline, points, camera, pose, prior, u_size_rel)
    start = _start(points, camera, pose, prior, rim_mm)
    if start is None:
        return []
    u_px = float(np.hypot(EDGE_PX, outline.u_px))
    factor = np.asarray(np.linalg.cholesky(pose.covariance + 1e-12 * np.eye(7)), float)
    ways = _ways(prior.form)
    found = []
    for form, odds in ways:
        fit = Fit(camera, pose, points, u_px, prior, form, rim_mm, factor)
        first = fit.best(np.concatenate([start, fit.likely[POSE.start :]]), np.ones(POINTS, bool), robust=True)
        off = fit.off_px(first)
        used = np.abs(off) < 3.0 * max(1.4826 * float(np.median(np.abs(off))), 0.5)
        rest = float(np.sqrt(np.mean(off[used] ** 2)))
        if used.mean() < LEAST_USED or rest > MOST_REST * float(np.ptp(points, axis=0).max()):
            continue
        # what the form leaves over counts as its points' error
        loose = Fit(camera, pose, points, max(u_px, rest), prior, form, rim_mm, factor)
        best = loose.best(first, used, robust=False)
        if loose.lacking(best) > MOST_LACKING:
            continue
        found.append(_stood(loose, best, used, rest, 0.5 * outline.u_px, u_size_rel, math.log(odds)))
    return found


def _piled(
    outline: Outline, points: Array, camera: Camera, pose: Pose, prior: Height, u_size_rel: float
) -> list[Stood]:
    """A body on a narrow foot, of whatever profile, as ``pile`` measures it."""
    one = pile.stand(outline, camera, pose, prior, u_size_rel=u_size_rel)
    if one is None:
        return []
    none = np.zeros(len(points), bool)
    return [
        Stood(
            one.shape_mm,
            points,
            np.zeros(len(points)),
            ~none,
            none,
            np.zeros((len(points), 2)),
            0.0,
            one.estimate,
            one.u_height_mm,
            one.line_px,
            one.log_odds,
            True,
        )
    ]


def _ways(form: Form | None) -> tuple[tuple[Form | None, float], ...]:
    if form is None:
        return (Form(), 1 - HIDDEN_FOOT), (None, HIDDEN_FOOT)
    if form.wider:
        return (form, 1 - HIDDEN_WALL), (None, HIDDEN_WALL)
    return (form, 1 - HIDDEN_REST), (replace(form, rest_mm=None), HIDDEN_REST)


def upright(outline: Outline, camera: Camera, pose: Pose) -> bool:
    """Whether an outline is that of a round body on end, whatever its height: circles over circles, no corners."""
    points = outline.contour_px.astype(np.float32)
    if cv2.contourArea(points) < FILLED * cv2.contourArea(cv2.convexHull(points)):
        return False
    size = float(np.ptp(points, axis=0).max())
    ways = stand(outline, camera, pose, EITHER_WAY, u_size_rel=0.0)
    return any(float(np.mean(np.abs(one.off_px))) < UPRIGHT * size for one in ways)


def with_lip(outline: Outline, stood: Stood, width_px: float) -> Outline:
    """The outline's points that were fitted, those along the rim moved out to the edge of a lip."""
    moved = stood.points_px + width_px * stood.rim[:, None] * stood.outward
    return replace(outline, contour_px=moved)


def doubted(stood: Stood, width_px: float) -> Estimate:
    """The estimate of a body whose rim's edge was moved out by ``width_px``: a faint band tells that much less well."""
    size = max(float(np.ptp(stood.points_px, axis=0).max()), 1.0)
    doubt = 2 * width_px * stood.estimate.value / size / math.sqrt(3)
    return replace(stood.estimate, budget=(*stood.estimate.budget, BudgetLine("lip of the rim", doubt)))


def _start(points: Array, camera: Camera, pose: Pose, prior: Height, rim_mm: float | None) -> Array | None:
    """The largest circle that the outline holds in the plane of the rim: walls, foot and stem reach out of it only."""
    top = prior.value_mm if rim_mm is None else rim_mm
    plan = on_height(camera, pose, points, top)[:, :2]
    if not np.isfinite(plan).all():
        return None
    low = plan.min(axis=0)
    scale = CELLS / max(float(np.ptp(plan, axis=0).max()), 1e-6)
    polygon = np.round((plan - low) * scale).astype(np.int32) + 2
    cells = cv2.fillPoly(np.zeros((CELLS + 5, CELLS + 5), np.uint8), [polygon], 1)
    depth = cv2.distanceTransform(cells, cv2.DIST_L2, 5)
    _, radius, _, (column, row) = cv2.minMaxLoc(depth)
    x, y = low + (np.array([column, row]) - 2) / scale
    return np.array([x, y, radius / scale, prior.value_mm])


def _stood(
    fit: Fit,
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
    inverse = np.asarray(np.linalg.inv(normal), float)
    u_step = math.sqrt(float(inverse[STEP, STEP])) if fit.form is not None and fit.form.wider else 0.0
    value, slope, u_wider = _widest(numbers, u_step, fit.form.u_step_mm if fit.form is not None else 0.0)
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
        BudgetLine("form of rim and base", math.hypot(u_wider, U_RIM_MM, *known[STEP:].tolist())),
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
    rim, normals = fit.beside(numbers)
    return Stood(
        numbers[:4],
        fit.points_px,
        off,
        used,
        used & rim,
        normals,
        rest_px,
        Estimate(value, budget),
        u_height,
        line,
        likelihood,
        fit.circles > 1,
    )


def _widest(numbers: Array, u_step: float, u_likely: float) -> tuple[float, Array, float]:
    """Diameter [mm] of the wider one of rim and lower edge, its slope by the numbers (15,), and what that leaves over.

    Either may be the wider one where they are nearly alike: the value is the mean over the step's distribution. As
    likely as ``PLAIN`` there is no step beforehand: ``u_step`` is what the photo leaves of ``u_likely``.
    """
    stepped = 1.0 - _plain(float(numbers[STEP]), u_step, u_likely)
    wider = np.maximum(-(numbers[STEP] + u_step * _SPREAD), 0.0)
    mean, share = stepped * float(_SHARE @ wider), stepped * float(_SHARE @ (wider > 0))
    slope = np.zeros(len(numbers))
    slope[RADIUS], slope[STEP] = 2.0, -2.0 * share
    rest = stepped * float(_SHARE @ wider**2) - mean**2 - (share * u_step) ** 2
    return 2 * (float(numbers[RADIUS]) + mean), slope, 2 * math.sqrt(max(rest, 0.0))


def _plain(step_mm: float, u_step: float, u_likely: float) -> float:
    """Probability that rim and lower edge are alike, by what the photo says of the step alone (Bayes)."""
    if u_step <= 0 or u_likely <= 0:
        return 0.0
    precision = max(u_step**-2 - u_likely**-2, 1e-12)
    seen, square = step_mm / u_step**2 / precision, 1 / precision
    odds = PLAIN / (1 - PLAIN) * math.sqrt(1 + u_likely**2 / square)
    odds *= math.exp(-0.5 * min(seen**2 * (1 / square - 1 / (square + u_likely**2)), 700.0))
    return odds / (1 + odds)


def _line(fit: Fit, numbers: Array) -> Array:
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
