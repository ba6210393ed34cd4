"""Rooms and skies as environment maps: radiance over all directions, z up, drawn by code.

Families of the evaluation and the calibration split never occur in training.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

HEIGHT, WIDTH = 96, 192
Sphere = NDArray[np.float32]
WARM, NEUTRAL, COOL = (1.0, 0.86, 0.68), (1.0, 0.96, 0.92), (0.88, 0.95, 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """An environment (H, W, 3), the radiance of an even surface's typical surroundings being about 1, and a flash."""

    environment: Sphere
    flash: float = 0.0


def _angles() -> tuple[np.ndarray, np.ndarray]:
    v, u = np.mgrid[:HEIGHT, :WIDTH]
    return 90 - (v + 0.5) / HEIGHT * 180, (u + 0.5) / WIDTH * 360


def _room(rng: np.random.Generator, *, walls: float, ceiling: float, floor: float) -> Sphere:
    """Walls with furniture-like blocks, a ceiling and the dark below the bench."""
    elevation, azimuth = _angles()
    tint = 1 + rng.uniform(-0.06, 0.06, 3)
    sphere = np.full((HEIGHT, WIDTH, 3), walls, np.float32) * tint
    corner = np.abs((azimuth % 90) - 45) / 45
    sphere *= (0.75 + 0.3 * corner)[..., None]
    blend = np.clip((elevation - rng.uniform(28, 42)) / 6, 0, 1)[..., None]
    sphere = sphere * (1 - blend) + ceiling * blend
    for _ in range(int(rng.integers(5, 14))):
        wide, tall = rng.uniform(4, 40), rng.uniform(5, 35)
        place, low = rng.uniform(0, 360), rng.uniform(-25, 20)
        inside = (np.abs((azimuth - place + 180) % 360 - 180) < wide / 2) & (elevation > low) & (elevation < low + tall)
        sphere[inside] = walls * rng.uniform(0.05, 1.5) * (1 + rng.uniform(-0.2, 0.2, 3))
    below = np.clip((-elevation - 2) / 8, 0, 1)[..., None]
    return (sphere * (1 - below) + floor * below).astype(np.float32)


def _patch(
    sphere: Sphere, azimuth_deg: float, elevation_deg: float, wide: float, tall: float, light: np.ndarray
) -> None:
    """Add a rectangular light (window, tube, strip) centred on a direction."""
    elevation, azimuth = _angles()
    across = np.abs((azimuth - azimuth_deg + 180) % 360 - 180) * np.cos(np.radians(np.clip(elevation, -80, 80)))
    upward = np.abs(elevation - elevation_deg)
    inside = np.clip((wide / 2 - across) / 1.5 + 0.5, 0, 1) * np.clip((tall / 2 - upward) / 1.5 + 0.5, 0, 1)
    sphere += (inside[..., None] * light).astype(np.float32)


def _spot(sphere: Sphere, azimuth_deg: float, elevation_deg: float, radius_deg: float, light: np.ndarray) -> None:
    """Add a round light (lamp, sun) centred on a direction."""
    elevation, azimuth = (np.radians(a) for a in _angles())
    a, e = np.radians(azimuth_deg), np.radians(elevation_deg)
    cosine = np.sin(elevation) * np.sin(e) + np.cos(elevation) * np.cos(e) * np.cos(azimuth - a)
    away = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    sphere += (np.clip((radius_deg - away) / 1.2 + 0.5, 0, 1)[..., None] * light).astype(np.float32)


def _colour(rng: np.random.Generator, *choices: tuple[float, float, float]) -> np.ndarray:
    return np.array(choices[int(rng.integers(len(choices)))])


def window(rng: np.random.Generator) -> Light:
    """Daylight from one or two windows, a room behind."""
    sphere = _room(rng, walls=rng.uniform(0.15, 0.5), ceiling=rng.uniform(0.3, 0.8), floor=0.08)
    start = rng.uniform(0, 360)
    for k in range(int(rng.integers(1, 3))):
        _patch(sphere, start + 55 * k, rng.uniform(15, 45), rng.uniform(25, 60), rng.uniform(25, 50),
               _colour(rng, COOL, NEUTRAL) * rng.uniform(4, 14))  # fmt: skip
    return Light(sphere)


def lamps(rng: np.random.Generator) -> Light:
    """Ceiling lamps: hard shadows from one to four small warm or neutral lights."""
    sphere = _room(rng, walls=rng.uniform(0.12, 0.4), ceiling=rng.uniform(0.2, 0.6), floor=0.06)
    for _ in range(int(rng.integers(1, 5))):
        radius = rng.uniform(2.0, 7.0)
        _spot(sphere, rng.uniform(0, 360), rng.uniform(30, 85), radius, _colour(rng, WARM, NEUTRAL) * rng.uniform(
            900, 2200) / radius**2 / 1.5)  # fmt: skip
    return Light(sphere)


def strips(rng: np.random.Generator) -> Light:
    """Workshop tubes in rows."""
    sphere = _room(rng, walls=rng.uniform(0.1, 0.35), ceiling=rng.uniform(0.15, 0.4), floor=0.05)
    start, light = rng.uniform(0, 360), _colour(rng, COOL, NEUTRAL) * rng.uniform(15, 40)
    for k in range(int(rng.integers(2, 5))):
        _patch(sphere, start + 38 * k, rng.uniform(45, 72), rng.uniform(25, 60), rng.uniform(3, 6), light)
    return Light(sphere)


def overcast(rng: np.random.Generator) -> Light:
    """Even sky, soft shadows (a yard, a van's tailgate)."""
    elevation, azimuth = _angles()
    sphere = _room(rng, walls=0.3, ceiling=0.5, floor=0.1)
    sky = np.clip((elevation - rng.uniform(8, 25)) / 10, 0, 1)[..., None]
    side = 1 + 0.35 * np.cos(np.radians(azimuth - rng.uniform(0, 360)))[..., None]
    sphere = sphere * (1 - sky) + sky * side * np.array(COOL) * rng.uniform(1.2, 2.2)
    return Light(sphere.astype(np.float32))


def sun(rng: np.random.Generator) -> Light:
    """Sun with a blue sky or through a window: one hard shadow."""
    sphere = overcast(rng).environment * np.float32(rng.uniform(0.25, 0.6))
    _spot(sphere, rng.uniform(0, 360), rng.uniform(25, 70), 1.8, np.array(NEUTRAL) * rng.uniform(250, 900))
    return Light(sphere)


def torch(rng: np.random.Generator) -> Light:
    """Dim cupboard lit by the phone's own lamp."""
    sphere = _room(rng, walls=rng.uniform(0.04, 0.14), ceiling=rng.uniform(0.04, 0.15), floor=0.03)
    return Light(sphere, flash=float(rng.uniform(4e4, 1.2e5)))


def diffuse(rng: np.random.Generator) -> Light:
    """Bright white room, light from everywhere."""
    sphere = _room(rng, walls=rng.uniform(0.7, 1.1), ceiling=rng.uniform(1.2, 1.8), floor=0.3)
    _patch(sphere, rng.uniform(0, 360), rng.uniform(40, 70), 70, 40, np.array(NEUTRAL) * rng.uniform(1, 3))
    return Light(sphere)


def low_sun(rng: np.random.Generator) -> Light:
    """Sun near the horizon: long hard shadows, warm light against a blue sky."""
    sphere = overcast(rng).environment * np.float32(rng.uniform(0.12, 0.4)) * np.array((0.85, 0.95, 1.15), np.float32)
    strength = rng.uniform(300, 1000)
    _spot(sphere, rng.uniform(0, 360), rng.uniform(10, 26), 1.8, _colour(rng, WARM, NEUTRAL) * strength)
    return Light(sphere.astype(np.float32))


def blinds(rng: np.random.Generator) -> Light:
    """Window behind slats: bright stripes, also in everything polished."""
    sphere = _room(rng, walls=rng.uniform(0.15, 0.4), ceiling=rng.uniform(0.2, 0.6), floor=0.06)
    side, low, slats = rng.uniform(0, 360), rng.uniform(8, 20), int(rng.integers(5, 11))
    pitch, wide = rng.uniform(4, 6), rng.uniform(25, 60)
    light = _colour(rng, COOL, NEUTRAL) * rng.uniform(10, 30)
    for k in range(slats):
        _patch(sphere, side, low + pitch * k, wide, pitch * 0.45, light)
    return Light(sphere)


def phone_flash(rng: np.random.Generator) -> Light:
    """The phone's lamp in an ordinary room: frontal light with the room's own behind it."""
    room = (lamps, diffuse, window)[int(rng.integers(3))](rng).environment
    return Light((room * np.float32(rng.uniform(0.2, 0.6))), flash=float(rng.uniform(3e4, 1.5e5)))


def coloured(rng: np.random.Generator) -> Light:
    """Mixed light: two lamps of different colour, such as an old bulb and a cold tube, or a shop sign."""
    sphere = _room(rng, walls=rng.uniform(0.08, 0.3), ceiling=rng.uniform(0.1, 0.4), floor=0.05)
    side = rng.uniform(0, 360)
    hues = np.array(((1.0, 0.66, 0.36), (0.62, 0.8, 1.0), (0.8, 1.0, 0.8), (1.0, 0.72, 0.8), (0.75, 0.7, 1.0)))
    for k, which in enumerate(rng.choice(len(hues), 2, replace=False)):
        radius = rng.uniform(5, 16)
        strength = rng.uniform(500, 1500) / radius**2
        _spot(sphere, side + 150 * k + rng.uniform(-40, 40), rng.uniform(25, 75), radius, hues[which] * strength)
    return Light(sphere)


def dim(rng: np.random.Generator) -> Light:
    """Evening: one weak warm bulb, everything else nearly dark."""
    sphere = _room(rng, walls=rng.uniform(0.02, 0.08), ceiling=rng.uniform(0.03, 0.1), floor=0.01)
    radius = rng.uniform(3, 9)
    _spot(sphere, rng.uniform(0, 360), rng.uniform(20, 80), radius, np.array(WARM) * rng.uniform(200, 600) / radius**2)
    return Light(sphere)


def ring_light(rng: np.random.Generator) -> Light:
    """Ring or soft box straight above the bench: nearly no shadow, a bright circle in polished faces."""
    sphere = _room(rng, walls=rng.uniform(0.1, 0.4), ceiling=rng.uniform(0.2, 0.5), floor=0.06)
    elevation, _azimuth = _angles()
    inner, wide = rng.uniform(45, 70), rng.uniform(6, 16)
    inside = np.clip((wide / 2 - np.abs(elevation - inner - wide / 2)) / 1.5 + 0.5, 0, 1)[..., None]
    return Light((sphere + inside * _colour(rng, NEUTRAL, COOL) * rng.uniform(3, 9)).astype(np.float32))


def skylight(rng: np.random.Generator) -> Light:
    """Roof window straight above, dark walls."""
    sphere = _room(rng, walls=rng.uniform(0.1, 0.25), ceiling=rng.uniform(0.15, 0.35), floor=0.05)
    _patch(sphere, rng.uniform(0, 360), rng.uniform(62, 80), 30, 22, np.array(COOL) * rng.uniform(10, 25))
    return Light(sphere)


def desk_lamp(rng: np.random.Generator) -> Light:
    """One warm lamp close by, and a far window."""
    sphere = _room(rng, walls=rng.uniform(0.08, 0.2), ceiling=rng.uniform(0.1, 0.25), floor=0.04)
    side = rng.uniform(0, 360)
    _spot(sphere, side, rng.uniform(35, 60), rng.uniform(6, 10), np.array(WARM) * rng.uniform(25, 50))
    _patch(sphere, side + rng.uniform(120, 240), 20, 25, 30, np.array(COOL) * rng.uniform(1, 3))
    return Light(sphere)


def panels(rng: np.random.Generator) -> Light:
    """Square ceiling panels of an office or a shop counter."""
    sphere = _room(rng, walls=rng.uniform(0.3, 0.5), ceiling=rng.uniform(0.4, 0.7), floor=0.1)
    start = rng.uniform(0, 360)
    for k in range(6):
        _patch(sphere, start + 60 * k, rng.uniform(40, 70), 16, 12, np.array(NEUTRAL) * rng.uniform(6, 12))
    return Light(sphere)


def doorway(rng: np.random.Generator) -> Light:
    """Open door of a garage or yard: one tall bright field down to the floor, the rest dark."""
    sphere = _room(rng, walls=rng.uniform(0.06, 0.2), ceiling=rng.uniform(0.06, 0.2), floor=0.04)
    side, wide = rng.uniform(0, 360), rng.uniform(45, 100)
    _patch(
        sphere, side, rng.uniform(8, 18), wide, rng.uniform(30, 50), _colour(rng, COOL, NEUTRAL) * rng.uniform(4, 12)
    )
    return Light(sphere)


def pendants(rng: np.random.Generator) -> Light:
    """Many small warm lamps at different heights, as in a bathroom mirror or a restaurant."""
    sphere = _room(rng, walls=rng.uniform(0.1, 0.3), ceiling=rng.uniform(0.1, 0.3), floor=0.05)
    count = int(rng.integers(6, 14))
    for place in np.arange(count) * rng.uniform(9, 26) + rng.uniform(0, 360):
        radius = rng.uniform(1.5, 3.5)
        light = np.array(WARM) * rng.uniform(900, 1800) / radius**2 / count
        _spot(sphere, place, rng.uniform(15, 65), radius, light)
    return Light(sphere)


def corridor(rng: np.random.Generator) -> Light:
    """A row of lamps that runs away along one line overhead, bare walls close by."""
    sphere = _room(rng, walls=rng.uniform(0.3, 0.7), ceiling=rng.uniform(0.15, 0.35), floor=0.08)
    side, light = rng.uniform(0, 360), _colour(rng, WARM, COOL, NEUTRAL) * rng.uniform(8, 20)
    for k, up in enumerate((80, 62, 46, 34, 26)):
        _patch(sphere, side + 180 * (k % 2 == 0) * (k < 2), up, 26 - 4 * k, 8 - k, light)
    return Light(sphere)


#: Families of lights by split; no split shares one with another.
FAMILIES: dict[str, dict[str, Callable[[np.random.Generator], Light]]] = {
    "training": {
        "window": window, "lamps": lamps, "strips": strips, "overcast": overcast, "sun": sun, "torch": torch,
        "diffuse": diffuse, "low-sun": low_sun, "blinds": blinds, "phone-flash": phone_flash, "coloured": coloured,
        "dim": dim, "ring-light": ring_light,
    },
    "evaluation": {"skylight": skylight, "desk-lamp": desk_lamp, "panels": panels},
    "calibration": {"doorway": doorway, "pendants": pendants, "corridor": corridor},
}  # fmt: skip


def lit(rng: np.random.Generator, family: str) -> Light:
    """A light of a family, turned at random about the vertical."""
    light = next(found[family] for found in FAMILIES.values() if family in found)(rng)
    shifted = np.roll(light.environment, int(rng.integers(WIDTH)), axis=1)
    softened = cv2.GaussianBlur(shifted, (3, 3), 0.5) if family not in ("sun", "low-sun") else shifted
    return Light(np.maximum(softened, 1e-3), light.flash)
