"""What the rasteriser's light becomes: another tone curve, softness and grain than the phone's of ``camera``."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from data_synthetic.spindle import within


def filmic(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Narkowicz's fit (2015) of the Academy's curve, linear light to linear display light in 0..1."""
    return np.clip(light * (2.51 * light + 0.03) / (light * (2.43 * light + 0.59) + 0.14), 0, 1)


def rolled(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """An exponential shoulder in place of a curve with a toe."""
    return 1 - np.exp(-1.25 * light)


def smoothed(picture: NDArray[np.float32], strength: float) -> NDArray[np.float32]:
    """A picture (H, W, 3) in 0..1 blurred where neighbours differ much, as edge smoothing after the fact does."""
    grey = picture.mean(2)
    high, low = cv2.dilate(grey, np.ones((3, 3))), cv2.erode(grey, np.ones((3, 3)))
    share = strength * np.clip((high - low - 0.05) / 0.15, 0, 1)[..., None]
    return picture * (1 - share) + cv2.GaussianBlur(picture, (0, 0), 0.8) * share


def grain(shape: tuple[int, int], rng: np.random.Generator) -> NDArray[np.float32]:
    """Noise (H, W, 3): fine in brightness, coarser in colour."""
    height, width = shape
    fine = rng.normal(size=(height, width, 1)) * 10 ** within(rng, -2.7, -1.9)
    blotch = rng.normal(size=(height // 3 + 1, width // 3 + 1, 3)).astype(np.float32) * 10 ** within(rng, -2.8, -2.0)
    return (fine + cv2.resize(blotch, (width, height), interpolation=cv2.INTER_CUBIC)).astype(np.float32)


def developed(light: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.uint8]:
    """Linear light (H, W, 3) to an sRGB picture: balance and exposure by the middle of the frame, curve, grain."""
    height, width = light.shape[:2]
    middle = light[height // 5 : -height // 5 or None, width // 5 : -width // 5 or None].reshape(-1, 3)
    tint = np.exp(np.log(middle + 1e-4).mean(0))
    balance = (tint.mean() / tint) ** within(rng, 0.1, 0.6) * np.exp(rng.normal(0, 0.03, 3) * (1, 0.3, 1))
    meter = float(np.percentile(middle.mean(1), within(rng, 50, 75)))
    picture = (light * balance * (within(rng, 0.1, 0.27) / max(meter, 1e-4))).astype(np.float32)
    curved = filmic(1.4 * picture) if rng.random() < 0.6 else rolled(1.6 * picture)
    grey = curved @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    curved = np.clip(grey[..., None] + (curved - grey[..., None]) * within(rng, 0.85, 1.25), 0, 1)
    coded = np.where(curved <= 0.0031308, 12.92 * curved, 1.055 * np.maximum(curved, 1e-9) ** (1 / 2.4) - 0.055)
    coded = coded.astype(np.float32)
    if rng.random() < 0.6:
        coded = smoothed(coded, within(rng, 0.3, 1.0))
    if rng.random() < 0.4:
        coded = cv2.GaussianBlur(coded, (0, 0), within(rng, 0.4, 1.0))
    coded = coded + grain((height, width), rng)
    return (np.clip(coded, 0, 1) * 255 + 0.5).astype(np.uint8)
