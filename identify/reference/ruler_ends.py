"""A ruler's long edge in a picture, and the two short ends that stand square to it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from identify.geometry.lines import refine_edge
from identify.geometry.strokes import Strokes
from identify.model import Array, Bytes

U_END = 0.012  # slope of a ruler's end: its wall, its shadow, the lens
MARGIN_MM = 22.0  # by which a ruler's end may lie beyond its last mark
CLEAR_OF_MARKS = (0.28, 0.92)  # shares of the width between which an end is measured: marks stand at the edge
DIFFERENT = 0.5  # difference of the colours on both sides of an end over its scatter along it
SAME = 0.01  # difference in slope of what is one line, seen twice
BEYOND_MM = 1.5  # of the bench beyond it that must be in view
STEEPEST = 0.7  # slope of an end to the edge's normal that is tried
SEARCH_PX_PER_MM = 3.0
REFERENCE, NAMED = 2, 0.4  # value of a label map, and the share of the places beside an edge that have it
MASK_SHORT = 0.3  # by which what a label map calls reference may end too early at each end
WHOLE = 0.6  # share of a line beyond which all of it is taken for the reference's
STEP, FURTHEST = 0.02, 2.0  # of an edge's length, in which it is followed beyond its ends, and how far
BESIDE_PX = (6.0, 14.0, 22.0)  # depths of those places in the reduced picture
CLEAR = 4.0  # step at an end over the usual step beside it
MOST_LINES, WEAKER, APART_MM = 3, 0.35, 2.0  # that may be one end, as strong as the strongest, so far apart


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """A long edge in a picture: origin (2,), unit vectors along it and towards the ruler, length [px]."""

    origin: Array
    along: Array
    inward: Array
    length: float
    score: float = 0.0
    rows: tuple[int, ...] = ()
    named: bool = True

    def place(self, x: Array, depth: Array | float) -> Array:
        """Pixels (N, 2) at ``x`` along and ``depth`` inside the edge."""
        return self.origin + np.multiply.outer(x, self.along) + np.multiply.outer(depth * np.ones_like(x), self.inward)

    def scaled(self, factor: float) -> Edge:
        """The same edge in a picture that is ``factor`` times larger."""
        origin = (self.origin + 0.5) * factor - 0.5
        return replace(self, origin=origin, length=self.length * factor)


def on_named(labels: Bytes, edge: Edge, size_px: tuple[int, ...]) -> Edge | None:
    """As much of an edge as has what a label map calls reference on its inner side; None where there is none.

    Where that is most of the edge, it is followed beyond its ends: a line may be seen in part only.
    """
    steps = np.linspace(0, 1, 61)
    share = _named_beside(labels, edge, size_px, steps)
    at = np.flatnonzero(share > NAMED)
    if not len(at):
        return None
    first, last = at[0], at[-1]
    if share[first : last + 1].mean() < NAMED:
        return None
    more = max(1, round(MASK_SHORT * (last - first)))
    first, last = max(0, first - more), min(len(steps) - 1, last + more)
    if last - first > WHOLE * len(steps):
        return replace(_prolonged(labels, edge, size_px), named=True)
    origin = edge.place(steps[first : first + 1] * edge.length, 0.0)[0]
    return replace(edge, origin=origin, length=edge.length * (steps[last] - steps[first]), named=True)


def _prolonged(labels: Bytes, edge: Edge, size_px: tuple[int, ...]) -> Edge:
    """The edge as far as what a label map calls reference goes on beside it beyond its ends, within the picture."""
    beyond = STEP * np.arange(1, round(FURTHEST / STEP) + 1)
    ends = []
    for steps in (np.asarray(-beyond, float), np.asarray(1 + beyond, float)):
        places = edge.place(steps * edge.length, 0.0)
        inside = np.all((places >= 0) & (places <= np.array(size_px) - 1), axis=1)
        on = inside & (_named_beside(labels, edge, size_px, steps) > NAMED)
        ends.append(int(np.argmin(np.append(on, False))) * STEP)
    origin = edge.place(np.array([-ends[0] * edge.length]), 0.0)[0]
    return replace(edge, origin=origin, length=edge.length * (1 + sum(ends)))


def _named_beside(labels: Bytes, edge: Edge, size_px: tuple[int, ...], steps: Array) -> Array:
    """Share (N,) of the places inside an edge, at shares (N,) of its length, that a label map calls reference."""
    places = np.stack([edge.place(steps * edge.length, depth) for depth in BESIDE_PX])
    shape = np.array(labels.shape[1::-1])
    column, row = np.clip((places + 0.5) / np.array(size_px) * shape, 0, shape - 1).astype(int).transpose(2, 0, 1)
    return np.asarray((labels[row, column] == REFERENCE).mean(axis=0), float)


def width_on(labels: Bytes, edge: Edge, size_px: tuple[int, ...]) -> float | None:
    """How far what a label map calls reference reaches inwards from an edge [px]; None where it does outwards too."""
    along = np.linspace(0.1, 0.9, 33) * edge.length
    depths = np.arange(-0.1, 0.5, 0.005) * edge.length
    places = np.stack([edge.place(along, depth) for depth in depths])
    shape = np.array(labels.shape[1::-1])
    column, row = np.clip((places + 0.5) / np.array(size_px) * shape, 0, shape - 1).astype(int).transpose(2, 0, 1)
    share = (labels[row, column] == REFERENCE).mean(axis=1)
    inside = depths > 0
    if share[~inside][: len(depths) // 12].max() > 0.5:
        return None
    over = np.flatnonzero(inside & (share < 0.5) & (depths > 0.03 * edge.length))
    return float(depths[over[0]]) if len(over) else None


@dataclass(frozen=True, slots=True)
class End:
    """A line that may be an end of the ruler: foot on the edge [px], slope to its normal, standard uncertainty."""

    foot: float
    slope: float
    u: float


def ends(rgb: Bytes, edge: Edge, span_px: tuple[float, float], px_per_mm: float, width_px: float) -> list[list[End]]:
    """The lines that may be the first and last end of a ruler whose marks span ``span_px`` along an edge.

    Lists are shorter where less is seen in (H, W, 3) uint8, the likeliest line first.
    """
    found = []
    for outer, way in zip(span_px, (-1.0, 1.0), strict=True):
        lines: list[End] = []
        for rough in _stepped(rgb, edge, outer, way, px_per_mm, width_px):
            if _in_view(rgb, edge, *rough, way * BEYOND_MM * px_per_mm, width_px):
                line = _measured(rgb, edge, *rough, px_per_mm, width_px)
                known = line is None or any(abs(each.slope - line.slope) < SAME for each in lines)
                lines += [] if line is None or known else [line]
        found.append(lines)
    return found


def strokes_at_ends(
    rgb: Bytes, edge: Edge, span_px: tuple[float, float], px_per_mm: float, strokes: Strokes
) -> list[End]:
    """Those of a picture's long lines that may be the ruler's ends."""
    low, high = span_px
    found = []
    for line in strokes.ends_px:
        x, depth = (line - edge.origin) @ edge.along, (line - edge.origin) @ edge.inward
        rise = float(depth[1] - depth[0])
        if abs(rise) < 8 * px_per_mm or abs(x[1] - x[0]) > abs(rise) or depth.min() > 8 * px_per_mm:
            continue
        foot = float(x[0] - depth[0] * (x[1] - x[0]) / rise)
        if not (low - 20 * px_per_mm < foot < low + px_per_mm or high - px_per_mm < foot < high + 20 * px_per_mm):
            continue
        side = refine_edge(rgb, line[0], line[1], reach_px=4.0)
        if side is not None and side[1] > 0.5:
            slope = float(side[0].direction @ edge.along / (side[0].direction @ edge.inward))
            found.append(End(foot, slope, math.hypot(side[0].u_angle_rad, U_END)))
    return found


def _stepped(
    rgb: Bytes, edge: Edge, outer: float, way: float, px_per_mm: float, width_px: float
) -> list[tuple[float, float]]:
    """Foot [px] and slope of the lines beyond the outermost mark across which the colours differ most.

    Light is summed along lines of every slope over most of the ruler's width: marks and numerals are short, its end
    is not.
    """
    scale = min(1.0, SEARCH_PX_PER_MM / px_per_mm)
    lean = STEEPEST * width_px
    start = outer - way * 1.5 * px_per_mm
    length, depth = MARGIN_MM * px_per_mm + 2 * lean, width_px
    origin = edge.place(np.array([start - way * lean]), 0.06 * depth)[0]
    to_picture = np.column_stack([way * edge.along / scale, 0.88 * edge.inward / scale, origin])
    size = (int(length * scale), max(6, int(depth * scale)))
    flags = cv2.INTER_AREA | cv2.WARP_INVERSE_MAP if scale < 0.5 else cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    strip = cv2.warpAffine(rgb, to_picture, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    light = np.sqrt(strip.astype(np.float32))
    slopes = np.linspace(-STEEPEST, STEEPEST, 57)
    rows = np.arange(size[1], dtype=np.float32)
    steps = light[:, 3:] - light[:, :-3]  # over three pixels
    first = int(lean * scale)
    count = size[0] - 3 - 2 * first
    if count < 8:
        return []
    shifts = np.round(slopes[:, None] * rows * 0.88).astype(int) + first
    sums = np.stack([sum(steps[row, at : at + count] for row, at in enumerate(line)) for line in shifts]) / size[1]
    strength = np.linalg.norm(sums, axis=2)
    usual = float(np.median(strength)) + 0.05
    middles = np.arange(count) + slopes[:, None] * 0.44 * size[1]
    found: list[tuple[float, float]] = []
    least = max(CLEAR * usual, WEAKER * float(strength.max()))
    while len(found) < MOST_LINES:
        best = np.unravel_index(int(np.argmax(strength)), strength.shape)
        if strength[best] < least:
            break
        slope = float(slopes[best[0]]) * way
        at = start + way * (best[1] + 1.5) / scale
        found.append((at - 0.06 * depth * slope, slope))
        strength[np.abs(middles - middles[best]) < APART_MM * px_per_mm * scale] = 0.0
    return found


def _in_view(rgb: Bytes, edge: Edge, foot: float, slope: float, beyond_px: float, width_px: float) -> bool:
    """Whether the bench beyond an end is in the picture: the picture's own border is no end."""
    depths = np.array([0.0, width_px])
    places = edge.place(foot + beyond_px + depths * slope, 0.0) + np.multiply.outer(depths, edge.inward)
    return bool(np.all((places > 0) & (places < np.array(rgb.shape[1::-1]) - 1)))


def _measured(rgb: Bytes, edge: Edge, foot: float, slope: float, px_per_mm: float, width_px: float) -> End | None:
    depths = np.array(CLEAR_OF_MARKS) * width_px
    line = edge.place(foot + depths * slope, 0.0) + np.multiply.outer(depths, edge.inward)
    side = refine_edge(rgb, line[0], line[1], reach_px=max(2.5, 0.8 * px_per_mm))
    if side is None or side[1] < 0.5:
        return None
    direction, point = side[0].direction, side[0].point_px - edge.origin
    found = float(direction @ edge.along / (direction @ edge.inward))
    where = float(point @ edge.along - found * (point @ edge.inward))
    if not _differ(rgb, edge, where, found, px_per_mm, width_px):
        return None
    return End(where, found, math.hypot(side[0].u_angle_rad, U_END))


def _differ(rgb: Bytes, edge: Edge, foot: float, slope: float, px_per_mm: float, width_px: float) -> bool:
    """Whether the colours on both sides of an end differ: a mark or a scratch has the ruler on either side."""
    depths = np.linspace(*CLEAR_OF_MARKS, 24) * width_px
    sides = []
    for away in (-1.0, 1.0):
        steps = away * px_per_mm * np.array([1.0, 1.4, 1.8])[:, None]
        along = (foot + depths * slope + steps)[..., None] * edge.along
        places = np.round(edge.origin + along + depths[:, None] * edge.inward).astype(int)
        column, row = np.clip(places, 0, np.array(rgb.shape[1::-1]) - 1).transpose(2, 0, 1)
        sides.append(np.sqrt(rgb[row, column].astype(float)).mean(axis=0))
    gap = sides[1] - sides[0]
    return float(np.linalg.norm(gap.mean(axis=0))) > DIFFERENT * float(np.linalg.norm(gap.std(axis=0))) + 0.05
