"""Coins on a bench, drawn by casting rays: exact rims with lip, bevel, relief, side wall, shadows, glare and wear.

Nothing here is taken from photos: sizes of lips, roundings and roughness are drawn at random over what coins have.
``Stage`` holds what is in view; ``light`` gives linear light of a window of the picture, ``developed`` what a phone's
camera makes of it (blur, sharpening, noise, tone curve, JPEG).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]
Bytes = NDArray[np.uint8]
RELIEF_PX = 192


@dataclass(frozen=True, slots=True, eq=False)
class DrawnCoin:
    """A coin: middle and base height [mm], radius, thickness, and how it is struck; widths in units of the radius."""

    x_mm: float
    y_mm: float
    base_mm: float
    radius_mm: float
    thickness_mm: float
    metal: Array
    core: Array
    core_share: float
    lip: float
    slope: float
    rounding: float
    relief: Array
    notches: int
    reeds: int
    dirt: Array
    dish: Array
    turn_rad: float


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """A pinhole camera over a bench with coins: rotation (3, 3) world to camera, as ``identify.model.Pose``."""

    focal_px: float
    centre_px: tuple[float, float]
    rotation: Array
    translation_mm: Array
    coins: tuple[DrawnCoin, ...]
    ground: Array
    ground_mm: float
    lobes: Array = field(default_factory=lambda: np.zeros((0, 5)))
    ambient: float = 0.3
    lamps: Array = field(default_factory=lambda: np.zeros((0, 5)))
    shine: float = 0.0

    def pixels(self, points_mm: Array) -> Array:
        """World points (N, 3) [mm] to pixels (N, 2)."""
        seen = points_mm @ self.rotation.T + self.translation_mm
        return self.focal_px * seen[:, :2] / seen[:, 2:] + self.centre_px

    def circle_px(self, coin: DrawnCoin, height_share: float, count: int = 240) -> Array:
        """Points (count, 2) [px] of a coin's rim: at height 1 the top one, at 0 the bottom one."""
        turn = 2 * np.pi * np.arange(count) / count
        ring = coin.radius_mm * np.column_stack([np.cos(turn), np.sin(turn)]) + (coin.x_mm, coin.y_mm)
        return self.pixels(np.column_stack([ring, np.full(count, coin.base_mm + height_share * coin.thickness_mm)]))


# --- light -----------------------------------------------------------------------------------------------------


def light(stage: Stage, window: tuple[int, int, int, int], *, rays: int = 3) -> Array:
    """Linear light (h, w, 3) of pixels left, top, right, bottom: the mean of ``rays`` squared rays each."""
    left, top, right, bottom = window
    inner = (np.arange(rays) - (rays - 1) / 2) / rays
    columns = (np.arange(left, right)[:, None] + inner).ravel()
    rows = (np.arange(top, bottom)[:, None] + inner).ravel()
    x, y = np.meshgrid((columns - stage.centre_px[0]) / stage.focal_px, (rows - stage.centre_px[1]) / stage.focal_px)
    way = np.stack([x, y, np.ones_like(x)], axis=-1).reshape(-1, 3) @ stage.rotation
    way = (way / np.linalg.norm(way, axis=1, keepdims=True)).astype(np.float32)
    place = (-stage.rotation.T @ stage.translation_mm).astype(np.float32)
    result = _ground(stage, place, way)
    for coin in sorted(stage.coins, key=lambda each: each.base_mm):
        _paint(stage, coin, place, way, result)
    result = result.reshape(len(rows), len(columns), 3)
    return cv2.resize(result, (right - left, bottom - top), interpolation=cv2.INTER_AREA)


def _ground(stage: Stage, place: Array, way: Array) -> Array:
    at = place[:2] - way[:, :2] * (place[2] / way[:, 2:])
    size = len(stage.ground)
    where = np.mod(at / stage.ground_mm, 2.0)
    where = np.where(where > 1, 2 - where, where) * (size - 1)
    where = where.astype(np.float32)
    colour = _looked_up(stage.ground, where)
    shade = np.ones(len(at), np.float32)
    free = np.ones((len(stage.lamps), len(at)), np.float32)
    for coin in stage.coins:
        away = np.hypot(at[:, 0] - coin.x_mm, at[:, 1] - coin.y_mm) - coin.radius_mm
        near = np.flatnonzero(away < 12 * coin.thickness_mm)
        if coin.base_mm == 0:
            shade[near] *= 1 - 0.55 * np.exp(-np.maximum(away[near], 0) / (0.4 * coin.thickness_mm))
        for lamp, seen in zip(stage.lamps, free, strict=True):
            seen[near] = np.minimum(seen[near], _unshaded(coin, at[near], lamp[:2] / lamp[2], lamp[4]))
    lit = stage.ambient * shade
    for lamp, seen in zip(stage.lamps, free, strict=True):
        lit = lit + lamp[3] * lamp[2] * seen
    mirrored = way * (1, 1, -1)
    return colour * lit[:, None] + stage.shine * _sky(stage, mirrored.astype(np.float32), 0.5)[:, None]


def _unshaded(coin: DrawnCoin, at: Array, reach: Array, width: float) -> Array:
    """Share of a lamp (N,) that bench points (N, 2) beside a coin see."""
    total = (coin.base_mm + coin.thickness_mm) * reach
    offset = at - (coin.x_mm, coin.y_mm)
    along = np.clip(-(offset @ total) / max(float(total @ total), 1e-9), 0, 1)
    away = np.linalg.norm(offset + along[:, None] * total, axis=1) - coin.radius_mm
    soft = max(0.03, width * (coin.base_mm + coin.thickness_mm) * math.hypot(1, *reach))
    return np.clip(0.5 + away / soft, 0, 1)


def _sky(stage: Stage, way: Array, rough: float) -> Array:
    """Light (N,) that comes from directions (N, 3), broadened by roughness."""
    total = stage.ambient * (0.35 + 0.65 * np.clip(way[:, 2], 0, 1)) * (way[:, 2] > -0.1)
    for lobe in stage.lobes:
        sharp = 1 / (1 / lobe[4] + rough)
        total = total + lobe[3] * min(1.0, (sharp / lobe[4]) ** 0.5) * np.exp(
            sharp * (way @ lobe[:3].astype(np.float32) - 1)
        )
    return total


def _looked_up(table: Array, where: Array) -> Array:
    if not len(where):
        return np.zeros((0, *table.shape[2:]), np.float32)
    side = 16384
    parts = [
        cv2.remap(
            table, part[:, None, 0].copy(), part[:, None, 1].copy(), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
        )
        for part in np.array_split(where, max(1, -(-len(where) // side)))
    ]
    joined = np.concatenate(parts)
    return joined.reshape(len(where), *table.shape[2:])


def _edge_mm(coin: DrawnCoin, turn: Array) -> Array:
    """Radius of a coin's outline; notched coins keep their full radius between the notches."""
    if not coin.notches:
        return np.full(len(turn), coin.radius_mm, np.float32)
    phase = np.mod((turn - coin.turn_rad) * coin.notches / (2 * np.pi) + 0.5, 1) - 0.5
    return coin.radius_mm * (1 - 0.022 * np.exp(-0.5 * (phase / 0.11) ** 2))


def _paint(stage: Stage, coin: DrawnCoin, place: Array, way: Array, result: Array) -> None:
    """Lay a coin's face and wall into the picture."""
    top_mm = coin.base_mm + coin.thickness_mm
    reach = (top_mm - place[2]) / way[:, 2]
    offset = place[:2] + way[:, :2] * reach[:, None] - (coin.x_mm, coin.y_mm)
    near = np.flatnonzero(np.sum(offset**2, axis=1) < (coin.radius_mm + 3 * coin.thickness_mm) ** 2)
    if not len(near):
        return
    offset, way = offset[near].astype(np.float32), way[near]
    turn = np.arctan2(offset[:, 1], offset[:, 0])
    away = np.hypot(*offset.T)
    edge = _edge_mm(coin, turn)
    face = away < edge
    if face.any():
        result[near[face]] = _face(stage, coin, offset[face], away[face] / edge[face], turn[face], way[face])
    slant = way[:, :2] * (coin.thickness_mm / -way[:, 2:])  # from the top plane down to the base
    a = np.sum(slant**2, axis=1) + 1e-12
    b = np.sum(offset * slant, axis=1)
    foot = offset - (b / a)[:, None] * slant
    radius = _edge_mm(coin, np.arctan2(foot[:, 1], foot[:, 0]))
    gap = b * b - a * (away**2 - radius**2)
    share = (-b - np.sqrt(np.maximum(gap, 0))) / a
    wall = ~face & (gap > 0) & (share > 0) & (share < 1)
    if not wall.any():
        return
    hit = offset[wall] + share[wall, None] * slant[wall]
    result[near[wall]] = _wall(stage, coin, hit, 1 - share[wall], way[wall])


def _mirrored(way: Array, normal: Array) -> Array:
    return way - 2 * np.sum(way * normal, axis=1, keepdims=True) * normal


def _face(stage: Stage, coin: DrawnCoin, offset: Array, share: Array, turn: Array, way: Array) -> Array:
    cos, sin = math.cos(coin.turn_rad), math.sin(coin.turn_rad)
    own = offset @ np.array([[cos, -sin], [sin, cos]], np.float32) / coin.radius_mm
    inside = np.clip((1 - coin.lip - share) / 0.01, 0, 1)
    slopes = _looked_up(coin.relief, ((own + 1) * (RELIEF_PX - 1) / 2).astype(np.float32)) * inside[:, None]
    slopes = slopes @ np.array([[cos, sin], [-sin, cos]], np.float32)
    out = np.column_stack([np.cos(turn), np.sin(turn)])
    rounded = np.clip((share - 1 + coin.rounding) / coin.rounding, 0, 1)
    bevel = coin.slope * np.exp(-0.5 * ((share - (1 - coin.lip)) / (0.2 * coin.lip + 0.003)) ** 2)
    steep = 2.2 * rounded**1.5 - bevel
    if coin.core_share:
        steep = steep + 0.4 * np.sin((share - coin.core_share) / 0.006) * np.exp(
            -(((share - coin.core_share) / 0.008) ** 2)
        )
    slopes = slopes + coin.dish[:2] + coin.dish[2] * offset / coin.radius_mm
    normal = np.column_stack([slopes + steep[:, None] * out, np.ones(len(share), np.float32)])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    metal = np.where((share < coin.core_share)[:, None], coin.core, coin.metal)
    spots = _looked_up(coin.dirt, ((own + 1) * (len(coin.dirt) - 1) / 2).astype(np.float32)).reshape(-1, 1)
    seen = 0.75 * _sky(stage, _mirrored(way, normal), 0.04) + 0.25 * _diffuse(stage, normal)
    return metal * spots * seen[:, None]


def _diffuse(stage: Stage, normal: Array) -> Array:
    total = np.full(len(normal), stage.ambient, np.float32)
    for lamp in stage.lamps:
        total += lamp[3] * np.maximum(normal @ lamp[:3].astype(np.float32), 0)
    return total


def _wall(stage: Stage, coin: DrawnCoin, hit: Array, height: Array, way: Array) -> Array:
    turn = np.arctan2(hit[:, 1], hit[:, 0])
    lean = 0.5 * np.sin(coin.reeds * turn) if coin.reeds else np.zeros_like(turn)
    normal = np.column_stack([np.cos(turn + lean), np.sin(turn + lean), np.zeros(len(hit), np.float32)])
    mirrored = _mirrored(way, normal.astype(np.float32))
    bench = stage.ground.mean(axis=(0, 1)) * stage.ambient
    from_sky = 0.7 * _sky(stage, mirrored, 0.1) + 0.3 * _diffuse(stage, normal.astype(np.float32)) * 0.6
    down = np.clip(-mirrored[:, 2] * 3 + 0.3, 0, 1)[:, None]
    lit = (1 - down) * from_sky[:, None] + down * bench * (0.4 + 0.6 * height[:, None])
    return coin.metal * lit * (0.35 + 0.65 * height[:, None])


# --- camera ----------------------------------------------------------------------------------------------------


def developed(picture: Array, rng: np.random.Generator) -> Bytes:
    """What a phone makes of linear light (h, w, 3): uint8 RGB, sRGB (IEC 61966-2-1) with a tone curve of its own."""
    picture = cv2.GaussianBlur(picture, (0, 0), float(np.exp(rng.uniform(np.log(0.35), np.log(1.6)))))
    gain = rng.uniform(0.35, 0.95) / max(float(np.quantile(picture, rng.uniform(0.7, 0.995))), 1e-3)
    picture = picture * gain * rng.uniform(0.85, 1.15, 3)
    picture = picture + rng.normal(size=picture.shape) * rng.uniform(0.001, 0.02) * np.sqrt(np.maximum(picture, 0.01))
    picture = np.clip(picture, 0, 1)
    coded = np.where(picture <= 0.0031308, 12.92 * picture, 1.055 * picture ** (1 / 2.4) - 0.055)
    coded = coded + rng.uniform(-0.1, 0.25) * coded * (1 - coded) * (2 * coded - 1)
    if rng.random() < 0.6:
        soft = cv2.GaussianBlur(coded, (0, 0), rng.uniform(0.8, 2.0))
        coded = coded + rng.uniform(0.1, 1.0) * (coded - soft)
    code = np.clip(np.round(255 * coded), 0, 255).astype(np.uint8)
    packed = cv2.imencode(".jpg", code[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 97))])[1]
    return np.ascontiguousarray(cv2.imdecode(packed, cv2.IMREAD_COLOR)[..., ::-1])
