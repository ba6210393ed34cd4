"""Water drops on a part and about it: clear, domed, as if shaken off a wet insert or left by a leak.

How high a drop stands is common practice, no source: contact angles of some 40 to 80 degrees.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from data_synthetic.finish import Surface
from data_synthetic.mesh import Solid, joined, rings
from data_synthetic.rest import turned_onto
from data_synthetic.spindle import within

WET_SHARE = 0.1  # of the pictures of a part
AROUND = 20
DOME = (0.06, 0.3, 0.55, 0.76, 0.9, 0.97, 1.0)  # of the radius, from the top of a drop to its edge
STEEPEST = -0.5  # z of the normals that drops still hang on
SPREAD_MM = 45.0
SUNK = 0.08  # of the radius: a drop is in touch with what it lies on


def drop(rng: np.random.Generator, radius_mm: float) -> Solid:
    """One drop on the plane z = 0, its outline a little uneven, its flat underside sunk."""
    angle = 2 * np.pi * np.arange(AROUND) / AROUND
    uneven = sum(within(rng, 0, 0.22 / k) * np.cos(k * angle + within(rng, 0, 2 * np.pi)) for k in (2, 3, 4))
    reach = radius_mm * (1 + uneven)
    height = radius_mm * np.tan(np.radians(within(rng, 40, 80) / 2))  # of a spherical cap of that contact angle
    circle = np.stack([np.cos(angle) * reach, np.sin(angle) * reach, np.zeros(AROUND)], -1)
    dome = [circle * (s, s, 0) + (0, 0, height * (1 - s**2)) for s in reversed(DOME)]
    under = circle - (0, 0, SUNK * radius_mm)
    return rings(np.stack([under * (0.06, 0.06, 1), under, *dome]), "glass", crease_deg=60.0)


def _lying_on(rng: np.random.Generator, solids: Sequence[Solid], count: int) -> list[Solid]:
    """Drops on the outer faces of solids, as many as fall on sides that hold them."""
    vertices, faces, _ = joined(solids)
    corners = vertices[faces]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(across, axis=1)
    normals = across / np.maximum(area, 1e-9)[:, None]
    holding = area * (normals[:, 2] > STEEPEST)
    if holding.sum() <= 0:
        return []
    made = []
    for face in rng.choice(len(corners), count, p=holding / holding.sum()):
        share = rng.dirichlet(np.ones(3))
        turn = turned_onto(-normals[face]).T  # brings up to the normal
        made.append(drop(rng, _radius(rng, 0.8)).moved(share @ corners[face], rotation=turn))
    return made


def _radius(rng: np.random.Generator, median_mm: float) -> float:
    return float(np.clip(median_mm * np.exp(rng.normal(0, 0.5)), 0.25, 4.0))


def wet(rng: np.random.Generator, solids: Sequence[Solid], bench_z_mm: float | None) -> Surface | None:
    """Now and then drops on a part (solids in the world) and on the level plane that it lies on; None: all is dry."""
    if rng.random() >= WET_SHARE or not solids:
        return None
    made = _lying_on(rng, solids, int(rng.integers(5, 45)))
    if bench_z_mm is not None:
        points = np.concatenate([piece.vertices_mm for piece in solids])
        middle = points[:, :2].mean(0)
        for _ in range(int(rng.integers(0, 60))):
            place = np.append(middle + rng.normal(0, SPREAD_MM, 2), bench_z_mm)
            made.append(drop(rng, _radius(rng, 1.4)).moved(place))
    return surface_of(made) if made else None


def surface_of(solids: Sequence[Solid]) -> Surface:
    """Clear solids as one surface; it has no colour of its own."""
    vertices, faces, normals = joined(solids)
    ones = np.ones(len(vertices))
    return Surface(vertices, faces, normals, np.ones((len(vertices), 3)), ones, 0 * ones)
