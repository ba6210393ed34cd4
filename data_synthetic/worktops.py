"""More bench tops of the training split: stone, painted sheet, mats, parquet, plain boards, floorings."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np

from data_synthetic.grain import SPAN_MM, Texture, choose, cloud, made, toned


def terrazzo(rng: np.random.Generator, size: int) -> Texture:
    """Angular chips of several stones and sizes in a ground."""
    base = choose(rng, ((215, 212, 205), (185, 180, 172), (120, 122, 124), (205, 190, 175), (150, 165, 160)))
    picture = np.broadcast_to(base, (size, size, 3)).astype(np.float32).copy()
    chips = ((245, 243, 238), (60, 58, 56), (150, 95, 75), (110, 125, 115), (190, 165, 120), (90, 95, 110))
    inks = [choose(rng, chips, 0.12) for _ in range(int(rng.integers(2, 5)))]
    big = size / SPAN_MM * rng.uniform(3, 14)
    for _ in range(int(0.5 * (size / big) ** 2 * rng.uniform(0.6, 1.2))):
        turn = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(4, 8))))
        reach = big * rng.uniform(0.12, 0.6)
        chip = rng.uniform(0, size, 2) + reach * np.column_stack([np.cos(turn), np.sin(turn)])
        ink = inks[int(rng.integers(len(inks)))] * rng.uniform(0.85, 1.1)
        cv2.fillPoly(picture, [np.round(chip * 8).astype(np.int32)], ink.tolist(), cv2.LINE_AA, 3)
    return made(np.clip(picture, 0.01, 0.98), picture.mean(2), 0.03, rng.uniform(0.1, 0.4))


def granite(rng: np.random.Generator, size: int) -> Texture:
    """Crystals of three stones at two scales."""
    grounds = ((175, 170, 165), (70, 70, 74), (165, 140, 128), (205, 200, 190), (85, 95, 90))
    picture = np.broadcast_to(choose(rng, grounds), (size, size, 3)).astype(np.float32).copy()
    for _ in range(3):
        crystal = cloud(rng, size, SPAN_MM / rng.uniform(1.5, 6), octaves=2)
        share = np.clip((crystal - rng.uniform(0.3, 1.2)) * 3, 0, 1)[..., None]
        ink = choose(rng, ((235, 230, 222), (35, 34, 36), (120, 105, 98), (190, 160, 140)), 0.1)
        picture = picture * (1 - share) + ink.astype(np.float32) * share
    return made(toned(picture, cloud(rng, size, 4), 0.04), picture.mean(2), 0.05, rng.uniform(0.08, 0.35))


def painted_metal(rng: np.random.Generator, size: int) -> Texture:
    """Painted sheet of a tool box or trolley, with scratches."""
    colours = ((170, 40, 38), (40, 70, 130), (75, 80, 86), (45, 100, 75), (200, 165, 50), (215, 215, 212), (40, 41, 44))
    base = choose(rng, colours, 0.12)
    orange_peel = cloud(rng, size, size / rng.uniform(4, 9), octaves=2)
    picture = toned(base, cloud(rng, size, 3), 0.03)
    bare = np.array((0.55, 0.54, 0.52)) if rng.random() < 0.5 else np.clip(base * 1.5, 0, 0.95)
    for _ in range(int(rng.integers(5, 60))):
        start, angle, reach = rng.uniform(0, size, 2), rng.uniform(0, 2 * np.pi), size * rng.uniform(0.02, 0.25)
        end = start + reach * np.array([np.cos(angle), np.sin(angle)])
        cv2.line(picture, start.astype(int).tolist(), end.astype(int).tolist(), bare.tolist(), 1, cv2.LINE_AA)
    return made(picture, orange_peel, rng.uniform(0.02, 0.12), rng.uniform(0.12, 0.5))


def cutting_mat(rng: np.random.Generator, size: int) -> Texture:
    """Cutting mat or squared paper: fine and coarse lines of a grid."""
    dark = rng.random() < 0.6
    grounds = ((30, 95, 75), (45, 60, 95), (60, 62, 66), (120, 60, 75)) if dark else ((232, 232, 226), (225, 230, 215))
    base = choose(rng, grounds, 0.1)
    ink = np.clip(base * rng.uniform(1.5, 2.4), 0, 0.95) if dark else base * (rng.uniform(0.55, 0.85, 3))
    picture = toned(base, cloud(rng, size, 30), 0.02)
    coarse = int(rng.choice((14, 28, 56)))
    for count, wide, part in ((coarse, max(1, round(size / 700)), 0.9), (coarse * int(rng.choice((2, 5))), 1, 0.4)):
        for k in range(count):
            at = int(k * size / count)
            picture[at : at + wide] = picture[at : at + wide] * (1 - part) + ink * part
            picture[:, at : at + wide] = picture[:, at : at + wide] * (1 - part) + ink * part
    return made(picture, cloud(rng, size, size / 3, octaves=1), 0.06, rng.uniform(0.45, 0.8))


def parquet(rng: np.random.Generator, size: int) -> Texture:
    """Narrow planks or blocks in changing tones, laid straight or as a basket weave."""
    base = choose(rng, ((175, 130, 85), (120, 80, 52), (205, 175, 135), (90, 66, 50), (160, 150, 135)))
    picture = np.empty((size, size, 3), np.float32)
    height = np.zeros((size, size), np.float32)
    grain = toned(base, cloud(rng, size, 60, stretch=18), rng.uniform(0.05, 0.13))
    count, weave = int(rng.integers(3, 9)), rng.random() < 0.4
    edges = np.linspace(0, size, count + 1).astype(int)
    strips = int(rng.integers(3, 6)) if weave else 1
    for i in range(count):
        for j in range(count):
            rows, columns = slice(edges[i], edges[i + 1]), slice(edges[j], edges[j + 1])
            block = np.roll(grain, tuple(rng.integers(0, size, 2)), (0, 1))[rows, columns].copy()
            lines = np.linspace(0, len(block), strips + 1).astype(int)
            for first, last in pairwise(lines):
                block[first:last] *= rng.uniform(0.8, 1.15)
                block[first] *= 0.5
            turned = block[:, ::-1].transpose(1, 0, 2) if weave and (i + j) % 2 else block
            picture[rows, columns] = cv2.resize(turned, (block.shape[1], block.shape[0]))
        height[edges[i]] = -2
    return made(np.clip(picture, 0.01, 0.98), height, 0.25, rng.uniform(0.15, 0.55))


def plain(rng: np.random.Generator, size: int) -> Texture:
    """Table top, paper or sheet of one colour, pale, dark or strong, with a few stains."""
    base = rng.uniform(0.05, 0.92) * (1 + rng.uniform(-0.08, 0.08, 3))
    base = base * rng.uniform(0.45, 1.1, 3) if rng.random() < 0.35 else base
    stain = np.clip(cloud(rng, size, rng.uniform(2, 8), octaves=5) - rng.uniform(0.8, 2.5), 0, 1)
    picture = toned(np.clip(base, 0.03, 0.93), stain, -rng.uniform(0.05, 0.4))
    return made(picture, cloud(rng, size, size / 2, octaves=1), rng.uniform(0, 0.05), rng.uniform(0.12, 0.9))


def linoleum(rng: np.random.Generator, size: int) -> Texture:
    """Sheet flooring or oilcloth printed in squares, diamonds or waves of two tones."""
    first = choose(rng, ((225, 220, 205), (190, 175, 150), (205, 210, 205), (150, 155, 160)))
    second = choose(rng, ((60, 62, 66), (130, 60, 50), (70, 95, 85), (90, 80, 110), (170, 140, 100)))
    y, x = np.mgrid[:size, :size].astype(np.float32) / size * 2 * np.pi * int(rng.integers(2, 9))
    kind = int(rng.integers(3))
    wave = (np.sin(x) * np.sin(y), np.sin(x + y) * np.sin(x - y), np.sin(x + 1.2 * np.sin(y)))[kind]
    share = np.clip(wave * rng.uniform(4, 40) + 0.5, 0, 1)[..., None]
    picture = toned(first * (1 - share) + second * share, cloud(rng, size, 40), rng.uniform(0.02, 0.08))
    return made(picture, picture.mean(2), 0.03, rng.uniform(0.15, 0.5))
