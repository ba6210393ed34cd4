"""Where dimension lines and their labels find room in a picture: nothing hidden, nothing overlapping, short leaders."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.model import Array

Box = tuple[float, float, float, float]  # left, top, right, bottom [px]

GRID = 18  # places tried across and down the picture
_ON_SHAPE, _CROSSING = 900.0, 120.0  # costs in pixels at unit 1: a label on the part; a leader across something drawn
_ATTACH = (0.5, 0.0, 1.0)  # points of a dimension line that a leader may start at


@dataclass(slots=True, eq=False)
class Ground:
    """A picture that fills up.

    Parameters
    ----------
    width_px, height_px : size of the picture.
    unit : its scale: distances and costs are multiples of it.
    contour : (N, 2) outline of the shape that had better stay visible [px], or empty.
    taken : boxes that are drawn on already.
    """

    width_px: int
    height_px: int
    unit: float
    contour: Array
    taken: list[Box] = field(default_factory=list)
    _covered: NDArray[np.int32] = field(init=False)

    def __post_init__(self) -> None:
        filled = np.zeros((self.height_px, self.width_px), np.uint8)
        if len(self.contour):
            cv2.fillPoly(filled, [np.round(self.contour).astype(np.int32)], 1)
        self._covered = np.asarray(cv2.integral(filled), np.int32)

    def shape_share(self, boxes: Array) -> Array:
        """Share (N,) of each box (N, 4) that lies on the shape."""
        limit = (self.width_px, self.height_px, self.width_px, self.height_px)
        left, top, right, bottom = np.clip(np.round(boxes), 0, limit).astype(int).T
        sums = self._covered
        inside = sums[bottom, right] - sums[top, right] - sums[bottom, left] + sums[top, left]
        return np.asarray(inside / np.maximum(1, (right - left) * (bottom - top)), float)

    def hits(self, points: Array) -> Array:
        """How many taken boxes each point (..., 2) lies in."""
        left, top, right, bottom = np.array(self.taken).reshape(-1, 4).T
        x, y = points[..., 0, None], points[..., 1, None]
        inside = (x >= left) & (x <= right) & (y >= top) & (y <= bottom)
        return np.asarray(np.count_nonzero(inside, axis=-1), float)

    def take_line(self, start: Array, end: Array, reach_px: float) -> None:
        """Mark a drawn line as taken, as a row of small boxes."""
        for x, y in np.linspace(start, end, 14):
            self.taken.append((x - reach_px, y - reach_px, x + reach_px, y + reach_px))


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """A dimension line (2, 2), its label's box, and the leader (2, 2) between them; ``cost`` compares choices."""

    line: Array
    box: Box
    leader: Array
    cost: float


def place_dimension(ground: Ground, ends: Array, label_size: tuple[float, float]) -> Place | None:
    """The best place for a dimension between two points of the shape and for its label, or None without room.

    Parameters
    ----------
    ends : (2, 2) the measured points [px]
    label_size : width and height [px]
    """
    best: Place | None = None
    for line, cost in _lines(ground, ends):
        if best is not None and cost >= best.cost:
            continue
        place = _label(ground, line, ends, label_size, cost)
        if place is not None and (best is None or place.cost < best.cost):
            best = place
    return best


def _lines(ground: Ground, ends: Array) -> Iterator[tuple[Array, float]]:
    """The dimension line beside the shape or where it was measured, and what each costs [px]."""
    unit = ground.unit
    span = float(np.hypot(*(ends[1] - ends[0])))
    along = (ends[1] - ends[0]) / span
    across = np.array([-along[1], along[0]])
    dots = np.linspace(0.08, 0.92, 24)[:, None]

    def crowded(line: Array) -> float:
        return 250.0 * unit * float(ground.hits(line[0] + dots * (line[1] - line[0])).sum())

    yield ends, 0.9 * span + crowded(ends)
    if not len(ground.contour):
        return
    margin = 16 * unit
    heights = (ground.contour - ends.mean(axis=0)) @ across
    for side, row in itertools.product((1, -1), range(4)):
        reach = max(0.0, float(np.max(side * heights)))
        line = ends + side * (reach + (40 + 44 * row) * unit) * across
        if np.all(line > margin) and np.all(line < (ground.width_px - margin, ground.height_px - margin)):
            yield line, reach + 40 * row * unit + crowded(line)


def _label(ground: Ground, line: Array, ends: Array, size: tuple[float, float], line_cost: float) -> Place | None:
    unit = ground.unit
    half = np.array(size) / 2
    low = half + 10 * unit
    high = np.array([ground.width_px, ground.height_px]) - low
    if np.any(high < low):
        return None
    grid = np.meshgrid(np.linspace(low[0], high[0], GRID), np.linspace(low[1], high[1], GRID))
    span = line[1] - line[0]
    beside = np.array([-span[1], span[0]]) / np.hypot(*span)
    clear = float(np.abs(beside) @ half + 18 * unit)
    middle = line.mean(axis=0)
    near = np.array([middle + side * clear * beside for side in (1, -1)])
    beyond = np.array([end + away * (np.abs(away) @ half + 44 * unit) for end, away in _outwards(line)])
    centres = np.clip(np.vstack([near, beyond, np.stack(grid, -1).reshape(-1, 2)]), low, high)
    padded = np.column_stack([centres - half - 8 * unit, centres + half + 8 * unit])
    steps = np.linspace(0, 1, 24)[:, None]
    own = np.vstack([a + steps * (b - a) for a, b in ((line[0], line[1]), (ends[0], line[0]), (ends[1], line[1]))])
    cost = _ON_SHAPE * unit * ground.shape_share(padded) + line_cost
    cost += 1e3 * _covers(padded, own)
    cost[_overlaps(padded, ground.taken)] = np.inf
    starts = line[0] + np.array(_ATTACH)[:, None] * span
    touch = np.clip(starts[None], (centres - half)[:, None], (centres + half)[:, None])  # (N, A, 2) on the label's edge
    leaders = starts[None, :, None] + np.linspace(0.15, 1, 10)[:, None] * (touch - starts[None])[:, :, None]
    crossings = ground.hits(leaders).sum(axis=2)
    lengths = np.hypot(*np.moveaxis(touch - starts[None], 2, 0))
    total = cost[:, None] + lengths + _CROSSING * unit * crossings
    at, start = np.unravel_index(int(np.argmin(total)), total.shape)
    if not np.isfinite(total[at, start]):
        return None
    left, top = centres[at] - half
    right, bottom = centres[at] + half
    leader = np.array([starts[start], touch[at, start]])
    return Place(line, (float(left), float(top), float(right), float(bottom)), leader, float(total[at, start]))


def _outwards(line: Array) -> Iterator[tuple[Array, Array]]:
    away = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    yield line[0], -away
    yield line[1], away


def _covers(boxes: Array, points: Array) -> NDArray[np.bool_]:
    """Whether a point of (M, 2) lies in each box (N, 4)."""
    (x, y), (left, top, right, bottom) = points.T, boxes.T[..., None]
    return np.asarray(np.any((x > left) & (x < right) & (y > top) & (y < bottom), axis=1), bool)


def _overlaps(boxes: Array, taken: list[Box]) -> NDArray[np.bool_]:
    """Whether each box (N, 4) overlaps any taken one."""
    others = np.array(taken).reshape(-1, 4)
    apart = (
        (boxes[:, None, 0] > others[:, 2])
        | (boxes[:, None, 2] < others[:, 0])
        | (boxes[:, None, 1] > others[:, 3])
        | (boxes[:, None, 3] < others[:, 1])
    )
    return np.asarray(~apart.all(axis=1), bool)
