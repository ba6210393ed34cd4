"""Bench tops of the calibration split: pebbles, carpet, leather, perforated sheet, straw matting."""

from __future__ import annotations

import cv2
import numpy as np

from data_synthetic.grain import SPAN_MM, Texture, choose, cloud, made, toned


def pebbles(rng: np.random.Generator, size: int) -> Texture:
    """Rounded gravel or exposed aggregate, every stone with its own tone and dome."""
    per_mm = size / SPAN_MM
    pitch = per_mm * rng.uniform(6, 22)
    count = int(size / pitch) + 2
    rows, columns = np.mgrid[-1:count, -1:count].reshape(2, -1)
    centres = np.column_stack([columns, rows]) * pitch + rng.uniform(-0.35, 0.35, (len(rows), 2)) * pitch
    stones = ((190, 182, 170), (120, 112, 104), (165, 140, 118), (215, 210, 204), (88, 90, 94))
    inks = [choose(rng, stones, 0.15) for _ in range(6)]
    picture = np.broadcast_to(choose(rng, ((90, 84, 78), (150, 144, 136))), (size, size, 3)).astype(np.float32).copy()
    height = np.zeros((size, size), np.float32)
    for x, y in centres[rng.permutation(len(centres))]:
        axes = tuple(max(1, round(8 * v)) for v in pitch * rng.uniform(0.32, 0.6, 2))
        turn, ink = float(rng.uniform(0, 180)), inks[int(rng.integers(6))] * rng.uniform(0.8, 1.15)
        place = (round(8 * x), round(8 * y))
        cv2.ellipse(picture, place, axes, turn, 0, 360, ink.tolist(), -1, cv2.LINE_AA, 3)
        cv2.ellipse(height, place, axes, turn, 0, 360, float(rng.uniform(0.6, 1)), -1, cv2.LINE_AA, 3)
    dome = cv2.GaussianBlur(height, (0, 0), pitch * 0.2) * pitch * 0.3
    return made(np.clip(toned((1, 1, 1), cloud(rng, size, 60), 0.05) * picture, 0.01, 0.98), dome, 0.8,
                rng.uniform(0.3, 0.8))  # fmt: skip


def carpet(rng: np.random.Generator, size: int) -> Texture:
    """Pile with a woven figure of lozenges or bands in two or three colours."""
    colours = ((120, 35, 40), (35, 50, 90), (60, 85, 65), (175, 150, 110), (70, 66, 64), (160, 160, 158))
    ground, figure, edge = (choose(rng, colours, 0.15) for _ in range(3))
    v, u = np.mgrid[:size, :size] / (size / SPAN_MM * rng.uniform(18, 70))
    bands = np.sin(2 * np.pi * u) * (np.cos(2 * np.pi * v) if rng.random() < 0.6 else 1)
    bands = bands + 0.12 * cloud(rng, size, 80, octaves=2)
    picture = np.where((bands > 0.25)[..., None], figure, ground)
    picture = np.where((np.abs(bands - 0.25) < 0.12)[..., None], edge, picture).astype(np.float32)
    pile = cloud(rng, size, size / rng.uniform(2.5, 5), octaves=2)
    return made(np.clip(picture * (1 + 0.12 * pile[..., None]), 0.01, 0.98), pile, 0.6, 1.0)


def leather(rng: np.random.Generator, size: int) -> Texture:
    """Grained hide or upholstery with folds."""
    base = choose(rng, ((95, 58, 38), (45, 38, 36), (150, 95, 60), (120, 30, 32), (195, 180, 160), (40, 60, 52)), 0.12)
    grain = -np.abs(cloud(rng, size, size / rng.uniform(7, 16), octaves=2))
    folds = cloud(rng, size, rng.uniform(2, 5), octaves=2, stretch=rng.uniform(1, 3))
    return made(toned(base, grain + 0.3 * folds, 0.14), grain + folds * size / 120, 0.35, rng.uniform(0.25, 0.6))


def perforated(rng: np.random.Generator, size: int) -> Texture:
    """Sheet with rows of round or square holes, painted, or a board for hanging tools."""
    base = choose(rng, ((150, 154, 158), (205, 205, 200), (60, 70, 82), (170, 130, 85), (190, 60, 50)), 0.1)
    pitch = size / SPAN_MM * rng.uniform(7, 26)
    v, u = np.mgrid[:size, :size] / pitch
    if rng.random() < 0.5:
        u = u + 0.5 * (np.floor(v) % 2)
    du, dv = np.abs(u % 1 - 0.5), np.abs(v % 1 - 0.5)
    away = np.hypot(du, dv) if rng.random() < 0.6 else np.maximum(du, dv)
    sheet = np.clip((away - rng.uniform(0.12, 0.3)) * pitch + 0.5, 0, 1).astype(np.float32)
    picture = toned(base, cloud(rng, size, 6), 0.05) * (0.08 + 0.92 * sheet[..., None])
    return made(picture, sheet * 2, 0.4, rng.uniform(0.2, 0.6))


def matting(rng: np.random.Generator, size: int) -> Texture:
    """Straw or bamboo slats bound by threads."""
    base = choose(rng, ((200, 175, 120), (165, 130, 80), (120, 90, 58), (185, 180, 140)), 0.12)
    wide = max(2.0, size / SPAN_MM * rng.uniform(2, 7))
    v, u = np.mgrid[:size, :size].astype(np.float32)
    number = (v / wide).astype(int)
    tone = rng.normal(size=int(number.max()) + 1).astype(np.float32)[number]
    fibre = cloud(rng, size, size / 6, octaves=2, stretch=14)
    dome = np.sqrt(np.clip(1 - (2 * (v / wide % 1) - 1) ** 2, 0, 1)) * wide * 0.5
    picture = toned(base, tone + 0.5 * fibre, 0.09) * (0.55 + 0.45 * (dome / dome.max()))[..., None]
    thread = (np.abs(u / (size / SPAN_MM * rng.uniform(60, 130)) % 1 - 0.5) < 0.02)[..., None]
    picture = np.where(thread, choose(rng, ((70, 45, 30), (220, 215, 200), (150, 40, 40))).astype(np.float32), picture)
    return made(np.clip(picture, 0.01, 0.98), dome, 0.7, rng.uniform(0.4, 0.8))
