"""The outline of upright circles one above the other about one axis: the convex hull of their images.

A round body that stands upright is a pile of such circles, and the hull of its image is the hull of theirs; only a
few of them reach it: the rim, the body's lower edge on the camera's side, and what the body stands on.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.geometry.camera import pixels
from identify.model import Array, Camera, Pose

CIRCLE = np.linspace(0, 2 * math.pi, 72, endpoint=False)
TURN = np.column_stack([np.cos(CIRCLE), np.sin(CIRCLE)])
SHARED = 11  # numbers that move all circles alike or the rim: place (2), its radius, its height, the pose's steps (7)


def circles(place_mm: Array, radii_mm: Array, heights_mm: Array) -> Array:
    """Points (K * 72, 3) [mm] of K circles about an upright axis at ``place_mm`` (2,)."""
    flat = place_mm + radii_mm[:, None, None] * TURN
    return np.concatenate([flat, np.broadcast_to(heights_mm[:, None, None], (*flat.shape[:2], 1))], axis=2).reshape(
        -1, 3
    )


def around(pixels_px: Array) -> NDArray[np.int64]:
    """Indices (K,) of the corners of the convex hull of points (N, 2), in turn."""
    return np.asarray(cv2.convexHull(pixels_px.astype(np.float32), returnPoints=False).ravel(), np.int64)


def apart(points_px: Array, polygon_px: Array) -> Array:
    """Signed distance (N,) of points from a convex polygon's border [px]; outside is positive."""
    return nearest(points_px, polygon_px)[0]


def nearest(points_px: Array, polygon_px: Array) -> tuple[Array, NDArray[np.int64], Array, Array]:
    """Signed distances (N,), the nearest sides (N,), where on them (N,) from 0 to 1, and sides' normals (K, 2)."""
    ahead = np.roll(polygon_px, -1, axis=0)
    side = ahead - polygon_px
    long = np.maximum(np.sum(side**2, axis=1), 1e-12)
    right, below = (points_px[:, axis, None] - polygon_px[:, axis] for axis in (0, 1))
    area = float(np.sum(polygon_px[:, 0] * ahead[:, 1] - ahead[:, 0] * polygon_px[:, 1]))
    turn = side[:, 0] * below
    turn -= side[:, 1] * right
    within = turn.min(axis=1) >= 0 if area > 0 else turn.max(axis=1) <= 0
    share = right * (side[:, 0] / long)
    share += below * (side[:, 1] / long)
    np.minimum(np.maximum(share, 0, out=share), 1, out=share)
    right -= share * side[:, 0]
    below -= share * side[:, 1]
    squares = np.multiply(right, right, out=right)
    squares += np.multiply(below, below, out=below)
    closest = squares.argmin(axis=1)
    rows = np.arange(len(points_px))
    distance = np.sqrt(squares[rows, closest]) * np.where(within, -1.0, 1.0)
    normals = np.column_stack([side[:, 1], -side[:, 0]]) * (np.sign(area) / np.sqrt(long))[:, None]
    return distance, closest, share[rows, closest], normals


def slopes(
    camera: Camera, pose: Pose, steps: Array, points_mm: Array, polygon: NDArray[np.int64], points_px: Array
) -> tuple[Array, Array]:
    """Distances (N,) of points from the outline of circles [px], and how it moves outward at the nearest places.

    Parameters
    ----------
    steps : (7, 7) of camera and pose, as ``moved`` takes them, columns by the number that makes them.
    points_mm : (K * 72, 3) of K circles, ``polygon`` (H,) those at the corners of their hull.
    points_px : (N, 2)

    Returns
    -------
    distances : (N,)
    outward : (N, 11 + 2 K) by SHARED, then by each circle's radius and height; those of the rim are its own only.
    """
    corners = points_mm[polygon]
    seen = corners @ pose.rotation.T + pose.translation_mm
    here = pixels(camera, seen)
    distance, closest, share, normals = nearest(points_px, here)
    flat = seen[:, :2] / seen[:, 2:]
    bend = 1.0 + camera.k1 * np.sum(flat**2, axis=1)
    # px by slope (H, 2, 2), px by place in the camera's frame (H, 2, 3)
    by_slope = camera.focal_px * (bend[:, None, None] * np.eye(2) + 2 * camera.k1 * flat[:, :, None] * flat[:, None, :])
    by_seen = np.concatenate([by_slope, -by_slope @ flat[:, :, None]], axis=2) / seen[:, 2, None, None]
    by_world = by_seen @ pose.rotation
    turned = corners @ pose.rotation.T
    by_turn = np.cross(turned[:, None, :], by_seen)  # a · (w × b) = w · (b × a)
    by_focal = (here - np.asarray(camera.centre_xy_px))[:, :, None]
    by_pose = np.concatenate([by_focal, by_turn, by_seen], axis=2) @ steps
    ring, spoke = np.divmod(polygon, len(CIRCLE))
    by_radius = np.einsum("hpa,ha->hp", by_world[:, :, :2], TURN[spoke])
    own = np.zeros((len(polygon), 2, 2 * (len(points_mm) // len(CIRCLE))))
    rows = np.arange(len(polygon))
    own[rows, :, 2 * ring] = by_radius
    own[rows, :, 2 * ring + 1] = by_world[:, :, 2]
    motion = np.concatenate([by_world[:, :, :2], own[:, :, :2], by_pose, own[:, :, 2:]], axis=2)
    ahead = np.roll(motion, -1, axis=0)
    places = (1 - share)[:, None, None] * motion[closest] + share[:, None, None] * ahead[closest]
    return distance, np.einsum("npc,np->nc", places, normals[closest])


def silhouette(place_mm: Array, radii_mm: Array, heights_mm: Array, camera: Camera, pose: Pose) -> Array:
    """Outline (H, 2) [px] of K circles about an upright axis."""
    points = circles(place_mm, radii_mm, heights_mm)
    seen = pixels(camera, points @ pose.rotation.T + pose.translation_mm)
    return np.asarray(seen[around(seen)])
