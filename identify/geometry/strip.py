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
    if closed:
        count = len(gain)
        lap = min(count // 2, LAP)
        path = follow(np.concatenate([gain[count - lap :], gain, gain[:lap]]), jump=jump, jump_cost=jump_cost,
                      leap_cost=leap_cost)  # fmt: skip
        return path[lap : lap + count]
    return follow_each(gain[None], jump=jump, jump_cost=jump_cost, leap_cost=leap_cost)[0]


def follow_each(gains: Array, *, jump: int, jump_cost: float, leap_cost: float = np.inf) -> NDArray[np.int64]:
    """The paths (S, N) of S strips (S, N, K) of one size, each as ``follow`` finds it; quicker than one by one."""
    strips, count, columns = gains.shape
    pitch = columns + 2 * jump  # the strips lie side by side, padded so that no path leaves its own
    reached = np.full((count, strips, pitch), -np.inf)
    flat = reached.reshape(count, -1)
    best = flat[:, jump:-jump]  # of all strips; what lies between them is wiped out again by ``added``
    added = np.full((count, strips, pitch), -np.inf)
    added[:, :, jump : jump + columns] = gains.transpose(1, 0, 2)
    added = added.reshape(count, -1)[:, jump:-jump]
    best[0] = added[0]
    near = sliding_window_view(flat, best.shape[1], axis=1)  # (N, 2 jump + 1, S K + ...) views
    costs = jump_cost * np.abs(np.arange(-jump, jump + 1))
    whole = np.repeat(costs[:, None], best.shape[1], axis=1)
    options = np.full((2 * jump + 2, best.shape[1]), -np.inf)  # the last one is the leap
    stepped, leap = options[:-1], options[-1]
    places = [slice(n * pitch, n * pitch + columns) for n in range(strips)] if leap_cost < np.inf else []
    for around, here, own, there in zip(near[:-1], best[:-1], added[1:], best[1:], strict=True):
        np.subtract(around, whole, out=stepped)
        for place in places:
            strip = here[place]
            leap[place] = strip[strip.argmax()] - leap_cost
        np.add(np.maximum.reduce(options, axis=0), own, out=there)
    return np.array([_traced(reached[:, n], costs, leap_cost) for n in range(strips)])


def _traced(reached: Array, costs: Array, leap_cost: float) -> NDArray[np.int64]:
    """The path (N,) back from the best end of ``reached`` (N, K + 2 jump), padded with jump columns on either side."""
    jump, columns = len(costs) // 2, reached.shape[1] - len(costs) + 1
    highest = reached[:, :columns] - costs[0]
    came = np.tile(np.arange(columns, dtype=np.int32) - jump, (len(reached), 1))
    option = np.empty_like(highest)
    for step, cost in enumerate(costs[1:], start=1):
        np.subtract(reached[:, step : step + columns], cost, out=option)
        np.copyto(came, np.arange(columns, dtype=np.int32) + (step - jump), where=option > highest)
        np.maximum(highest, option, out=highest)
    tops = reached.argmax(axis=1)
    leaps = reached[np.arange(len(reached)), tops] - leap_cost
    np.copyto(came, tops[:, None].astype(np.int32) - jump, where=leaps[:, None] > highest)
    column = int(tops[-1]) - jump
    path = [column]
    for row in came[-2::-1]:
        column = int(row[column])
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
