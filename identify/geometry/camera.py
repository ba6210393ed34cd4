"""Pinhole camera with one radial term: project, cast rays, meet planes.

Frames are those of ``identify.model``. References: Hartley and Zisserman, Multiple View Geometry, 2nd edition
2004, chapters 6 and 7 (pinhole camera, radial term).
"""

from __future__ import annotations

import math

import numpy as np

from identify.model import Array, Camera, Pose

_NO_TURN = 1e-150  # [rad]: a smaller angle is as good as this one, which may be divided by
_CROSS = np.zeros((3, 9))  # takes a vector to its cross product's matrix, row by row
_CROSS[[0, 1, 2], [7, 2, 3]], _CROSS[[0, 1, 2], [5, 6, 1]] = 1.0, -1.0
DIAGONAL35_MM = 43.2666  # diagonal of a 36 mm x 24 mm frame; CIPA DCG-001 defines the equivalent by the diagonal


def focal_px_from_35mm(focal35_mm: float, width_px: int, height_px: int) -> float:
    """Focal length [px] from the 35 mm equivalent [mm] by the frame's diagonal.

    Source of the formula: CIPA DCG-001.
    """
    return focal35_mm / DIAGONAL35_MM * math.hypot(width_px, height_px)


def to_camera(pose: Pose, points_mm: Array) -> Array:
    """World points (N, 3) [mm] to the camera frame (N, 3) [mm]."""
    return np.asarray(points_mm, float) @ pose.rotation.T + pose.translation_mm


def project(camera: Camera, pose: Pose, points_mm: Array) -> Array:
    """World points (N, 3) [mm] to pixels (N, 2) [px]."""
    return pixels(camera, to_camera(pose, points_mm))


def pixels(camera: Camera, points_cam_mm: Array) -> Array:
    """Camera-frame points (N, 3) [mm] to pixels (N, 2) [px]."""
    slopes = points_cam_mm[:, :2] / points_cam_mm[:, 2:3]
    if camera.k1:
        slopes *= 1.0 + camera.k1 * np.einsum("ni,ni->n", slopes, slopes)[:, None]
    return np.asarray(camera.centre_xy_px) + camera.focal_px * slopes


def rays(camera: Camera, points_px: Array) -> Array:
    """Unit directions (N, 3) in the camera frame of pixels (N, 2) [px]."""
    x, y = (np.asarray(points_px, float) - np.asarray(camera.centre_xy_px)).T / camera.focal_px
    distorted = x * x + y * y
    shrink, bend = np.ones(len(x)), camera.k1 * distorted
    for _ in range(6 if camera.k1 else 0):
        shrink = 1.0 / (1.0 + bend * shrink * shrink)
    depth = 1.0 / np.sqrt(1.0 + distorted * shrink * shrink)
    across = depth * shrink
    return np.stack([x * across, y * across, depth], axis=1)


def camera_place_mm(pose: Pose) -> Array:
    """The camera's centre (3,) in the world frame [mm]."""
    return -pose.rotation.T @ pose.translation_mm


def world_rays(camera: Camera, pose: Pose, points_px: Array) -> Array:
    """Unit directions (N, 3) in the world frame of pixels (N, 2) [px]."""
    return rays(camera, points_px) @ pose.rotation


def on_height(camera: Camera, pose: Pose, points_px: Array, height_mm: Array | float = 0.0) -> Array:
    """Where pixels (N, 2) [px] meet the planes z = height_mm, one or (N,): world points (N, 3) [mm].

    nan above the horizon.
    """
    place = camera_place_mm(pose)
    directions = world_rays(camera, pose, points_px)
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = (height_mm - place[2]) / directions[:, 2]
    reach = np.where(reach > 0, reach, np.nan)
    return place + directions * reach[:, None]


def rotation_from_vector(vector_rad: Array) -> Array:
    """Rotation matrix (3, 3) of a rotation vector (3,) [rad] (Rodrigues)."""
    return turns(np.asarray(vector_rad, float))


def turns(vectors_rad: Array) -> Array:
    """Rotation matrices (..., 3, 3) of rotation vectors (..., 3) [rad] (Rodrigues)."""
    angle = np.maximum(np.sqrt(np.sum(vectors_rad**2, axis=-1)), _NO_TURN)[..., None, None]
    cross = (vectors_rad @ _CROSS).reshape(*vectors_rad.shape, 3)
    half = np.sin(0.5 * angle) / angle  # sin a / a and (1 - cos a) / a² = 2 (sin (a / 2) / a)²
    return np.eye(3) + np.sin(angle) / angle * cross + 2 * half * half * (cross @ cross)


def moved(camera: Camera, pose: Pose, step: Array) -> tuple[Camera, Pose]:
    """Camera and pose after a step (7,) of (ln focal, rotation vector [rad], translation [mm]).

    The order is that of ``Pose.covariance``; use it for numerical Jacobians and Monte Carlo draws. The depth moves by
    the exponential of its relative step, so that a step along with the focal length leaves sizes as they are.
    """
    depth = float(pose.translation_mm[2])
    place = pose.translation_mm + step[4:7]
    if depth > 0:
        place[2] = depth * math.exp(float(step[6]) / depth)
    new_camera = Camera(
        focal_px=camera.focal_px * math.exp(float(step[0])),
        centre_xy_px=camera.centre_xy_px,
        u_focal_rel=camera.u_focal_rel,
        focal_source=camera.focal_source,
        k1=camera.k1,
    )
    new_pose = Pose(
        rotation=rotation_from_vector(step[1:4]) @ pose.rotation,
        translation_mm=place,
        covariance=pose.covariance,
        weight=pose.weight,
    )
    return new_camera, new_pose


def seen_from(camera: Camera, pose: Pose, steps: Array, points_mm: Array) -> Array:
    """World points (T, N, 3) [mm], each set as seen after its step (T, 7) of ``moved``: pixels (T, N, 2) [px]."""
    depth = float(pose.translation_mm[2])
    places = pose.translation_mm + steps[:, 4:7]
    if depth > 0:
        places[:, 2] = depth * np.exp(steps[:, 6] / depth)
    seen = points_mm @ (turns(steps[:, 1:4]) @ pose.rotation).swapaxes(1, 2) + places[:, None]
    slopes = seen[..., :2] / seen[..., 2:]
    if camera.k1:
        slopes *= 1.0 + camera.k1 * np.sum(slopes**2, axis=-1, keepdims=True)
    return np.asarray(camera.centre_xy_px) + camera.focal_px * np.exp(steps[:, :1, None]) * slopes
