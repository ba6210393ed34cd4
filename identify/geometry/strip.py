"""A strip of picture unrolled along a line: how clear its edges are, and the best path along it."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from identify.model import Array

LAP = 60  # rows by which a closed strip is gone on beyond its end, so that its path can settle
PARTS, PART_ROWS = 24, 24  # parts of a long strip that are followed side by side, and rows of each at least
SHARED = 24  # rows that a part shares with the next one


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
    rows = -(-(count + (parts - 1) * SHARED) // parts)
    starts = [min(part * (rows - SHARED), count - rows) for part in range(parts)]
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
    reached[:, :, jump : jump + columns] = gains.transpose(1, 0, 2)
    flat = reached.reshape(count, -1)
    width = flat.shape[1] - 2 * jump
    near = sliding_window_view(flat, width, axis=1)  # (N, 2 jump + 1, width) views
    costs = jump_cost * np.abs(np.arange(-jump, jump + 1))
    apart = costs[jump + 1 :, None]
    moved, best = np.empty((jump, width)), np.empty(width)
    leap = np.full(strips * pitch, -np.inf)
    leaps, within = leap.reshape(strips, pitch), leap[jump:-jump]
    rows = zip(near[:, jump - 1 :: -1], near[:, jump], near[:, jump + 1 :], reached, flat[1:, jump:-jump], strict=False)
    for left, here, right, row, there in rows:  # ``there`` holds its own gain, and nothing is gained between strips
        np.maximum(left, right, out=moved)
        np.subtract(moved, apart, out=moved)
        np.maximum.reduce(moved, axis=0, out=best)
        np.maximum(best, here, out=best)
        if leap_cost < np.inf:
            np.subtract(np.maximum.reduce(row, axis=1, keepdims=True), leap_cost, out=leaps)
            np.maximum(best, within, out=best)
        np.add(there, best, out=there)
    return _traced(reached, costs, leap_cost)


def _traced(reached: Array, costs: Array, leap_cost: float) -> NDArray[np.int64]:
    """The paths (S, N) back from the best ends of ``reached`` (N, S, K + 2 jump), padded by jump columns each side."""
    count, strips, pitch = reached.shape
    flat, starts = reached.reshape(count, -1), pitch * np.arange(strips)
    places = reached.argmax(axis=2) + starts  # of the best of each row and strip, in ``flat``
    leaps = np.take_along_axis(flat, places, axis=1) - leap_cost
    steps, whole = np.arange(len(costs)) - len(costs) // 2, np.tile(costs, (strips, 1))
    begins = np.arange(strips) * len(costs)
    paths = np.empty((count, strips), np.int64)
    paths[-1] = column = places[-1]
    for row in range(count - 2, -1, -1):
        options = flat[row].take(column[:, None] + steps)
        options -= whole
        best = options.argmax(axis=1)
        stepped = column + best
        stepped -= len(costs) // 2
        leapt = leaps[row] > options.take(begins + best)
        paths[row] = column = np.where(leapt, places[row], stepped)
    return np.asarray((paths - starts - len(costs) // 2).T)
