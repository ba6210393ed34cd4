"""Perspective pictures of rectangles: candidates from lines, and the side ratio that a focal length gives them.

The square-to-quadrilateral mapping is Heckbert's (Fundamentals of Texture Mapping and Image Warping, 1989); the
conditions on its columns are those of any picture of a plane (Hartley and Zisserman, Multiple View Geometry, 2nd
edition 2004, chapter 8).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from identify.geometry.strokes import Strokes
from identify.model import Array

Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """What a focal length makes of quadrilaterals seen as rectangles.

    Parameters
    ----------
    ratio : (N,), or (F, N) for several focal lengths, length of sides 0-1 and 2-3 over that of sides 1-2 and 3-0
    cosine : of the angle between those sides: zero for a true rectangle
    tilt_rad : between the plane's normal and the optical axis [rad]
    """

    ratio: Array
    cosine: Array
    tilt_rad: Array


def square_to_quad(corners_px: Array) -> Array:
    """Homographies (N, 3, 3) of the unit square (0,0), (1,0), (1,1), (0,1) to corners (N, 4, 2) [px]."""
    x, y = corners_px[..., 0], corners_px[..., 1]
    dx1, dx2, sx = x[:, 1] - x[:, 2], x[:, 3] - x[:, 2], x[:, 0] - x[:, 1] + x[:, 2] - x[:, 3]
    dy1, dy2, sy = y[:, 1] - y[:, 2], y[:, 3] - y[:, 2], y[:, 0] - y[:, 1] + y[:, 2] - y[:, 3]
    det = dx1 * dy2 - dx2 * dy1
    det = np.where(np.abs(det) < 1e-9, 1e-9, det)
    g, h = (sx * dy2 - dx2 * sy) / det, (dx1 * sy - sx * dy1) / det
    rows = [
        [x[:, 1] - x[:, 0] + g * x[:, 1], x[:, 3] - x[:, 0] + h * x[:, 3], x[:, 0]],
        [y[:, 1] - y[:, 0] + g * y[:, 1], y[:, 3] - y[:, 0] + h * y[:, 3], y[:, 0]],
        [g, h, np.ones(len(x))],
    ]
    return np.array(rows, float).transpose(2, 0, 1)


def seen_with(corners_px: Array, focal_px: float, centre_px: Array) -> Shape:
    """The shape of corners (N, 4, 2), in order around, seen by a camera of this focal length [px]."""
    shape = _seen(square_to_quad(corners_px - np.asarray(centre_px)), np.array([focal_px]))
    return Shape(shape.ratio[0], shape.cosine[0], shape.tilt_rad[0])


def _seen(homographies: Array, focals_px: Array) -> Shape:
    """The shapes (F, N) that focal lengths (F,) make of unit squares seen through homographies (N, 3, 3)."""
    (x1, y1, z1), (x2, y2, z2) = homographies[:, :, :2].transpose(2, 1, 0)
    focal = focals_px[:, None]
    x1, y1, x2, y2 = x1 / focal, y1 / focal, x2 / focal, y2 / focal
    one, two = np.sqrt(x1 * x1 + y1 * y1 + z1 * z1), np.sqrt(x2 * x2 + y2 * y2 + z2 * z2)
    across, down, ahead = y1 * z2 - z1 * y2, z1 * x2 - x1 * z2, x1 * y2 - y1 * x2  # the plane's normal
    cosine_tilt = np.abs(ahead) / np.maximum(np.sqrt(across**2 + down**2 + ahead**2), 1e-12)
    cosine = (x1 * x2 + y1 * y2 + z1 * z2) / np.maximum(one * two, 1e-12)
    return Shape(one / np.maximum(two, 1e-12), cosine, np.arccos(np.minimum(cosine_tilt, 1)))


def misfit(
    corners_px: Array,
    ratio: float,
    focals_px: Array,
    centre_px: Array,
    tolerance: tuple[Array | float, Array | float],
) -> Array:
    """How far corners (N, 4, 2) are from a rectangle of this side ratio, in tolerances, at the best focal length.

    Parameters
    ----------
    ratio : side 0-1 over side 1-2
    focals_px : (F,) focal lengths that are possible [px]
    tolerance : allowed relative error of the ratio, and cosine of the corner's angle; each one number or (N,)
    """
    shape = _seen(square_to_quad(corners_px - np.asarray(centre_px)), np.atleast_1d(np.asarray(focals_px, float)))
    error = np.hypot(np.log(shape.ratio / ratio) / tolerance[0], shape.cosine / tolerance[1])
    return np.asarray(np.where(shape.tilt_rad < 1.1, error, np.inf).min(axis=0))


def from_lines(strokes: Strokes, *, shortest_px: float, size_px: tuple[int, int], most: int = 4000) -> Array:
    """Convex quadrilaterals (N, 4, 2) whose four sides lie on lines that are seen along them, best first.

    Parameters
    ----------
    shortest_px : least length of a side [px]
    size_px : width and height of the picture [px]
    """
    ends = strokes.ends_px
    if len(ends) < 4:
        return np.zeros((0, 4, 2))
    span = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    direction = (ends[:, 1] - ends[:, 0]) / np.maximum(span, 1e-9)[:, None]
    density = np.minimum(strokes.covered_px / np.maximum(span, 1e-9), 1.0)
    cross = direction[:, None, 0] * direction[None, :, 1] - direction[:, None, 1] * direction[None, :, 0]
    gap = ends[None, :, 0] - ends[:, None, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        along = (gap[..., 0] * direction[None, :, 1] - gap[..., 1] * direction[None, :, 0]) / cross
    first, second = _parallel_pairs(ends, direction, cross, span, shortest_px)
    one, other = np.triu_indices(len(first), 1)
    steep = np.abs(cross[first[one], first[other]]) > 0.55
    i, j, k, m = first[one[steep]], second[one[steep]], first[other[steep]], second[other[steep]]
    seen, least, shortest = np.zeros(len(i)), np.full(len(i), np.inf), np.full(len(i), np.inf)
    for line, start, end in ((i, k, m), (j, k, m), (k, i, j), (m, i, j)):
        low = np.minimum(along[line, start], along[line, end])
        high = np.maximum(along[line, start], along[line, end])
        side = np.maximum(high - low, 1e-6)
        share = np.clip(np.minimum(high, span[line]) - np.maximum(low, 0), 0, None) / side
        seen += share * (0.5 + 0.5 * density[line])
        least, shortest = np.minimum(least, share), np.minimum(shortest, side)
    good = np.flatnonzero((least > 0.25) & (seen > 1.9) & (shortest > shortest_px))
    good = good[np.argsort(-seen[good])[:most]]
    i, j, k, m = i[good], j[good], k[good], m[good]
    corners = np.stack([_meet(ends, direction, along, a, b) for a, b in ((i, k), (j, k), (j, m), (i, m))], axis=1)
    margin = 0.06 * max(size_px)
    kept = np.all((corners > -margin) & (corners < np.array(size_px) + margin), axis=(1, 2)) & is_convex(corners)
    return corners[kept]


def _parallel_pairs(
    ends: Array, direction: Array, cross: Array, span: Array, shortest_px: float
) -> tuple[Index, Index]:
    """Indices of pairs of lines that run alongside each other."""
    middle = ends.mean(axis=1)
    between = middle[None] - middle[:, None]
    normal = np.stack([-direction[:, 1], direction[:, 0]], axis=1)
    apart = np.abs(np.einsum("ijk,ik->ij", between, normal))
    slid = np.abs(np.einsum("ijk,ik->ij", between, direction))
    beside = slid < 0.75 * (span[:, None] + span[None])
    pairs = (np.abs(cross) < 0.5) & (np.minimum(apart, apart.T) > 0.8 * shortest_px) & beside
    first, second = np.nonzero(np.triu(pairs, 1))
    order = np.argsort(-(span[first] + span[second]))[:420]
    return first[order], second[order]


def _meet(ends: Array, direction: Array, along: Array, line: Array, other: Array) -> Array:
    return ends[line, 0] + along[line, other][:, None] * direction[line]


def is_convex(corners_px: Array) -> Array:
    """Which of the quadrilaterals (N, 4, 2) turn the same way at all four corners: (N,) bool."""
    side = np.roll(corners_px, -1, axis=1) - corners_px
    after = np.roll(side, -1, axis=1)
    turn = side[..., 0] * after[..., 1] - side[..., 1] * after[..., 0]
    return np.all(turn > 0, axis=1) | np.all(turn < 0, axis=1)


def distinct(corners_px: Array, *, apart_px: float, most: int) -> list[int]:
    """Indices of the first ``most`` quadrilaterals (N, 4, 2) that differ by ``apart_px`` in some corner."""
    kept: list[int] = []
    turned = np.stack([np.roll(corners_px, shift, axis=1) for shift in range(4)])
    turned = np.concatenate([turned, turned[:, :, ::-1]])
    for index in range(len(corners_px)):
        if len(kept) == most:
            break
        apart = np.abs(turned[:, index, None] - corners_px[kept]).reshape(len(turned), len(kept), 8)
        if not kept or np.maximum.reduce(apart, axis=2).min() > apart_px:
            kept.append(index)
    return kept
