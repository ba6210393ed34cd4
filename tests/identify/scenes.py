"""Exact projective scenes for tests: a camera over a bench, points on it, and a drawn coin with its wall and shadow."""

import math

import cv2
import numpy as np

from identify.geometry.camera import focal_px_from_35mm, on_height, project
from identify.model import Camera, Photo, Pose

WIDTH_PX, HEIGHT_PX = 1600, 1200


def camera_over_bench(
    *,
    tilt_deg: float,
    turn_deg: float = 90.0,
    distance_mm: float = 300.0,
    focal35_mm: float = 26.0,
    k1: float = 0.0,
    shift_px: tuple[float, float] = (0.0, 0.0),
) -> tuple[Camera, Pose]:
    """The bench tilted towards ``turn_deg``; at 90 the top of the picture is further away."""
    tilt, turn = math.radians(tilt_deg), math.radians(turn_deg)
    normal = np.array([math.cos(turn) * math.sin(tilt), -math.sin(turn) * math.sin(tilt), -math.cos(tilt)])
    first = np.array([1.0, 0.0, 0.0]) - normal[0] * normal
    first /= np.linalg.norm(first)
    rotation = np.stack([first, np.cross(normal, first), normal], axis=1)
    focal_px = focal_px_from_35mm(focal35_mm, WIDTH_PX, HEIGHT_PX)
    centre = ((WIDTH_PX - 1) / 2 + shift_px[0], (HEIGHT_PX - 1) / 2 + shift_px[1])
    pose = Pose(rotation, np.array([0.0, 0.0, distance_mm]), np.zeros((7, 7)))
    return Camera(focal_px, centre, 0.0, "EXIF", k1), pose


def blank_photo(focal35_mm: float | None = 26.0) -> Photo:
    """A photo that says its size and focal length and shows nothing."""
    return Photo("scene", "0" * 64, np.zeros((1, 1, 3), np.uint8), WIDTH_PX, HEIGHT_PX, focal35_mm)


def circle_px(camera: Camera, pose: Pose, middle_mm, diameter_mm: float, height_mm: float, count: int = 360):
    """Points (count, 2) of a circle parallel to the bench [px]."""
    turn = 2 * np.pi * np.arange(count) / count
    x, y = middle_mm[0] + diameter_mm / 2 * np.cos(turn), middle_mm[1] + diameter_mm / 2 * np.sin(turn)
    return project(camera, pose, np.column_stack([x, y, np.full(count, height_mm)]))


def drawn_coins(
    camera: Camera,
    pose: Pose,
    coins,
    *,
    seed: int = 0,
    texture: float = 0.02,
    ringed: bool = False,
    focal35_mm: float | None = 26.0,
) -> Photo:
    """A photo of coins (x_mm, y_mm, diameter_mm, thickness_mm): dark wall, face, ring or motif; no shadow.

    Every pixel is the mean of 4 x 4 rays in linear light, blurred, with noise, coded by IEC 61966-2-1.
    """
    noise = np.random.default_rng(seed)
    rough = noise.normal(0, 1, (HEIGHT_PX // 6, WIDTH_PX // 6)).astype(np.float32)
    ground = cv2.resize(rough, (WIDTH_PX, HEIGHT_PX), interpolation=cv2.INTER_CUBIC)
    picture = np.clip(0.35 + texture * ground, 0.02, 0.9)[..., None] * np.array([1.0, 0.9, 0.8], np.float32)
    for x, y, diameter, thickness in coins:
        lying = [circle_px(camera, pose, (x, y), diameter, height) for height in (0.0, thickness)]
        left, top = np.floor(np.min(np.vstack(lying), axis=0)).astype(int) - 2
        right, bottom = np.ceil(np.max(np.vstack(lying), axis=0)).astype(int) + 3
        left, top, right, bottom = max(left, 0), max(top, 0), min(right, WIDTH_PX), min(bottom, HEIGHT_PX)
        inner = (np.arange(4) - 1.5) / 4
        columns = (np.arange(left, right)[:, None] + inner).ravel()
        rows = (np.arange(top, bottom)[:, None] + inner).ravel()
        points = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
        away = [
            np.linalg.norm(on_height(camera, pose, points, height)[:, :2] - (x, y), axis=1) * 2 / diameter
            for height in np.linspace(0, thickness, 7)
        ]
        face = np.where(away[-1] < (0.72 if ringed else 0.3), 1, 0)[:, None] * (
            np.array([0.05, 0.18, 0.4]) if ringed else np.array([-0.15] * 3)
        )
        colours = np.where((away[-1] < 1)[:, None], np.array([0.55, 0.42, 0.20]) + face, np.array([0.10, 0.08, 0.05]))
        share = (np.min(away, axis=0) < 1)[:, None] * 1.0
        size = (bottom - top, 4, right - left, 4, -1)
        over, cover = ((part * share).reshape(size).mean(axis=(1, 3)) for part in (colours, np.ones_like(share)))
        patch = picture[top:bottom, left:right]
        patch[:] = over + (1 - cover) * patch
    soft = cv2.GaussianBlur(picture, (0, 0), 0.8)
    coded = np.where(soft <= 0.0031308, 12.92 * soft, 1.055 * np.clip(soft, 1e-6, None) ** (1 / 2.4) - 0.055)
    rgb = np.clip(np.round(255 * coded + noise.normal(0, 1.0, soft.shape)), 0, 255).astype(np.uint8)
    return Photo("drawn", "0" * 64, rgb, WIDTH_PX, HEIGHT_PX, focal35_mm)


def ruled(segments_mm, camera, pose):
    """Dark lines (N, 2, 3) [mm] on an even grey, drawn as the camera sees them."""
    picture = np.full((HEIGHT_PX, WIDTH_PX, 3), 180, np.uint8)
    for segment in segments_mm:
        ends = project(camera, pose, np.array(segment, float))
        cv2.line(picture, *(tuple(map(int, end)) for end in ends), (30, 30, 30), 4, cv2.LINE_AA)
    return picture
