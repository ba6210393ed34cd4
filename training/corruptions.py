"""How the network stands the 15 common corruptions of Hendrycks & Dietterich 2019 at severity 3, without torch.

    python -m training.corruptions --model RUN/fitting_classifier.onnx --pictures runs/evaluation --out RUN

Kinds and strengths are those of "Benchmarking Neural Network Robustness to Common Corruptions and Perturbations" (ICLR
2019) and the parameters published with it. They are lengths and rates a pixel of pictures of a few hundred pixels, and
are taken as they are for pictures of about 640 px, as in Michaelis et al. 2019, "Benchmarking Robustness in Object
Detection": each picture is first brought to that long side. The strengths are written from memory of those parameters;
snow and frost are drawn by code and only resemble the published ones (frost there is laid over from photos). Nothing
here is used in training. Writes corruptions.json.
"""

from __future__ import annotations

import argparse
import json
import zlib
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from identify.classifier import Classifier, load
from identify.model import UNSURE, Bytes, Recognition
from identify.photo import load as load_photo
from training.card import write_json
from training.prepare import read_manifest
from training.sample import Picture, each, pictures

Light = NDArray[Any]  # (H, W, 3) in 0..1
Rng = np.random.Generator
SEVERITY, LONG_SIDE_PX = 3, 640


def gaussian_noise(x: Light, rng: Rng) -> Light:
    """Normal noise of spread 0.18."""
    return x + rng.normal(0, 0.18, x.shape)


def shot_noise(x: Light, rng: Rng) -> Light:
    """Photon counts, 12 at white."""
    return rng.poisson(np.clip(x, 0, 1) * 12) / 12.0


def impulse_noise(x: Light, rng: Rng) -> Light:
    """9 % of all values black or white."""
    drawn = rng.random(x.shape)
    return np.where(drawn < 0.045, 0.0, np.where(drawn < 0.09, 1.0, x))


def defocus_blur(x: Light, rng: Rng) -> Light:
    """A disc of radius 6 px, its edge softened by 0.5 px."""
    v, u = np.mgrid[-9:10, -9:10]
    disc = cv2.GaussianBlur((np.hypot(u, v) <= 6).astype(np.float32), (5, 5), 0.5)
    return cv2.filter2D(x, -1, disc / disc.sum(), borderType=cv2.BORDER_REFLECT_101)


def glass_blur(x: Light, rng: Rng) -> Light:
    """Neighbours within 2 px swapped at random three times, a blur of 1 px before and after."""
    out = cv2.GaussianBlur(x, (0, 0), 1.0)
    height, width = out.shape[:2]
    v, u = np.mgrid[:height, :width]
    for _ in range(3):
        dv, du = rng.integers(-2, 3, (2, height, width))
        out = out[np.clip(v + dv, 0, height - 1), np.clip(u + du, 0, width - 1)]
    return cv2.GaussianBlur(out, (0, 0), 1.0)


def _trail(radius_px: int, sigma_px: float, angle_rad: float) -> Light:
    """A line through the middle, fading as a Gaussian along it."""
    v, u = np.mgrid[-radius_px : radius_px + 1, -radius_px : radius_px + 1]
    along = u * np.cos(angle_rad) + v * np.sin(angle_rad)
    across = np.abs(-u * np.sin(angle_rad) + v * np.cos(angle_rad))
    line = np.clip(1 - across, 0, 1) * np.exp(-(along**2) / (2 * sigma_px**2))
    return (line / line.sum()).astype(np.float32)


def motion_blur(x: Light, rng: Rng) -> Light:
    """A trail of radius 15 px and spread 8 px within 45 degrees of level."""
    return cv2.filter2D(x, -1, _trail(15, 8.0, rng.uniform(-np.pi / 4, np.pi / 4)), borderType=cv2.BORDER_REFLECT_101)


def zoom_blur(x: Light, rng: Rng) -> Light:
    """The mean of the picture and its enlargements up to 1.21 in steps of 0.02."""
    height, width = x.shape[:2]
    total = x.copy()
    steps = np.arange(1.0, 1.21, 0.02)
    for scale in steps:
        about = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), 0, float(scale))
        total += cv2.warpAffine(x, about, (width, height), flags=cv2.INTER_LINEAR)
    return total / (len(steps) + 1)


def snow(x: Light, rng: Rng) -> Light:
    """Flakes blurred along their fall over a picture that is paler."""
    height, width = x.shape[:2]
    small = rng.normal(0.55, 0.3, (height // 4 + 2, width // 4 + 2)).astype(np.float32)
    layer = cv2.resize(small, None, fx=4, fy=4, interpolation=cv2.INTER_LINEAR)[:height, :width]
    flakes = np.clip(np.where(layer < 0.9, 0, layer), 0, 1)
    fallen = cv2.filter2D(flakes, -1, _trail(12, 8.0, rng.uniform(-3 * np.pi / 4, -np.pi / 4)))[..., None]
    grey = (x @ np.array([0.299, 0.587, 0.114], np.float32))[..., None]
    pale = 0.7 * x + 0.3 * np.maximum(x, 1.5 * grey + 0.5)
    return pale + fallen + fallen[::-1, ::-1]


def cloud(shape_hw: tuple[int, int], rng: Rng, decay: float) -> Light:
    """Fractal noise (H, W) in 0..1; each halving of the wavelength is ``decay`` times weaker."""
    height, width = shape_hw
    total = np.zeros(shape_hw, np.float32)
    cells, strength = 2, 1.0
    while cells < 2 * max(shape_hw):
        grid = rng.uniform(-1, 1, (cells + 1, cells + 1)).astype(np.float32)
        total += strength * cv2.resize(grid, (width, height), interpolation=cv2.INTER_CUBIC)
        cells, strength = 2 * cells, strength / decay
    total -= total.min()
    return total / max(float(total.max()), 1e-6)


def frost(x: Light, rng: Rng) -> Light:
    """0.7 of the picture and 0.7 of pale crystals: long, branched ridges that grow denser to one side."""
    height, width = x.shape[:2]
    warp = 60 * np.stack([cloud((height, width), rng, 2.0), cloud((height, width), rng, 2.0)]) - 30
    v, u = np.mgrid[:height, :width].astype(np.float32)
    ridges = np.zeros((height, width), np.float32)
    for step in (90.0, 45.0, 22.0, 11.0):
        turn = rng.uniform(0, np.pi)
        along = (u + warp[0]) * np.cos(turn) + (v + warp[1]) * np.sin(turn)
        ridges += np.exp(-((np.sin(np.pi * along / step) / 0.25) ** 2)) * step**0.3
    dense = cloud((height, width), rng, 2.5)
    ice = np.clip(0.75 * dense + 0.25 * ridges / ridges.max() * dense, 0, 1)[..., None] * np.array([0.86, 0.94, 1.0])
    return 0.7 * x + 0.7 * ice


def fog(x: Light, rng: Rng) -> Light:
    """Fractal haze 2.5 times as strong as white, decay 1.7; the whole is dimmed to hold the brightest."""
    most = float(x.max())
    return (x + 2.5 * cloud(x.shape[:2], rng, 1.7)[..., None]) * most / (most + 2.5)


def brightness(x: Light, rng: Rng) -> Light:
    """0.3 more of the value of hue, saturation, value."""
    hsv = cv2.cvtColor(x, cv2.COLOR_RGB2HSV)
    hsv[..., 2] = np.clip(hsv[..., 2] + 0.3, 0, 1)
    return cv2.cvtColor(hsv, cv2.COLOR_HSV2RGB)


def contrast(x: Light, rng: Rng) -> Light:
    """A fifth of the distance from each channel's mean."""
    mean = x.mean((0, 1), keepdims=True)
    return (x - mean) * 0.2 + mean


def elastic_transform(x: Light, rng: Rng) -> Light:
    """Three corners moved by up to 4.9 px, then a field of 12.2 px of noise smoothed over 2.4 px."""
    height, width = x.shape[:2]
    centre, reach = np.array([width, height]) / 2, min(height, width) / 3
    corners = (centre + reach * np.array([[1, 1], [1, -1], [-1, -1]])).astype(np.float32)
    moved = corners + rng.uniform(-4.88, 4.88, corners.shape).astype(np.float32)
    turned = cv2.warpAffine(x, cv2.getAffineTransform(corners, moved), (width, height), borderMode=cv2.BORDER_REFLECT)
    field = [
        12.2 * cv2.GaussianBlur(rng.uniform(-1, 1, (height, width)).astype(np.float32), (0, 0), 2.44) for _ in range(2)
    ]
    v, u = np.mgrid[:height, :width].astype(np.float32)
    return cv2.remap(turned, u + field[0], v + field[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)


def pixelate(x: Light, rng: Rng) -> Light:
    """Made 0.4 times as large and enlarged again without smoothing."""
    small = cv2.resize(x, None, fx=0.4, fy=0.4, interpolation=cv2.INTER_AREA)
    return cv2.resize(small, x.shape[1::-1], interpolation=cv2.INTER_NEAREST)


def jpeg_compression(x: Light, rng: Rng) -> Light:
    """JPEG of quality 15."""
    bgr = np.ascontiguousarray(_bytes(x)[..., ::-1])
    packed = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 15])[1]
    return np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR))[..., ::-1].astype(np.float32) / 255


KINDS: dict[str, Callable[[Light, Rng], Light]] = {
    kind.__name__: kind
    for kind in (
        *(gaussian_noise, shot_noise, impulse_noise),
        *(defocus_blur, glass_blur, motion_blur, zoom_blur),
        *(snow, frost, fog, brightness),
        *(contrast, elastic_transform, pixelate, jpeg_compression),
    )
}


def _bytes(x: Light) -> Bytes:
    return (np.clip(x, 0, 1) * 255 + 0.5).astype(np.uint8)


def brought(rgb: Bytes, long_side_px: int = LONG_SIDE_PX) -> Bytes:
    """The picture with a long side of at most ``long_side_px``."""
    factor = long_side_px / max(rgb.shape[:2])
    if factor >= 1:
        return rgb
    return np.asarray(cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)


def corrupted(rgb: Bytes, kind: str, rng: Rng) -> Bytes:
    """A picture (H, W, 3) uint8 under one of ``KINDS``."""
    return _bytes(KINDS[kind](rgb.astype(np.float32) / 255, rng).astype(np.float32))


def said_of(classifier: Classifier, kind: str | None, picture: Picture) -> Recognition:
    """The answer for a picture of the common size, under a kind of corruption or none."""
    photo = load_photo(picture.file)
    rgb = brought(photo.rgb)
    if kind is not None:
        rng = np.random.default_rng([picture.line["seed"] % 2**32, zlib.crc32(kind.encode())])
        rgb = corrupted(rgb, kind, rng)
    return classifier.recognise(replace(photo, rgb=rgb))


def figures_of(truth: list[str], said: list[Recognition]) -> dict[str, float | None]:
    """Top-1, share that is answered, share of all that is answered wrongly, and that share among the answered."""
    best = [max(one.probabilities, key=lambda name: one.probabilities[name]) for one in said]
    answered = np.array([one.answer != UNSURE for one in said])
    wrong = np.array([one.answer != name for one, name in zip(said, truth, strict=True)]) & answered
    return {
        "top1": float(np.mean([a == b for a, b in zip(best, truth, strict=True)])),
        "answered": float(answered.mean()),
        "answered_wrongly": float(wrong.mean()),
        "wrong_among_answered": float(wrong.sum() / answered.sum()) if answered.any() else None,
    }


def summary(clean: dict[str, float | None], kinds: dict[str, dict[str, float | None]]) -> dict[str, Any]:
    """The figures by kind with their means; a drop is in top-1 against the clean pictures."""
    drops = {name: (clean["top1"] or 0.0) - (found["top1"] or 0.0) for name, found in kinds.items()}
    wrong = [found["answered_wrongly"] or 0.0 for found in kinds.values()]
    return {
        "severity": SEVERITY,
        "long_side_px": LONG_SIDE_PX,
        "clean": clean,
        "kinds": kinds,
        "mean_drop": float(np.mean(list(drops.values()))),
        "worst": max(drops, key=lambda name: drops[name]),
        "answered_wrongly": float(np.mean(wrong)),
        "most_answered_wrongly": float(max(wrong)),
    }


def main(arguments: list[str] | None = None) -> None:
    """Score and print."""
    parser = argparse.ArgumentParser(prog="python -m training.corruptions", description=__doc__.splitlines()[0])
    parser.add_argument("--model", type=Path, help="model file; without: the one that ships")
    parser.add_argument("--pictures", type=Path, required=True)
    parser.add_argument("--out", type=Path, help="folder for corruptions.json")
    parser.add_argument("--kinds", nargs="+", choices=[*KINDS], default=[*KINDS])
    parser.add_argument("--every", type=int, default=1, metavar="N", help="take every Nth picture only")
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args(arguments)
    classifier = load(options.model)
    sample = pictures(options.pictures, read_manifest(options.pictures)[:: options.every])
    truth = [picture.line["class"] for picture in sample]

    def under(kind: str | None) -> dict[str, float | None]:
        return figures_of(truth, each(partial(said_of, classifier, kind), sample, workers=options.workers))

    kinds = {}
    clean = under(None)
    for kind in options.kinds:
        kinds[kind] = under(kind)
        print(kind, json.dumps(kinds[kind]), flush=True)
    found = {"folder": options.pictures.name, "pictures": len(sample), "model": classifier.card.sha256}
    found |= summary(clean, kinds)
    print(json.dumps(found, indent=1))
    if options.out:
        write_json(options.out / "corruptions.json", found)


if __name__ == "__main__":
    main()
