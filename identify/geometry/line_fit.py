"""Straight lines fitted to points, and where they cross.

Fits are total least squares with Tukey's biweight (Huber and Ronchetti, Robust Statistics, 2nd edition
2009, chapter 7).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from identify.model import Array

PAIRS = 80  # of points, through which a first line is laid
FEW = 6  # points: of fewer all count at first


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A fitted straight line.

    Parameters
    ----------
    point_px : (2,) centre of the points it was fitted to [px]
    direction : (2,) unit vector
    u_offset_px : standard uncertainty across the line at ``point_px`` [px]
    u_angle_rad : standard uncertainty of the direction [rad]
    rms_px : scatter of the points that were kept [px]
    kept : (N,) bool: which points were kept
    """

    point_px: Array
    direction: Array
    u_offset_px: float
    u_angle_rad: float
    rms_px: float
    kept: NDArray[np.bool_]

    @property
    def normal(self) -> Array:
        """Unit vector (2,) across the line: the direction turned by +90 degrees."""
        return np.array([-self.direction[1], self.direction[0]])

    def offset_px(self, points_px: Array) -> Array:
        """Signed distance (N,) of points (N, 2) from the line [px]."""
        return (np.asarray(points_px, float) - self.point_px) @ self.normal

    def u_at_px(self, point_px: Array) -> float:
        """Standard uncertainty across the line at a point (2,) of it [px]."""
        along = float((np.asarray(point_px) - self.point_px) @ self.direction)
        return float(np.hypot(self.u_offset_px, along * self.u_angle_rad))


def fit_line(points_px: Array, *, weights: Array | None = None, scale_px: float = 0.15, rounds: int = 12) -> Line:
    """Fit a line to points (N, 2) by total least squares with Tukey's biweight.

    Parameters
    ----------
    points_px : (N, 2), N >= 2
    weights : (N,) of the points before the biweight, or None for ones
    scale_px : smallest scatter that the biweight assumes [px]

    Raises
    ------
    ValueError : fewer than two points.
    """
    points = np.asarray(points_px, float).reshape(-1, 2)
    base = np.ones(len(points)) if weights is None else np.asarray(weights, float)
    return fit_lines([points], [base], scale_px=scale_px, rounds=rounds)[0]


def fit_lines(
    points_px: Sequence[Array], weights: Sequence[Array], *, scale_px: float = 0.15, rounds: int = 12
) -> list[Line]:
    """Fit one line to each set of points (N, 2) with weights (N,), as ``fit_line`` does; quicker than one by one."""
    counts = np.array([len(each) for each in points_px], int)
    if len(counts) and counts.min() < 2:
        raise ValueError(f"fit_line needs two points or more, got {counts.min()}.")
    most = int(counts.max(initial=2))
    there = np.arange(most) < counts[:, None]
    points, base = np.zeros((len(counts), most, 2)), np.zeros((len(counts), most))
    points[there], base[there] = np.concatenate([*points_px, np.zeros((0, 2))]), np.concatenate([*weights, np.zeros(0)])
    weight = _settled(points, base * _first_guess(points, there, counts, scale_px), base, scale_px, rounds)
    return [_line(points[n, :count], weight[n, :count]) for n, count in enumerate(counts.tolist())]


def _settled(points: Array, weight: Array, base: Array, scale_px: float, rounds: int) -> Array:
    """Weights (S, N) of points (S, N, 2) once the lines through them change them no more."""
    local = points - points.mean(axis=1, keepdims=True)  # sums of far-off numbers would lose digits
    x, y = local[..., 0], local[..., 1]
    sums = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=2)
    moving = np.arange(len(points))
    for _ in range(rounds):
        whole, first, second, xx, xy, yy = (weight[moving, None] @ sums[moving])[:, 0].T
        at_x, at_y = first / whole, second / whole
        angle = 0.5 * np.arctan2(2 * (xy - at_x * second), xx - at_x * first - (yy - at_y * second))
        sine, cosine = np.sin(angle), np.cos(angle)
        away = y[moving] * cosine[:, None] - x[moving] * sine[:, None]
        away -= (at_y * cosine - at_x * sine)[:, None]
        spread = np.maximum(scale_px, 1.4826 * _middles(np.abs(away), weight[moving] > 0))
        away *= 1 / (4.685 * spread[:, None])
        share = np.maximum(1 - away * away, 0)
        after = base[moving] * (share * share)
        lost = np.count_nonzero(after, axis=1) < 2
        after[lost] = base[moving[lost]]
        still = ~lost & (np.abs(after - weight[moving]).max(axis=1) >= 1e-4)
        weight[moving] = after
        moving = moving[still]
        if not len(moving):
            break
    return weight


def _line(points: Array, weight: Array) -> Line:
    """The line through points (N, 2) by their last weights (N,)."""
    centre, direction = principal(points, weight)
    away = (points - centre) @ np.array([-direction[1], direction[0]])
    along = (points - centre) @ direction
    whole = float(weight.sum())
    rms = math.sqrt(float(weight @ away**2) / whole)
    effective = whole**2 / float(weight @ weight)
    arm = math.sqrt(float(weight @ along**2) / whole)
    u_offset = max(rms, 0.02) / max(effective - 2, 1) ** 0.5
    return Line(centre, direction, u_offset, u_offset / max(arm, 1e-6), rms, weight > 0)


def _first_guess(points: Array, there: NDArray[np.bool_], counts: NDArray[np.int64], scale_px: float) -> Array:
    """Weights (S, N) of the lines through two of the points that most others agree with (least median of squares)."""
    guess = there.astype(float)
    many = np.flatnonzero(counts >= FEW)
    if not len(many):
        return guess
    row, mine = np.arange(len(many))[:, None], points[many]
    first, second = np.stack([_pairs(count) for count in counts[many].tolist()], axis=1)
    begin, step = mine[row, first], mine[row, second] - mine[row, first]
    length = np.hypot(step[..., 0], step[..., 1])
    normal = np.stack([-step[..., 1], step[..., 0]], axis=2) / np.maximum(length, 1e-9)[..., None]
    away = np.abs(normal @ mine.transpose(0, 2, 1) - np.sum(begin * normal, axis=2)[..., None])
    seen = np.broadcast_to(there[many, None], away.shape)
    middles = np.where(length > 1e-9, _middles(away, seen), np.inf)
    best = middles.argmin(axis=1)
    nearest = away[row[:, 0], best]
    close = nearest < np.maximum(3 * scale_px, 4 * middles[row[:, 0], best])[:, None]
    guess[many] = np.where(np.isfinite(middles.min(axis=1))[:, None], close & there[many], guess[many])
    return guess


@lru_cache(maxsize=256)
def _pairs(count: int) -> NDArray[np.int64]:
    """Indices (2, PAIRS) of pairs of points, each at least a quarter of them apart."""
    rng = np.random.default_rng(count)
    first = rng.integers(0, count, PAIRS)
    return np.stack([first, (first + rng.integers(count // 4 + 1, count, PAIRS)) % count])


def _middles(values: Array, counted: NDArray[np.bool_]) -> Array:
    """The medians (...,) (the lower one of two) of those values (..., N) that are counted."""
    last = (np.count_nonzero(counted, axis=-1) - 1) // 2
    ranked = np.sort(np.where(counted, values, np.inf), axis=-1)
    return np.asarray(np.take_along_axis(ranked, last[..., None], axis=-1)[..., 0])


def principal(points: Array, weight: Array) -> tuple[Array, Array]:
    """Weighted centre (2,) of points (N, 2) and the direction (2,) in which they spread most."""
    centre = weight @ points / weight.sum()
    away = points - centre
    (xx, xy), (_, yy) = ((away.T * weight) @ away).tolist()
    angle = 0.5 * math.atan2(2 * xy, xx - yy)  # of the larger axis of the second moments
    return centre, np.array([math.cos(angle), math.sin(angle)])


def crossing(one: Line, other: Line) -> Array | None:
    """Where two lines cross (2,) [px]; None when they are within half a degree of parallel."""
    matrix = np.column_stack([one.direction, -other.direction])
    if abs(float(np.linalg.det(matrix))) < 0.0087:
        return None
    return one.point_px + np.linalg.solve(matrix, other.point_px - one.point_px)[0] * one.direction


def u_crossing_px(one: Line, other: Line, corner_px: Array) -> float:
    """Standard uncertainty of a crossing [px], the larger of its two components.

    First-order propagation (JCGM 100): offsets of the two lines at the corner over the sine of their angle.
    """
    sine = abs(float(one.direction[0] * other.direction[1] - one.direction[1] * other.direction[0]))
    return max(one.u_at_px(corner_px), other.u_at_px(corner_px)) / max(sine, 1e-6)
