"""What surfaces look like: colour, roughness and metalness of each material, and wear that varies over a part.

Colours are linear reflectances. Metals are jittered in brightness only, never in hue: a hue shift turns chrome pink.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_synthetic.mesh import Array, Solid

#: material: linear colour, roughness low, roughness high, metalness
LOOKS: dict[str, tuple[tuple[float, float, float], float, float, float]] = {
    "brass": ((0.74, 0.54, 0.24), 0.22, 0.42, 1.0),
    "bright_brass": ((0.85, 0.64, 0.30), 0.08, 0.22, 1.0),
    "bronze": ((0.55, 0.37, 0.20), 0.25, 0.50, 1.0),
    "copper": ((0.82, 0.47, 0.32), 0.15, 0.35, 1.0),
    "chrome": ((0.66, 0.67, 0.68), 0.06, 0.14, 1.0),
    "satin_nickel": ((0.58, 0.55, 0.50), 0.22, 0.38, 1.0),
    "steel": ((0.55, 0.55, 0.54), 0.15, 0.35, 1.0),
    "zinc": ((0.50, 0.51, 0.53), 0.28, 0.50, 1.0),
    "cast_iron": ((0.16, 0.15, 0.15), 0.40, 0.65, 0.6),
    "gold": ((0.90, 0.68, 0.30), 0.06, 0.18, 1.0),
    "white_plastic": ((0.78, 0.77, 0.73), 0.25, 0.50, 0.0),
    "grey_plastic": ((0.26, 0.27, 0.28), 0.25, 0.50, 0.0),
    "black_plastic": ((0.022, 0.022, 0.024), 0.20, 0.45, 0.0),
    "coloured_plastic": ((0.50, 0.05, 0.04), 0.20, 0.45, 0.0),
    "clear_plastic": ((0.55, 0.56, 0.55), 0.12, 0.30, 0.0),
    "ceramic": ((0.82, 0.82, 0.80), 0.06, 0.18, 0.0),
    "ceramic_disc": ((0.72, 0.70, 0.65), 0.12, 0.30, 0.0),
    "rubber": ((0.018, 0.018, 0.019), 0.40, 0.65, 0.0),
    "coloured_rubber": ((0.40, 0.06, 0.04), 0.35, 0.60, 0.0),
    "fibre": ((0.36, 0.12, 0.07), 0.60, 0.85, 0.0),
    "cable": ((0.025, 0.025, 0.027), 0.30, 0.55, 0.0),
    "wood": ((0.42, 0.25, 0.12), 0.40, 0.70, 0.0),
    "paper": ((0.80, 0.79, 0.76), 0.70, 0.90, 0.0),
    "cloth": ((0.45, 0.45, 0.48), 0.80, 0.95, 0.0),
    "glass": ((0.10, 0.12, 0.12), 0.03, 0.08, 0.0),
    "mirror": ((0.75, 0.76, 0.77), 0.02, 0.04, 1.0),
    "tile": ((0.75, 0.75, 0.73), 0.06, 0.25, 0.0),
    "paint": ((0.60, 0.60, 0.58), 0.35, 0.65, 0.0),
    "limescale": ((0.68, 0.66, 0.60), 0.70, 0.95, 0.0),
    "verdigris": ((0.14, 0.36, 0.29), 0.70, 0.95, 0.0),
    "grease": ((0.30, 0.22, 0.10), 0.10, 0.25, 0.0),
    "tape": ((0.80, 0.80, 0.79), 0.45, 0.65, 0.0),
}
METAL_JITTER, OTHER_JITTER = 0.14, 0.25
TARNISHING = ("brass", "bright_brass", "bronze", "copper")


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """A mesh ready to render: vertices (N, 3) [mm], faces (M, 3), normals (N, 3), uv (N, 2) or None.

    ``base`` (N, 3) linear colour, ``rough`` (N,), ``metal`` (N,).
    """

    vertices_mm: Array
    faces: NDArray[np.int64]
    normals: Array
    base: Array
    rough: Array
    metal: Array
    uv: Array | None = None


@dataclass(frozen=True, slots=True)
class Wear:
    """How worn a part is, each 0..1: scale (limescale), patina (verdigris), dull (tarnish and scuffs), grease."""

    scale: float = 0.0
    patina: float = 0.0
    dull: float = 0.0
    grease: float = 0.0


def any_wear(rng: np.random.Generator) -> Wear:
    """Wear as found: a third new, the rest mixed."""
    if rng.random() < 0.35:
        return Wear(dull=float(rng.uniform(0, 0.25)))
    scale, patina, dull, grease = rng.random(4) ** 1.6
    return Wear(
        scale=float(scale * (rng.random() < 0.55)),
        patina=float(patina * (rng.random() < 0.4)),
        dull=float(dull),
        grease=float(grease * (rng.random() < 0.25)),
    )


def linear(srgb: Array | tuple[float, ...]) -> Array:
    """Linear light of sRGB values in 0..1 (IEC 61966-2-1)."""
    c = np.asarray(srgb, float)
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def noise(points_mm: Array, wavelength_mm: float, rng: np.random.Generator, *, waves: int = 14) -> Array:
    """Smooth noise (N,) of about zero mean and unit spread at points (N, 3): a sum of random waves."""
    directions = rng.normal(size=(waves, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    numbers = 2 * np.pi / wavelength_mm * rng.uniform(0.5, 1.9, (waves, 1)) * directions
    phases = points_mm.astype(np.float32) @ numbers.T.astype(np.float32)
    phases += rng.uniform(0, 2 * np.pi, waves).astype(np.float32)
    return np.cos(phases).sum(1).astype(float) * np.sqrt(2 / waves)


def _blend(values: Array, share: Array, target: Array | float) -> Array:
    weight = share if values.ndim == 1 else share[:, None]
    return values * (1 - weight) + np.asarray(target) * weight


def _worn(solid: Solid, base: Array, rough: Array, metal: Array, wear: Wear, rng: np.random.Generator) -> None:
    points, metallic = solid.vertices_mm, LOOKS[solid.material][3] > 0.5
    patch = noise(points, 9.0, rng) * 0.7 + noise(points, 2.5, rng) * 0.5
    if metallic and wear.dull:
        share = np.clip(0.5 + 0.5 * patch, 0, 1) * wear.dull
        brown = np.array([0.55, 0.45, 0.36]) if solid.material in TARNISHING else np.array([0.72, 0.70, 0.68])
        base[:] = base * (1 - share[:, None] * (1 - brown))
        rough[:] = np.clip(rough + 0.35 * share, 0.02, 1)
    layers = [(wear.scale, "limescale", 1.0, True), (wear.grease, "grease", 0.8, True)]
    if solid.material in TARNISHING:
        layers.append((wear.patina, "verdigris", 1.2, True))
    for amount, name, sharp, _ in layers:
        if amount <= 0.02:
            continue
        cloud = noise(points, 7.0, rng) * 0.6 + noise(points, 2.0, rng) * 0.6
        share = np.clip((cloud - 2.0 * (1 - amount) + 0.35) * 2.2 * sharp, 0, 1) * (0.35 + 0.6 * amount)
        share = share if metallic else 0.35 * share  # moulded and rubber faces shed most of it
        colour, low, high, _metal = LOOKS[name]
        base[:] = _blend(base, share, np.array(colour) * rng.uniform(0.75, 1.1))
        rough[:] = _blend(rough, share, rng.uniform(low, high))
        metal[:] = _blend(metal, share, 0.0)


def surface(
    solids: tuple[Solid, ...], rng: np.random.Generator, *, wear: Wear | None = None, jitter: float = 1.0
) -> Surface:
    """All solids of one object as one surface; equal materials get equal jitter, wear varies over the surface."""
    wear = Wear() if wear is None else wear
    jitters = {
        name: (rng.uniform(-1, 1) * jitter, rng.random(), 1 + rng.uniform(-0.04, 0.04, 3) * jitter)
        for name in dict.fromkeys(piece.material for piece in solids)
    }
    pieces, offset = [], 0
    faces = []
    for piece in solids:
        colour, low, high, metalness = LOOKS[piece.material]
        bright, place, hue = jitters[piece.material]
        count = len(piece.vertices_mm)
        flat = np.array(colour) if piece.tint is None else linear(piece.tint)
        if metalness > 0.5:
            flat = flat * (1 + METAL_JITTER * bright)
        else:
            flat = flat * (1 + OTHER_JITTER * bright) * hue
        base = np.tile(flat, (count, 1))
        rough = np.full(count, low + (high - low) * place if piece.roughness is None else piece.roughness)
        metal = np.full(count, metalness)
        _worn(piece, base, rough, metal, wear, rng)
        pieces.append((piece.vertices_mm, piece.normals, base, rough, metal))
        faces.append(piece.faces + offset)
        offset += count
    vertices, normals, base, rough, metal = (np.concatenate(column) for column in zip(*pieces, strict=True))
    return Surface(
        vertices, np.concatenate(faces), normals, np.clip(base, 0.004, 0.95), np.clip(rough, 0.03, 1.0), metal
    )
