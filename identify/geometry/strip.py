"""A strip of picture unrolled along a line: how steep it is across, and the best path along it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from identify.model import Array


def steepness(profiles: Array, step_px: float, blur_px: float) -> Array:
    """Step height (N, K) of profiles (N, K, 3) across the strip, smoothed along K with a Gaussian derivative.

    A clean step of height 1 in one channel gives 1 at its place when it is much sharper than ``blur_px``.
    """
    taps = np.arange(-np.ceil(3 * blur_px / step_px), np.ceil(3 * blur_px / step_px) + 1) * step_px
    kernel = taps * np.exp(-0.5 * (taps / blur_px) ** 2)
    kernel /= np.sum(np.abs(kernel)) / 2
    half = len(taps) // 2
    padded = np.pad(profiles, ((0, 0), (half, half), (0, 0)), mode="edge")
    width = profiles.shape[1]
    slope = np.zeros_like(profiles)
    for index, weight in enumerate(kernel):
        slope += weight * padded[:, index : index + width]
    return np.sqrt(np.sum(slope**2, axis=2))


def clearness(visible: Array, clear: float) -> Array:
    """Gain (N, K) between 0 and 1 of a steepness (N, K): a step of ``clear`` leaves no doubt, and its peak counts most.

    Without the second part, every column on a strong step's flank would be as good as its middle.
    """
    highest = np.maximum(visible.max(axis=1, keepdims=True), 1e-9)
    return np.minimum(visible, clear) / clear * (0.4 + 0.6 * (visible / highest) ** 2)


def follow(
    gain: Array, *, jump: int, jump_cost: float, leap_cost: float = np.inf, closed: bool = False
) -> NDArray[np.int64]:
    """The path (N,) of column indices that collects most ``gain`` (N, K), moving at most ``jump`` columns a row.

    Each column moved costs ``jump_cost``; a move of any length is allowed for ``leap_cost``. A ``closed`` strip's
    path ends where it began. Source of the method: Bellman's dynamic programming, as used for minimal-cost paths in
    pictures.
    """
    count = len(gain)
    if closed:
        doubled = np.concatenate([gain[count // 2 :], gain, gain[: count // 2]])
        path = follow(doubled, jump=jump, jump_cost=jump_cost, leap_cost=leap_cost)
        start = count - count // 2
        return path[start : start + count]
    shifts = np.arange(-jump, jump + 1)
    costs = jump_cost * np.abs(shifts)
    columns = gain.shape[1]
    came = np.zeros((count, columns), np.int64)
    best = gain[0].copy()
    index = np.arange(columns)
    for row in range(1, count):
        padded = np.pad(best, jump, constant_values=-np.inf)
        options = np.stack([padded[jump + shift : jump + shift + columns] for shift in shifts]) - costs[:, None]
        choice = np.argmax(options, axis=0)
        came[row] = index + shifts[choice]
        stepped = options[choice, index]
        top = int(np.argmax(best))
        leaps = best[top] - leap_cost > stepped
        came[row, leaps] = top
        best = np.maximum(stepped, best[top] - leap_cost) + gain[row]
    path = np.zeros(count, np.int64)
    path[-1] = int(np.argmax(best))
    for row in range(count - 1, 0, -1):
        path[row - 1] = came[row, path[row]]
    return path


def peak_offset(steep: Array, path: NDArray[np.int64], reach: int = 4) -> tuple[Array, Array]:
    """Sub-column place (N,) of the peak of ``steep`` (N, K) nearest the path, and its height (N,)."""
    count, columns = steep.shape
    rows = np.arange(count)
    around = np.clip(path[:, None] + np.arange(-reach, reach + 1), 1, columns - 2)
    best = around[rows, np.argmax(steep[rows[:, None], around], axis=1)]
    left, mid, right = steep[rows, best - 1], steep[rows, best], steep[rows, best + 1]
    bend = left - 2 * mid + right
    safe = np.where(np.abs(bend) > 1e-12, bend, 1.0)
    shift = np.where(np.abs(bend) > 1e-12, 0.5 * (left - right) / safe, 0.0)
    return best + np.clip(shift, -1, 1), mid
