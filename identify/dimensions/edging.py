"""Both sides of a lying part: where its edges are in the photo, station by station along its axis.

A turned part is equally wide on both sides of its axis, so once the line midway between both edges is found they are
followed together, which holds where one of them is lost in shadow or a mirror image of the bench; each is then let free
by a thread's depth. Where the part's outline itself runs off into a shadow or a pattern of the bench, its two sides are
not alike: they are followed once about the nearer and once about the further of them, and one clear edge will do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d

from identify.dimensions.axis import Axis, Sides, unrolled
from identify.dimensions.lying import LEAN_OVER_MM, outermost, sideways
from identify.geometry import part_edge
from identify.geometry.camera import project
from identify.geometry.strip import follow, follow_each
from identify.model import Array, Camera, Outline, Photo, Pose

EDGE_REACH_PX = (3.0, 16.0)  # how far from the outline an edge is looked for
ALIKE_REL = 0.10  # both sides of a turned part are equally wide within this share of its width
FREE_MM = 0.7  # by which one edge may differ from the other: half a thread's depth and some blur
LEAST_STEP = 0.004  # a fainter step in linear light is noise
LEAST_ODDS = 0.35  # that the edge is where it is taken to be
LONGEST = 480  # stations at most: more tell nothing new of a diameter, and of a 1.3 mm pitch only on long parts
ALONE = 0.6  # odds of an edge for which the other one, where it is not found, is taken to be as far from the axis
ALONE_PX = 1.0  # and its doubt
NEARER, FURTHER = np.minimum, np.maximum  # of the outline's two sides: about which both edges are looked for


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What the photo shows of a lying part before any millimetre is trusted.

    ``mm_per_px`` is the scale at the axis; ``rough_px`` the scatter of the edge along the part [px]; ``doubt_px`` (N,)
    by how much both edges together may be others that lie beside them (standard deviation) [px].
    """

    axis: Axis
    sides: Sides
    mm_per_px: float
    rough_px: float
    doubt_px: Array


def seen(photo: Photo, outline: Outline, camera: Camera, pose: Pose, axis: Axis, *, alone: bool = False) -> Seen | None:
    """Both edges of the part across its axis, sub-pixel, at every pixel along it; None where too few are found.

    Parameters
    ----------
    alone : also where the outline's two sides are not alike, and where only one edge is clear
    """
    beside_ = beside(photo, outline, camera, pose, axis, NEARER if alone else None)
    if beside_ is None:
        return None
    scale = beside_.mm_per_px
    edges = _followed(beside_, alone=alone)
    further = beside(photo, outline, camera, pose, axis, FURTHER) if alone else None
    if further is not None:
        edges = _clearer(edges, _followed(further, alone=True), max(3, round(LEAN_OVER_MM / scale)))
    trusted = edges.found if alone else edges.found & beside_.alike
    if trusted.sum() < 20:
        return None
    left_px, right_px = (edges.points_px + 0.5) * photo.reduced - 0.5
    return Seen(
        axis,
        Sides(left_px, right_px, trusted),
        scale / photo.reduced,
        edges.rough_px * photo.reduced,
        edges.doubt_px * photo.reduced,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Edges:
    """Both edges: points (2, N, 2) [rgb px]; found (N,), the lesser of their odds (N,), and doubt (N,) [px]."""

    points_px: Array
    found: NDArray[np.bool_]
    support: Array
    doubt_px: Array
    rough_px: float


def _followed(beside_: Beside, *, alone: bool) -> _Edges:
    """Both edges followed together through their strips."""
    strips, reach = beside_.strips, beside_.reach_px
    odds = part_edge.likely([strip.profile for strip in strips], reach / part_edge.STEP_PX)
    free = float(np.clip(FREE_MM / beside_.mm_per_px, 1.5, reach))
    own, shift = _own_paths(odds, reach / part_edge.STEP_PX, free)
    edges = [strip.refined(each, path) for strip, each, path in zip(strips, odds, own, strict=True)]
    doubt = np.array([part_edge.doubt(one, path) * part_edge.STEP_PX for one, path in zip(odds, own, strict=True)])
    support = np.array([part_edge.support(one, path) for one, path in zip(odds, own, strict=True)])
    points = np.stack([edge.points_px for edge in edges])
    found = edges[0].found & edges[1].found
    rough = max(edge.rough_px for edge in edges)
    for this, other, way in ((0, 1, -2), (1, 0, 2)) if alone else ():
        lone = edges[other].found & ~edges[this].found & (support[other] > ALONE)
        as_far = strips[this].at(edges[other].out_px + way * shift * part_edge.STEP_PX)
        points[this, lone] = as_far[lone]
        doubt[this, lone] = doubt[other, lone] + ALONE_PX
        support[this, lone] = support[other, lone] / 2
        found = found | lone
    return _Edges(points, found, support.min(axis=0), np.hypot(*doubt), rough)


def _clearer(one: _Edges, other: _Edges, rows: int) -> _Edges:
    """Of two ways, station by station, the one whose edges are clearer over ``rows`` about there."""
    better = uniform_filter1d(other.support, rows) > uniform_filter1d(one.support, rows)
    return _Edges(
        np.where(better[:, None], other.points_px, one.points_px),
        np.where(better, other.found, one.found),
        np.where(better, other.support, one.support),
        np.where(better, other.doubt_px, one.doubt_px),
        min(one.rough_px, other.rough_px),
    )


def _own_paths(odds: Array, reach: float, free_px: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Columns (2, N) of the left and the right edge by their odds (2, N, K), and of the line midway between them (N,).

    ``reach`` in columns; where it is, the left edge is as many columns nearer as the right one is further out.
    """
    columns = np.arange(part_edge.COLUMNS)
    gains = part_edge.gain(odds) - 0.3 * ((columns - part_edge.MIDDLE) / reach) ** 2
    alone = follow_each(gains, jump=3, jump_cost=0.05, leap_cost=1.5)
    sure = np.minimum(*(part_edge.support(one, path) for one, path in zip(odds, alone, strict=True)))
    shift = np.round(_midway((alone[1] - alone[0]) / 2, sure)).astype(int)
    places = np.clip(columns + np.array([-1, 1])[:, None, None] * shift[:, None], 0, part_edge.COLUMNS - 1)
    both = np.take_along_axis(gains, places, axis=2).mean(axis=0)
    path = follow(both, jump=3, jump_cost=0.05, leap_cost=1.5) + np.array([-1, 1])[:, None] * shift
    away = (columns - path[:, :, None]) * part_edge.STEP_PX / free_px
    near = gains - np.where(np.abs(away) <= 1, 0.2 * away**2, 1e3)
    return follow_each(near, jump=4, jump_cost=0.03), shift


def _midway(lean: Array, weight: Array) -> Array:
    """The straight line (N,) through leans (N,) by weighted least absolute values."""
    row = np.linspace(-1, 1, len(lean))
    line: Array = np.zeros(2)
    now: Array = weight
    for _ in range(8):
        design = np.column_stack([np.ones_like(row), row])
        square = design.T @ (now[:, None] * design) + 1e-9 * np.eye(2)
        line = np.asarray(np.linalg.solve(square, design.T @ (now * lean)), float)
        now = np.asarray(weight / np.maximum(np.abs(lean - design @ line), 0.5), float)
    return np.asarray(line[0] + line[1] * row)


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """The picture beside both sides of a lying part, about where its outline is: left and right ``strips``.

    ``alike`` (N,) says where the outline is about as far from the axis on both sides, ``reach_px`` how far off the
    edge may be [rgb px], ``mm_per_px`` the size of an rgb pixel at the axis.
    """

    strips: tuple[Strip, Strip]
    alike: NDArray[np.bool_]
    reach_px: float
    mm_per_px: float


def beside(
    photo: Photo, outline: Outline, camera: Camera, pose: Pose, axis: Axis, way: np.ufunc | None = None
) -> Beside | None:
    """The strips in which both edges are looked for; None where the outline is too short.

    Where the outline's two sides are not alike each strip is about its own, or both about the ``NEARER`` or the
    ``FURTHER`` one.
    """
    at, _ = unrolled(axis, camera, pose, outline.contour_px)
    ends = project(camera, pose, axis.at(np.array([at.min(), at.max()])))
    long_px = float(np.linalg.norm(ends[1] - ends[0])) / photo.reduced
    if not np.isfinite(long_px) or long_px < 12:
        return None
    px_mm = float(np.ptp(at)) / long_px
    inset = 1.5 * px_mm
    station = np.linspace(at.min() + inset, at.max() - inset, int(min(LONGEST, max(24, 1.5 * long_px))))
    left, right = outermost(axis, camera, pose, outline.contour_px, station)
    keep = np.isfinite(left) & np.isfinite(right)
    if keep.sum() < 20:
        return None
    station, left, right = station[keep], left[keep], right[keep]
    alike = np.abs(left - right) < np.maximum(ALIKE_REL * (left + right), 3 * px_mm)
    reach = float(np.clip(0.08 * np.percentile(left + right, 95) / px_mm, *EDGE_REACH_PX))
    middle = (left + right) / 2
    inward, outward = (
        _strip(
            photo,
            camera,
            pose,
            axis,
            station,
            sign * np.where(alike, middle, side if way is None else way(left, right)),
        )
        for sign, side in ((-1, left), (1, right))
    )
    return Beside((inward, outward), alike, reach, px_mm)


@dataclass(frozen=True, slots=True, eq=False)
class _Edge:
    """One edge: points (N, 2) [rgb px], how far out they are (N,), found (N,), scatter along the part [px]."""

    points_px: Array
    out_px: Array
    found: NDArray[np.bool_]
    rough_px: float


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """The picture beside one side of the part: stations (N, 2) [rgb px], outward normals, light (N, K, 3)."""

    start_px: Array
    normals: Array
    profile: Array

    def refined(self, odds: Array, own: NDArray[np.int64]) -> _Edge:
        """The edge on the strip's path (N,) of columns."""
        offsets = part_edge.offsets_px()
        where, height = part_edge.sharpened(self.profile, odds, own)
        shift = offsets[0] + where * part_edge.STEP_PX
        found = (height > LEAST_STEP) & (part_edge.support(odds, own) > LEAST_ODDS)
        out = np.where(found, shift, offsets[own])
        rough = float(1.4826 * np.median(np.abs(shift - median_filter(shift, 5))))
        return _Edge(self.at(out), out, found, rough)

    def at(self, out_px: Array) -> Array:
        """Points (N, 2) [rgb px] that are ``out_px`` (N,) further out than the strip's middle."""
        return np.asarray(self.start_px + out_px[:, None] * self.normals)


def _strip(photo: Photo, camera: Camera, pose: Pose, axis: Axis, station: Array, offset: Array) -> Strip:
    """The strip about ``offset`` (N,) beside the axis [mm], square to it."""
    points = axis.at(station) + offset[:, None] * sideways(axis, pose, station)
    start = (project(camera, pose, points) + 0.5) / photo.reduced - 0.5
    outward = start - ((project(camera, pose, axis.at(station)) + 0.5) / photo.reduced - 0.5)
    normals = outward / np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    return Strip(start, normals, part_edge.profiles(photo.rgb, start, normals))
