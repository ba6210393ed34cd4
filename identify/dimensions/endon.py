"""A standing part's upper end seen from above: the picture unrolled about places where its axis may end.

Central projection from one horizontal plane to another is a scaling about the camera's foot point, so in a picture
laid out flat at one height every upright round thing shows as a true circle, whatever its own height; the ends of an
upright axis at all heights lie on one line. The circle's place on that line tells its height where the line is long.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.geometry.camera import camera_place_mm, project
from identify.geometry.edges import linear_light
from identify.model import Array, Camera, Photo, Pose

Pixels = NDArray[np.float32]
HEIGHTS_MM = (22.0, 115.0)  # of a stem's end over the bench
BESIDE_MM = 2.0  # the end's centre off the fitted axis; more where the axis itself is less sure
REACH_MM = 11.0  # largest radius that is looked at
STEP = 8  # flat pixels between those that are projected
ROWS = 256  # of the photo at once
LUMINANCE = np.array([[0.2126, 0.7152, 0.0722]])  # of linear red, green, blue: IEC 61966-2-1
MOST_PX = 1500  # side of the flat picture


@dataclass(frozen=True, slots=True, eq=False)
class Flat:
    """The picture around a stem's possible ends, laid out flat at ``height_mm``.

    Parameters
    ----------
    light : (H, W) square root of linear light
    corner_mm : (2,) bench place of its first pixel's centre
    mm_per_px : of the flat picture
    first_mm, last_mm : (2,) where the axis ends if its end is lowest and highest
    native : photo's pixels to one of the flat picture
    """

    light: Pixels
    corner_mm: Array
    mm_per_px: float
    height_mm: float
    first_mm: Array
    last_mm: Array
    native: float
    camera_mm: Array

    def pixels(self, places_mm: Array) -> Array:
        """Flat pixels (N, 2) of places (N, 2) [mm]."""
        return np.asarray((np.asarray(places_mm) - self.corner_mm) / self.mm_per_px)

    def places(self, pixels: Array) -> Array:
        """Places (N, 2) [mm] of flat pixels (N, 2)."""
        return np.asarray(np.asarray(pixels) * self.mm_per_px + self.corner_mm)


def laid_flat(
    photo: Photo, camera: Camera, pose: Pose, foot_mm: Array, *, height_mm: float, beside_mm: float = BESIDE_MM
) -> Flat | None:
    """The picture about the upper ends of an upright axis that stands at ``foot_mm`` (2,); None out of the picture."""
    place = camera_place_mm(pose)
    if place[2] < HEIGHTS_MM[1] + 30.0:
        return None
    away = foot_mm - place[:2]
    ends = [place[:2] + away * (place[2] - height_mm) / (place[2] - high) for high in HEIGHTS_MM]
    reach = (REACH_MM + beside_mm) * (place[2] - height_mm) / (place[2] - HEIGHTS_MM[1])
    low, high = np.minimum(*ends) - reach, np.maximum(*ends) + reach
    middle = np.array([*(low + high) / 2, height_mm])
    steps = project(camera, pose, middle + np.array([[0, 0, 0], [1.0, 0, 0], [0, 1.0, 0]]))
    px_per_mm = float(np.sqrt(abs(np.linalg.det(steps[1:] - steps[0])))) / photo.reduced
    mm_per_px = max(1.0 / max(px_per_mm, 1e-6), float((high - low).max()) / MOST_PX)
    size = np.ceil((high - low) / mm_per_px).astype(int) + 1
    seen, (x0, y0), (x1, y1) = _places_px(camera, pose, low, mm_per_px, size, height_mm, photo.reduced)
    crop = photo.rgb[y0:y1, x0:x1]
    if min(crop.shape[:2]) < 16:
        return None
    rows = np.array_split(crop, -(-len(crop) // ROWS))  # in colour and linear it takes twelve times the photo's memory
    light = np.concatenate([np.sqrt(cv2.transform(linear_light(part), LUMINANCE)) for part in rows])
    seen -= np.array([x0, y0], np.float32)
    drawn = cv2.remap(light, seen[..., 0], seen[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return Flat(
        np.asarray(drawn, np.float32), low, mm_per_px, height_mm, ends[0], ends[1], px_per_mm * mm_per_px, place
    )


def _places_px(
    camera: Camera,
    pose: Pose,
    corner_mm: Array,
    mm_per_px: float,
    size: NDArray[np.int64],
    height_mm: float,
    reduced: int,
) -> tuple[NDArray[np.float32], NDArray[np.int64], NDArray[np.int64]]:
    """Decoded photo's pixels (H, W, 2) of the flat ones, and the corners (2,), (2,) of a box about them.

    Every eighth is placed by the camera, the others straight between them.
    """
    knots = [np.arange(0, count + STEP, STEP) for count in size]
    columns, rows = np.meshgrid(*knots)
    flat = np.column_stack([columns.ravel(), rows.ravel()]) * mm_per_px + corner_mm
    at = (project(camera, pose, np.column_stack([flat, np.full(len(flat), height_mm)])) + 0.5) / reduced - 0.5
    low = np.maximum(np.floor(at.min(axis=0)).astype(int) - 1, 0)
    high = np.ceil(at.max(axis=0)).astype(int) + 2
    x, y = np.meshgrid(*(np.arange(count, dtype=np.float32) / STEP for count in size))
    seen = cv2.remap(at.reshape(*columns.shape, 2).astype(np.float32), x, y, cv2.INTER_LINEAR)
    return np.asarray(seen, np.float32), low, high


def unrolled(light: Pixels, centres_px: Array, radii_px: Array, around: int) -> Pixels:
    """Light (C, R, around) on circles of ``radii_px`` (R,) about ``centres_px`` (C, 2)."""
    angle = np.arange(around) * (2 * math.pi / around)
    x, y = (
        (centres_px[:, axis, None, None].astype(np.float32) + np.outer(radii_px, turn).astype(np.float32)).reshape(
            -1, around
        )
        for axis, turn in ((0, np.cos(angle)), (1, np.sin(angle)))
    )
    rows = 30000  # cv2.remap takes at most 32767 rows
    parts = [
        cv2.remap(light, *part, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for part in ((x[n : n + rows], y[n : n + rows]) for n in range(0, len(x), rows))
    ]
    return np.asarray(np.concatenate(parts).reshape(len(centres_px), len(radii_px), around))
