"""Sub-pixel edges: where the light changes along a short line across an edge.

Edges are located in linear light, where the half level of a blurred step stays at the edge; in gamma-coded
pixels it moves by up to half a pixel. sRGB transfer curve: IEC 61966-2-1.
"""

from __future__ import annotations

import math

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
