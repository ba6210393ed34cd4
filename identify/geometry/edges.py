"""Sub-pixel edges: where the light changes along a short line across an edge.

Edges are located in linear light, where the half level of a blurred step stays at the edge; in gamma-coded
pixels it moves by up to half a pixel. sRGB transfer curve: IEC 61966-2-1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import correlate1d

from identify.model import Array, Bytes

_CODES = np.arange(256) / 255.0
_LINEAR = np.where(_CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4).astype(np.float32)


def linear_light(rgb: Bytes) -> NDArray[np.float32]:
    """RGB uint8 (H, W, 3) to linear light float32 (H, W, 3) in 0..1 (IEC 61966-2-1)."""
    return np.asarray(cv2.LUT(np.ascontiguousarray(rgb), _LINEAR), np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class EdgePoints:
    """Edges found across a line of stations.

    Parameters
    ----------
    points_px : (N, 2) the located edges; stations without an edge keep their start
    found : (N,) bool
    strength : (N,) step height in linear light over the noise beside it
    """

    points_px: Array
    found: NDArray[np.bool_]
    strength: Array


def locate_edges(
    rgb: Bytes,
    stations_px: Array,
    normals: Array,
    *,
    reach_px: float = 6.0,
    step_px: float = 0.25,
    blur_px: float = 0.8,
    least_strength: float = 2.0,
) -> EdgePoints:
    """Locate the strongest edge near each station along its normal, to a fraction of a pixel.

    Parameters
    ----------
    rgb : (H, W, 3) uint8
    stations_px : (N, 2) where to look [px]
    normals : (N, 2) unit directions across the edge
    reach_px : how far to look to either side [px]
    blur_px : standard deviation of the smoothing along the normal [px]
    least_strength : how steep an edge must be over the median slope within reach; less than 2 for a short reach
    """
    offsets = np.arange(-reach_px, reach_px + step_px / 2, step_px)
    profiles = sample_profiles(rgb, stations_px, normals, offsets)
    steep = steepness(profiles, step_px=step_px, blur_px=blur_px)
    weight = np.exp(-0.5 * (offsets / (0.7 * reach_px)) ** 2)
    best = np.argmax(steep * weight, axis=1)
    shift, mid = peak(steep, best, half=max(1, round(0.75 / step_px)))
    where = offsets[best] + shift * step_px
    noise = np.median(steep, axis=1) + 1e-4
    strength = mid / noise
    found = (best > 0) & (best < len(offsets) - 1) & (mid > 0.004) & (strength > least_strength)
    points = np.asarray(stations_px, float) + np.where(found, where, 0.0)[:, None] * normals
    return EdgePoints(points, found, strength)


def steepness(profiles: Array, *, step_px: float, blur_px: float) -> Array:
    """Slope (N, K) of profiles (N, K, 3) smoothed by a Gaussian, over the three colours: a clean step gives its height.

    Parameters
    ----------
    step_px : distance of two samples of a profile [px]
    blur_px : standard deviation of the smoothing [px]
    """
    half = max(1, math.ceil(3 * blur_px / step_px))
    taps = np.arange(-half, half + 1) * step_px
    kernel = taps * np.exp(-0.5 * (taps / blur_px) ** 2)
    kernel /= np.sum(np.abs(kernel)) / 2
    slope = correlate1d(profiles, kernel, axis=1, mode="nearest")
    return np.sqrt(np.sum(slope**2, axis=2))


def peak(curves: Array, best: NDArray[np.int_], *, half: int) -> tuple[Array, Array]:
    """Where a parabola through ``2 half + 1`` samples around the highest one peaks, and its height.

    Parameters
    ----------
    curves : (N, K)
    best : (N,) the highest sample of each curve

    Returns
    -------
    The peak's place from ``best`` in samples (N,), at most ``half`` to either side, and the sample's height (N,).
    """
    inner = np.clip(best, half, curves.shape[1] - 1 - half)
    steps = np.arange(-half, half + 1)
    windows = np.take_along_axis(curves, inner[:, None] + steps, axis=1)
    bend, slope, _ = np.linalg.pinv(np.column_stack([steps**2, steps, np.ones_like(steps)])) @ windows.T
    shift = np.where(bend < -1e-12, -0.5 * slope / np.where(bend < -1e-12, bend, -1.0), 0.0)
    place = np.clip(shift, -half, half) + (inner - best).astype(float)
    return place, np.take_along_axis(curves, best[:, None], axis=1)[:, 0]


def sample_profiles(rgb: Bytes, stations_px: Array, normals: Array, offsets_px: Array) -> Array:
    """Linear light along normals: (N, K, 3) at ``offsets_px`` (K,) from each of ``stations_px`` (N, 2)."""
    xy = np.asarray(stations_px)[:, None, :] + offsets_px[None, :, None] * np.asarray(normals)[:, None, :]
    x0, y0 = np.floor(xy.reshape(-1, 2).min(axis=0)).astype(int) - 2
    x1, y1 = np.ceil(xy.reshape(-1, 2).max(axis=0)).astype(int) + 3
    height, width = rgb.shape[:2]
    x0, y0 = max(0, min(x0, width - 1)), max(0, min(y0, height - 1))
    x1, y1 = max(x0 + 1, min(x1, width)), max(y0 + 1, min(y1, height))
    crop = linear_light(rgb[y0:y1, x0:x1])
    local = (xy - (x0, y0)).astype(np.float32)
    rows_a_call = 30000  # cv2.remap takes at most 32767 rows
    parts = [
        cv2.remap(crop, part[..., 0], part[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for part in np.array_split(local, max(1, -(-len(local) // rows_a_call)))
    ]
    return np.concatenate(parts).astype(float).reshape(len(local), len(offsets_px), -1)
