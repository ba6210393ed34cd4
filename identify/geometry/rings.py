"""Rings about one middle: every closed rim near a first ellipse, on the picture unwrapped about it.

The picture is sampled on rays from the ellipse's middle, stretched so that the ellipse is the circle of radius 1. A
rim is then a slowly changing radius, r = a + b cos + c sin + d cos 2 + e sin 2 of the angle; many starting radii are
moved at once onto the edges beside them by reweighted Gauss-Newton steps. Which of the rings is the coin's edge, and
not its border or its shadow, a choice model says (McFadden, Frontiers in Econometrics, 1974, chapter 4): its features
are the clearness of the edge all round, and whether the picture changes there from metal to ground; colour without
lightness, because a shadow keeps the ground's colour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from identify.geometry import ellipse as ellipses
from identify.geometry.edges import sample_profiles, steepness
from identify.model import Array, Bytes, Ellipse

SPOKES = 96
FREE, STIFF = 4.0, 400.0  # how strongly a ring is held to the first ellipse's shape, in clear edges
GATES = (0.05, 0.035, 0.025, 0.018, 0.014, 0.011)  # of the radius, closing
# of ``features``: fitted to 213 rendered coins of the training split by training.fit_rings, checked on 86 others
WEIGHTS = np.array(
    [1.05, 0.39, 1.08, 0.61, 1.02, 1.3, -0.59, 0.66, 0.15, -1.95, -0.81, 0.52, -0.13, -0.27, 1.3, 0.91, -0.65]
)
_TURN = 2 * np.pi * np.arange(SPOKES) / SPOKES
_BASIS = np.column_stack([np.ones(SPOKES), np.cos(_TURN), np.sin(_TURN), np.cos(2 * _TURN), np.sin(2 * _TURN)])
_ROWS = np.arange(SPOKES)


@dataclass(frozen=True, slots=True, eq=False)
class Unwrapped:
    """The picture about an ellipse: colours (SPOKES, K, 3) in the square root of linear light over ``scales`` (K,).

    ``steep`` (SPOKES, K) is the height of the step at each place, ``clear`` the same as a share 0 to 1 of what stands
    out on its spoke.
    """

    start: Ellipse
    scales: Array
    colours: Array
    steep: Array
    clear: Array


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """Rings found: ``radii`` (M, SPOKES) in units of the start, ``shapes`` (M, 5) of them."""

    radii: Array
    shapes: Array


@dataclass(frozen=True, slots=True)
class Edge:
    """A coin's edge; ``doubt`` is the relative standard uncertainty of its size from which ring the edge is."""

    ellipse: Ellipse
    doubt: float


def edge(rgb: Bytes, start: Ellipse, *, hold: float = FREE) -> Edge | None:
    """The coin's edge near an ellipse: of all rings about it the likeliest; None where there is no ring.

    Rings down to four fifths of the start are looked at, not as far as the core of a coin of two metals.

    Parameters
    ----------
    hold : FREE where only the start's place is known, STIFF where its shape is
    """
    wide = hold < STIFF
    seen = unwrap(rgb, start, inner=0.45 if wide else 0.6, outer=1.8 if wide else 1.65)
    found = follow(seen, low=0.8 if wide else 0.85, high=1.35 if wide else 1.2, hold=hold)
    if not len(found.radii):
        return None
    worth = features(seen, found) @ WEIGHTS
    best = int(np.argmax(worth))
    odds = np.exp(worth - worth[best])
    sizes = found.shapes[:, 0] / found.shapes[best, 0] - 1
    radii = found.radii[best]
    spokes = np.column_stack([np.cos(_TURN), np.sin(_TURN)]) @ ellipses.shape_matrix(start)
    fitted = ellipses.fit(np.array([start.x_px, start.y_px]) + radii[:, None] * spokes, start=start)
    return None if fitted is None else Edge(fitted.ellipse, float(np.sqrt(odds @ sizes**2 / odds.sum())))


def unwrap(rgb: Bytes, start: Ellipse, *, inner: float = 0.45, outer: float = 1.8) -> Unwrapped:
    """Sample the picture about an ellipse, from ``inner`` to ``outer`` of its radius."""
    step = max(0.006, 0.45 / start.major_px)
    scales = np.arange(inner, outer, step)
    middle = np.tile([start.x_px, start.y_px], (SPOKES, 1))
    spokes = np.column_stack([np.cos(_TURN), np.sin(_TURN)]) @ ellipses.shape_matrix(start)
    colours = np.sqrt(sample_profiles(rgb, middle, spokes, scales))
    steep = steepness(colours, step_px=step, blur_px=max(0.008, 0.8 / start.major_px))
    usual = np.maximum(0.5 * np.quantile(steep, 0.97, axis=1, keepdims=True), 2.0 * np.median(steep) + 0.004)
    return Unwrapped(start, scales, colours, steep, steep**2 / (steep**2 + usual**2))


def follow(seen: Unwrapped, *, low: float, high: float, hold: float = FREE) -> Rings:
    """Every ring that starting radii from ``low`` to ``high`` settle on, each once, the smallest first."""
    rows, places, worth = _edges(seen)
    basis = _BASIS[rows]
    products = (basis[:, :, None] * basis[:, None, :]).reshape(-1, 25)
    shapes = np.zeros((round((high - low) / 0.016) + 1, 5))
    shapes[:, 0] = np.linspace(low, high, len(shapes))
    held = np.diag([1e-6, 0.5, 0.5, hold, hold])
    for gate in GATES:
        miss = places - shapes @ basis.T
        weight = worth * np.maximum(1 - (miss / max(gate, 1.2 / seen.start.major_px)) ** 2, 0) ** 2
        gram = (weight @ products).reshape(-1, 5, 5) + held
        pull = (weight * miss) @ basis - shapes * (0, 0, 0, hold, hold)
        shapes = shapes + np.linalg.solve(gram, pull[..., None])[..., 0]
        shapes[:, 1:] = np.clip(shapes[:, 1:], -0.15, 0.15)
    radii = shapes @ _BASIS.T
    sound = (radii.min(axis=1) > seen.scales[0]) & (radii.max(axis=1) < seen.scales[-1] / 1.1)
    shapes, radii = shapes[sound], radii[sound]
    clear = _near(seen, radii).mean(axis=1)
    kept: list[int] = []
    for k in np.argsort(-clear):
        if all(np.max(np.abs(radii[k] - radii[other])) > 0.02 for other in kept):
            kept.append(int(k))
    kept.sort(key=lambda k: shapes[k, 0])
    return Rings(radii[kept], shapes[kept])


def _edges(seen: Unwrapped) -> tuple[NDArray[np.intp], Array, Array]:
    """The edges on the spokes: which spoke, at what scale, and how clear (E,) each."""
    steep, clear = seen.steep, seen.clear
    top = (steep[:, 1:-1] >= steep[:, :-2]) & (steep[:, 1:-1] > steep[:, 2:]) & (clear[:, 1:-1] > 0.06)
    rows, columns = np.nonzero(top)
    left, middle, right = (steep[rows, columns + k] for k in range(3))
    shift = 0.5 * (left - right) / np.minimum(left - 2 * middle + right, -1e-12)
    step = seen.scales[1] - seen.scales[0]
    return rows, seen.scales[columns + 1] + np.clip(shift, -1, 1) * step, clear[rows, columns + 1]


def _at(seen: Unwrapped, table: Array, radii: Array) -> Array:
    """Values of a table (SPOKES, K, ...) at radii (M, SPOKES)."""
    step = seen.scales[1] - seen.scales[0]
    index = np.clip(np.rint((radii - seen.scales[0]) / step).astype(int), 0, len(seen.scales) - 1)
    return np.asarray(table[_ROWS, index])


def _near(seen: Unwrapped, radii: Array) -> Array:
    """How clear an edge there is on each spoke (M, SPOKES), a sample to either side allowed."""
    step = seen.scales[1] - seen.scales[0]
    return np.max([_at(seen, seen.clear, radii + away * step) for away in (-1, 0, 1)], axis=0)


def features(seen: Unwrapped, found: Rings) -> Array:
    """What tells a coin's edge from other rings: (M, FEATURES)."""
    radii = found.radii
    mean = radii.mean(axis=1, keepdims=True)
    near = _near(seen, radii)
    aside = [_near(seen, radii + away * mean).mean(axis=1) for away in (-0.06, -0.02, 0.02, 0.06)]
    tint = seen.colours**2
    tint = tint / (tint.sum(axis=2, keepdims=True) + 0.03)
    columns = [5 * near.mean(axis=1), 5 * np.quantile(near, 0.25, axis=1), 5 * np.mean(near > 0.5, axis=1)]
    for table, least in ((seen.colours, 0.02), (tint, 0.006)):
        deep, inside, outside, far = (
            np.mean([_at(seen, table, radii * scale) for scale in scales], axis=0)
            for scales in ((0.75, 0.8, 0.85, 0.9), (0.94, 0.955, 0.97), (1.03, 1.045, 1.06), (1.2, 1.25, 1.3, 1.35))
        )
        apart = np.linalg.norm(np.median(far, axis=1) - np.median(deep, axis=1), axis=1)[:, None] + least
        change, beyond = np.linalg.norm(outside - inside, axis=2), np.linalg.norm(outside - far, axis=2)
        within = np.linalg.norm(inside - deep, axis=2)
        columns += [
            5 * np.mean(change / (change + beyond + least), axis=1),
            5 * np.mean(change / (change + within + least), axis=1),
            5 * np.minimum(change / apart, 1).mean(axis=1),
        ]
    bend = found.shapes[:, 1:] / mean
    columns += [
        20 * np.hypot(bend[:, 0], bend[:, 1]),
        20 * np.hypot(bend[:, 2], bend[:, 3]),
        5 * np.maximum(aside[1], aside[2]),
        5 * aside[3],
        5 * aside[0],
        2 * np.log(np.median(_at(seen, seen.steep, radii), axis=1) + 1e-3),
        5 * np.log(mean[:, 0]),
        100 * _off_tint(seen, tint, radii),
    ]
    return np.column_stack(columns)


def _off_tint(seen: Unwrapped, tint: Array, radii: Array) -> Array:
    """How far each ring (M,) lies from where metal's colour gives way to the ground's, as far as they differ."""
    scales = np.arange(0.86, 1.2, 0.01)
    inner, outer = (np.median(_at(seen, tint, radii * k), axis=1) for k in (0.8, 1.3))
    way = outer - inner
    scatter = np.median(np.abs(_at(seen, tint, radii * 1.3) - outer[:, None]), axis=(1, 2))
    apart = np.sum(way**2, axis=1)
    sure = apart / (apart + 9 * scatter**2 + 0.015**2)
    profile = np.median(
        [np.einsum("msc,mc->ms", _at(seen, tint, radii * k) - inner[:, None], way) for k in scales], axis=2
    ) / np.maximum(apart, 1e-9)
    crossed = (profile[:-1] < 0.5) & (profile[1:] >= 0.5)
    share = (0.5 - profile[:-1]) / np.where(crossed, profile[1:] - profile[:-1], 1.0)
    away = np.where(crossed, np.abs(scales[:-1, None] + share * 0.01 - 1), 0.06)
    return np.asarray(sure * np.minimum(away.min(axis=0), 0.06))
