"""What surfaces look like: colour, roughness and metalness of each material, and wear that varies over a part.

Colours are linear reflectances. White metals are jittered in brightness only, never in hue: a hue shift turns chrome
pink. Copper alloys also vary from reddish to greenish yellow, as their zinc does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from data_synthetic.liveries import restyled
from data_synthetic.mesh import Array, Solid, joined

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
    "skin": ((0.46, 0.29, 0.21), 0.42, 0.65, 0.0),
}
METAL_JITTER, OTHER_JITTER = 0.14, 0.25
TARNISHING = ("brass", "bright_brass", "bronze", "copper")
PLATED = ("chrome", "satin_nickel", "gold")  # brass shows where the plating is gone
RESTYLED_SHARE = 0.6


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
    """How worn a part is, each 0..1.

    ``scale`` limescale, ``patina`` verdigris, ``dull`` tarnish, ``grease``, ``scuffs``, ``bared`` (plating gone).
    """

    scale: float = 0.0
    patina: float = 0.0
    dull: float = 0.0
    grease: float = 0.0
    scuffs: float = 0.0
    bared: float = 0.0


def any_wear(rng: np.random.Generator) -> Wear:
    """Wear as found: nearly half new, the rest mixed; most lime is a thin film, a few parts are heavily scaled."""
    if rng.random() < 0.45:
        return Wear(dull=float(rng.uniform(0, 0.25)), scuffs=float(rng.uniform(0, 0.3)))
    patina, dull, grease, scuffs, bared = rng.random(5) ** 1.6
    scale = rng.uniform(0.6, 1.0) if rng.random() < 0.12 else 0.5 * rng.random() ** 1.5
    return Wear(
        scale=float(scale * (rng.random() < 0.4)),
        patina=float(patina * (rng.random() < 0.3)),
        dull=float(dull),
        grease=float(grease * (rng.random() < 0.3)),
        scuffs=float(scuffs),
        bared=float(bared * (rng.random() < 0.15)),
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


def places(points_mm: Array, rng: np.random.Generator) -> Array:
    """How likely dirt settles at points (N, 3), about 0..1: in recesses about the long axis, and towards one end."""
    away = points_mm - points_mm.mean(0)
    axis = np.linalg.svd(away.T @ away)[0][:, 0]
    along = away @ axis
    along = (along - along.min()) / max(float(np.ptp(along)), 1e-6)
    radius = np.linalg.norm(away - np.outer(away @ axis, axis), axis=1)
    cells = 24
    cell = np.minimum((along * cells).astype(int), cells - 1)
    widest = np.zeros(cells)
    np.maximum.at(widest, cell, radius)
    widest = maximum_filter1d(widest, 11)
    recess = 1 - radius / np.maximum(widest[cell], 1e-6)
    end = rng.choice([0.0, 1.0, rng.uniform(0.2, 0.8)])
    return np.clip(0.9 * recess + 0.8 * np.exp(-(((along - end) / rng.uniform(0.15, 0.4)) ** 2)), 0, 1.3)


def _worn(solids: tuple[Solid, ...], paint: _Paint, wear: Wear, rng: np.random.Generator) -> None:
    """Lay wear over an object's colours, in place."""
    if max(wear.scale, wear.patina, wear.dull, wear.grease, wear.scuffs, wear.bared) <= 0.02:
        return
    counts = [len(piece.vertices_mm) for piece in solids]
    points = np.concatenate([piece.vertices_mm for piece in solids])
    tarnishing = np.repeat([piece.material in TARNISHING for piece in solids], counts)
    metallic = np.repeat([LOOKS[piece.material][3] > 0.5 for piece in solids], counts)
    settle, coarse, fine = places(points, rng), noise(points, 8.0, rng), noise(points, 3.0, rng)
    if wear.bared > 0.02:
        plated = np.repeat([piece.material in PLATED for piece in solids], counts)
        share = np.clip((coarse + 0.5 * fine - 2.2 * (1 - wear.bared)) * 2, 0, 1) * plated
        paint.blend(share, np.array(LOOKS["brass"][0]) * 0.8, 0.4, 1.0)
    if wear.dull > 0.02:
        share = np.clip(0.5 + 0.35 * coarse + 0.25 * fine, 0, 1) * wear.dull * metallic
        brown = np.where(tarnishing[:, None], [0.55, 0.45, 0.36], [0.72, 0.70, 0.68])
        paint.base[:] *= 1 - share[:, None] * (1 - brown)
        paint.rough[:] += 0.35 * share
    if wear.scuffs > 0.02:
        mark = np.clip(noise(points * [1.0, 1.0, 0.3], 2.2, rng) - 2.6 + 1.8 * wear.scuffs, 0, 1)
        paint.base[:] *= (1 + mark * rng.uniform(-0.35, 0.3))[:, None]
        paint.rough[:] += 0.3 * mark
    holds_lime = np.where(metallic, 1.0, 0.25)  # moulded faces shed most of it
    layers = ((wear.patina, "verdigris", tarnishing * 1.0, 1.0), (wear.grease, "grease", 1.0, rng.uniform(0.1, 1.0)),
              (wear.scale, "limescale", holds_lime, 1.0))  # fmt: skip
    for amount, name, takes, dark in layers:
        if amount <= 0.02:
            continue
        cloud = 0.35 * noise(points, 6.0, rng) + 0.45 * fine + 1.5 * (settle - 0.4)
        share = np.clip((cloud - 2.2 * (1 - amount) + 0.5) * 1.4, 0, 1) * (0.25 + 0.65 * amount) * takes
        colour, low, high, _metal = LOOKS[name]
        paint.blend(share, np.array(colour) * rng.uniform(0.75, 1.1) * dark, rng.uniform(low, high), 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class _Paint:
    """Colour (N, 3), roughness (N,) and metalness (N,) of an object's vertices."""

    base: Array
    rough: Array
    metal: Array

    def blend(self, share: Array, base: Array, rough: float, metal: float) -> None:
        """Cover a share (N,) with another surface, in place."""
        self.base[:] = _blend(self.base, share, base)
        self.rough[:] = _blend(self.rough, share, rough)
        self.metal[:] = _blend(self.metal, share, metal)


def _clean(solids: tuple[Solid, ...], rng: np.random.Generator, jitter: float) -> _Paint:
    """The object as made; equal materials get equal jitter."""
    draws = {
        name: (rng.uniform(-1, 1) * jitter, rng.random(), 1 + rng.uniform(-0.04, 0.04, 3) * jitter,
               2.0 ** (rng.normal(0, 0.4) * jitter), rng.uniform(-1, 1) * jitter)
        for name in dict.fromkeys(piece.material for piece in solids)
    }  # fmt: skip
    base, rough, metal = [], [], []
    for piece in solids:
        colour, low, high, metalness = LOOKS[piece.material]
        bright, place, hue, polish, zinc = draws[piece.material]
        flat = np.array(colour) if piece.tint is None else linear(piece.tint)
        flat = flat * (1 + METAL_JITTER * bright) if metalness > 0.5 else flat * (1 + OTHER_JITTER * bright) * hue
        if piece.material in TARNISHING and piece.tint is None:
            flat = flat * (1.0, 1 + 0.06 * zinc, 1 + 0.22 * zinc)
        count = len(piece.vertices_mm)
        base.append(np.tile(flat, (count, 1)))
        drawn = max((low + (high - low) * place) * polish, low)  # smoother metal only adds bright specks
        rough.append(np.full(count, drawn if piece.roughness is None else piece.roughness))
        metal.append(np.full(count, metalness))
    return _Paint(*(np.concatenate(column) for column in (base, rough, metal)))


def surface(
    solids: tuple[Solid, ...], rng: np.random.Generator, *, wear: Wear | None = None, jitter: float = 1.0,
    restyle: float = RESTYLED_SHARE,
) -> Surface:  # fmt: skip
    """All solids of one object as one surface; wear varies over it, ``restyle`` is the chance of other materials."""
    if rng.random() < restyle:
        solids = restyled(solids, rng)
    paint = _clean(solids, rng, jitter)
    if wear is not None:
        _worn(solids, paint, wear, rng)
    return Surface(*joined(solids), np.clip(paint.base, 0.004, 0.95), np.clip(paint.rough, 0.03, 1.0), paint.metal)
