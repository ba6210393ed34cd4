"""Light as a rasteriser wants it: a studio's soft boxes, lamps with a direction each, an environment blurred in steps.

Directions are of the world, z up; the picture of the environment is laid out as the path tracer's, azimuth from +y.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from data_synthetic.mesh import Array
from data_synthetic.render import Plane
from data_synthetic.spindle import within

STEPS = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)  # roughnesses of the blurred environments; a seventh is the cosine lobe's
LAMPS = 3
STUDIO_SHARE = 0.65
BEYOND_MM = 2500.0  # how far behind what throws a shadow it still falls
Sphere = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Lamp:
    """Parallel light: unit direction towards it (3,), irradiance across the beam (3,), angular radius [rad]."""

    towards: Array
    irradiance: Array
    radius_rad: float


@cache
def directions(height: int, width: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Directions (H, W, 3) of an environment's pixels and their solid angles (H, W) [sr]."""
    v, u = np.mgrid[:height, :width] + 0.5
    polar, azimuth = v / height * np.pi, u / width * 2 * np.pi
    ring = np.sin(polar)
    way = np.stack([ring * np.sin(azimuth), ring * np.cos(azimuth), np.cos(polar)], -1)
    return way.astype(np.float32), (ring * np.pi / height * 2 * np.pi / width).astype(np.float32)


def towards(azimuth_rad: float, elevation_rad: float) -> Array:
    """Unit direction (3,) at an azimuth from +x and an elevation."""
    level = np.cos(elevation_rad)
    return np.array([level * np.cos(azimuth_rad), level * np.sin(azimuth_rad), np.sin(elevation_rad)])


def soft_box(shape: tuple[int, int], way: Array, wide_rad: float, tall_rad: float) -> Sphere:
    """A rectangular light (H, W), 1 inside, its edges one pixel soft, centred on a direction (3,)."""
    around, _ = directions(*shape)
    side = np.cross([0.0, 0.0, 1.0], way)
    side /= max(float(np.linalg.norm(side)), 1e-6)
    ahead = np.maximum(around @ way, 1e-6)
    across, along = around @ side / ahead, around @ np.cross(way, side) / ahead
    soft = np.pi / shape[0]
    inside = [np.clip((np.tan(size / 2) - np.abs(at)) / soft + 0.5, 0, 1)
              for size, at in ((wide_rad, across), (tall_rad, along))]  # fmt: skip
    return (inside[0] * inside[1] * (around @ way > 0)).astype(np.float32)


def with_studio(environment: Sphere, camera_azimuth_rad: float, rng: np.random.Generator) -> Sphere:
    """The environment (H, W, 3) dimmed, with a key, a fill and a rim light set about the camera's azimuth [rad]."""
    if rng.random() > STUDIO_SHARE:
        return environment
    _, solid = directions(*environment.shape[:2])
    lit = environment * np.float32(within(rng, 0.3, 1.0))
    mean = float((lit.mean(2) * solid).sum() / (4 * np.pi))
    side = 1 if rng.random() < 0.5 else -1
    key = within(rng, 1.0, 4.0)
    #: turn from the camera [rad], elevation [rad], size [rad], share of the key's power
    plan = (
        (side * within(rng, 0.3, 1.2), within(rng, 0.6, 1.2), within(rng, 0.2, 0.9), key),
        (-side * within(rng, 0.5, 1.6), within(rng, 0.3, 1.0), within(rng, 0.5, 1.2), key * within(rng, 0.1, 0.5)),
        (np.pi + within(rng, -0.8, 0.8), within(rng, 0.25, 0.8), within(rng, 0.15, 0.5), key * within(rng, 0.1, 0.8)),
    )
    for turn, elevation, size, power in plan:
        box = soft_box(lit.shape[:2], towards(camera_azimuth_rad + turn, elevation), size,
                       size * within(rng, 0.4, 1.3))  # fmt: skip
        warm = within(rng, -0.12, 0.12)
        strength = power * mean * np.pi / max(float((box * solid).sum()), 1e-3)
        lit = lit + box[..., None] * (strength * np.array([1 + warm, 1.0, 1 - warm]))
    return lit.astype(np.float32)


def met(plane: Plane | None, place_mm: Array, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Which directions (H, W) meet a plane when looked along from a place (3,) [mm]."""
    if plane is None:
        return np.zeros(shape, bool)
    corner = plane.corners_mm[0]
    edges = plane.corners_mm[[1, 3]] - corner
    normal = np.cross(*edges)
    around, _ = directions(*shape)
    along = around.astype(float) @ normal
    reach = ((corner - place_mm) @ normal) / np.where(np.abs(along) < 1e-9, 1e-9, along)
    at = (place_mm + reach[..., None] * around - corner) @ (edges / (edges**2).sum(1, keepdims=True)).T
    return (reach > 0) & np.all((at > 0) & (at < 1), axis=-1)


def irradiance(environment: Sphere, normal: Array) -> Array:
    """Irradiance (3,) of a surface with a normal (3,) under an environment (H, W, 3)."""
    around, solid = directions(*environment.shape[:2])
    return np.einsum("hwc,hw->c", environment, np.maximum(around @ normal, 0) * solid).astype(float)


def without_lamps(environment: Sphere) -> tuple[Sphere, list[Lamp]]:
    """The environment (H, W, 3) with its small bright lights cut down, and these as lamps, strongest first."""
    around, solid = directions(*environment.shape[:2])
    rest, lamps = environment.copy(), []
    total = float((environment.mean(2) * solid).sum())
    for _ in range(LAMPS):
        bright = cv2.GaussianBlur(rest.mean(2), (0, 0), 2.0, borderType=cv2.BORDER_REPLICATE) * (solid > 0)
        way = around.reshape(-1, 3)[int(np.argmax(bright))]
        near = around @ way > np.cos(0.45)
        base = np.minimum(rest, 1.5 * np.median(rest[near], axis=0))
        base = np.where(near[..., None], np.minimum(base, 2.0 * rest.mean((0, 1))), rest)
        excess = (rest - base).mean(2) * solid
        power = float(excess.sum())
        if power < 0.05 * total:
            break
        centre = (around * excess[..., None]).sum((0, 1)).astype(float)
        centre /= np.linalg.norm(centre)
        spread = float((excess * np.arccos(np.clip(around @ centre, -1, 1)) ** 2).sum() / power)
        lamps.append(Lamp(centre, ((rest - base) * solid[..., None]).sum((0, 1)).astype(float), np.sqrt(2 * spread)))
        rest = base.astype(np.float32)
    return rest, lamps


def lamp_matrix(lamp: Lamp, points_mm: Array) -> tuple[Array, float, float]:
    """World to the clip space (4, 4) of a lamp that sees points (N, 3); width and depth of that space [mm]."""
    side = np.cross([0.0, 0.0, 1.0] if abs(lamp.towards[2]) < 0.9 else [1.0, 0.0, 0.0], lamp.towards)
    side /= np.linalg.norm(side)
    axes = np.stack([side, np.cross(lamp.towards, side), -lamp.towards])
    low, high = (points_mm @ axes.T).min(0), (points_mm @ axes.T).max(0)
    middle, wide = (low + high) / 2, 1.1 * float((high - low)[:2].max()) + 2.0
    start, deep = low[2] - 5.0, float(high[2] - low[2]) + 5.0 + BEYOND_MM
    matrix = np.eye(4)
    matrix[:2, :3], matrix[:2, 3] = axes[:2] * 2 / wide, -middle[:2] * 2 / wide
    matrix[2, :3], matrix[2, 3] = axes[2] * 2 / deep, -start * 2 / deep - 1
    return matrix, wide, deep


@cache
def _lobe(power: float, coarse: tuple[int, int], fine: tuple[int, int]) -> NDArray[np.float32]:
    """Weights (coarse pixels, fine pixels) of a lobe cos^power about each coarse direction; rows add up to 1."""
    wanted, (around, solid) = directions(*coarse)[0].reshape(-1, 3), directions(*fine)
    cosine = np.clip(wanted @ around.reshape(-1, 3).T, 1e-6, 1)
    weights = np.exp(power * np.log(cosine)) * solid.reshape(-1)
    return (weights / weights.sum(1, keepdims=True)).astype(np.float32)


def blurred(environment: Sphere, cosine_of: Sphere) -> NDArray[np.float32]:
    """Environments (7, H, W, 3): seen in surfaces of the roughnesses ``STEPS``, then ``cosine_of`` in matt white.

    A microfacet lobe of width alpha = roughness^2 is about cos^(2 / alpha^2 - 2) about the half vector, four times
    as wide about the mirror direction (Blinn 1977; Walter et al. 2007).
    """
    height, width = environment.shape[:2]
    half = cv2.resize(environment, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    matt = cv2.resize(cosine_of, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    layers = [environment]
    for rough, source in [(step, half) for step in STEPS[1:]] + [(None, matt)]:
        power = 1.0 if rough is None else max((2 / rough**4 - 2) / 4, 1.0)
        coarse = (height // 2, width // 2) if power > 20 else (height // 4, width // 4)
        table = _lobe(power, coarse, source.shape[:2])
        small = (table @ source.reshape(-1, 3)).reshape(*coarse, 3)
        wide = cv2.copyMakeBorder(small, 0, 0, 2, 2, cv2.BORDER_WRAP)
        scale = height // coarse[0]
        large = cv2.resize(wide, None, fx=scale, fy=scale, interpolation=cv2.INTER_LINEAR)
        layers.append(large[:, 2 * scale : -2 * scale])
    return np.stack(layers).astype(np.float32)
