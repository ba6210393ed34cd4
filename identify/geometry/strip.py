"""A strip of picture unrolled along a line: how clear its edges are, and the best path along it."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from identify.model import Array

LAP = 60  # rows by which a closed strip is gone on beyond its start, so that its path can settle


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
    count, columns = gain.shape
    if closed:
        lap = min(count // 2, LAP)
        path = follow(np.concatenate([gain[count - lap :], gain, gain[:lap]]), jump=jump, jump_cost=jump_cost,
                      leap_cost=leap_cost)  # fmt: skip
        return path[lap : lap + count]
    costs = jump_cost * np.abs(np.arange(-jump, jump + 1))
    came = np.zeros((count, columns), np.int64)
    index = np.arange(columns)
    reached = np.full(columns + 2 * jump, -np.inf)
    near = sliding_window_view(reached, 2 * jump + 1)  # follows what is written into ``reached``
    best = reached[jump : jump + columns]
    best[:] = gain[0]
    for row in range(1, count):
        options = near - costs
        choice = options.argmax(axis=1)
        stepped = options[index, choice]
        came[row] = index + choice - jump
        top = int(best.argmax())
        leap = best[top] - leap_cost
        if leap > stepped.min():
            came[row, leap > stepped] = top
            np.maximum(stepped, leap, out=stepped)
        np.add(stepped, gain[row], out=best)
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
