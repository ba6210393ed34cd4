"""Walls of real tiles or bricks with joints, and the plain wall and floor behind everything.

Sizes are common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from data_synthetic import mesh
from data_synthetic.mesh import Solid
from data_synthetic.tap_shapes import (
    Rng,
    Solids,
    Tint,
    between,
)

THICK_MM = 7.0


def joined(pieces: Solids) -> Solid:
    """Many pieces of one material as one solid."""
    count = np.cumsum([0, *[len(p.vertices_mm) for p in pieces]])
    return replace(
        pieces[0],
        vertices_mm=np.concatenate([p.vertices_mm for p in pieces]),
        faces=np.concatenate([p.faces + shift for p, shift in zip(pieces, count[:-1], strict=True)]),
        normals=np.concatenate([p.normals for p in pieces]),
    )


TILES_MM = ((150, 75), (200, 100), (100, 100), (150, 150), (200, 200), (300, 100), (300, 600), (250, 400), (60, 60))
BRICKS = ((0.5, 0.25, 0.18), (0.55, 0.4, 0.28), (0.42, 0.36, 0.33))


def _laid(
    rng: Rng, tile: Solid, size_mm: tuple[float, float], joint_mm: float, *, bond: bool, half_width_mm: float,
    z_mm: tuple[float, float],
) -> list[Solid]:  # fmt: skip
    """Copies of a tile over the wall, each a little out of true."""
    wide, high = size_mm[0] + joint_mm, size_mm[1] + joint_mm
    shift = rng.uniform(0, 1, 2)
    pieces = []
    for i in range(int((z_mm[1] - z_mm[0]) / high) + 1):
        for j in range(int(2 * half_width_mm / wide) + 1):
            x = -half_width_mm + (j + shift[0] + (0.5 if bond and i % 2 else 0.0)) * wide
            lean_x, lean_z, out = rng.normal(0, (0.12, 0.12, 0.15))
            turn = mesh.rotation_about("x", float(lean_x)) @ mesh.rotation_about("z", float(lean_z))
            pieces.append(tile.moved((x, THICK_MM + float(out), z_mm[0] + (i + shift[1]) * high), rotation=turn))
    return pieces


def tiles(
    rng: Rng, *, brick: bool = False, half_width_mm: float = 850.0, z_mm: tuple[float, float] = (-500.0, 800.0)
) -> Solids:
    """Real tiles (or bricks) with joints on the plane y = 0, facing -y: bevelled, a little uneven."""
    if brick:
        size, joint, bevel = (215.0, 65.0), between(rng, 8, 12), between(rng, 1.5, 4)
        base = np.array(BRICKS[int(rng.integers(len(BRICKS)))])
    else:
        wide, high = TILES_MM[int(rng.integers(len(TILES_MM)))]
        size, joint, bevel = (float(wide), float(high)), between(rng, 1.5, 4.5), between(rng, 0.4, 1.5)
        bevel = min(size) * 0.12 if rng.random() < 0.25 else bevel
        coloured = between(rng, 0.3, 0.95) * rng.uniform(0.75, 1.0, 3)
        base = coloured if rng.random() < 0.5 else np.array([0.88, 0.88, 0.86])
    bond = brick or rng.random() < 0.4
    laid = _laid(rng, _tile(*size, THICK_MM, bevel), size, joint, bond=bond, half_width_mm=half_width_mm, z_mm=z_mm)
    order = rng.integers(0, 3 if brick else 1, len(laid))
    rough = 0.9 if brick else between(rng, 0.05, 0.35)
    solids = []
    for k in np.unique(order):
        shade = np.clip(base * (rng.uniform(0.8, 1.15) if brick else 1.0), 0.02, 0.97)
        tint: Tint = (float(shade[0]), float(shade[1]), float(shade[2]))
        solids.append(
            joined(tuple(p for p, o in zip(laid, order, strict=True) if o == k)).of("tile", tint=tint, roughness=rough)
        )
    level = between(rng, 0.35, 0.85)
    grout = block((2 * half_width_mm + 500, 4.0, z_mm[1] - z_mm[0] + 300)).moved(
        (0, 6.0 if brick else 4.0, z_mm[0] - 150)
    )
    return (*solids, grout.of("paint", tint=(level, level * 0.98, level * 0.94), roughness=0.9))


def _tile(wide: float, high: float, thick: float, bevel: float) -> Solid:
    """One tile with bevelled front edges, back at y = 0, front at y = -thick."""
    corner = np.array([(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)])
    outline, front = corner * [wide, high], corner * [wide - 2 * bevel, high - 2 * bevel]
    rows = [(outline, 0.0), (outline, -thick + min(bevel, 3.0)), (front, -thick)]
    points = np.array([np.column_stack([xz[:, 0], np.full(4, y), xz[:, 1]]) for xz, y in rows])
    return mesh.rings(points, "tile", crease_deg=10)


def block(size_mm: tuple[float, float, float]) -> Solid:
    """Sharp box on z = 0, centred on the axis."""
    corner = np.array([(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)]) * size_mm[:2]
    points = np.array([np.column_stack([corner, np.full(4, z)]) for z in (0.0, size_mm[2])])
    return mesh.rings(points, "paint", crease_deg=10)


def backing(rng: Rng, wall_y_mm: float, floor_z_mm: float) -> Solids:
    """Plain wall behind ``wall_y_mm`` and floor, so that no view runs out of the room."""
    level, warm = between(rng, 0.35, 0.9), between(rng, 0.88, 1.0)
    wall = block((5000.0, 40.0, 4200.0)).moved((0, wall_y_mm + 21, floor_z_mm))
    low = between(rng, 0.1, 0.6)
    floor = block((5000.0, 4000.0, 30.0)).moved((0, wall_y_mm - 2000, floor_z_mm - 30))
    return (
        wall.of("paint", tint=(level, level * (1 + warm) / 2, level * warm), roughness=0.7),
        floor.of("paint", tint=(low, low * 0.97, low * 0.92), roughness=0.5),
    )
