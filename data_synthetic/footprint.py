"""Convex footprints on the bench: what an object covers, and whether two objects collide."""

from __future__ import annotations

import cv2
import numpy as np

from data_synthetic.mesh import Array


def hull_xy(points_mm: Array, *, gap_mm: float = 0.0) -> Array:
    """Convex footprint (K, 2) of points on the bench [mm], grown by a gap."""
    flat = cv2.convexHull(np.ascontiguousarray(points_mm[:, :2], np.float32)).reshape(-1, 2)
    if gap_mm:
        circle = np.linspace(0, 2 * np.pi, 16, endpoint=False)
        ring = gap_mm * np.column_stack([np.cos(circle), np.sin(circle)])
        flat = cv2.convexHull((flat[:, None] + ring[None]).reshape(-1, 2).astype(np.float32)).reshape(-1, 2)
    return flat


def overlap(first_xy: Array, second_xy: Array) -> bool:
    """Whether two convex outlines (N, 2) share area."""
    area, _ = cv2.intersectConvexConvex(np.float32(first_xy), np.float32(second_xy))
    return area > 1e-4
