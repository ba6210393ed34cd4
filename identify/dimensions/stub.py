"""A threaded stub that stands out of a body which is not turned about it: a valve's or a turbine's inlet.

Such a part lies on its body, so its stubs are some way over the bench, and their axes are not the outline's. What is
narrower than any body is cut off the outline (morphological opening); each piece of a thread's width is looked at on
its own, about the line on which it leaves the body, at the height that stubs usually have.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from identify.dimensions import edging, lying, zone
from identify.dimensions.axis import Axis, settle
from identify.dimensions.reading import LEAST_STATIONS, Lain
from identify.geometry.camera import on_height, project
from identify.model import Array, Bytes, Camera, Outline, Photo, Pose

HIGH_MM, U_HIGH_MM = 20.0, 8.0  # a stub's axis over the bench; own estimate
CELL_MM = 0.5
BODY_MM = 31.0  # anything narrower stands out of the body: G 3/4 is 26.4 mm, and its collars are a little wider
NEARLY = 0.93  # of the widest place: all of a slim body that is narrower stands out of it
NARROWEST_MM = 7.0  # thinner things are leads and plugs
LEAST_MM = 6.0  # a shorter stub shows no thread
SURE = 0.6  # chance below which no stub is taken for the thread; calibration split of the rendered pictures
LEVEL, LEVEL_ALONE = 0.045, 0.03  # of the diameter: by which the places that may be its thread may differ; same split
ALIKE = 0.08  # logarithm of the ratio of two stubs' diameters that may be one thread's
ROOT_MM = 4.0  # of the body, left on a stub: a collar beside it tells a thread


def lie(
    photo: Photo,
    outline: Outline,
    camera: Camera,
    pose: Pose,
    listed: Sequence[zone.Listed],
    *,
    alone: bool = False,
) -> Lain | None:
    """The likeliest threaded stub; None where no piece of the outline can be one, or pieces speak for two threads.

    With ``alone`` one clear edge will do where the other is not seen.
    """
    cut = pieces(outline, camera, pose)
    tried = [_settled(photo, outline, camera, pose, one, listed, alone=alone) for one in cut]
    found = [(lain, lain.zone) for lain in tried if lain is not None and lain.zone is not None]
    if not found:
        return None
    chances, sizes = (np.array([getattr(place, name) for _, place in found]) for name in ("chance", "diameter_mm"))
    alike = np.abs(np.log(sizes[:, None] / sizes)) < ALIKE  # stubs of one part have one thread
    spoken = alike @ chances
    best = int(np.argmax(spoken * chances))
    lain, place = found[best]
    chance = place.chance * float(spoken[best] / chances.sum())
    level = place.u_mm < (LEVEL_ALONE if alone else LEVEL) * place.diameter_mm
    return replace(lain, zone=replace(place, chance=chance)) if level and chance >= SURE else None


def pieces(outline: Outline, camera: Camera, pose: Pose) -> list[tuple[Array, Array]]:
    """What stands out of the body: closed contours (N, 2) [px] with the plan's direction (2,) away from the body."""
    plan = on_height(camera, pose, outline.contour_px, HIGH_MM)[:, :2]
    if not np.isfinite(plan).all() or float(np.ptp(plan, axis=0).max()) > 400:
        return []
    corner = plan.min(axis=0) - BODY_MM
    size = np.ceil((np.ptp(plan, axis=0) + 2 * BODY_MM) / CELL_MM).astype(int)
    whole = np.zeros(size[::-1], np.uint8)
    cv2.fillPoly(whole, [np.round((plan - corner) / CELL_MM).astype(np.int32)], 1)
    widest_mm = 2 * CELL_MM * float(cv2.distanceTransform(whole, cv2.DIST_L2, 5).max())
    body = _shaped(cv2.MORPH_OPEN, whole, min(BODY_MM, NEARLY * widest_mm))
    count, marks = cv2.connectedComponents(_shaped(cv2.MORPH_OPEN, whole & ~body, NARROWEST_MM))
    rooted = _shaped(cv2.MORPH_DILATE, body, 5 * CELL_MM)
    found = []
    for mark in range(1, count):
        piece = np.asarray(marks == mark, np.uint8)
        away = _away(piece, rooted)
        if away is None:
            continue
        grown = _shaped(cv2.MORPH_DILATE, piece, 2 * ROOT_MM) & whole
        border, _ = cv2.findContours(grown, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        points = max(border, key=cv2.contourArea).reshape(-1, 2) * CELL_MM + corner
        at_height = np.column_stack([points, np.full(len(points), HIGH_MM)])
        found.append((project(camera, pose, at_height), away))
    return found


def _shaped(how: int, cells: Bytes, diameter_mm: float) -> Bytes:
    """Cells opened, or grown, by a disc."""
    size = round(diameter_mm / CELL_MM) | 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return np.asarray(cv2.morphologyEx(cells, how, disc), np.uint8)


def _away(piece: Bytes, rooted: Bytes) -> Array | None:
    """Unit direction (2,) from where a piece meets the body to its end; None where it is too short or loose."""
    places = np.argwhere(piece > 0)[:, ::-1].astype(float)
    root = np.argwhere((piece & rooted) > 0)[:, ::-1].astype(float)
    if not len(root):
        return None
    way = places.mean(axis=0) - root.mean(axis=0)
    way /= max(float(np.linalg.norm(way)), 1e-9)
    long_mm = float(np.ptp(places @ way)) * CELL_MM
    return way if long_mm >= LEAST_MM else None


def _settled(
    photo: Photo,
    outline: Outline,
    camera: Camera,
    pose: Pose,
    piece: tuple[Array, Array],
    listed: Sequence[zone.Listed],
    *,
    alone: bool,
) -> Lain | None:
    contour, away = piece
    middle = on_height(camera, pose, contour.mean(axis=0)[None], HIGH_MM)[0]
    axis = Axis(middle, np.array([*away, 0.0]))
    own = replace(outline, contour_px=contour)
    sides = lying.contour_sides(own, camera, pose, axis)
    if sides is None:
        return None
    axis = settle(axis, camera, pose, sides, resting=False).axis
    seen = edging.seen(photo, own, camera, pose, axis, alone=alone)
    if seen is None:
        return None
    profile = settle(axis, camera, pose, seen.sides, resting=False)
    usable = lying.symmetric(profile, seen.mm_per_px)
    place = zone.find(photo, camera, pose, profile, usable, listed, threaded=True)
    if place is None or place.stations.sum() < LEAST_STATIONS:
        return None
    under = np.ones(len(usable))
    return Lain(camera, pose, seen, profile, usable, usable, under, 0.0, zone=place, u_height_mm=U_HIGH_MM)
