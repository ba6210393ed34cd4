"""Coins, benches, lights and cameras at random, for ``training.drawn_coins`` to draw.

Nothing here is taken from photos: widths of lips and roundings, wear, relief, textures and lamps are drawn over what
coins and benches can have.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np

from training.drawn_coins import RELIEF_PX, Array, DrawnCoin, Stage

METALS = ((0.95, 0.62, 0.42), (0.9, 0.72, 0.38), (0.85, 0.82, 0.74), (0.75, 0.75, 0.75), (0.55, 0.4, 0.25))
GROUNDS = (
    (0.7, 0.66, 0.6),
    (0.3, 0.14, 0.07),
    (0.12, 0.06, 0.04),
    (0.5, 0.3, 0.18),
    (0.35, 0.05, 0.07),
    (0.4, 0.4, 0.4),
)


def random_relief(rng: np.random.Generator) -> Array:
    """Slopes (RELIEF_PX, RELIEF_PX, 2) of a struck face: figures, lines, beads, portraits, circles."""
    size = RELIEF_PX
    struck = np.zeros((size, size), np.uint8)
    middle = size / 2
    for _ in range(rng.integers(0, 4)):
        place = tuple(int(v) for v in rng.uniform(0.2 * size, 0.6 * size, 2))
        cv2.putText(
            struck,
            str(rng.integers(1, 99)),
            place,
            int(rng.integers(0, 5)),
            rng.uniform(1, 3),
            255,
            int(rng.integers(2, 9)),
        )
    for _ in range(rng.integers(0, 5)):
        ends = rng.uniform(0.2 * size, 0.8 * size, (2, 2)).astype(int)
        cv2.line(struck, tuple(map(int, ends[0])), tuple(map(int, ends[1])), 255, int(rng.integers(1, 4)))
    if rng.random() < 0.6:
        count, share = int(rng.integers(8, 80)), rng.uniform(0.6, 0.93)
        for turn in 2 * np.pi * np.arange(count) / count:
            place = (int(middle * (1 + share * math.cos(turn))), int(middle * (1 + share * math.sin(turn))))
            cv2.circle(struck, place, int(rng.integers(1, 5)), 255, -1)
    for _ in range(rng.integers(0, 3)):
        cv2.circle(
            struck, (int(middle), int(middle)), int(middle * rng.uniform(0.5, 0.94)), 255, int(rng.integers(1, 4))
        )
    bumps = cv2.GaussianBlur(rng.normal(size=(size, size)).astype(np.float32), (0, 0), rng.uniform(3, 12))
    bumps *= (np.hypot(*np.mgrid[-1 : 1 : size * 1j, -1 : 1 : size * 1j]) < rng.uniform(0.4, 0.9)) / bumps.std()
    height = cv2.GaussianBlur(
        struck / np.float32(255) + rng.uniform(0, 0.5) * bumps.astype(np.float32), (0, 0), rng.uniform(0.8, 2.0)
    )
    slope = np.stack([cv2.Sobel(height, cv2.CV_32F, 1, 0), cv2.Sobel(height, cv2.CV_32F, 0, 1)], axis=2)
    return np.asarray(slope * rng.uniform(0.01, 0.25) + 0.02 * rng.normal(size=slope.shape) * rng.random(), np.float32)


def random_coin(rng: np.random.Generator, x_mm: float, y_mm: float, *, like: DrawnCoin | None = None) -> DrawnCoin:
    """A coin of any kind, or one of the same kind and size as another, in its own wear and turn."""
    metal = np.array(METALS[rng.integers(len(METALS))]) * rng.uniform(0.85, 1.15, 3)
    worn = rng.uniform(0.12, 1.0) if rng.random() < 0.6 else 1.0
    dirt = 1 - rng.uniform(0, 0.4) * np.clip(_noise(rng, 64, rng.uniform(1, 12)), -1, 2)
    two = rng.random() < 0.2
    radius = rng.uniform(8.0, 14.5)
    if like is not None:
        metal, radius, two = like.metal, like.radius_mm, like.core_share > 0
    lip = rng.uniform(0.02, 0.14)
    return DrawnCoin(
        x_mm=x_mm,
        y_mm=y_mm,
        base_mm=0.0,
        radius_mm=radius,
        thickness_mm=rng.uniform(1.2, 2.8) if like is None else like.thickness_mm,
        metal=metal * worn,
        core=np.array(METALS[rng.integers(len(METALS))]) * worn * rng.uniform(0.7, 1.1) if like is None else like.core,
        core_share=(rng.uniform(0.6, 0.8) if like is None else like.core_share) if two else 0.0,
        lip=lip if like is None else like.lip,
        slope=rng.uniform(0.3, 1.2) * (1 if rng.random() < 0.85 else 0),
        rounding=rng.uniform(0.003, min(0.05, lip)),
        relief=random_relief(rng),
        notches=(7 if rng.random() < 0.06 else 0) if like is None else like.notches,
        reeds=int(rng.integers(40, 150)) if rng.random() < 0.5 else 0,
        dirt=np.asarray(np.clip(dirt, 0.25, 1.3), np.float32),
        dish=np.append(rng.normal(0, 0.03, 2), rng.normal(0, 0.06)),
        turn_rad=rng.uniform(0, 2 * np.pi),
    )


def _noise(rng: np.random.Generator, size: int, blur: float) -> Array:
    grain = cv2.GaussianBlur(rng.normal(size=(size, size)).astype(np.float32), (0, 0), blur)
    return np.asarray(grain / grain.std(), np.float32)


def random_ground(rng: np.random.Generator, size: int = 512) -> Array:
    """A bench's reflectance (size, size, 3): plain, grain, wood, weave or cloth with holes."""
    colour = np.array(GROUNDS[rng.integers(len(GROUNDS))]) * rng.uniform(0.6, 1.2)
    if rng.random() < 0.25:
        colour = rng.uniform(0.03, 0.85, 3)
    kind = rng.integers(5)
    texture = rng.uniform(0, 0.25) * _noise(rng, size, rng.uniform(0.7, 30))
    if kind == 1:
        stretched = cv2.resize(_noise(rng, size, 1.2), (size, size // 8))
        texture = texture + rng.uniform(0.05, 0.4) * cv2.resize(stretched[: size // 16], (size, size))
    elif kind >= 2:
        x, y = np.meshgrid(np.arange(size), np.arange(size))
        period = rng.uniform(5, 60)
        bend = 4 * _noise(rng, size, 40)
        wave = np.sin(2 * np.pi * (x + bend) / period) * np.sin(2 * np.pi * (y + bend) / period / rng.uniform(0.7, 1.5))
        texture = texture + rng.uniform(0.05, 0.35) * (np.sign(wave) * np.abs(wave) ** 0.5 if kind == 3 else wave)
    if rng.random() < 0.2:  # stripes, planks, the edge of a table
        across = np.linspace(-1, 1, size) * rng.uniform(1, 6) + rng.uniform(-1, 1)
        texture = texture + rng.uniform(-0.8, 0.8) * (np.mod(across, 2) < rng.uniform(0.1, 1))[None, :]
    tint = 1 + 0.05 * rng.normal(size=3) * _noise(rng, size, 20)[..., None]
    return np.asarray(np.clip(colour * np.maximum(1 + texture, 0.05)[..., None] * tint, 0.005, 0.95), np.float32)


def random_lights(rng: np.random.Generator) -> tuple[Array, Array, float]:
    """What the metal mirrors (N, 5), the lamps that cast shadows (M, 5), both direction, strength, width; ambient."""
    ambient = rng.uniform(0.1, 0.7)
    count = int(rng.integers(1, 4))
    high = rng.uniform(0.35, 1.0, count)
    turn = rng.uniform(0, 2 * np.pi, count)
    side = np.sqrt(1 - high**2)
    way = np.column_stack([side * np.cos(turn), side * np.sin(turn), high])
    lobes = np.column_stack([way, rng.uniform(0.3, 4, count), np.exp(rng.uniform(np.log(2), np.log(60), count))])
    lamps = np.column_stack([way, rng.uniform(0.2, 1.2, count), rng.uniform(0.02, 0.7, count)])
    return lobes, lamps[: int(rng.integers(1, count + 1))], ambient


def random_camera(rng: np.random.Generator, size_wh: tuple[int, int], *, widest_tilt_deg: float = 35.0):
    """Focal length [px], middle [px], rotation (3, 3) and translation (3,) of a hand-held camera over the bench."""
    tilt = math.radians(min(abs(rng.normal(0, 14)), widest_tilt_deg))
    turn = rng.uniform(0, 2 * np.pi)
    normal = np.array([math.cos(turn) * math.sin(tilt), math.sin(turn) * math.sin(tilt), -math.cos(tilt)])
    first = np.array([1.0, 0, 0]) - normal[0] * normal
    first /= np.linalg.norm(first)
    rotation = np.stack([first, np.cross(normal, first), normal], axis=1)
    focal = rng.uniform(24, 50) / 43.2666 * math.hypot(*size_wh)
    shift = rng.normal(0, 0.004 * math.hypot(*size_wh), 2)
    centre = ((size_wh[0] - 1) / 2 + shift[0], (size_wh[1] - 1) / 2 + shift[1])
    return focal, centre, rotation, np.array([0.0, 0.0, rng.uniform(180, 520)])


def random_stage(rng: np.random.Generator, *, size_wh: tuple[int, int] = (1440, 1080)) -> Stage:
    """One coin anywhere in a picture, often with neighbours beside it or on it; the first coin is the one meant."""
    focal, centre, rotation, translation = random_camera(rng, size_wh)
    lobes, lamps, ambient = random_lights(rng)
    pixel = rng.uniform(0.08, 0.92, 2) * size_wh
    way = rotation.T @ np.array([(pixel[0] - centre[0]) / focal, (pixel[1] - centre[1]) / focal, 1.0])
    place = -rotation.T @ translation
    x, y = (place - way * place[2] / way[2])[:2]
    coins = [random_coin(rng, float(x), float(y))]
    for _ in range(int(rng.choice([0, 1, 2, 3], p=[0.45, 0.25, 0.2, 0.1]))):
        other = random_coin(rng, 0.0, 0.0, like=coins[0] if rng.random() < 0.6 else None)
        over = rng.random() < 0.08
        gap = coins[0].radius_mm + other.radius_mm
        gap = gap * rng.uniform(0.7, 0.98) if over else gap * 1.005 + rng.exponential(0.3 * gap)
        turn = rng.uniform(0, 2 * np.pi)
        beside = {"x_mm": float(x + gap * math.cos(turn)), "y_mm": float(y + gap * math.sin(turn))}
        if over or all(
            math.hypot(beside["x_mm"] - each.x_mm, beside["y_mm"] - each.y_mm) > other.radius_mm + each.radius_mm
            for each in coins[1:]
        ):
            coins.append(replace(other, **beside, base_mm=coins[0].thickness_mm if over else 0.0))
    shine = rng.uniform(0, 0.15) * (rng.random() < 0.3)
    return Stage(
        focal,
        centre,
        rotation,
        translation,
        tuple(coins),
        random_ground(rng),
        rng.uniform(30, 120),
        lobes,
        ambient,
        lamps,
        shine,
    )


def random_bench(rng: np.random.Generator, count: int, *, size_wh: tuple[int, int], u_mm: float = 0.0) -> Stage:
    """Coins of one kind strewn over the picture without touching; their radii differ by ``u_mm`` / 2."""
    focal, centre, rotation, translation = random_camera(rng, size_wh, widest_tilt_deg=25.0)
    translation[2] = rng.uniform(260, 420)
    lobes, lamps, ambient = random_lights(rng)
    kind = random_coin(rng, 0.0, 0.0)
    place = -rotation.T @ translation
    coins: list[DrawnCoin] = []
    for _ in range(60 * count):
        pixel = rng.uniform(0.08, 0.92, 2) * size_wh
        way = rotation.T @ np.array([(pixel[0] - centre[0]) / focal, (pixel[1] - centre[1]) / focal, 1.0])
        x, y = (place - way * place[2] / way[2])[:2]
        free = all(math.hypot(x - each.x_mm, y - each.y_mm) > 2.3 * kind.radius_mm for each in coins)
        if free and len(coins) < count:
            other = random_coin(rng, float(x), float(y), like=kind)
            coins.append(replace(other, radius_mm=kind.radius_mm + rng.normal(0, u_mm / 2)))
    ground, ground_mm = random_ground(rng), rng.uniform(60, 200)
    return Stage(focal, centre, rotation, translation, tuple(coins), ground, ground_mm, lobes, ambient, lamps)
