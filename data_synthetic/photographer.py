"""Whoever takes the photo: dark shapes that polished faces mirror, and shadows of what is beyond the frame.

Sizes are those of people and phones at arm's length, common practice, no source.
"""

from __future__ import annotations

import cv2
import numpy as np

from data_synthetic.camera import View
from data_synthetic.lights import HEIGHT, WIDTH, Sphere
from data_synthetic.mesh import Array, Solid, cylinder, lathe, rounded_box, tube
from data_synthetic.spindle import pick, within

MIRRORED_SHARE, SHADOW_SHARE = 0.75, 0.22
LOWEST = 0.15  # sine of the lowest lamp whose light an object is held into


def _ways() -> Array:
    """Unit directions (H, W, 3) of an environment's pixels: azimuth from +y to +x, polar angle from z."""
    v, u = np.mgrid[:HEIGHT, :WIDTH] + 0.5
    polar, azimuth = v / HEIGHT * np.pi, u / WIDTH * 2 * np.pi
    level = np.sin(polar)
    return np.stack([level * np.sin(azimuth), level * np.cos(azimuth), np.cos(polar)], -1)


WAYS = _ways()


def _frame(ahead: Array, roll_rad: float) -> tuple[Array, Array]:
    """Two unit directions (3,) across ``ahead``, turned about it."""
    side = np.cross(ahead, [0.0, 0.0, 1.0] if abs(ahead[2]) < 0.95 else [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side)
    up = np.cross(side, ahead)
    c, s = np.cos(roll_rad), np.sin(roll_rad)
    return c * side + s * up, -s * side + c * up


def _blot(ahead: Array, wide_deg: float, tall_deg: float, *, roll_rad: float = 0.0, squareness: float = 2.0) -> Array:
    """Cover (H, W) in 0..1 of an oval (``squareness`` 2) or rounded oblong about a direction (3,)."""
    across, along = _frame(ahead, roll_rad)
    cover = np.zeros(WAYS.shape[:2])
    before = WAYS @ ahead > 0.05
    near = WAYS[before]
    depth = near @ ahead
    x = np.abs(near @ across) / depth / np.tan(np.radians(wide_deg / 2))
    y = np.abs(near @ along) / depth / np.tan(np.radians(tall_deg / 2))
    x, y = np.minimum(x, 9.0), np.minimum(y, 9.0)
    reach = np.hypot(x, y) if squareness == 2 else (x**squareness + y**squareness) ** (1 / squareness)
    soft = 4.0 / min(wide_deg, tall_deg)
    cover[before] = np.clip((1 - reach) / soft + 0.5, 0, 1)
    return cover


def mirrored(environment: Sphere, view: View, rng: np.random.Generator) -> Sphere:
    """The environment (H, W, 3) with a phone, hands, a head and a body before it, or as it was."""
    if rng.random() > MIRRORED_SHARE:
        return environment
    ahead = -view.lens.rotation[2]
    near = float(np.clip(300 / view.distance_mm, 0.35, 1.6))
    upper = environment[: HEIGHT // 2]
    even = np.minimum(upper, 2 * np.median(upper)).mean((0, 1))  # what a matt surface sends back, about
    roll = within(rng, 0, np.pi)
    foot = np.array([ahead[0], ahead[1], 0.0])
    foot = foot / np.linalg.norm(foot) if np.linalg.norm(foot) > 0.12 else np.array([np.cos(roll), np.sin(roll), 0.0])
    body = ahead * within(rng, 0.25, 0.9) + foot * within(rng, 0.5, 1.0)
    head = ahead + within(rng, 0.1, 0.35) * foot + rng.normal(0, 0.08, 3)
    cloth = within(rng, 0.02, 0.5) * (1 + rng.uniform(-0.3, 0.3, 3))
    skin = within(rng, 0.08, 0.45) * np.array([1.0, 0.75, 0.62])
    pieces = (
        (body, within(rng, 35, 65) * near**0.5, within(rng, 55, 95), 3.0, cloth),
        (head, within(rng, 14, 24) * near, within(rng, 18, 30) * near, 2.0, skin),
        (ahead + rng.normal(0, 0.06, 3), within(rng, 16, 26) * near, within(rng, 9, 16) * near, 2.0, skin),
        (ahead, within(rng, 22, 34) * near, within(rng, 11, 16) * near, 8.0, np.full(3, within(rng, 0.01, 0.08))),
    )
    lit = environment.copy()
    for towards, wide, tall, square, shade in pieces:
        towards = towards / np.linalg.norm(towards)
        turn = roll if square == 8.0 else 0.0
        cover = _blot(towards, min(wide, 110), min(tall, 110), roll_rad=turn, squareness=square)[..., None]
        lit = lit * (1 - cover) + cover * (shade * even)
    return lit.astype(np.float32)


def strongest(environment: Sphere) -> Array | None:
    """Unit direction (3,) of the strongest light of an environment (H, W, 3); None where it is too low."""
    solid = np.sqrt(np.maximum(1 - WAYS[..., 2] ** 2, 0))
    bright = cv2.GaussianBlur(environment.mean(2), (0, 0), 2.0) * solid * (WAYS[..., 2] > LOWEST)
    way = WAYS.reshape(-1, 3)[int(np.argmax(bright))]
    return way if way[2] > LOWEST else None


def _thing(rng: np.random.Generator) -> Solid:
    """A head, a phone, a forearm, a lamp shade or a box, about the origin."""
    kind = pick(rng, {"head": 0.3, "phone": 0.2, "arm": 0.25, "shade": 0.15, "box": 0.1})
    if kind == "head":
        r = within(rng, 35, 90)
        turns = np.linspace(0.05, np.pi - 0.05, 14)
        made = lathe([(r * 0.8 * np.sin(t), -r * np.cos(t)) for t in turns], "cloth", around=32, longest_mm=99)
    elif kind == "phone":
        made = rounded_box((75.0, 155.0, 9.0), "black_plastic", radius_mm=3, corner_mm=10)
    elif kind == "arm":
        path = np.column_stack(
            [np.linspace(-150, 150, 12), np.zeros(12), within(rng, -40, 40) * np.linspace(-1, 1, 12)]
        )
        made = tube(path, within(rng, 12, 80), "cloth", around=20)
    elif kind == "shade":
        made = cylinder(within(rng, 60, 180), -40, 40, "paint", around=40)
    else:
        made = rounded_box((within(rng, 40, 200), within(rng, 40, 200), 60.0), "paint", radius_mm=2)
    across, along = _frame(_direction(rng), within(rng, 0, np.pi))
    turn = np.stack([across, along, np.cross(across, along)], axis=1)
    return made.moved((0, 0, 0), rotation=turn)


def _direction(rng: np.random.Generator) -> Array:
    way = rng.normal(size=3)
    return np.asarray(way / np.linalg.norm(way), float)


def shading(environment: Sphere, view: View, middle_mm: Array, rng: np.random.Generator) -> tuple[Solid, ...]:
    """Something beyond the frame that keeps the strongest light off the bench near ``middle_mm``, or nothing."""
    way = strongest(environment) if rng.random() < SHADOW_SHARE else None
    if way is None:
        return ()
    for _ in range(8):
        thing = _thing(rng)
        around = rng.normal(0, 1, 2)
        edge = middle_mm * (1, 1, 0) + np.append(around / np.linalg.norm(around) * within(rng, 0, 110), 0.0)
        placed = thing.moved(edge + way * within(rng, 150, 420))
        if placed.vertices_mm[:, 2].min() > 60 and not _shown(view, placed.vertices_mm):
            return (placed,)
    return ()


def _shown(view: View, points_mm: Array) -> bool:
    """Whether points (N, 3) may come into the picture, or lie too near to the camera to tell."""
    seen = points_mm @ view.lens.rotation.T + view.lens.translation_mm
    if np.any(np.abs(seen[:, 2]) < 25):
        return True
    ahead = seen[:, 2] > 0
    if not ahead.any():
        return False
    xy = seen[ahead, :2] / seen[ahead, 2:] * view.camera.focal_px
    half = 1.15 * np.array([view.width_px, view.height_px]) / 2
    return bool(np.all(xy.min(0) < half) and np.all(xy.max(0) > -half))
