"""A round body on end against an outline: what is known of its circles beforehand, and the body that fits both best."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.dimensions import hull
from identify.geometry.camera import moved, pixels, to_camera
from identify.model import Array, Camera, Pose

POINTS = 120
CELLS = 200  # side of the picture in which a body and an outline are laid over each other
# Numbers of a fit: centre x, y, radius and height of the rim; the pose's steps; step in and height of the lower edge,
# step in and height of what it stands on.
PLACE, RADIUS, HEIGHT, POSE, STEP, FOOT = slice(0, 2), 2, 3, slice(4, 11), 11, 12
COUNT = 15
_LOW = np.array([-np.inf, -np.inf, 1.0, 0.5, *[-6.0] * 7, -3.0, 0.0, -3.0, 0.0])
_HIGH = np.array([np.inf, np.inf, 200.0, 250.0, *[6.0] * 7, 25.0, 60.0, 25.0, 20.0])
INDEPENDENT = 10.0  # edge points that err on their own; the rest repeat their neighbours' error
CAUCHY = 6.0  # points' uncertainties, of all that say the same, beyond which one counts less and less
TRIES = 6
DAMPED = 8.0
FARTHEST = 2.0  # of what is likely beforehand that one step may go: slopes hold near by only
CLOSE = 1e-3  # of the cost: a step that gains less is the last


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
    narrow: bool = False  # it stands on less than its body's width, and how high is not given


# However it stands, the right way up or turned over.
EITHER_WAY = Height(38.0, 15.0, "its outline is that of a body on end", Form(12.0, 10.0, u_step_mm=1.5, wider=True))


class Fit:
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

    def beside(self, numbers: Array) -> tuple[NDArray[np.bool_], Array]:
        """Which points (M,) are nearest to the rim, and unit normals (M, 2) out of the body at their nearest places."""
        camera, pose = self.view(numbers)
        seen = pixels(camera, to_camera(pose, self.points_mm(numbers)))
        corners = hull.around(seen)
        _, closest, _, normals = hull.nearest(self.points_px, seen[corners])
        return corners[closest] < len(hull.CIRCLE), normals[closest]

    def lacking(self, numbers: Array) -> float:
        """Share of the body's image that is not within the outline."""
        camera, pose = self.view(numbers)
        seen = pixels(camera, to_camera(pose, self.points_mm(numbers)))
        body = seen[hull.around(seen)]
        low, high = body.min(axis=0), body.max(axis=0)
        cells = np.zeros((2, CELLS, CELLS), np.uint8)
        for one, polygon in zip(cells, (body, self.points_px), strict=True):
            cv2.fillPoly(one, [np.round((polygon - low) * (CELLS - 1) / (high - low).max()).astype(np.int32)], 1)
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
