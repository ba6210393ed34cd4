"""Whether the corners of a card are round: by their arcs, and by colours where no single edge can be followed.

On a speckled bench that is so.

Each pixel about a corner is rated between the card's colour there and the bench's along Fisher's discriminant (Annals
of Eugenics 7, 1936). What lies between the arc and the crossing of the sides is bench where the corner is round, and
card where it is sharp; both expected pictures are blurred as the photo is, and the least-squares share of the first
tells which it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

from identify.geometry.lines import mean_edge
from identify.model import Array, Bytes

STEP_MM = 0.25
BEYOND_MM, WITHIN_MM = 3.0, 6.5  # of the corner's surroundings that are looked at
BLUR_PX = 0.8
CLEAR_MM = 0.9  # colours are taken no nearer to an edge
LEAST_PX_PER_MM = 1.2
ALIKE = 4.0  # squared distance of the two colours in their own scatter, below which a corner tells nothing
GRAIN_MM2 = 1.5  # a bench's speckles: colours this close vary together


@dataclass(frozen=True, slots=True)
class Roundness:
    """``share`` of the arc's picture in the corners: 0 for sharp ones, 1 for the card's; and its standard uncertainty.

    A corner of another radius r gives (r / the card's radius)².
    """

    share: float
    u: float


def roundness(rgb: Bytes, to_px: Array, size_mm: Array, corner_mm: float) -> Roundness | None:
    """How round the four corners of a card are.

    Parameters
    ----------
    rgb : (H, W, 3) uint8
    to_px : (3, 3) homography from millimetres on the card to pixels
    size_mm : (2,) sides of the card

    Returns
    -------
    None where the picture is too small, or the card's colours are the bench's.
    """
    axis = np.arange(-BEYOND_MM, WITHIN_MM + STEP_MM / 2, STEP_MM)
    x, y = np.meshgrid(axis, axis)
    arc = np.hypot(x - corner_mm, y - corner_mm)
    in_corner = (x < corner_mm) & (y < corner_mm)
    outside = (x < 0) | (y < 0)
    rounded = outside | (in_corner & (arc > corner_mm))
    card = (np.minimum(x, y) > CLEAR_MM) & ~(in_corner & (arc > corner_mm - CLEAR_MM))
    bench = np.minimum(x, y) < -CLEAR_MM
    told = []
    for n, way in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        corner = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])[n] * size_mm
        places = np.column_stack([corner[0] + way[0] * x.ravel(), corner[1] + way[1] * y.ravel(), np.ones(x.size)])
        mapped = places @ to_px.T
        px = mapped[:, :2] / mapped[:, 2:]
        px_per_mm = float(np.sqrt(abs(_area(px, x.shape)))) / (axis[-1] - axis[0])
        inside = np.all((px > 0) & (px < np.array(rgb.shape[1::-1]) - 1))
        if px_per_mm < LEAST_PX_PER_MM or not inside:
            continue
        colours = np.sqrt(_sampled(rgb, px)).reshape(*x.shape, 3)
        blur = BLUR_PX / px_per_mm / STEP_MM
        sharp, soft = (gaussian_filter(mask.astype(float), blur) for mask in (outside, rounded))
        one = _corner(colours, card, bench, sharp, soft - sharp)
        if one is not None:
            told.append(one)
    if len(told) < 2:
        return None
    shares, us = np.array(told).T
    weights = 1 / us**2
    share = float(weights @ shares / weights.sum())
    scatter = float(weights @ (shares - share) ** 2) / max(len(told) - 1, 1)
    return Roundness(share, float(np.sqrt(max(1.0, scatter) / weights.sum())))


def corner_radii(rgb: Bytes, to_px: Array, corners_mm: Array, corner_mm: float) -> Array:
    """Radii of the corners whose arc is seen (4,) [mm]: nan where too small to tell, inf where no arc is seen.

    An arc of radius r leaves the crossing of its two tangents by (sqrt 2 - 1) r along the bisector.

    Parameters
    ----------
    to_px : (3, 3) homography from millimetres on the card to pixels
    corners_mm : (4, 2) crossings of the sides, in order around from the one at the origin
    """
    depth = np.sqrt(2) - 1
    radii = np.full(4, np.inf)
    for n, way in enumerate(np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])):
        angles = np.radians(np.linspace(33, 57, 7))
        centre = corners_mm[n] + way * corner_mm
        rays = -way * np.column_stack([np.cos(angles), np.sin(angles)])
        inner, outer = (through(to_px, centre + (corner_mm + away) * rays) for away in (-1.2, 1.2))
        step = outer - inner
        length = np.hypot(step[:, 0], step[:, 1])
        if length.min() < 2.5:  # about one pixel a millimetre
            radii[n] = np.nan
            continue
        start = through(to_px, centre + corner_mm * rays)
        away = mean_edge(rgb, start, step / length[:, None], reach_px=max(2.5, 0.5 * float(length.mean())))
        if away is not None:
            radii[n] = corner_mm - away / length.mean() * 2.4 / depth
    return radii


def through(homography: Array, points: Array) -> Array:
    """Points (N, 2) through a homography (3, 3)."""
    mapped = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:])


def _sampled(rgb: Bytes, px: Array) -> Array:
    """Colours (N, 3) at places (N, 2), 0 to 1."""
    low = np.floor(px.min(axis=0)).astype(int) - 1
    low = np.maximum(low, 0)
    high = np.ceil(px.max(axis=0)).astype(int) + 2
    crop = rgb[low[1] : high[1], low[0] : high[0]].astype(np.float32) / 255
    x, y = (px - low).astype(np.float32).T
    seen = cv2.remap(crop, x[None], y[None], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen[0], float)


def _corner(colours: Array, card: Array, bench: Array, sharp: Array, arc: Array) -> tuple[float, float] | None:
    """Share of the arc's picture at one corner and its standard uncertainty."""
    inner, outer = colours[card], colours[bench]
    gap = outer.mean(axis=0) - inner.mean(axis=0)
    within = np.cov(inner.T) + np.cov(outer.T) + 1e-5 * np.eye(3)
    way = np.linalg.solve(within, gap)
    clear = float(gap @ way)
    if clear < ALIKE:
        return None
    rated = (colours - inner.mean(axis=0)) @ way / clear
    weight = float(np.sum(arc**2))
    share = float(np.sum(arc * (rated - sharp)) / weight)
    spread = float(np.std(rated[bench]))
    many = max(float(np.sum(arc)) * STEP_MM**2 / GRAIN_MM2, 1.0)
    return share, float(np.hypot(spread / np.sqrt(many), 0.1))


def _area(px: Array, shape: tuple[int, ...]) -> float:
    """Signed area [px²] of the quadrilateral that a grid (rows, columns) of places (N, 2) fills."""
    grid = px.reshape(*shape, 2)
    return float(cv2.contourArea(np.array([grid[0, 0], grid[0, -1], grid[-1, -1], grid[-1, 0]], np.float32)))
