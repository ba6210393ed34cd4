"""Shapes of basins, sinks, baths and worktops: outlines, bowls with an open top, slabs with a hole.

Sizes are common practice, no source.
"""

from __future__ import annotations

import numpy as np

from data_synthetic import mesh
from data_synthetic.mesh import Array, Solid
from data_synthetic.tap_shapes import Rng, between
from data_synthetic.walls import joined


def ring(
    centre_y: float, half_x: float, half_y: float, squareness: float, *, centre_x: float = 0.0, around: int = 120
) -> Array:
    """Outline (N, 2) of a superellipse about (centre_x, centre_y) [mm]."""
    angle = 2 * np.pi * np.arange(around) / around
    c, s, bend = np.cos(angle), np.sin(angle), 2 / squareness
    x = centre_x + half_x * np.sign(c) * np.abs(c) ** bend
    return np.column_stack([x, centre_y + half_y * np.sign(s) * np.abs(s) ** bend])


def at(outline_xy: Array, z: float, *, inset: float = 0.0) -> Array:
    """The outline at a height, drawn in by ``inset`` towards its middle [mm]."""
    middle = outline_xy.mean(0)
    reach = np.linalg.norm(outline_xy - middle, axis=1, keepdims=True)
    flat = middle + (outline_xy - middle) * (1 - inset / np.maximum(reach, inset + 1))
    return np.column_stack([flat, np.full(len(flat), z)])


def bowl_rows(inner_xy: Array, depth: float, edge: float, steepness: float, top: float) -> list[Array]:
    """Rows of a bowl from its edge (rounded over ``edge``) down to its floor."""
    rows = [at(inner_xy, top - edge * (1 - np.cos(a)), inset=edge * np.sin(a)) for a in np.linspace(0, 1.2, 5)]
    start = rows[-1]
    middle = start[:, :2].mean(0)
    for s in np.linspace(0, 1, 22)[1:]:
        scale = (1 - s**steepness) ** (1 / steepness) if s < 1 else 0.0
        flat = middle + (start[:, :2] - middle) * max(scale, 0.06)
        rows.append(np.column_stack([flat, start[:, 2] - (depth - edge) * (0.96 * s + 0.04 * s**2)]))
    return rows


def hollow(
    outer_xy: Array,
    inner_xy: Array,
    *,
    apron: float,
    depth: float,
    material: str,
    edge: float = 12.0,
    rim: float = 0.0,
    steepness: float = 3.0,
) -> Solid:
    """Basin, sink or bath: a top at z = 0 between two outlines (N, 2), an apron outside, a bowl inside [mm].

    ``edge`` rounds both edges; ``rim`` lifts the outer edge above the ledge. An ``apron`` less deep than the bowl is a
    pressed rim.
    """
    pressed = apron < depth  # sheet metal or thin cast: the bowl hangs below the rim
    rows = [at(inner_xy, z, inset=-3.0) for z in ((-depth - 3.0, -apron - 1.0) if pressed else ())]
    rows += [
        at(outer_xy, -apron, inset=min(apron * 0.35, 80.0)),
        at(outer_xy, -apron * 0.6, inset=min(apron * 0.1, 20.0)),
        at(outer_xy, -edge + rim),
    ]
    rows += [
        at(outer_xy, rim - edge * (1 - np.sin(a)), inset=edge * (1 - np.cos(a))) for a in np.linspace(0.2, np.pi / 2, 5)
    ]
    if rim:
        rows += [
            at(outer_xy, rim * (0.5 + 0.5 * np.cos(a)), inset=edge + 14 * a / np.pi) for a in np.linspace(0.4, np.pi, 5)
        ]
    last = rows[-1][:, :2]
    rows += [at(last + (inner_xy - last) * t, 0.0) for t in (0.25, 0.5, 0.75)]
    rows += bowl_rows(inner_xy, depth, edge * 0.9, steepness, 0.0)
    return mesh.rings(np.array(rows), material, crease_deg=50)


def slab_with_hole(outer_xy: Array, hole_xy: Array, *, top: float, thick: float) -> Solid:
    """Worktop with a hole: a closed ring of rows."""
    rows = [at(outer_xy, top - thick), at(outer_xy, top - 2), at(outer_xy, top, inset=2)]
    rows += [at(outer_xy + (hole_xy - outer_xy) * t, top) for t in (0.5, 0.9)]
    rows += [at(hole_xy, top), at(hole_xy, top - thick), at(outer_xy, top - thick)]
    points = np.array(rows)
    faces = mesh.grid_faces(len(rows), points.shape[1], wrap=True)
    return mesh.solid(points.reshape(-1, 3), faces, "paint", crease_deg=30)


def pedestal(rng: Rng, y_mm: float, top_mm: float) -> Solid:
    """Column under a basin."""
    r, waist = between(rng, 80, 105), between(rng, 0.7, 0.95)
    rows = [(1.1, -760.0), (1.1, -735.0), (waist, -650.0), (waist, -380.0), (1.0, top_mm - 40), (1.15, top_mm)]
    return mesh.rings(
        np.array([at(ring(y_mm, k * r, k * r * 0.85, 2.4, around=60), z) for k, z in rows]), "ceramic", crease_deg=60
    )


def drainer(shift: float, half_x: float, bowl_half_x: float, bowl_y: float, half_bowl: float) -> Solid:
    """Drainer ribs on the wider side of a sink's top."""
    side = 1 if shift >= 0 else -1
    x0, x1 = side * (bowl_half_x + 20), shift + side * (half_x - 30)
    ribs = []
    for y in np.linspace(bowl_y - half_bowl * 0.7, bowl_y + half_bowl * 0.7, 9):
        path = np.column_stack([np.linspace(x0, x1, 6), np.full(6, y), np.full(6, -1.0)])
        ribs.append(mesh.tube(path, 6.0, "steel", around=10))
    return joined(tuple(ribs))
