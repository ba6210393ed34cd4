"""Meshes of fittings: the records that travel, and closed ring surfaces, prisms and tubes.

Frames and units
----------------
Everything is in mm. A part stands on its seat (water) end: its axis is z, z = 0 is the lowest point, the spindle or
handle end is up. Pieces of one part may overlap: materials are opaque, so pieces need no fusing.
Threads and springs are in ``thread``, cut-outs in ``boolean``.

What other modules offer to the scene
-------------------------------------
Inserts: ``FAMILY.build(rng) -> Part``. Look-alikes: ``lookalikes.build(rng) -> Part`` with class_id "none".
Installed taps: ``installed.build(class_id, rng) -> InstalledScene``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from data_synthetic.creases import Array, creased

#: Every material a solid may name; ``finish.py`` gives each its colour, roughness and metalness.
MATERIALS = (
    "brass", "bright_brass", "bronze", "copper", "chrome", "satin_nickel", "steel", "zinc", "cast_iron", "gold",
    "white_plastic", "grey_plastic", "black_plastic", "coloured_plastic", "clear_plastic", "ceramic", "ceramic_disc",
    "rubber", "coloured_rubber", "fibre", "cable", "wood", "paper", "cloth", "glass", "mirror", "tile", "paint",
    "limescale", "verdigris", "grease", "tape", "skin",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Solid:
    """One closed piece of one material.

    Parameters
    ----------
    vertices_mm : (N, 3)
    faces : (M, 3) int, counter-clockwise seen from outside.
    normals : (N, 3) unit shading normals.
    material : a name of ``MATERIALS``.
    tint : sRGB colour in 0..1 that replaces the material's own (plastics, rubber, paint), or None.
    roughness : 0.02..1 in place of the material's own, or None.
    """

    vertices_mm: Array
    faces: NDArray[np.int64]
    normals: Array
    material: str
    tint: tuple[float, float, float] | None = None
    roughness: float | None = None

    def __post_init__(self) -> None:
        if self.material not in MATERIALS:
            raise ValueError(f"Unknown material {self.material!r}; take one of mesh.MATERIALS.")
        if self.normals.shape != self.vertices_mm.shape:
            raise ValueError(f"normals {self.normals.shape} do not match vertices {self.vertices_mm.shape}.")

    def moved(self, shift_mm: tuple[float, float, float] | Array, *, rotation: Array | None = None) -> Solid:
        """The solid turned by ``rotation`` (3, 3) about the origin, then shifted [mm]."""
        turn = np.eye(3) if rotation is None else rotation
        vertices = self.vertices_mm @ turn.T + np.asarray(shift_mm, float)
        return replace(self, vertices_mm=vertices, normals=self.normals @ turn.T)

    def of(
        self, material: str, *, tint: tuple[float, float, float] | None = None, roughness: float | None = None
    ) -> Solid:
        """The same shape in another material."""
        return replace(self, material=material, tint=tint, roughness=roughness)


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One loose object for the bench.

    Parameters
    ----------
    dimensions_mm : true values by quantity (body_diameter, thread_major_diameter, thread_pitch, hex_across_flats,
        overall_length, spline_diameter, stem_square [mm]; spline_count).
    variety : answers that a photo can show, by name (spindle, packing, spindle_motion, base, hot_limit_ring, supply).
    rim_z_mm : lower and upper edge of the cylinder that gives body_diameter or thread_major_diameter, on the axis.
    stands_on : ends it can stand on: "seat" (z = 0 down), "spindle" (turned over), or none.
    """

    class_id: str
    subtype: str
    solids: tuple[Solid, ...]
    dimensions_mm: dict[str, float] = field(default_factory=dict)
    variety: dict[str, str] = field(default_factory=dict)
    rim_z_mm: tuple[float, float] = (0.0, 0.0)
    stands_on: tuple[str, ...] = ("seat",)

    def points_mm(self) -> Array:
        """All vertices (N, 3) [mm]."""
        return np.concatenate([solid.vertices_mm for solid in self.solids])


@dataclass(frozen=True, slots=True, eq=False)
class InstalledScene:
    """A tap as found in a building. World z is up, the viewer stands on the -y side, the wall is behind at +y.

    Parameters
    ----------
    solids : the tap itself (label 1).
    surroundings : basin, pipes, other things (label 0).
    deck_z_mm : height of the textured level plane (worktop, basin edge), or None.
    wall_y_mm : place of the textured wall that faces -y, or None.
    camera_* : ranges to draw from; azimuth 0 looks along +y, positive walks to the viewer's right.
    """

    class_id: str
    subtype: str
    solids: tuple[Solid, ...]
    surroundings: tuple[Solid, ...] = ()
    deck_z_mm: float | None = 0.0
    wall_y_mm: float | None = None
    camera_target_mm: tuple[float, float, float] = (0.0, 0.0, 60.0)
    camera_distance_mm: tuple[float, float] = (300.0, 700.0)
    camera_elevation_deg: tuple[float, float] = (10.0, 60.0)
    camera_azimuth_deg: tuple[float, float] = (-50.0, 50.0)
    variety: dict[str, str] = field(default_factory=dict)


def rotation_about(axis: str, angle_deg: float) -> Array:
    """Right-handed rotation (3, 3) about "x", "y" or "z"."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    turns = {"x": [[1, 0, 0], [0, c, -s], [0, s, c]], "y": [[c, 0, s], [0, 1, 0], [-s, 0, c]],
             "z": [[c, -s, 0], [s, c, 0], [0, 0, 1]]}  # fmt: skip
    return np.array(turns[axis], float)


def solid(vertices_mm: Array, faces: NDArray, material: str, *, crease_deg: float = 35.0) -> Solid:
    """A solid with creased normals from bare vertices (N, 3) and faces (M, 3)."""
    return Solid(*creased(np.asarray(vertices_mm, float), np.asarray(faces), crease_deg=crease_deg), material=material)


def joined(solids: Sequence[Solid]) -> tuple[Array, NDArray[np.int64], Array]:
    """Vertices (N, 3) [mm], faces (M, 3) and normals (N, 3) of solids as one mesh."""
    offsets = np.cumsum([0, *(len(piece.vertices_mm) for piece in solids)])[:-1]
    return (
        np.concatenate([piece.vertices_mm for piece in solids]),
        np.concatenate([piece.faces + offset for piece, offset in zip(solids, offsets, strict=True)]),
        np.concatenate([piece.normals for piece in solids]),
    )


def grid_faces(rows: int, columns: int, *, wrap: bool) -> NDArray[np.int64]:
    """Triangles of a (rows, columns) grid of vertices; ``wrap`` closes the columns into a ring."""
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(columns if wrap else columns - 1), indexing="ij")
    k = (j + 1) % columns
    a, b, c, d = i * columns + j, i * columns + k, (i + 1) * columns + k, (i + 1) * columns + j
    return np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])


def rings(points_mm: Array, material: str, *, crease_deg: float = 35.0) -> Solid:
    """Closed surface through rings (K, N, 3) [mm], counter-clockwise seen from the last ring; ends are capped."""
    count, around = points_mm.shape[:2]
    centre = np.stack([points_mm[0].mean(0), points_mm[-1].mean(0)])
    vertices = np.concatenate([points_mm.reshape(-1, 3), centre])
    j = np.arange(around)
    k = (j + 1) % around
    low, high, base = count * around, count * around + 1, (count - 1) * around
    caps = np.concatenate([np.stack([k, j, np.full(around, low)], -1),
                           np.stack([base + j, base + k, np.full(around, high)], -1)])  # fmt: skip
    faces = np.concatenate([grid_faces(count, around, wrap=True), caps])
    return solid(vertices, faces, material, crease_deg=crease_deg)


def lathe(
    profile_rz: list[tuple[float, float]], material: str, *, around: int = 72, longest_mm: float = 2.5,
    crease_deg: float = 30.0,
) -> Solid:  # fmt: skip
    """Turned body of a profile of (radius, z) [mm] from bottom to top; the ends are closed on the axis.

    A profile that comes back down inside (a bore) is fine: the last point closes to the first one's cap.
    """
    profile = np.asarray(profile_rz, float)
    steps = np.maximum(1, np.ceil(np.linalg.norm(np.diff(profile, axis=0), axis=1) / longest_mm).astype(int))
    fine = [profile[i] + (profile[i + 1] - profile[i]) * t / n for i, n in enumerate(steps) for t in range(n)]
    fine_rz = np.array([*fine, profile[-1]])
    angle = 2 * np.pi * np.arange(around) / around
    r, z = np.maximum(fine_rz[:, :1], 1e-4), np.broadcast_to(fine_rz[:, 1:], (len(fine_rz), around))
    return rings(np.stack([r * np.cos(angle), r * np.sin(angle), z], -1), material, crease_deg=crease_deg)


def cylinder(
    diameter_mm: float, z0_mm: float, z1_mm: float, material: str, *, chamfer_mm: float = 0.3, around: int = 72
) -> Solid:
    """Round bar or disc from z0 to z1 with a chamfer at both ends."""
    r, c = diameter_mm / 2, min(chamfer_mm, (z1_mm - z0_mm) / 3, diameter_mm / 6)
    return lathe([(r - c, z0_mm), (r, z0_mm + c), (r, z1_mm - c), (r - c, z1_mm)], material, around=around)


def washer(outer_mm: float, inner_mm: float, z0_mm: float, z1_mm: float, material: str, *, around: int = 72) -> Solid:
    """Flat ring with a hole."""
    ro, ri, c = outer_mm / 2, inner_mm / 2, min(0.3, (z1_mm - z0_mm) / 4)
    return hoop([(ri, z0_mm), (ro - c, z0_mm), (ro, z0_mm + c), (ro, z1_mm - c), (ro - c, z1_mm), (ri, z1_mm)],
                material, around=around)  # fmt: skip


def hoop(profile_rz: list[tuple[float, float]], material: str, *, around: int = 72, crease_deg: float = 30.0) -> Solid:
    """Ring of a closed profile of (radius, z) [mm], counter-clockwise in the (r, z) half plane; no axis cap."""
    profile = np.asarray([*profile_rz, profile_rz[0]], float)
    angle = 2 * np.pi * np.arange(around) / around
    r, z = profile[:, :1], np.broadcast_to(profile[:, 1:], (len(profile), around))
    points = np.stack([r * np.cos(angle), r * np.sin(angle), z], -1)
    return solid(points.reshape(-1, 3), grid_faces(len(profile), around, wrap=True), material, crease_deg=crease_deg)


def o_ring(outer_mm: float, section_mm: float, z_mm: float, material: str = "rubber", *, around: int = 64) -> Solid:
    """O-ring of outside diameter and cord section, its mid plane at z."""
    angle = 2 * np.pi * np.arange(14) / 14
    centre = outer_mm / 2 - section_mm / 2
    profile = list(zip(centre + section_mm / 2 * np.cos(angle), z_mm + section_mm / 2 * np.sin(angle), strict=True))
    return hoop(profile, material, around=around, crease_deg=80)


def prism(
    outline_xy: Array, z0_mm: float, z1_mm: float, material: str, *, chamfer_mm: float = 0.2, crease_deg: float = 35.0
) -> Solid:
    """Straight prism of an outline (N, 2) [mm], star-shaped about its mean, counter-clockwise; chamfered ends."""
    outline = np.asarray(outline_xy, float)
    middle = outline.mean(0)
    reach = np.linalg.norm(outline - middle, axis=1).mean()
    c = min(chamfer_mm, (z1_mm - z0_mm) / 3)
    small = middle + (outline - middle) * (1 - c / reach)
    steps = max(2, int((z1_mm - z0_mm) / 3) + 1)
    levels = [(small, z0_mm), *[(outline, z) for z in np.linspace(z0_mm + c, z1_mm - c, steps)], (small, z1_mm)]
    points = np.stack([np.column_stack([xy, np.full(len(xy), z)]) for xy, z in levels])
    return rings(points, material, crease_deg=crease_deg)


def polygon_xy(sides: int, across_flats_mm: float, *, per_side: int = 8, corner_mm: float = 0.0) -> Array:
    """Outline (N, 2) of a regular polygon, flats perpendicular to +x; ``corner_mm`` cuts corners off by a circle."""
    inner = across_flats_mm / 2
    angle = 2 * np.pi * np.arange(sides * per_side) / (sides * per_side) - np.pi / sides
    off = (angle + np.pi / sides) % (2 * np.pi / sides) - np.pi / sides
    radius = np.minimum(inner / np.cos(off), inner / np.cos(np.pi / sides) - corner_mm)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


def hexagon(
    across_flats_mm: float, z0_mm: float, z1_mm: float, material: str, *, sides: int = 6, chamfer_deg: float = 30.0
) -> Solid:
    """Spanner hexagon (or octagon...) with the usual turned chamfer on both ends; flats are flat to the end."""
    inner = across_flats_mm / 2
    outer = inner / math.cos(math.pi / sides)
    drop = min((outer - inner) * math.tan(math.radians(chamfer_deg)), (z1_mm - z0_mm) * 0.45)
    around = 12 * sides
    angle = 2 * np.pi * np.arange(around) / around
    off = (angle + np.pi / sides) % (2 * np.pi / sides) - np.pi / sides
    flat = inner / np.cos(off)
    ease = np.linspace(0, 1, 5)
    middle = np.linspace(z0_mm + drop, z1_mm - drop, 4)[1:-1]
    z = np.concatenate([z0_mm + drop * ease, middle, z1_mm - drop * ease[::-1]])
    limit = np.minimum(np.minimum((z - z0_mm) / drop, (z1_mm - z) / drop), 1) * (outer - inner) + inner
    r = np.minimum(flat[None, :], limit[:, None])
    points = np.stack([r * np.cos(angle), r * np.sin(angle), np.broadcast_to(z[:, None], r.shape)], -1)
    return rings(points, material, crease_deg=20)


def splined(
    count: int, diameter_mm: float, z0_mm: float, z1_mm: float, material: str, *, depth_mm: float = 0.6,
    land: float = 0.3,
) -> Solid:  # fmt: skip
    """Splined shaft end: ``count`` teeth, ``diameter_mm`` over the teeth, ``land`` the flat share of a tooth."""
    phase = np.array([0.0, land * 0.5, 0.5, 0.5 + (1 - land) * 0.12, 1 - land * 0.5])
    depth = np.array([0.0, 0.0, depth_mm, depth_mm, 0.0])
    angle = 2 * np.pi * (np.arange(count)[:, None] + phase[None, :]).reshape(-1) / count
    radius = diameter_mm / 2 - np.tile(depth, count)
    outline = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    return prism(outline, z0_mm, z1_mm, material, chamfer_mm=depth_mm * 0.8, crease_deg=20)


def rounded_box(
    size_mm: tuple[float, float, float], material: str, *, radius_mm: float = 1.0, corner_mm: float | None = None
) -> Solid:
    """Box standing on z = 0, centred on the axis: ``corner_mm`` rounds the upright edges, ``radius_mm`` the others."""
    sx, sy, sz = size_mm
    edge = min(radius_mm, sz / 2.01, sx / 4, sy / 4)
    corner = max(min(radius_mm if corner_mm is None else corner_mm, sx / 2.01, sy / 2.01), edge + 1e-3)
    quarter = np.linspace(0, np.pi / 2, 7)
    rows = []
    for turn in (*np.linspace(-np.pi / 2, 0, 5), *np.linspace(0, np.pi / 2, 5)):
        inset, z = edge * (1 - math.cos(turn)), (sz - edge if turn > 0 else edge) + edge * math.sin(turn)
        if turn == 0:
            z = edge if len(rows) < 5 else sz - edge
        ring = [
            (cx * (sx / 2 - corner) + (corner - inset) * np.cos(start + q),
             cy * (sy / 2 - corner) + (corner - inset) * np.sin(start + q), z)
            for cx, cy, start in ((1, 1, 0.0), (-1, 1, np.pi / 2), (-1, -1, np.pi), (1, -1, 1.5 * np.pi))
            for q in quarter
        ]  # fmt: skip
        rows.append(ring)
    return rings(np.array(rows), material, crease_deg=40)


def tube(path_mm: Array, diameter_mm: float, material: str, *, around: int = 14) -> Solid:
    """Round cord along a path (K, 3) [mm] (cables, springs, spouts, hoses)."""
    return swept(path_mm, np.full(len(path_mm), diameter_mm), material, around=around)


def swept(path_mm: Array, diameters_mm: Array, material: str, *, around: int = 32, flatten: float = 1.0) -> Solid:
    """Tube along a path (K, 3) with a diameter at each point (K,); ``flatten`` squeezes the section's second axis."""
    path = np.asarray(path_mm, float)
    ahead = np.gradient(path, axis=0)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    side = np.cross(ahead[0], [0.0, 0.0, 1.0] if abs(ahead[0, 2]) < 0.9 else [1.0, 0.0, 0.0])
    sides = []
    for direction in ahead:
        side = side - direction * (side @ direction)
        side = side / np.linalg.norm(side)
        sides.append(side)
    first = np.array(sides)
    second = np.cross(ahead, first)
    angle = 2 * np.pi * np.arange(around) / around
    r = np.asarray(diameters_mm, float)[:, None, None] / 2
    offset = np.cos(angle)[None, :, None] * first[:, None] + flatten * np.sin(angle)[None, :, None] * second[:, None]
    return rings(path[:, None] + r * offset, material, crease_deg=50)
