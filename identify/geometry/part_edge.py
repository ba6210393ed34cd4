"""Where a part's edge is: a small network looks at a strip of picture across a line that runs near the edge.

A shadow, a mirror image of the bench or a bright thread often has a stronger step of light than the part's own edge
beside it. For every row of the strip the network gives log odds over the places across it. It was trained on rendered
pictures (``training.fit_edges``); the card beside the model file says on how many.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from identify import weights
from identify.geometry import coin_edge
from identify.geometry.edges import sample_profiles, steepness
from identify.geometry.strip import clearness
from identify.model import Array, Bytes

NAME = "part_edge.onnx"
COLUMNS = 64
MIDDLE = COLUMNS // 2
STEP_PX = 0.5  # from column to column
ROWS = 8  # the network halves a strip thrice, so its rows must be a multiple of this
LAP = 32  # rows by which a closed strip is gone on beyond both its ends
BESIDE = 3  # columns: an edge is this near the place that the network points at
UNLIKELY = 1e-3  # odds that count no more
FAR = 1.4  # of the reach: an edge further off was never taught
BLUR_PX = 0.8
PLAIN_STEP = 0.05  # a higher step in linear light, where the network points too, is the edge
CLEAR_STEP = 0.12  # a step in the square root of light that leaves no doubt; a stronger one counts no more
CLEARER = 2.0  # logarithm of how much likelier such a step makes a place: the network alone rounds a thread's crests


def offsets_px(step_px: float = STEP_PX) -> Array:
    """Places (COLUMNS,) across a strip, outward [px]."""
    return np.asarray((np.arange(COLUMNS) - MIDDLE) * step_px, float)


def profiles(rgb: Bytes, start_px: Array, normals: Array, step_px: float = STEP_PX) -> Array:
    """The strip (N, COLUMNS, 3) in linear light along ``normals`` (N, 2) from ``start_px`` (N, 2)."""
    return sample_profiles(rgb, start_px, normals, offsets_px(step_px), single=True)


def likely(strips: Sequence[Array], reach_columns: float, *, closed: bool = False) -> Array:
    """Odds (S, N, COLUMNS) of the edge over the columns, each row adding up to one.

    Parameters
    ----------
    strips : S strips (N, COLUMNS, 3) in linear light, inside first; all as long as each other.
    reach_columns : how far from the middle column the edge may be expected.
    closed : the last row is beside the first.
    """
    light = np.sqrt(np.clip(np.stack(strips).astype(np.float32), 0, 1))
    seen = given(light, reach_columns, closed=closed)
    logs = coin_edge.load(weights.shipped(NAME)).run(None, {"strips": seen})[0]
    first = LAP if closed else 0
    odds = np.exp(logs[:, first : first + light.shape[1]])
    odds[:, :, np.abs(np.arange(COLUMNS) - MIDDLE) > FAR * reach_columns + 2] = 0.0
    for one, strip in zip(odds, light, strict=True):
        step = clearness(steepness(strip, step_px=STEP_PX, blur_px=BLUR_PX), CLEAR_STEP)
        one *= np.exp(CLEARER * step)
    return np.asarray(odds / np.maximum(odds.sum(axis=2, keepdims=True), 1e-9), float)


def given(light: NDArray[np.float32], reach_columns: float, *, closed: bool) -> NDArray[np.float32]:
    """What the network is given (S, 4, R, COLUMNS) for strips (S, N, COLUMNS, 3) of the square root of light.

    A closed strip is gone on by LAP rows beyond both its ends, and R is a multiple of ROWS.
    """
    count = light.shape[1]
    lap = LAP if closed else 0
    whole = -(-(count + 2 * lap) // ROWS) * ROWS
    index = np.arange(-lap, whole - lap)
    rows = index % count if closed else np.minimum(index, count - 1)
    seen = np.empty((len(light), 4, whole, COLUMNS), np.float32)
    seen[:, :3] = np.moveaxis(light[:, rows], 3, 1)
    seen[:, 3] = np.clip((np.arange(COLUMNS) - MIDDLE) / reach_columns, -2, 2)
    return seen


def gain(odds: Array) -> Array:
    """Gain (..., N, COLUMNS) between 0 and 1 of a path along the strip, by the logarithm of the odds."""
    return np.asarray(1 - np.log(np.maximum(odds, UNLIKELY)) / np.log(UNLIKELY))


def support(odds: Array, path: NDArray[np.int64]) -> Array:
    """Odds (N,) of the edge within BESIDE columns of a path (N,) over odds (N, COLUMNS)."""
    near = np.abs(np.arange(COLUMNS)[None, :] - path[:, None]) <= BESIDE
    return np.asarray((odds * near).sum(axis=1))


def doubt(odds: Array, path: NDArray[np.int64]) -> Array:
    """Standard deviation (N,) [columns] by the odds of other edges further than BESIDE from a path (N,)."""
    away = np.arange(COLUMNS)[None, :] - path[:, None]
    return np.asarray(np.sqrt((odds * away**2 * (np.abs(away) > BESIDE)).sum(axis=1)))


def sharpened(profile: Array, odds: Array, path: NDArray[np.int64], step_px: float = STEP_PX) -> tuple[Array, Array]:
    """Column (N,) of the edge near a path (N,), and the height (N,) of the steepest step that is likely there.

    The edge is that step, located in linear light to a part of a column; where it is faint, or not where the network
    points, midway between it and the mean of the places by their odds: on strips that the network never saw, either
    alone was further off.
    """
    steep = steepness(profile, step_px=step_px, blur_px=BLUR_PX)
    rows = np.arange(len(path))
    around = np.clip(path[:, None] + np.arange(-BESIDE, BESIDE + 1), 1, COLUMNS - 2).astype(int)
    score = steep[rows[:, None], around] * np.sqrt(odds[rows[:, None], around] + UNLIKELY)
    best = around[rows, score.argmax(axis=1)]
    left, mid, right = steep[rows, best - 1], steep[rows, best], steep[rows, best + 1]
    bend = left - 2 * mid + right
    shift = np.where(bend < -1e-12, 0.5 * (left - right) / np.where(bend < -1e-12, bend, 1.0), 0.0)
    near = odds[rows[:, None], around] + UNLIKELY**2
    mean = np.sum(near * around, axis=1) / near.sum(axis=1)
    step = best + np.clip(shift, -1, 1)
    plain = (mid > PLAIN_STEP) & (np.abs(step - mean) < 1)
    return np.where(plain, step, (step + mean) / 2), mid
