"""Stems drawn end-on through an exact camera: faces with teeth of known number, and shapes that have none."""

from __future__ import annotations

import math

import cv2
import numpy as np

from identify.geometry.camera import focal_px_from_35mm, project
from identify.model import Array, Camera, Photo, Pose

WIDTH_PX, HEIGHT_PX = 4000, 3000
END_MM = 66.0
FINER = 4  # drawn this much larger, then averaged


def regular_xy(corners: int, across_flats_mm: float) -> Array:
    """Corners (N, 2) of a regular polygon [mm]."""
    turn = 2 * np.pi * np.arange(corners) / corners + 0.2
    reach = across_flats_mm / 2 / math.cos(math.pi / corners)
    return reach * np.column_stack([np.cos(turn), np.sin(turn)])


def splined_xy(teeth: int, diameter_mm: float) -> Array:
    """Trapezoid teeth (ISO 14's straight sides, not its sizes), as high as they are wide but 0.6 mm at most."""
    high = min(0.6, 0.45 * np.pi * diameter_mm / teeth)
    turn = 2 * np.pi * (np.arange(teeth)[:, None] + np.array([0.0, 0.3, 0.5, 0.8])).ravel() / teeth
    radius = diameter_mm / 2 - np.tile([0.0, 0.0, high, high], teeth)
    return radius[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])


def over_the_bench(tilt_deg: float, distance_mm: float) -> tuple[Camera, Pose]:
    """A 12-megapixel phone ``tilt_deg`` from straight above, ``distance_mm`` from the foot of the stem's axis."""
    tilt = math.radians(tilt_deg)
    turned = np.array([[1, 0, 0], [0, -math.cos(tilt), math.sin(tilt)], [0, -math.sin(tilt), -math.cos(tilt)]])
    focal_px = focal_px_from_35mm(26.0, WIDTH_PX, HEIGHT_PX)
    camera = Camera(focal_px, ((WIDTH_PX - 1) / 2, (HEIGHT_PX - 1) / 2), 0.02, "EXIF")
    return camera, Pose(turned, np.array([0.0, 0.0, distance_mm]), np.eye(7) * 1e-8)


def drawn(
    section_xy: Array, camera: Camera, pose: Pose, *, seed: int, bored: bool, blur_px: float, noise: float
) -> Photo:
    """A stem of one section, 14 mm of its sides, on a round body: light face, darker sides, grey body."""
    rng = np.random.default_rng(seed)
    middle = project(camera, pose, np.array([[0.0, 0.0, END_MM]]))[0]
    corner = np.round(middle - 320).astype(int)
    patch = np.full((640 * FINER, 640 * FINER), 0.35, np.float32)

    def fill(xy: Array, height_mm: float, value: float) -> None:
        at = project(camera, pose, np.column_stack([xy, np.full(len(xy), height_mm)])) - corner
        cv2.fillPoly(patch, [np.round(((at + 0.5) * FINER - 0.5) * 16).astype(np.int32)], value, shift=4)

    fill(regular_xy(200, 22.0), END_MM - 14, 0.25)
    for down in np.arange(14.0, 0.2, -0.25):
        fill(section_xy, END_MM - down, 0.12 + 0.004 * down)
    fill(section_xy, END_MM, 0.55)
    if bored:
        fill(regular_xy(60, 4.0), END_MM, 0.08)
    small = cv2.resize(patch, None, fx=1 / FINER, fy=1 / FINER, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), blur_px)
    small *= np.linspace(0.8, 1.2, 640, dtype=np.float32)[None, :]  # light from one side
    coded = np.where(small <= 0.0031308, 12.92 * small, 1.055 * np.maximum(small, 1e-6) ** (1 / 2.4) - 0.055)
    coded += rng.normal(0, noise, small.shape)
    rgb = np.full((HEIGHT_PX, WIDTH_PX, 3), 160, np.uint8)
    rgb[corner[1] : corner[1] + 640, corner[0] : corner[0] + 640] = np.clip(coded * 255, 0, 255)[..., None]
    return Photo("drawn", "0" * 64, rgb, WIDTH_PX, HEIGHT_PX, 26.0)
