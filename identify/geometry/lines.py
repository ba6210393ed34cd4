"""Straight lines: sub-pixel fits of an edge in the full picture.

Fits are total least squares with Tukey's biweight (Huber and Ronchetti, Robust Statistics, 2nd edition
2009, chapter 7).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from identify.geometry.edges import correlated, sample_profiles
from identify.model import Array, Bytes

STEP_PX = 0.5  # between samples of a profile
BLOCKS = 36  # stretches that an edge is cut into, each the mean of a quarter as many profiles or fewer
SEAM_PX = 3.0  # the two sides of a narrower seam are not seen apart: the slopes of any thin line peak 2.8 px apart
SEAM_RISE = 0.22  # a seam ends where light rises by this share of its fall; sharpening halos stay below


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
    if len(points) < 2:
        raise ValueError(f"fit_line needs two points or more, got {len(points)}.")
    base = np.ones(len(points)) if weights is None else np.asarray(weights, float)
    weight = base * _first_guess(points, scale_px)
    middle = points.mean(axis=0)
    local = points - middle
    x, y = local.T
    sums = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])
    for _ in range(rounds):
        whole, first, second, xx, xy, yy = (weight @ sums).tolist()
        at_x, at_y = first / whole, second / whole
        angle = 0.5 * math.atan2(2 * (xy - at_x * second), xx - at_x * first - (yy - at_y * second))
        normal = -math.sin(angle), math.cos(angle)
        away = local @ normal - (at_x * normal[0] + at_y * normal[1])
        spread = max(scale_px, 1.4826 * _middle(np.abs(away[weight > 0])))
        away *= 1 / (4.685 * spread)
        share = np.maximum(1 - away * away, 0)
        before, weight = weight, base * (share * share)
        if np.count_nonzero(weight) < 2:
            weight = base
            break
        if np.abs(weight - before).max() < 1e-4:
            break
    centre, direction = principal(points, weight)
    away = (points - centre) @ np.array([-direction[1], direction[0]])
    along = (points - centre) @ direction
    kept = weight > 0
    rms = float(np.sqrt(np.sum(weight * away**2) / np.sum(weight)))
    effective = float(np.sum(weight) ** 2 / np.sum(weight**2))
    arm = float(np.sqrt(np.sum(weight * along**2) / np.sum(weight)))
    u_offset = max(rms, 0.02) / max(effective - 2, 1) ** 0.5
    return Line(centre, direction, u_offset, u_offset / max(arm, 1e-6), rms, kept)


def _first_guess(points: Array, scale_px: float) -> Array:
    """Weights (N,) of the line through two of the points that most others agree with (least median of squares)."""
    count = len(points)
    if count < 6:
        return np.ones(count)
    first, second = _pairs(count)
    step = points[second] - points[first]
    length = np.hypot(step[:, 0], step[:, 1])
    good = length > 1e-9
    first, step, length = first[good], step[good], length[good]
    if not len(first):
        return np.ones(count)
    normal = np.column_stack([-step[:, 1], step[:, 0]]) / length[:, None]
    away = np.abs(normal @ points.T - np.sum(points[first] * normal, axis=1)[:, None])
    half = (count - 1) // 2
    best = away[np.argmin(np.partition(away, half, axis=1)[:, half])]
    return (best < max(3 * scale_px, 4 * _middle(best))).astype(float)


@lru_cache(maxsize=256)
def _pairs(count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Indices (80,), (80,) of pairs of points, each at least a quarter of them apart."""
    rng = np.random.default_rng(count)
    first = rng.integers(0, count, 80)
    return first, (first + rng.integers(count // 4 + 1, count, 80)) % count


def _middle(values: Array) -> float:
    """The median (the lower one of two) of values (N,); numpy's own takes ten times as long on so few."""
    half = (len(values) - 1) // 2
    return float(np.partition(values, half)[half])


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


def refine_edge(
    rgb: Bytes,
    start_px: Array,
    end_px: Array,
    *,
    reach_px: float,
    inward: float = 0.0,
    seam_px: float = 0.0,
    blocks: int = BLOCKS,
) -> tuple[Line, float] | None:
    """Fit a line to the edge near the segment from ``start_px`` to ``end_px``, to a fraction of a pixel.

    Light profiles across the segment are averaged in short blocks along it, so that faint edges stand out.

    Parameters
    ----------
    rgb : (H, W, 3) uint8
    start_px, end_px : (2,) ends of the straight stretch [px]
    reach_px : how far the true edge may be from the segment [px]
    inward : +1 or -1 where the object lies on that side along the segment's normal; 0 where it is not known
    seam_px : widest dark seam (the object's own wall and its contact shadow) to cross to the object's face [px]
    blocks : how many stretches the segment is cut into

    Returns
    -------
    The line, and the share of the segment along which its edge is seen; None where no edge is.
    """
    start, end = np.asarray(start_px, float), np.asarray(end_px, float)
    cut = _blocks(rgb, start, end, reach_px + 5.0, blocks)
    if cut is None:
        return None
    slope = _slopes(cut.light)
    points, found, strength = _peaks(cut, np.sqrt(np.sum(slope**2, axis=1)), 0.0, reach_px)
    outer = _fitted(points, found, strength, cut.wanted)
    if outer is None or not inward or seam_px < SEAM_PX:
        return outer
    beyond = _across_seam(cut, slope * inward, outer[0], found, inward, seam_px)
    inner = None if beyond is None else _fitted(*beyond, cut.wanted)
    if inner is None or inner[1] < outer[1] - 0.1 or inner[0].rms_px > outer[0].rms_px + 0.15:
        return outer
    return inner


def _fitted(points: Array, found: Array, strength: Array, wanted: int) -> tuple[Line, float] | None:
    """The line through the points (N, 2) that were found, and the share of ``wanted`` near it."""
    if np.count_nonzero(found) < 5:
        return None
    line = fit_line(points[found], weights=np.minimum(strength[found], 8.0))
    close = np.abs(line.offset_px(points[found])) < max(0.6, 2.5 * line.rms_px)
    return line, float(np.count_nonzero(close)) / wanted


def mean_edge(rgb: Bytes, places_px: Array, normals: Array, *, reach_px: float) -> float | None:
    """Offset [px] of the strongest edge in the mean of the profiles across places (N, 2); None where there is none."""
    half = reach_px + 5.0
    offsets = np.arange(-half, half + STEP_PX / 2, STEP_PX)
    light = sample_profiles(rgb, places_px, normals, offsets).mean(axis=0)[None]
    blocks = _Blocks(light, offsets, np.zeros((1, 2)), np.array([1.0, 0.0]), 1)
    points, found, _ = _peaks(blocks, np.sqrt(np.sum(_slopes(light) ** 2, axis=1)), 0.0, reach_px)
    return float(points[0, 0]) if found[0] else None


@dataclass(frozen=True, slots=True, eq=False)
class _Blocks:
    """Averaged profiles: light (N, K, 3) at ``offsets_px`` (K,) from ``places_px`` (N, 2) along ``normal`` (2,)."""

    light: Array
    offsets_px: Array
    places_px: Array
    normal: Array
    wanted: int


def _blocks(rgb: Bytes, start: Array, end: Array, half_px: float, count: int) -> _Blocks | None:
    length = float(np.hypot(*(end - start)))
    if length < 8:
        return None
    direction = (end - start) / length
    normal = np.array([-direction[1], direction[0]])
    each = int(np.clip(length / count, 1, count / 4))
    steps = (np.arange(count * each) + 0.5) / (count * each)
    places = start + steps[:, None] * (end - start)
    inside = np.all((places > 2) & (places < np.array(rgb.shape[1::-1]) - 3), axis=1).reshape(count, each).all(axis=1)
    if np.count_nonzero(inside) < 8:
        return None
    offsets = np.arange(-half_px, half_px + STEP_PX / 2, STEP_PX)
    places = places.reshape(count, each, 2)[inside]
    flat = places.reshape(-1, 2)
    light = sample_profiles(rgb, flat, np.broadcast_to(normal, flat.shape), offsets)
    light = light.reshape(len(places), each, len(offsets), 3).mean(axis=1)
    return _Blocks(light, offsets, places.mean(axis=1), normal, count)


def _slopes(light: Array, blur_px: float = 1.0) -> Array:
    """Derivative of profiles (N, K, 3) smoothed by a Gaussian of ``blur_px``: (N, 3, K) per pixel."""
    taps = np.arange(-3 * blur_px, 3 * blur_px + STEP_PX / 2, STEP_PX)
    bell = np.exp(-0.5 * (taps / blur_px) ** 2)
    return correlated(light, taps * bell / np.sum(taps**2 * bell)).transpose(0, 2, 1)


def _peaks(blocks: _Blocks, steep: Array, around_px: Array | float, reach_px: float) -> tuple[Array, Array, Array]:
    """Strongest peak of ``steep`` (N, K) within ``reach_px`` of ``around_px``: points, found, strength over noise."""
    offsets = blocks.offsets_px
    away = offsets - np.reshape(around_px, (-1, 1))
    masked = np.where(np.abs(away) <= reach_px, steep * np.exp(-0.5 * (away / (0.8 * reach_px)) ** 2), -1.0)
    best = np.clip(np.argmax(masked, axis=1), 1, len(offsets) - 2)
    rows = np.arange(len(best))
    for _ in range(round(2.0 / STEP_PX)):  # the weight moves a blurred peak: climb back to its top
        left, mid, right = steep[rows, best - 1], steep[rows, best], steep[rows, best + 1]
        step = np.where(right > np.maximum(mid, left), 1, np.where(left > mid, -1, 0))
        higher = np.clip(best + step, 1, len(offsets) - 2)
        if (higher == best).all():
            break
        best = higher
    left, mid, right = steep[rows, best - 1], steep[rows, best], steep[rows, best + 1]
    bend = left - 2 * mid + right
    shift = np.where(bend < -1e-12, 0.5 * (left - right) / np.where(bend == 0, 1, bend), 0.0)
    where = offsets[best] + np.clip(shift, -1, 1) * STEP_PX
    rank = round(0.4 * (steep.shape[1] - 1))
    strength = mid / (np.partition(np.abs(steep), rank, axis=1)[:, rank] + 2e-4)
    found = (bend < 0) & (mid > 0.0015) & (strength > 2.0)
    return blocks.places_px + where[:, None] * blocks.normal, found, strength


def _across_seam(
    blocks: _Blocks, inward_slope: Array, outer: Line, found: Array, inward: float, seam_px: float
) -> tuple[Array, Array, Array] | None:
    """The far side of a dark seam: where a channel gets darker at the outer edge and lighter again within ``seam_px``.

    ``inward_slope`` (N, 3, K) is the slope towards the object.
    """
    away = -outer.offset_px(blocks.places_px) / float(outer.normal @ blocks.normal)
    depth = (blocks.offsets_px[None] - away[:, None]) * inward
    grid = np.arange(-1.0, seam_px + 1.5, STEP_PX)
    middle = np.median(_aligned(grid, depth[found], inward_slope[found]), axis=0)
    dark = -middle[:, np.abs(grid) < 0.8].min(axis=1)
    deep = (grid >= SEAM_PX) & (grid <= seam_px)
    rise = np.where(deep, middle, -np.inf)
    ratio = np.where(dark > max(0.002, 0.35 * float(dark.max())), rise.max(axis=1) / np.maximum(dark, 1e-9), 0)
    channel = int(np.argmax(np.where(ratio > SEAM_RISE, rise.max(axis=1), -np.inf)))
    peak = int(np.argmax(rise[channel]))
    if ratio[channel] <= SEAM_RISE or middle[channel, peak + 1] > middle[channel, peak]:
        return None
    beyond = _peaks(blocks, inward_slope[:, channel], away + inward * grid[peak], 1.0)
    return beyond if np.count_nonzero(beyond[1]) > 0.7 * np.count_nonzero(found) else None


def _aligned(grid: Array, depth: Array, curves: Array) -> Array:
    """Curves (N, C, K) over evenly spaced depths (N, K), taken at the depths ``grid`` (G,): (N, C, G)."""
    step = (depth[:, -1] - depth[:, 0]) / (depth.shape[1] - 1)
    place = np.clip((grid - depth[:, :1]) / step[:, None], 0, depth.shape[1] - 1)
    left = np.minimum(place.astype(int), depth.shape[1] - 2)[:, None]
    share = place[:, None] - left
    low, high = np.take_along_axis(curves, left, axis=2), np.take_along_axis(curves, left + 1, axis=2)
    return np.asarray(low + share * (high - low))
