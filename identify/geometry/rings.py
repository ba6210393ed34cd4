"""The picture unwrapped about a coin, and the ellipse that suits log odds of the edge over its spokes.

The picture is sampled on rays from an ellipse's middle, stretched so that the ellipse is the circle of radius 1. A rim
is then a slowly changing radius, r = a + b cos + c sin + d cos 2 + e sin 2 of the angle. Where the edge is on each
spoke is told as odds over the radii; several rings may share the odds, and what the others hold is the doubt.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.geometry import ellipse as ellipses
from identify.geometry.edges import linear_light
from identify.model import Array, Bytes, Ellipse

SPOKES = 64
SCALES = np.arange(0.56, 1.515, 0.01)  # radii that are looked at, in units of the first ellipse
FINE_PX = 90.0  # a larger rim is looked at on a reduced picture
LEAST_SHARE = 0.1  # of a spoke's odds beside the ring, for the spoke to count
INDEPENDENT = 8.0  # of the spokes: neighbours share shadow, wear and glare
U_SHADOW_PX = 0.17  # a one-sided shadow moves an edge by up to 0.3 px: evenly spread
_FLOOR = 0.006  # of the radius: how well the odds can tell a place
_TURN = 2 * np.pi * np.arange(SPOKES) / SPOKES
UNIT = np.column_stack([np.cos(_TURN), np.sin(_TURN)])
_POWERS = (SCALES - 1) ** np.arange(5)[:, None, None]
_BASIS = np.column_stack([np.ones(SPOKES), UNIT, np.cos(2 * _TURN), np.sin(2 * _TURN)])


def unwrap(rgb: Bytes, start: Ellipse) -> NDArray[np.float32]:
    """The picture about an ellipse, (SPOKES, len(SCALES), 3) in the square root of linear light, 0 to 1."""
    shape = ellipses.shape_matrix(start)
    middle = np.array([start.x_px, start.y_px])
    reach = np.sqrt((shape @ shape).diagonal()) * SCALES[-1] + 3
    height, width = rgb.shape[:2]
    left, top = np.clip(np.floor(middle - reach).astype(int), 0, (width - 2, height - 2))
    right, bottom = np.clip(np.ceil(middle + reach).astype(int) + 1, (left + 2, top + 2), (width, height))
    crop = linear_light(rgb[top:bottom, left:right])
    shrink = max(1, int(start.major_px / FINE_PX))
    size = (max(1, (right - left) // shrink), max(1, (bottom - top) // shrink))
    factors = np.array([size[0] / (right - left), size[1] / (bottom - top)])
    if shrink > 1:
        crop = np.asarray(cv2.resize(crop, size, interpolation=cv2.INTER_AREA), np.float32)
    places = middle - (left, top) + SCALES[None, :, None] * (UNIT @ shape)[:, None, :]
    x, y = np.moveaxis(((places + 0.5) * factors - 0.5).astype(np.float32), 2, 0)
    seen = cv2.remap(crop, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.sqrt(np.asarray(seen, np.float32))


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """A coin's edge.

    Parameters
    ----------
    points_px : (N, 2) where the edge is on the spokes that tell it [px]
    scatter : robust standard deviation of those points about the ellipse, as a share of the radius
    support : mean share of the odds that lie beside the ring
    u_rel : relative standard uncertainty of the size: which ring is the edge, and where on each spoke
    """

    ellipse: Ellipse
    points_px: Array
    scatter: float
    support: float
    u_rel: float


def edge(log_odds: Array, start: Ellipse, *, least_support: float = 0.0) -> Edge | None:
    """The ellipse on which the spokes' odds agree best.

    Parameters
    ----------
    log_odds : (SPOKES, len(SCALES)) natural logarithms, those of a spoke summing to 1 as odds
    start : the ellipse about which the picture was unwrapped
    least_support : what has less support is not worth the fit

    Returns
    -------
    None where the odds gather on no ring, or on one of less support.
    """
    odds = np.exp(np.asarray(log_odds, float))
    moments = np.concatenate([np.zeros((5, SPOKES, 1)), np.cumsum(odds * _POWERS, axis=2)], axis=2)
    found = _settled(moments, _firsts(odds))
    places, shares, spreads = _beside(moments, found)
    worth = np.log(shares + 0.03).sum(axis=1)  # log likelihood of a ring; some spokes show another edge
    best = int(np.argmax(worth))
    place, share, spread = places[best], shares[best], spreads[best]
    sure = share > LEAST_SHARE
    if np.count_nonzero(sure) < SPOKES // 3 or share.mean() < least_support:
        return None
    points = np.array([start.x_px, start.y_px]) + place[:, None] * (UNIT @ ellipses.shape_matrix(start))
    fitted = ellipses.fit(points[sure], start=start, weights=share[sure] / spread[sure] ** 2)
    if fitted is None:
        return None
    chances = np.exp(INDEPENDENT / SPOKES * (worth - worth[best]))
    sizes = found.mean(axis=1) / found[best].mean() - 1
    return Edge(
        fitted.ellipse,
        points[sure],
        fitted.scatter_px / fitted.ellipse.major_px,
        float(share.mean()),
        math.hypot(
            float(np.sqrt(chances @ sizes**2 / chances.sum())),
            float(np.sqrt(np.mean(spread**2) / INDEPENDENT)),
            U_SHADOW_PX / fitted.ellipse.major_px,
        ),
    )


def _firsts(odds: Array) -> Array:
    """Circles (C, SPOKES) on which the odds gather, off centre by a few bins or not; the fullest three."""
    total = np.convolve(odds.mean(axis=0), np.ones(7) / 7, mode="same")
    tops = 1 + np.flatnonzero((total[1:-1] >= total[:-2]) & (total[1:-1] > total[2:]))
    tops = tops[np.argsort(-total[tops])][:3]
    return np.repeat(SCALES[tops] if len(tops) else np.ones(1), SPOKES).reshape(-1, SPOKES)


def _settled(moments: Array, curves: Array) -> Array:
    """The curves (C, SPOKES) moved onto the odds beside them, first from further away."""
    for half, held in ((0.12, 9.0), (0.08, 3.0), (0.06, 0.3), (0.05, 0.0), (0.04, 0.0), (0.04, 0.0)):
        place, share, spread = _beside(moments, curves, half)
        weight = share / spread**2 + 1e-9
        gram = (_BASIS.T * weight[:, None, :]) @ _BASIS
        gram += np.diag([1e-9, 0, 0, held, held]) * weight.mean(axis=1)[:, None, None]
        curves = np.linalg.solve(gram, ((weight * place) @ _BASIS)[..., None])[..., 0] @ _BASIS.T
    return curves


def _beside(moments: Array, curves: Array, half: float = 0.04) -> tuple[Array, Array, Array]:
    """Mean place, share of the odds and standard deviation (C, SPOKES) of what lies within ``half`` of the curves.

    The odds count by 1 - (distance / half)². Their sums come from differences of ``moments`` (5, SPOKES, K + 1), the
    sums of the odds times powers of the radius less 1 from the first radius on.
    """
    step = SCALES[1] - SCALES[0]
    ends = np.stack([np.ceil((curves - half - SCALES[0]) / step), np.floor((curves + half - SCALES[0]) / step) + 1])
    low, high = np.clip(ends, 0, len(SCALES)).astype(int)
    spokes = np.arange(SPOKES)
    within = moments[:, spokes, np.maximum(low, high)] - moments[:, spokes, low]
    off = curves - 1
    level, rise, bend = 1 - (off / half) ** 2, 2 * off / half**2, -(half**-2)
    none, once, twice = level * within[:3] + rise * within[1:4] + bend * within[2:]
    share = none + 1e-9
    place = (none + once) / share
    spread = np.sqrt(np.maximum((none + 2 * once + twice) / share - place**2, 0) + _FLOOR**2)
    return np.where(share > 1e-6, place, curves), share, spread
