"""Pictures of bench tops and walls, drawn by code: colour, relief and roughness over a square of ``SPAN_MM``.

Families of the evaluation and the calibration split never occur in training.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from data_synthetic import floorings, worktops
from data_synthetic.grain import SPAN_MM, Texture, choose, cloud, made, toned


def wood(rng: np.random.Generator, size: int) -> Texture:
    """Planks or a solid board, from maple to wenge."""
    base = choose(rng, ((190, 150, 105), (150, 105, 65), (110, 70, 45), (205, 180, 140), (85, 60, 45), (170, 120, 85),
                         (140, 125, 105)))  # fmt: skip
    grain = cloud(rng, size, rng.uniform(30, 70), stretch=rng.uniform(12, 30))
    bend = cloud(rng, size, 3, octaves=2, stretch=2)
    y = np.arange(size, dtype=np.float32)[:, None] / size
    ring = np.sin(2 * np.pi * (y * rng.uniform(8, 22) + bend * rng.uniform(0.3, 1.0))).astype(np.float32)
    value = 0.55 * grain + 0.45 * ring
    picture = toned(base, value, rng.uniform(0.06, 0.16))
    height = value * 0.2
    if rng.random() < 0.6:
        boards = int(rng.integers(3, 8))
        for k in range(boards):
            rows = slice(k * size // boards, (k + 1) * size // boards)
            picture[rows] *= rng.uniform(0.86, 1.1)
            picture[rows] = np.roll(picture[rows], int(rng.integers(size)), axis=1)
            picture[k * size // boards] *= 0.45
            height[k * size // boards] -= 2
    return made(np.clip(picture, 0.01, 0.98), height, 0.3, rng.uniform(0.25, 0.6) + 0.05 * grain)


def laminate(rng: np.random.Generator, size: int) -> Texture:
    """Plain or faintly mottled board."""
    base = choose(rng, ((225, 224, 220), (200, 196, 188), (150, 152, 155), (90, 92, 96), (215, 205, 185), (60, 62, 66),
                         (170, 185, 190)))  # fmt: skip
    value = cloud(rng, size, rng.uniform(3, 60), octaves=3)
    return made(toned(base, value, rng.uniform(0.005, 0.05)), value, 0.05, rng.uniform(0.2, 0.5))


def speckled(rng: np.random.Generator, size: int) -> Texture:
    """Speckled worktop: chips of two or three colours."""
    base = choose(rng, ((205, 200, 190), (95, 92, 90), (60, 60, 62), (170, 155, 135), (130, 135, 140)))
    picture = np.broadcast_to(base, (size, size, 3)).astype(np.float32).copy()
    for _ in range(int(rng.integers(2, 4))):
        chips = cloud(rng, size, size / rng.uniform(2.5, 8), octaves=1) > rng.uniform(0.9, 1.7)
        picture[chips] = choose(rng, ((240, 238, 230), (40, 38, 36), (120, 95, 70), (170, 165, 160), (90, 90, 95)))
    picture = cv2.GaussianBlur(picture, (0, 0), 0.7)
    return made(picture, picture.mean(2), 0.1, rng.uniform(0.12, 0.35))


def steel(rng: np.random.Generator, size: int) -> Texture:
    """Brushed stainless top or sink drainer."""
    lines = rng.normal(size=(size, max(4, size // 100))).astype(np.float32)
    grain = cv2.resize(lines, (size, size), interpolation=cv2.INTER_LINEAR) + 0.5 * cloud(rng, size, 5, octaves=2)
    picture = toned((0.72, 0.72, 0.71), grain, 0.02)
    return made(picture, grain, 0.035, rng.uniform(0.25, 0.42) + 0.03 * grain, 1.0)


def cloth(rng: np.random.Generator, size: int) -> Texture:
    """Woven cloth, plain, checked or striped."""
    base = choose(rng, ((70, 90, 130), (150, 60, 55), (200, 195, 185), (80, 110, 85), (60, 60, 65), (175, 150, 110),
                         (130, 130, 135), (190, 180, 90)))  # fmt: skip
    y, x = np.mgrid[:size, :size].astype(np.float32)
    period = max(2.2, size / SPAN_MM * rng.uniform(0.8, 2.2))
    weave = np.sin(2 * np.pi * x / period) * np.sin(2 * np.pi * y / period)
    value = 0.6 * weave + 0.4 * cloud(rng, size, 40)
    picture = toned(base, value, rng.uniform(0.05, 0.12))
    if rng.random() < 0.45:
        other, width = choose(rng, ((235, 230, 220), (40, 45, 60), (160, 50, 45))), size / rng.uniform(8, 26)
        stripes = (x // width % 2 == 0).astype(np.float32)
        if rng.random() < 0.6:
            stripes = (stripes + (y // width % 2 == 0)) / 2
        picture = picture * (1 - 0.75 * stripes[..., None]) + other * 0.75 * stripes[..., None]
    folds = cloud(rng, size, 3, octaves=2)
    return made(np.clip(picture, 0.01, 0.98), value * 0.5 + folds * size / 90, 0.35, 0.95)


def concrete(rng: np.random.Generator, size: int) -> Texture:
    """Concrete, screed or stone sill."""
    base = choose(rng, ((150, 148, 142), (120, 118, 115), (175, 168, 155), (95, 95, 98)))
    value = 0.7 * cloud(rng, size, 5, octaves=6) + 0.3 * cloud(rng, size, size / 2, octaves=1)
    return made(toned(base, value, rng.uniform(0.04, 0.11)), value, 0.35, rng.uniform(0.6, 0.95))


def rubber_mat(rng: np.random.Generator, size: int) -> Texture:
    """Ribbed or studded mat."""
    base = choose(rng, ((45, 46, 48), (60, 75, 95), (90, 45, 40), (50, 80, 60)), 0.15)
    y, x = np.mgrid[:size, :size].astype(np.float32)
    period = size / rng.uniform(40, 90)
    relief = np.sin(2 * np.pi * x / period) if rng.random() < 0.5 else np.maximum(
        np.sin(2 * np.pi * x / period) * np.sin(2 * np.pi * y / period), 0) * 2  # fmt: skip
    return made(toned(base, relief + 0.5 * cloud(rng, size, 60), 0.06), relief, 0.8, rng.uniform(0.5, 0.8))


def cardboard(rng: np.random.Generator, size: int) -> Texture:
    """Corrugated board, with a printed panel now and then."""
    base = choose(rng, ((176, 152, 124), (160, 136, 110), (190, 168, 140)))
    y = np.mgrid[:size, :size][0].astype(np.float32)
    flutes = np.sin(2 * np.pi * y / (size / SPAN_MM * rng.uniform(5, 8)))
    value = 0.4 * flutes + 0.6 * cloud(rng, size, 30)
    return made(toned(base, value, 0.03), flutes, 0.06, 0.85)


def marble(rng: np.random.Generator, size: int) -> Texture:
    """Veined stone."""
    base = choose(rng, ((228, 226, 222), (200, 190, 175), (70, 72, 74), (180, 195, 190)))
    vein = 1 - np.abs(np.tanh(cloud(rng, size, rng.uniform(3, 7), octaves=6) * rng.uniform(2, 6)))
    value = -vein * rng.choice([1.0, -0.8]) + 0.3 * cloud(rng, size, 6)
    return made(toned(base, value, rng.uniform(0.06, 0.2)), value * 0, 0.0, rng.uniform(0.08, 0.25))


def patterned(rng: np.random.Generator, size: int) -> Texture:
    """Oilcloth with a repeated motif."""
    base = choose(rng, ((235, 230, 215), (210, 225, 230), (60, 70, 90), (150, 75, 72), (215, 208, 170)))
    ink = choose(rng, ((170, 50, 50), (50, 90, 60), (40, 50, 110), (240, 240, 235), (200, 150, 50)))
    picture = np.broadcast_to(base, (size, size, 3)).astype(np.float32).copy()
    step, big = size / (2 * rng.integers(4, 8)), rng.uniform(0.15, 0.4)
    kind = int(rng.integers(3))
    for i in range(int(size / step) + 2):
        for j in range(int(size / step) + 2):
            at = (int((i + 0.5 * (j % 2)) * step), int(j * step))
            reach = int(step * big)
            if kind == 0:
                cv2.circle(picture, at, reach, ink.tolist(), -1, cv2.LINE_AA)
            elif kind == 1:
                for k in range(6):
                    petal = (int(at[0] + reach * np.cos(k * np.pi / 3)), int(at[1] + reach * np.sin(k * np.pi / 3)))
                    cv2.circle(picture, petal, max(1, reach // 2), ink.tolist(), -1, cv2.LINE_AA)
            else:
                cv2.drawMarker(picture, at, ink.tolist(), cv2.MARKER_TILTED_CROSS, 2 * reach, max(1, reach // 3))
    return made(picture, picture.mean(2), 0.05, rng.uniform(0.25, 0.5))


def tiles(rng: np.random.Generator, size: int, *, brick: bool | None = None) -> Texture:
    """Glazed tiles with grout."""
    base = choose(
        rng, ((235, 234, 230), (190, 200, 205), (120, 140, 150), (205, 190, 165), (70, 90, 110), (225, 215, 195))
    )
    step = size / int(rng.integers(3, 8))
    brick = rng.random() < 0.4 if brick is None else brick
    y, x = np.mgrid[:size, :size].astype(np.float32)
    tall = step / 2 if brick else step
    row = y // tall
    x = x + (row % 2) * step / 2 if brick else x
    cell = (row * 31 + (x % size) // step).astype(int)
    away = np.minimum.reduce([x % step, step - x % step, y % tall, tall - y % tall])
    grout = max(1.2, size / SPAN_MM * 1.5)
    joint = np.clip(1.5 - away / grout, 0, 1)
    shade = rng.normal(size=int(cell.max()) + 1).astype(np.float32)[cell]
    picture = toned(base, shade + 0.5 * cloud(rng, size, 12), 0.025)
    picture = (
        picture * (1 - joint[..., None])
        + choose(rng, ((205, 200, 192), (120, 118, 115), (70, 68, 66))) * joint[..., None]
    )
    return made(picture, np.minimum(away / grout, 2.5), 0.6, 0.12 + 0.7 * joint)


def newspaper(rng: np.random.Generator, size: int) -> Texture:
    """Columns of print-like strokes, headings and grey pictures; no readable words. Drawn fine, then reduced."""
    wanted, size = size, max(size, 1120)
    picture = (
        np.broadcast_to(choose(rng, ((225, 222, 212), (215, 210, 195))), (size, size, 3)).astype(np.float32).copy()
    )
    scale = size / SPAN_MM
    columns = int(rng.integers(5, 9))
    for c in range(columns):
        y, left, right = rng.uniform(0, 20) * scale, (c + 0.06) * size / columns, (c + 0.94) * size / columns
        while y < size:
            kind = rng.random()
            if kind < 0.012:
                tall = rng.uniform(30, 70) * scale
                grey = np.clip(0.5 + 0.2 * cloud(rng, 64, 4), 0.1, 0.9)
                box = picture[int(y) : int(y + tall), int(left) : int(right)]
                if box.size:
                    box[:] = cv2.resize(grey, (box.shape[1], box.shape[0]))[..., None]
                y += tall + 4 * scale
                continue
            high, ink = (rng.uniform(6, 12), 0.15) if kind < 0.05 else (1.6, 0.3)
            x = left
            while x < right:
                word = rng.uniform(0.8, 4.5) * high * scale
                cv2.rectangle(
                    picture, (int(x), int(y)), (int(min(x + word, right)), int(y + high * scale)), [ink] * 3, -1
                )
                x += word + 0.7 * high * scale
            y += high * 1.9 * scale
    picture = cv2.resize(cv2.GaussianBlur(picture, (0, 0), 0.6), (wanted, wanted), interpolation=cv2.INTER_AREA)
    return made(picture, cloud(rng, wanted, 4), wanted / 900, 0.9)


def slate(rng: np.random.Generator, size: int) -> Texture:
    """Dark cleft stone."""
    base = choose(rng, ((70, 74, 78), (60, 66, 62), (85, 80, 80)))
    value = np.round(cloud(rng, size, 3, octaves=6, stretch=1.6) * 3) / 3 + 0.2 * cloud(rng, size, 60)
    return made(toned(base, value, 0.06), value, 0.9, rng.uniform(0.45, 0.7))


def towel(rng: np.random.Generator, size: int) -> Texture:
    """Looped towel."""
    base = choose(rng, ((215, 210, 200), (120, 160, 175), (180, 120, 125), (90, 100, 120), (200, 185, 140)))
    loops = cloud(rng, size, size / 3.5, octaves=2)
    folds = cloud(rng, size, 3, octaves=2)
    return made(toned(base, loops + 0.4 * folds, 0.08), loops + folds * size / 80, 0.5, 1.0)


#: Families of bench tops by split; no split shares one with another.
FAMILIES: dict[str, dict[str, Callable[[np.random.Generator, int], Texture]]] = {
    "training": {
        "wood": wood, "laminate": laminate, "speckled": speckled, "steel": steel, "cloth": cloth, "concrete": concrete,
        "rubber-mat": rubber_mat, "cardboard": cardboard, "marble": marble, "patterned": patterned,
        "terrazzo": worktops.terrazzo, "granite": worktops.granite, "painted-metal": worktops.painted_metal,
        "cutting-mat": worktops.cutting_mat,
        "parquet": worktops.parquet, "plain": worktops.plain, "linoleum": worktops.linoleum,
    },
    "evaluation": {"tiles": tiles, "newspaper": newspaper, "slate": slate, "towel": towel},
    "calibration": {
        "pebbles": floorings.pebbles, "carpet": floorings.carpet, "leather": floorings.leather,
        "perforated": floorings.perforated, "matting": floorings.matting,
    },
}  # fmt: skip
