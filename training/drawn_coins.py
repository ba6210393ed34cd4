"""Coins on a bench, drawn by casting rays: exact rims with lip, bevel, relief, side wall, shadows, glare and wear.

Nothing here is taken from photos: sizes of lips, roundings and roughness are drawn at random over what coins have.
``Stage`` holds what is in view; ``light`` gives linear light of a window of the picture, ``developed`` what a phone's
camera makes of it (blur, sharpening, noise, tone curve, JPEG).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]
Bytes = NDArray[np.uint8]
METALS = ((0.95, 0.62, 0.42), (0.9, 0.72, 0.38), (0.85, 0.82, 0.74), (0.75, 0.75, 0.75), (0.55, 0.4, 0.25))
GROUNDS = ((0.7, 0.66, 0.6), (0.3, 0.14, 0.07), (0.12, 0.06, 0.04), (0.5, 0.3, 0.18), (0.35, 0.05, 0.07), (0.4, 0.4, 0.4))
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


# --- at random -------------------------------------------------------------------------------------------------


def random_relief(rng: np.random.Generator) -> Array:
    """Slopes (RELIEF_PX, RELIEF_PX, 2) of a struck face: figures, lines, beads, portraits, circles."""
    size = RELIEF_PX
    struck = np.zeros((size, size), np.uint8)
    middle = size / 2
    for _ in range(rng.integers(0, 4)):
        place = tuple(int(v) for v in rng.uniform(0.2 * size, 0.6 * size, 2))
        cv2.putText(struck, str(rng.integers(1, 99)), place, int(rng.integers(0, 5)), rng.uniform(1, 3), 255, int(rng.integers(2, 9)))
    for _ in range(rng.integers(0, 5)):
        ends = rng.uniform(0.2 * size, 0.8 * size, (2, 2)).astype(int)
        cv2.line(struck, tuple(map(int, ends[0])), tuple(map(int, ends[1])), 255, int(rng.integers(1, 4)))
    if rng.random() < 0.6:
        count, share = int(rng.integers(8, 80)), rng.uniform(0.6, 0.93)
        for turn in 2 * np.pi * np.arange(count) / count:
            place = (int(middle * (1 + share * math.cos(turn))), int(middle * (1 + share * math.sin(turn))))
            cv2.circle(struck, place, int(rng.integers(1, 5)), 255, -1)
    for _ in range(rng.integers(0, 3)):
        cv2.circle(struck, (int(middle), int(middle)), int(middle * rng.uniform(0.5, 0.94)), 255, int(rng.integers(1, 4)))
    bumps = cv2.GaussianBlur(rng.normal(size=(size, size)).astype(np.float32), (0, 0), rng.uniform(3, 12))
    bumps *= (np.hypot(*np.mgrid[-1 : 1 : size * 1j, -1 : 1 : size * 1j]) < rng.uniform(0.4, 0.9)) / bumps.std()
    height = cv2.GaussianBlur(struck / np.float32(255) + rng.uniform(0, 0.5) * bumps.astype(np.float32), (0, 0), rng.uniform(0.8, 2.0))
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
    height = np.full(len(way), -1.0, np.float32)
    for coin in sorted(stage.coins, key=lambda each: each.base_mm):
        _paint(stage, coin, place, way, result, height)
    result = result.reshape(len(rows), len(columns), 3)
    return cv2.resize(result, (right - left, bottom - top), interpolation=cv2.INTER_AREA)


def _ground(stage: Stage, place: Array, way: Array) -> Array:
    at = place[:2] - way[:, :2] * (place[2] / way[:, 2:])
    size = len(stage.ground)
    where = np.mod(at / stage.ground_mm, 2.0)
    where = np.where(where > 1, 2 - where, where) * (size - 1)
    where = where.astype(np.float32)
    colour = _looked_up(stage.ground, where)
    lit = np.full(len(at), stage.ambient, np.float32)
    shade = np.ones(len(at), np.float32)
    near = np.zeros(len(at), bool)
    for coin in stage.coins:
        away = np.hypot(at[:, 0] - coin.x_mm, at[:, 1] - coin.y_mm) - coin.radius_mm
        near |= away < 12 * coin.thickness_mm
        if coin.base_mm == 0:
            shade *= 1 - 0.55 * np.exp(-np.maximum(away, 0) / (0.4 * coin.thickness_mm))
    lit *= shade
    for lamp in stage.lamps:
        free = np.ones(len(at), np.float32)
        reach = lamp[:2] / lamp[2]
        for coin in stage.coins:
            free[near] = np.minimum(free[near], _unshaded(coin, at[near], reach, lamp[4]))
        lit += lamp[3] * lamp[2] * free
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
        total = total + lobe[3] * min(1.0, (sharp / lobe[4]) ** 0.5) * np.exp(sharp * (way @ lobe[:3].astype(np.float32) - 1))
    return total


def _looked_up(table: Array, where: Array) -> Array:
    if not len(where):
        return np.zeros((0, *table.shape[2:]), np.float32)
    side = 16384
    parts = [
        cv2.remap(table, part[:, None, 0].copy(), part[:, None, 1].copy(), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
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


def _paint(stage: Stage, coin: DrawnCoin, place: Array, way: Array, result: Array, height: Array) -> None:
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
        steep = steep + 0.4 * np.sin((share - coin.core_share) / 0.006) * np.exp(-(((share - coin.core_share) / 0.008) ** 2))
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
    return Stage(focal, centre, rotation, translation, tuple(coins), random_ground(rng), rng.uniform(30, 120), lobes, ambient, lamps, shine)
