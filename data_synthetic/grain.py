"""What drawn surfaces are made of: fractal noise, tones, relief, and the texture they give."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]
SPAN_MM = 560.0


@dataclass(frozen=True, slots=True, eq=False)
class Texture:
    """Colour (H, W, 3) sRGB 0..1, normals (H, W, 3), roughness (H, W), metalness."""

    picture: Field
    normals: Field
    roughness: Field
    metal: float = 0.0


def cloud(rng: np.random.Generator, size: int, cells: float, *, octaves: int = 4, stretch: float = 1.0) -> Field:
    """Fractal noise (size, size), zero mean, unit spread; ``cells`` across, ``stretch`` longer along x."""
    total = np.zeros((size, size), np.float32)
    for octave in range(octaves):
        across = cells * 2**octave
        rows, columns = max(2, int(min(across, size))), max(2, int(min(across / stretch, size)))
        grid = rng.normal(size=(rows + 2, columns + 2)).astype(np.float32)
        total += cv2.resize(grid, (size, size), interpolation=cv2.INTER_CUBIC) * 0.6**octave
    total -= total.mean()
    return total / max(float(total.std()), 1e-6)


def toned(colour: tuple[float, ...] | np.ndarray, value: Field, contrast: float) -> Field:
    """Colour varied by a field, by ``contrast`` of itself."""
    return np.clip(np.asarray(colour, np.float32) * (1 + contrast * value[..., None]), 0.01, 0.98)


def _normals(height: Field, strength: float) -> Field:
    slope_y, slope_x = np.gradient(cv2.GaussianBlur(height, (0, 0), 0.6))
    normal = np.dstack([-strength * slope_x, strength * slope_y, np.ones_like(height)])
    return (normal / np.linalg.norm(normal, axis=2, keepdims=True)).astype(np.float32)


def made(picture: Field, height: Field, strength: float, roughness: Field | float, metal: float = 0.0) -> Texture:
    """The texture of a picture (H, W, 3) and its relief (H, W)."""
    rough = np.broadcast_to(np.asarray(roughness, np.float32), height.shape)
    return Texture(picture.astype(np.float32), _normals(height, strength), np.clip(rough, 0.05, 1).copy(), metal)


def choose(rng: np.random.Generator, colours: tuple[tuple[int, int, int], ...], spread: float = 0.08) -> np.ndarray:
    """One of the 8 bit colours as 0..1, jittered."""
    colour = np.array(colours[int(rng.integers(len(colours)))]) / 255
    return np.clip(colour * (1 + rng.uniform(-spread, spread, 3) * 0.3) * (1 + rng.uniform(-2, 2) * spread), 0.02, 0.95)
