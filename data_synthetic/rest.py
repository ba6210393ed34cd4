"""How an object comes to rest on the bench: standing, lying on its convex hull, or leaning on something small."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.spatial import ConvexHull

from data_synthetic.mesh import Array, Part, Solid, cylinder, rotation_about
from data_synthetic.spindle import within

AXIS = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """A part on the bench: world = rotation @ part + shift.

    ``support`` is what it leans on (label 0); ``rim_height_mm`` is the height of the measured rim when it stands.
    """

    part: Part
    view: str
    rotation: Array
    shift_mm: Array
    support: tuple[Solid, ...] = ()
    rim_height_mm: float | None = None

    def solids(self) -> tuple[Solid, ...]:
        """The part's solids in the world."""
        return tuple(piece.moved(self.shift_mm, rotation=self.rotation) for piece in self.part.solids)

    def points_mm(self) -> Array:
        """The part's vertices (N, 3) in the world [mm]."""
        return self.part.points_mm() @ self.rotation.T + self.shift_mm

    def axis_mm(self) -> Array:
        """Lower and upper end (2, 3) of the part's own axis in the world [mm]."""
        z = self.part.points_mm()[:, 2]
        return np.array([[0, 0, z.min()], [0, 0, z.max()]]) @ self.rotation.T + self.shift_mm


def centre_of_mass_mm(solids: tuple[Solid, ...]) -> Array:
    """Centre (3,) of closed solids, each by its volume (divergence theorem); materials weigh alike."""
    moment, volume = np.zeros(3), 0.0
    for piece in solids:
        a, b, c = (piece.vertices_mm[piece.faces[:, k]] for k in range(3))
        part = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6
        moment += ((a + b + c) / 4 * part[:, None]).sum(0)
        volume += float(part.sum())
    return moment / max(volume, 1e-9)


def turned_onto(normal: Array) -> Array:
    """Rotation (3, 3) that brings an outward ``normal`` to straight down."""
    down = np.array([0.0, 0.0, -1.0])
    cross, cosine = np.cross(normal, down), float(normal @ down)
    if cosine < -0.999999:
        return rotation_about("x", 180.0)
    k = np.array([[0, -cross[2], cross[1]], [cross[2], 0, -cross[0]], [-cross[1], cross[0], 0]])
    return np.eye(3) + k + k @ k / (1 + cosine)


def stable_rest(part: Part, rng: np.random.Generator, *, steepest: float, margin_mm: float = 0.01) -> Array | None:
    """Outward normal (3,) of a face of the part's hull that it can lie on, or None.

    Faces come up by the root of their area; the first on which the centre of mass projects ``margin_mm`` inside every
    edge is taken. Faces with more than ``steepest`` of their normal along the part's axis (its ends) are left out.
    """
    hull = ConvexHull(part.points_mm())
    corners = hull.points[hull.vertices]
    centre = centre_of_mass_mm(part.solids)
    planes, group = np.unique(np.round(hull.equations, 3), axis=0, return_inverse=True)
    triangles = hull.points[hull.simplices]
    areas = np.linalg.norm(np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]), axis=1) / 2
    area = np.bincount(group.reshape(-1), weights=areas)
    order = np.argsort(-(area**0.5) * rng.random(len(area)) ** 0.5)
    for k in order:
        normal = hull.equations[np.argmax(group.reshape(-1) == k), :3]
        if abs(normal @ AXIS) > steepest:
            continue
        touching = corners[corners @ normal + planes[k, 3] > -0.02]
        turn = turned_onto(normal)
        outline = cv2.convexHull(np.ascontiguousarray((touching @ turn.T)[:, :2], np.float32)).reshape(-1, 2)
        foot = tuple(float(v) for v in (turn @ centre)[:2])
        if len(outline) >= 3 and cv2.pointPolygonTest(outline, foot, True) > margin_mm:
            return normal
    return None


def _spun(rng: np.random.Generator, turn: Array) -> Array:
    return rotation_about("z", within(rng, 0, 360)) @ turn


def _down(part: Part, view: str, turn: Array, **more: object) -> Placed:
    low = float((part.points_mm() @ turn.T)[:, 2].min())
    return Placed(part, view, turn, np.array([0.0, 0.0, -low]), **more)  # type: ignore[arg-type]


def standing(part: Part, rng: np.random.Generator) -> Placed | None:
    """The part upright on one of its ends, or None where it has none to stand on."""
    if not part.stands_on:
        return None
    end = str(rng.choice(part.stands_on))
    turn = np.eye(3) if end == "seat" else rotation_about("x", 180.0)
    high = float(part.points_mm()[:, 2].max())
    rim = part.rim_z_mm[1] if end == "seat" else high - part.rim_z_mm[0]
    return _down(part, "standing", _spun(rng, turn), rim_height_mm=rim)


def lying(part: Part, rng: np.random.Generator) -> Placed | None:
    """The part on a stable face of its hull, its axis lying unless the part has no end to stand on."""
    normal = stable_rest(part, rng, steepest=0.75 if part.stands_on else 1.0)
    return None if normal is None else _down(part, "lying", _spun(rng, turned_onto(normal)))


def leaning(placed: Placed, rng: np.random.Generator) -> Placed:
    """A lying part with one end raised onto a small peg (a pencil end, a nut) that holds it there."""
    axis = placed.axis_mm()
    along = axis[1] - axis[0]
    flat = np.array([along[0], along[1], 0.0])
    flat /= max(float(np.linalg.norm(flat)), 1e-9)
    tilt = within(rng, 4, 13) * (1 if rng.random() < 0.5 else -1)
    hinge = np.cross(flat, AXIS)
    c, s = math.cos(math.radians(tilt)), math.sin(math.radians(tilt))
    cross = np.array([[0, -hinge[2], hinge[1]], [hinge[2], 0, -hinge[0]], [-hinge[1], hinge[0], 0]])
    turn = (np.eye(3) + s * cross + (1 - c) * cross @ cross) @ placed.rotation
    tipped = _down(placed.part, "lying", turn)
    points = tipped.points_mm()
    reach = points[:, :2] @ flat[:2]
    low, high = float(reach.min()), float(reach.max())
    raised = points[reach > high - 0.3 * (high - low)] if points[np.argmin(points[:, 2]), :2] @ flat[:2] < (
        low + high) / 2 else points[reach < low + 0.3 * (high - low)]  # fmt: skip
    touch = raised[np.argmin(raised[:, 2])]
    if touch[2] < 0.8:
        return placed
    bar = cylinder(float(touch[2]), -9, 9, str(rng.choice(["wood", "steel", "coloured_plastic"])), chamfer_mm=0.1)
    sideways = np.stack([np.cross(hinge, AXIS), AXIS, hinge], axis=1)
    peg = bar.moved((touch[0], touch[1], touch[2] / 2), rotation=sideways)
    return Placed(placed.part, "lying", turn, tipped.shift_mm, (peg,))


def at_rest(part: Part, rng: np.random.Generator, *, view: str | None = None) -> Placed:
    """A part at rest: by choice lying (72 %), standing, or now and then leaning."""
    view = ("lying" if rng.random() < 0.72 else "standing") if view is None else view
    placed = standing(part, rng) if view == "standing" else lying(part, rng)
    if placed is None:
        placed = lying(part, rng) or standing(part, rng) or _down(part, "lying", _spun(rng, np.eye(3)))
    if placed.view == "lying" and part.stands_on and rng.random() < 0.06:
        placed = leaning(placed, rng)
    return placed
