"""A strip of picture unrolled along a line: how clear its edges are, and the best path along it."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from identify.model import Array

LAP = 60  # rows by which a closed strip or a part is gone on beyond its end, so that its path can settle
PARTS, PART_ROWS = 4, 200  # parts of a long strip that are followed side by side, and rows of each at least


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
    """The paths (S, N) of S strips (S, N, K) of one size, each as ``follow`` finds it; quicker than one by one.

    A long strip is followed in parts side by side, and its path goes over from one part's to the next one's where both
    are at the same place in the rows that they share: by Bellman's principle either way on from there is the best one.
    """
    strips, count, _ = gains.shape
    parts = max(1, min(PARTS, count // PART_ROWS))
    rows = -(-(count + (parts - 1) * LAP) // parts)
    starts = [min(part * (rows - LAP), count - rows) for part in range(parts)]
    pieces = gains if parts == 1 else np.concatenate([gains[:, start : start + rows] for start in starts])
    paths = _followed(pieces, jump, jump_cost, leap_cost).reshape(parts, strips, rows)
    whole = np.empty((strips, count), np.int64)
    whole[:, :rows] = paths[0]
    for before, start, path in zip(starts, starts[1:], paths[1:], strict=False):
        shared = before + rows - start
        for one, other in zip(whole, path, strict=True):
            met = np.flatnonzero(one[start : start + shared] == other[:shared])
            if not len(met):
                return _followed(gains, jump, jump_cost, leap_cost)
            over = int(met[len(met) // 2])
            one[start + over : start + rows] = other[over:]
    return whole


def _followed(gains: Array, jump: int, jump_cost: float, leap_cost: float) -> NDArray[np.int64]:
    """The best paths (S, N) of strips (S, N, K), each followed in one go."""
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
    options = np.full((2 * jump + 2, flat.shape[1]), -np.inf)  # the last one is the leap
    leap, stepped = options[-1].reshape(strips, pitch), options[:-1, : best.shape[1]]
    options = options[: len(options) - (leap_cost == np.inf), : best.shape[1]]
    for around, here, own, there in zip(near[:-1], reached[:-1], added[1:], best[1:], strict=True):
        np.subtract(around, whole, out=stepped)
        if leap_cost < np.inf:
            np.subtract(np.maximum.reduce(here, axis=1, keepdims=True), leap_cost, out=leap)
        np.add(np.maximum.reduce(options, axis=0), own, out=there)
    return np.array([_traced(reached[:, n], costs, leap_cost) for n in range(strips)])


def _traced(reached: Array, costs: Array, leap_cost: float) -> NDArray[np.int64]:
    """The path (N,) back from the best end of ``reached`` (N, K + 2 jump), padded with jump columns on either side."""
    jump, width = len(costs) // 2, len(costs)
    tops = reached.argmax(axis=1)
    leaps = (reached[np.arange(len(reached)), tops] - leap_cost).tolist()
    places, prices = (tops - jump).tolist(), costs.tolist()
    column = places[-1]
    path = [column]
    for row in range(len(reached) - 2, -1, -1):  # a few numbers of each row are looked at: numpy is not worth its call
        near = reached[row, column : column + width].tolist()
        options = [value - price for value, price in zip(near, prices, strict=True)]
        highest = max(options)
        column = places[row] if leaps[row] > highest else column - jump + options.index(highest)
        path.append(column)
    return np.array(path[::-1], np.int64)
