"""Pictures of flat things on a bench, drawn in perspective with soft edges: every shape is exact."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
import pytest

from identify.geometry.camera import focal_px_from_35mm, project, rotation_from_vector
from identify.model import Camera, Photo, Pose

SIZE = (1000, 750)


@dataclass
class Bench:
    """A bench seen by a pinhole camera; light is linear until ``photo`` encodes it (sRGB, IEC 61966-2-1)."""

    tilt_deg: float = 0.0
    turn_deg: float = 30.0
    distance_mm: float = 300.0
    focal35_mm: float = 26.0
    texture: str = "plain"
    level: float = 0.35
    seed: int = 1
    blur_px: float = 0.8
    noise: float = 0.004
    size: tuple[int, int] = SIZE
    light: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        width, height = self.size
        focal = focal_px_from_35mm(self.focal35_mm, width, height)
        self.camera = Camera(focal, ((width - 1) / 2, (height - 1) / 2), 0.0, "EXIF")
        axis = np.radians(self.turn_deg)
        tilt = rotation_from_vector(np.radians(self.tilt_deg) * np.array([np.cos(axis), np.sin(axis), 0.0]))
        rotation = tilt @ np.diag([1.0, -1.0, -1.0])
        self.pose = Pose(rotation, np.array([0, 0, self.distance_mm]), np.zeros((7, 7)))
        grid = np.indices((height, width)).transpose(1, 2, 0)[..., ::-1].reshape(-1, 2).astype(float)
        to_mm = np.linalg.inv(self.homography)
        mm = np.column_stack([grid, np.ones(len(grid))]) @ to_mm.T
        self.mm = (mm[:, :2] / mm[:, 2:]).reshape(height, width, 2)
        self.light = np.ones((height, width, 3)) * self.level * np.array([1.0, 0.97, 0.93])
        self.light *= self._texture()[..., None]

    @property
    def homography(self) -> np.ndarray:
        """Bench millimetres to pixels (3, 3)."""
        matrix = np.array(
            [
                [self.camera.focal_px, 0, self.camera.centre_xy_px[0]],
                [0, self.camera.focal_px, self.camera.centre_xy_px[1]],
                [0, 0, 1.0],
            ]
        )
        return matrix @ np.column_stack([self.pose.rotation[:, :2], self.pose.translation_mm])

    def px(self, points_mm: np.ndarray, height_mm: float = 0.0) -> np.ndarray:
        points = np.asarray(points_mm, float).reshape(-1, 2)
        return project(self.camera, self.pose, np.column_stack([points, np.full(len(points), height_mm)]))

    def _texture(self) -> np.ndarray:
        height, width = self.size[1], self.size[0]
        if self.texture == "plain":
            return np.ones((height, width))
        grain = self.rng.normal(size=(height, width)).astype(np.float32)
        if self.texture == "wood":
            grain = cv2.GaussianBlur(grain, (0, 0), sigmaX=30, sigmaY=1.5) * 8
        else:
            grain = cv2.GaussianBlur(grain, (0, 0), 2.0) * 3
        return np.clip(1 + 0.12 * grain, 0.5, 1.5)

    def paint(self, window: tuple[slice, slice], distance_mm: np.ndarray, colour: tuple[float, float, float]) -> None:
        """Fill where the signed distance is negative, with an edge one pixel wide."""
        gy, gx = np.gradient(distance_mm)
        cover = np.clip(0.5 - distance_mm / np.maximum(np.hypot(gx, gy), 1e-9), 0, 1)[..., None]
        self.light[window] = self.light[window] * (1 - cover) + cover * np.array(colour)

    def window(self, centre: tuple[float, float], reach_mm: float) -> tuple[slice, slice] | None:
        """Rows and columns that a square about ``centre`` covers; None where it is outside the picture."""
        corners = self.px(np.array(centre) + reach_mm * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]))
        low = np.clip(np.floor(corners.min(axis=0)).astype(int) - 3, 0, self.size)
        high = np.clip(np.ceil(corners.max(axis=0)).astype(int) + 4, 0, self.size)
        return None if (high - low).min() < 3 else (slice(low[1], high[1]), slice(low[0], high[0]))

    def box(
        self,
        centre: tuple[float, float],
        angle: float,
        size: tuple[float, float],
        colour: tuple[float, float, float],
        corner: float = 0.0,
        shift: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        """A rectangle with round corners; ``shift`` moves it in its own frame."""
        turn = np.radians(angle)
        matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        middle = tuple(matrix @ shift + centre)
        window = self.window(middle, float(np.hypot(*size)) / 2)
        if window is None:
            return
        local = np.abs((self.mm[window] - middle) @ matrix) - np.array(size) / 2 + corner
        outside = np.hypot(*np.maximum(local, 0).transpose(2, 0, 1)) + np.minimum(local.max(axis=2), 0) - corner
        self.paint(window, outside, colour)

    def disc(self, centre: tuple[float, float], radius: float, colour: tuple[float, float, float]) -> None:
        window = self.window(centre, radius)
        if window is not None:
            self.paint(window, np.hypot(*(self.mm[window] - centre).transpose(2, 0, 1)) - radius, colour)

    def corners_px(self, centre: tuple[float, float], angle: float, size: tuple[float, float]) -> np.ndarray:
        turn = np.radians(angle)
        matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(size) / 2
        return self.px(corners @ matrix.T + centre)

    def photo(self, *, exif: bool = True) -> Photo:
        light = cv2.GaussianBlur(self.light.astype(np.float32), (0, 0), self.blur_px)
        light = light + self.rng.normal(size=light.shape) * self.noise * np.sqrt(np.maximum(light, 0.01) / 0.3)
        light = np.clip(light, 0, 1)
        coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        rgb = np.round(255 * coded).astype(np.uint8)
        return Photo("drawn", "", rgb, self.size[0], self.size[1], self.focal35_mm if exif else None)


@pytest.fixture
def bench() -> Callable[..., Bench]:
    return Bench
