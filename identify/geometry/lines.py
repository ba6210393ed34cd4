"""Straight edges: sub-pixel fits of a line to an edge in the full picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from identify.geometry.edges import correlated, sample_profiles
from identify.geometry.line_fit import Line, fit_lines
from identify.model import Array, Bytes

STEP_PX = 0.5  # between samples of a profile
BLOCKS = 36  # stretches that an edge is cut into, each the mean of a quarter as many profiles or fewer
SEAM_PX = 3.0  # the two sides of a narrower seam are not seen apart: the slopes of any thin line peak 2.8 px apart
SEAM_RISE = 0.22  # a seam ends where light rises by this share of its fall; sharpening halos stay below
Edge = tuple[Line, float]  # and the share of the segment along which it is seen
Peaks = tuple[Array, Array, Array]  # points, found, strength over noise


def refine_edge(
    rgb: Bytes,
    start_px: Array,
    end_px: Array,
    *,
    reach_px: float,
    inward: float = 0.0,
    seam_px: float = 0.0,
    blocks: int = BLOCKS,
) -> Edge | None:
    """Fit a line to the edge near the segment from ``start_px`` to ``end_px``, to a fraction of a pixel.

    Light profiles across the segment are averaged in short blocks along it, so that faint edges stand out.

    Parameters
    ----------
    rgb : (H, W, 3) uint8
    start_px, end_px : (2,) ends of the straight stretch [px]
    reach_px : how far the true edge may be from the segment [px]
    inward : +1 or -1 where the object lies on that side along the segment's normal; 0 where it is not known
    seam_px : widest dark seam (the object's own wall and its contact shadow) to cross to the object's face [px]
    blocks : how many stretches the segment is cut into

    Returns
    -------
    The line, and the share of the segment along which its edge is seen; None where no edge is.
    """
    ends = np.array([[start_px, end_px]], float)
    return refine_edges(rgb, ends, reach_px=reach_px, inward=[inward], seam_px=[seam_px], blocks=blocks)[0]


def refine_edges(
    rgb: Bytes,
    ends_px: Array,
    *,
    reach_px: float,
    inward: Sequence[float] | None = None,
    seam_px: Sequence[float] | None = None,
    blocks: int = BLOCKS,
) -> list[Edge | None]:
    """Fit a line near each of the segments with ``ends_px`` (S, 2, 2), as ``refine_edge`` does, all of them at once.

    ``inward`` and ``seam_px`` are one number a segment.
    """
    cuts = _cut(rgb, np.asarray(ends_px, float), reach_px + 5.0, blocks)
    found: list[Edge | None] = [None] * len(ends_px)
    if not cuts:
        return found
    slopes = _slopes(np.concatenate([cut.light for cut in cuts.values()]))
    whole = _Blocks(
        slopes,
        next(iter(cuts.values())).offsets_px,
        np.concatenate([cut.places_px for cut in cuts.values()]),
        np.concatenate([np.broadcast_to(cut.normal, cut.places_px.shape) for cut in cuts.values()]),
        blocks,
    )
    told = _peaks(whole, np.sqrt(np.sum(slopes**2, axis=1)), 0.0, reach_px)
    lasts = np.cumsum([len(cut.light) for cut in cuts.values()]).tolist()
    parts = [slice(first, last) for first, last in pairwise([0, *lasts])]
    peaks = [(told[0][part], told[1][part], told[2][part]) for part in parts]
    for segment, outer in zip(cuts, _fitted(peaks, blocks), strict=True):
        found[segment] = outer
    if inward is not None and seam_px is not None:
        seamed = [n for n in cuts if found[n] is not None and inward[n] and seam_px[n] >= SEAM_PX]
        place = {segment: number for number, segment in enumerate(cuts)}
        beyond = {}
        for n in seamed:
            outer, part = found[n], parts[place[n]]
            assert outer is not None
            far = _across_seam(cuts[n], slopes[part] * inward[n], outer[0], told[1][part], inward[n], seam_px[n])
            if far is not None:
                beyond[n] = far
        for n, inner in zip(beyond, _fitted(list(beyond.values()), blocks), strict=True):
            found[n] = _better(found[n], inner)
    return found


def _better(outer: Edge | None, inner: Edge | None) -> Edge | None:
    """The far side of a seam where it is seen about as well as the near one."""
    if outer is None or inner is None or inner[1] < outer[1] - 0.1 or inner[0].rms_px > outer[0].rms_px + 0.15:
        return outer
    return inner


def _fitted(peaks: Sequence[Peaks], wanted: int) -> list[Edge | None]:
    """A line through the points of each that were found, and the share of ``wanted`` near it."""
    chosen = [n for n, (_, found, _) in enumerate(peaks) if np.count_nonzero(found) >= 5]
    points = [peaks[n][0][peaks[n][1]] for n in chosen]
    weights = [np.minimum(peaks[n][2][peaks[n][1]], 8.0) for n in chosen]
    edges: list[Edge | None] = [None] * len(peaks)
    for n, mine, line in zip(chosen, points, fit_lines(points, weights), strict=True):
        close = np.abs(line.offset_px(mine)) < max(0.6, 2.5 * line.rms_px)
        edges[n] = line, float(np.count_nonzero(close)) / wanted
    return edges


def mean_edge(rgb: Bytes, places_px: Array, normals: Array, *, reach_px: float) -> float | None:
    """Offset [px] of the strongest edge in the mean of the profiles across places (N, 2); None where there is none."""
    half = reach_px + 5.0
    offsets = np.arange(-half, half + STEP_PX / 2, STEP_PX)
    light = sample_profiles(rgb, places_px, normals, offsets).mean(axis=0)[None]
    blocks = _Blocks(light, offsets, np.zeros((1, 2)), np.array([1.0, 0.0]), 1)
    points, found, _ = _peaks(blocks, np.sqrt(np.sum(_slopes(light) ** 2, axis=1)), 0.0, reach_px)
    return float(points[0, 0]) if found[0] else None


@dataclass(frozen=True, slots=True, eq=False)
class _Blocks:
    """Averaged profiles: light (N, K, 3) at ``offsets_px`` (K,) from ``places_px`` (N, 2) along ``normal``.

    The normal is one for all (2,), or each block's own (N, 2).
    """

    light: Array
    offsets_px: Array
    places_px: Array
    normal: Array
    wanted: int


def _cut(rgb: Bytes, ends: Array, half_px: float, count: int) -> dict[int, _Blocks]:
    """The blocks of those segments (S, 2, 2), by their number, that are long enough and in the picture."""
    offsets = np.arange(-half_px, half_px + STEP_PX / 2, STEP_PX)
    kept: dict[int, tuple[Array, Array]] = {}
    for number, (start, end) in enumerate(ends):
        length = float(np.hypot(*(end - start)))
        if length < 8:
            continue
        direction = (end - start) / length
        each = int(np.clip(length / count, 1, count / 4))
        steps = (np.arange(count * each) + 0.5) / (count * each)
        places = (start + steps[:, None] * (end - start)).reshape(count, each, 2)
        inside = np.all((places > 2) & (places < np.array(rgb.shape[1::-1]) - 3), axis=(1, 2))
        if np.count_nonzero(inside) >= 8:
            kept[number] = places[inside], np.array([-direction[1], direction[0]])
    if not kept:
        return {}
    stations = np.concatenate([places.reshape(-1, 2) for places, _ in kept.values()])
    normals = np.concatenate([np.broadcast_to(normal, (places.size // 2, 2)) for places, normal in kept.values()])
    light = sample_profiles(rgb, stations, normals, offsets)
    cuts, first = {}, 0
    for number, (places, normal) in kept.items():
        many, each = places.shape[:2]
        mine = light[first : first + many * each].reshape(many, each, len(offsets), 3).mean(axis=1)
        cuts[number] = _Blocks(mine, offsets, places.mean(axis=1), normal, count)
        first += many * each
    return cuts


def _slopes(light: Array, blur_px: float = 1.0) -> Array:
    """Derivative of profiles (N, K, 3) smoothed by a Gaussian of ``blur_px``: (N, 3, K) per pixel."""
    taps = np.arange(-3 * blur_px, 3 * blur_px + STEP_PX / 2, STEP_PX)
    bell = np.exp(-0.5 * (taps / blur_px) ** 2)
    return correlated(light, taps * bell / np.sum(taps**2 * bell)).transpose(0, 2, 1)


def _peaks(blocks: _Blocks, steep: Array, around_px: Array | float, reach_px: float) -> Peaks:
    """Strongest peak of ``steep`` (N, K) within ``reach_px`` of ``around_px``: points, found, strength over noise."""
    offsets = blocks.offsets_px
    away = offsets - np.reshape(around_px, (-1, 1))
    masked = np.where(np.abs(away) <= reach_px, steep * np.exp(-0.5 * (away / (0.8 * reach_px)) ** 2), -1.0)
    best = np.clip(np.argmax(masked, axis=1), 1, len(offsets) - 2)
    rows = np.arange(len(best))
    for _ in range(round(2.0 / STEP_PX)):  # the weight moves a blurred peak: climb back to its top
        left, mid, right = steep[rows, best - 1], steep[rows, best], steep[rows, best + 1]
        step = np.where(right > np.maximum(mid, left), 1, np.where(left > mid, -1, 0))
        higher = np.clip(best + step, 1, len(offsets) - 2)
        if (higher == best).all():
            break
        best = higher
    left, mid, right = steep[rows, best - 1], steep[rows, best], steep[rows, best + 1]
    bend = left - 2 * mid + right
    shift = np.where(bend < -1e-12, 0.5 * (left - right) / np.where(bend == 0, 1, bend), 0.0)
    where = offsets[best] + np.clip(shift, -1, 1) * STEP_PX
    rank = round(0.4 * (steep.shape[1] - 1))
    strength = mid / (np.partition(np.abs(steep), rank, axis=1)[:, rank] + 2e-4)
    found = (bend < 0) & (mid > 0.0015) & (strength > 2.0)
    return blocks.places_px + where[:, None] * blocks.normal, found, strength


def _across_seam(
    blocks: _Blocks, inward_slope: Array, outer: Line, found: Array, inward: float, seam_px: float
) -> Peaks | None:
    """The far side of a dark seam: where a channel gets darker at the outer edge and lighter again within ``seam_px``.

    ``inward_slope`` (N, 3, K) is the slope towards the object.
    """
    away = -outer.offset_px(blocks.places_px) / float(outer.normal @ blocks.normal)
    depth = (blocks.offsets_px[None] - away[:, None]) * inward
    grid = np.arange(-1.0, seam_px + 1.5, STEP_PX)
    middle = np.median(_aligned(grid, depth[found], inward_slope[found]), axis=0)
    dark = -middle[:, np.abs(grid) < 0.8].min(axis=1)
    deep = (grid >= SEAM_PX) & (grid <= seam_px)
    rise = np.where(deep, middle, -np.inf)
    ratio = np.where(dark > max(0.002, 0.35 * float(dark.max())), rise.max(axis=1) / np.maximum(dark, 1e-9), 0)
    channel = int(np.argmax(np.where(ratio > SEAM_RISE, rise.max(axis=1), -np.inf)))
    peak = int(np.argmax(rise[channel]))
    if ratio[channel] <= SEAM_RISE or middle[channel, peak + 1] > middle[channel, peak]:
        return None
    beyond = _peaks(blocks, inward_slope[:, channel], away + inward * grid[peak], 1.0)
    return beyond if np.count_nonzero(beyond[1]) > 0.7 * np.count_nonzero(found) else None


def _aligned(grid: Array, depth: Array, curves: Array) -> Array:
    """Curves (N, C, K) over evenly spaced depths (N, K), taken at the depths ``grid`` (G,): (N, C, G)."""
    step = (depth[:, -1] - depth[:, 0]) / (depth.shape[1] - 1)
    place = np.clip((grid - depth[:, :1]) / step[:, None], 0, depth.shape[1] - 1)
    left = np.minimum(place.astype(int), depth.shape[1] - 2)[:, None]
    share = place[:, None] - left
    low, high = np.take_along_axis(curves, left, axis=2), np.take_along_axis(curves, left + 1, axis=2)
    return np.asarray(low + share * (high - low))
