"""Booleans of closed solids (manifold3d): ports, slots, windows and screw holes."""

from __future__ import annotations

from dataclasses import replace

import manifold3d
import numpy as np

from data_synthetic.mesh import Solid, solid


def combined(first: Solid, operation: str, second: Solid, *, crease_deg: float = 30.0) -> Solid:
    """Boolean of two closed solids, "minus", "plus" or "and", in the first one's material (manifold3d)."""
    bodies = [_manifold(piece) for piece in (first, second)]
    result = {"minus": lambda: bodies[0] - bodies[1], "plus": lambda: bodies[0] + bodies[1],
              "and": lambda: bodies[0] ^ bodies[1]}[operation]()  # fmt: skip
    mesh = result.to_mesh()
    vertices, faces = np.asarray(mesh.vert_properties, float)[:, :3], np.asarray(mesh.tri_verts, np.int64)
    shape = solid(vertices, faces, first.material, crease_deg=crease_deg)
    return replace(shape, tint=first.tint, roughness=first.roughness)


def _manifold(piece: Solid) -> manifold3d.Manifold:
    points, weld = np.unique(np.round(piece.vertices_mm, 4), axis=0, return_inverse=True)
    faces = weld.reshape(-1)[piece.faces]
    faces = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]
    body = manifold3d.Manifold(manifold3d.Mesh(points.astype(np.float32), faces.astype(np.uint32)))
    if body.status() != manifold3d.Error.NoError:
        raise ValueError(f"This {piece.material} piece is not closed ({body.status()}); build it from closed rings.")
    return body
