"""Where a lying part's axis points before it is settled: its outline's mirror line, and the bands on its surface."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from identify.dimensions import shading
from identify.dimensions.axis import Axis, settle
from identify.dimensions.lying import contour_sides
from identify.geometry.camera import on_height
from identify.model import Array, Camera, Outline, Photo, Pose

MIRROR_TIE = 1.5  # by which the longest direction may mirror worse than the best and still be the axis
BANDS_AGREE = 0.9925  # cosine of 7 degrees: so near, the outline tells the axis better than the bands on it
ROUGHLY_MM = 1e-3  # how closely the axis is settled before its edges are looked for
SLENDER = 2.0  # length over width (root second moments): so short a disc as would be as wide does not lie on its rim


def first_axis(outline: Outline, camera: Camera, pose: Pose, photo: Photo | None = None) -> Axis | None:
    """The axis of the outline on the bench, at half its naive width; None where it runs above the horizon.

    With the ``photo`` the bands on the surface of a short wide part tell which way it lies.
    """
    plan = on_height(camera, pose, outline.contour_px)[:, :2]
    if not np.isfinite(plan).all():
        return None
    centre, spread = _moments(plan)
    along = _mirror_axis(plan - centre, spread)
    grain = None if photo is None or _slender(spread) else shading.grain(photo, outline)
    if grain is not None:
        middle, step = outline.contour_px.mean(axis=0), 5 * grain[0]
        ends = on_height(camera, pose, np.array([middle - step, middle + step]))[:, :2]
        banded = (ends[1] - ends[0]) / max(float(np.linalg.norm(ends[1] - ends[0])), 1e-9)
        along = _told(plan - centre, along, banded, MIRROR_TIE if grain[1] else 1.0)
    width = np.ptp(plan @ np.array([-along[1], along[0]]))
    return Axis(np.array([*centre, 0.4 * width]), np.array([*along, 0.0]))


def rough_axis(
    outline: Outline, camera: Camera, pose: Pose, photo: Photo | None = None, *, askew: bool = False
) -> Axis | None:
    """The axis where the outline alone settles it; None where that is too short or runs above the horizon."""
    axis = first_axis(outline, camera, pose, photo)
    for _ in range(2):
        if axis is None:
            return None
        rough = contour_sides(outline, camera, pose, axis)
        axis = None if rough is None else settle(axis, camera, pose, rough, close_mm=ROUGHLY_MM, askew=askew).axis
    return axis


def _slender(spread: Array) -> bool:
    squares = np.linalg.eigvalsh(spread)
    return bool(squares[1] > SLENDER**2 * squares[0])


def _told(local: Array, found: Array, banded: Array, tie: float) -> Array:
    """The axis (2,) along or across the bands of the surface; as ``found`` by the outline where that is near enough.

    Across only where the outline (N, 2) mirrors itself better so by more than ``tie``.
    """
    across = np.array([-banded[1], banded[0]])
    misfits = _misfits(local, np.array([across, banded]))
    told = across if tie * misfits[0] < misfits[1] else banded
    return np.asarray(found if abs(float(found @ told)) > BANDS_AGREE else told)


def _misfits(local: Array, directions: Array) -> list[float]:
    """Mean distance of an outline (N, 2) from its mirror image about each direction (K, 2)."""
    points = local[:: max(1, len(local) // 300)]
    tree = cKDTree(points)
    return [float(np.mean(tree.query(2 * (points @ axis)[:, None] * axis - points)[0])) for axis in directions]


def _mirror_axis(local: Array, spread: Array) -> Array:
    """Unit direction (2,) of the axis about which an outline (N, 2) mirrors itself best.

    The longest direction is taken where the part is slender, and unless another mirrors clearly better: a short wide
    body with a stem is often longer across its axis than along it.
    """
    longest = np.linalg.eigh(spread)[1][:, 1]
    if _slender(spread):
        return np.asarray(longest)
    turns = np.arctan2(longest[1], longest[0]) + np.concatenate([[0.0], np.radians(np.arange(4, 180, 4))])
    directions = np.column_stack([np.cos(turns), np.sin(turns)])
    misfits = _misfits(local, directions)
    best = int(np.argmin(misfits))
    return longest if misfits[0] < MIRROR_TIE * misfits[best] + 1e-9 else directions[best]


def _moments(polygon: Array) -> tuple[Array, Array]:
    """Centre (2,) and second moments (2, 2) of a polygon's area (Green's theorem)."""
    middle = polygon.mean(axis=0)
    a = polygon - middle
    b = np.roll(a, -1, axis=0)
    cross = a[:, 0] * b[:, 1] - b[:, 0] * a[:, 1]
    area = cross.sum() / 2
    centre = ((a + b) * cross[:, None]).sum(axis=0) / (6 * area)
    outer = np.einsum("n,ni,nj->ij", cross, a, a) + np.einsum("n,ni,nj->ij", cross, b, b)
    mixed = np.einsum("n,ni,nj->ij", cross, a, b)
    second = (2 * outer + mixed + mixed.T) / (24 * area)
    return centre + middle, second - np.outer(centre, centre)
