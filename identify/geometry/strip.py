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
    costs = np.repeat(jump_cost * np.abs(np.arange(-jump, jump + 1))[:, None], columns, axis=1)
    reached = np.full((count, columns + 2 * jump), -np.inf)
    best = reached[:, jump : jump + columns]
    near = sliding_window_view(reached, columns, axis=1)  # (N, 2 jump + 1, K) views
    best[0] = gain[0]
    options = np.full((2 * jump + 2, columns), -np.inf)  # the last one is the leap
    stepped, leap = options[:-1], options[-1]
    leaps = leap_cost < np.inf
    for around, here, own, there in zip(near[:-1], best[:-1], gain[1:], best[1:], strict=True):
        np.subtract(around, costs, out=stepped)
        if leaps:
            leap[:] = here[here.argmax()] - leap_cost
        np.add(np.maximum.reduce(options, axis=0), own, out=there)
    return _traced(reached, costs[:, 0], leap_cost)


def _traced(reached: Array, costs: Array, leap_cost: float) -> NDArray[np.int64]:
    """The path (N,) back from the best end of ``reached`` (N, K + 2 jump), padded with jump columns on either side."""
    jump, known = len(costs) // 2, costs.tolist()
    tops = reached.argmax(axis=1).tolist()
    column = tops[-1] - jump
    path = [column]
    for options, top in zip(reached[-2::-1].tolist(), tops[-2::-1], strict=True):  # plain numbers are quicker here
        near = [option - cost for option, cost in zip(options[column : column + len(known)], known, strict=True)]
        highest = max(near)
        column = top - jump if options[top] - leap_cost > highest else column + near.index(highest) - jump
        path.append(column)
    return np.array(path[::-1], np.int64)


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
