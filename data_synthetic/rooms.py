"""Where a tap is found: basin, sink, bath, worktop with a bowl, tiled, painted and brick walls.

The tap's hole is the origin: a deck's top is z = 0 there, a wall's face is y = 0 behind a wall tap.
Sizes are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from data_synthetic import mesh
from data_synthetic.bowls import at, bowl_rows, drainer, hollow, pedestal, ring, slab_with_hole
from data_synthetic.mesh import Array, Solid
from data_synthetic.tap_shapes import Rng, Solids, Tint, between, moved, pick
from data_synthetic.walls import backing, block, joined, tiles


@dataclass(frozen=True, slots=True, eq=False)
class Room:
    """Surroundings of one tap.

    Parameters
    ----------
    shelf_z_mm : height of the flat place for small things, or None; ``shelf_y_mm`` its depth range.
    """

    solids: Solids
    deck_z_mm: float | None
    wall_y_mm: float | None
    shelf_z_mm: float | None = None
    shelf_y_mm: tuple[float, float] = (-20.0, 20.0)
    shelf_x_mm: tuple[float, float] = (120.0, 220.0)

    def lowered(self, z_mm: float, y_mm: float) -> Room:
        """The same room with its basin moved, for a tap on the wall above it."""
        shelf = None if self.shelf_z_mm is None else self.shelf_z_mm + z_mm
        near, far = self.shelf_y_mm
        return replace(
            self,
            solids=moved(self.solids, (0, y_mm, z_mm)),
            shelf_z_mm=shelf,
            shelf_y_mm=(near + y_mm, far + y_mm),
            deck_z_mm=None if self.deck_z_mm is None else self.deck_z_mm + z_mm,
            wall_y_mm=None,
        )


def _waste(rng: Rng, x: float, y: float, z: float) -> Solids:
    """Waste fitting at a bowl's floor, with a plug or a grid."""
    r = between(rng, 28, 36)
    rim = mesh.lathe([(r, -2.0), (r, 1.5), (r * 0.9, 3.0), (r * 0.7, 1.0), (2, 0.6)], "chrome", around=48)
    plug = mesh.lathe(
        [(r * 0.66, 0), (r * 0.66, 4), (r * 0.5, 7), (2, 8)], "chrome" if rng.random() < 0.6 else "rubber", around=40
    )
    return moved((rim, plug) if rng.random() < 0.6 else (rim,), (x, y, z))


def _white(rng: Rng) -> Tint:
    if rng.random() < 0.12:
        odd = ((0.7, 0.62, 0.5), (0.62, 0.7, 0.62), (0.75, 0.58, 0.55), (0.1, 0.1, 0.11))
        return odd[int(rng.integers(len(odd)))]
    value = between(rng, 0.78, 0.95)
    return value, value * between(rng, 0.97, 1.0), value * between(rng, 0.9, 0.99)


def basin(rng: Rng, *, holes_mm: float) -> Room:
    """Ceramic wash basin against a wall, tap ledge at the back."""
    back = between(rng, 32, 62)
    half_x = max(between(rng, 190, 320), holes_mm / 2 + 70)
    ledge = between(rng, 42, 62)
    half_bowl = between(rng, 110, 180)
    bowl_y = -ledge - half_bowl
    front = bowl_y - half_bowl - between(rng, 22, 60)
    outer = ring((back + front) / 2, half_x, (back - front) / 2, float(rng.choice([3.0, 5.0, 10.0])))
    inner = ring(bowl_y, half_x * between(rng, 0.72, 0.88), half_bowl, float(rng.choice([2.0, 2.4, 3.5, 6.0])))
    depth, edge = between(rng, 95, 150), between(rng, 6, 18)
    body = hollow(
        outer,
        inner,
        apron=depth + between(rng, 20, 60),
        depth=depth,
        material="ceramic",
        edge=edge,
        rim=between(rng, 2, 7) if rng.random() < 0.4 else 0.0,
        steepness=between(rng, 2.2, 4.5),
    )
    solids: list[Solid] = [body.of("ceramic", tint=_white(rng), roughness=between(rng, 0.03, 0.15))]
    solids += _waste(rng, 0, bowl_y, -depth + 1)
    if rng.random() < 0.4:
        solids.append(pedestal(rng, bowl_y + 20, -depth - 15).of("ceramic", tint=solids[0].tint, roughness=0.1))
    if rng.random() < 0.35:
        solids.append(_chain(rng, half_x * 0.3, -ledge + 12))
    return Room(tuple(solids), None, back + 0.5, 0.0, (-10.0, back - 22), (holes_mm / 2 + 45, half_x - 40))


def _chain(rng: Rng, x: float, y: float) -> Solid:
    """Ball chain from a stay on the ledge into the bowl."""
    count = 60
    t = np.linspace(0, 1, count)
    path = np.column_stack([x * (1 - t), y - 25 - 90 * t, -8 - 80 * t**1.5])
    path[0] = (x, y, 4)
    path[1] = (x, y - 12, 3)
    bead = np.asarray(between(rng, 2.4, 3.6) * (1 - 0.55 * (np.arange(count) % 2)), float)
    return mesh.swept(path, bead, "chrome", around=8)


def _made_of(rng: Rng, piece: Solid) -> Solid:
    """A sink in stainless steel, or sometimes ceramic or composite."""
    if rng.random() < 0.75:
        return piece.of("steel", roughness=between(rng, 0.18, 0.4))
    return piece.of("ceramic", tint=_white(rng), roughness=0.15)


def _top(rng: Rng, piece: Solid) -> Solid:
    """A worktop in wood or a plain colour."""
    if rng.random() < 0.4:
        return piece.of("wood", roughness=0.4)
    level = between(rng, 0.06, 0.85)
    return piece.of("paint", tint=(level, level * 0.98, level * 0.95), roughness=between(rng, 0.15, 0.6))


def _counter(y_mm: float, front_y_mm: float) -> Array:
    return ring((y_mm + front_y_mm) / 2, 900, (y_mm - front_y_mm) / 2, 40.0)


def _fronts(rng: Rng, y_mm: float) -> Solid:
    """Cupboard doors below the front edge of a worktop."""
    wide, level = between(rng, 380, 600), between(rng, 0.15, 0.9)
    doors = [block((wide - 4, 18, 680)).moved((k * wide, y_mm, -720)) for k in (-1.5, -0.5, 0.5, 1.5)]
    front = joined(tuple(doors))
    if rng.random() < 0.4:
        return front.of("wood", roughness=0.45)
    return front.of(
        "paint", tint=(level, level * 0.99, level * between(rng, 0.85, 1.0)), roughness=between(rng, 0.15, 0.6)
    )


def sink(rng: Rng, *, holes_mm: float) -> Room:
    """Sink let into a worktop with its own tap ledge, or a bowl fixed below the worktop."""
    if rng.random() < 0.3:
        return _undermounted(rng, holes_mm=holes_mm)
    back, wall = between(rng, 38, 60), between(rng, 20, 70)
    half_bowl, ledge, bowl_half_x = between(rng, 150, 200), between(rng, 40, 60), between(rng, 160, 260)
    bowl_y, depth = -ledge - half_bowl, between(rng, 140, 200)
    front = bowl_y - half_bowl - 45
    half_x = max(bowl_half_x + between(rng, 40, 260), holes_mm / 2 + 50)
    shift = between(rng, -0.8, 0.8) * (half_x - bowl_half_x - 30)
    outer = ring((back + front) / 2, half_x, (back - front) / 2, 9.0, centre_x=shift)
    hole = ring((back + front) / 2, half_x - 12, (back - front) / 2 - 12, 9.0, centre_x=shift)
    inner = ring(bowl_y, bowl_half_x, half_bowl, float(rng.choice([3.5, 5.0, 9.0])))
    body = hollow(outer, inner, apron=2.0, depth=depth, material="steel", edge=1.5, steepness=between(rng, 5, 9))
    pieces = [body]
    if half_x - bowl_half_x > 150 and rng.random() < 0.7:
        pieces.append(drainer(shift, half_x, bowl_half_x, bowl_y, half_bowl))
    slab = _top(rng, slab_with_hole(_counter(back + wall, front - 45), hole, top=-1.6, thick=30.0))
    doors = _fronts(rng, front - 15)
    solids = (slab, doors, _made_of(rng, joined(tuple(pieces))), *_waste(rng, 0, bowl_y, 1 - depth))
    return Room(solids, None, back + wall, -1.6, (back + 12, back + wall - 18), (holes_mm / 2 + 60, 400.0))


def _undermounted(rng: Rng, *, holes_mm: float) -> Room:
    """Bowl below a worktop that carries the tap."""
    wall, ledge = between(rng, 55, 120), between(rng, 40, 60)
    half_bowl, half_x, depth, soft = (
        between(rng, 150, 200),
        between(rng, 160, 260),
        between(rng, 140, 190),
        between(rng, 4, 9),
    )
    bowl_y, top = -ledge - half_bowl, -25.0
    slab = slab_with_hole(
        _counter(wall, bowl_y - half_bowl - 90), ring(bowl_y, half_x, half_bowl, soft), top=0.0, thick=30.0
    )
    shell, rim = ring(bowl_y, half_x + 6, half_bowl + 6, soft), ring(bowl_y, half_x + 20, half_bowl + 20, soft)
    bowl = bowl_rows(ring(bowl_y, half_x + 2, half_bowl + 2, soft), depth, 2.0, 7.0, top)
    rows = [at(shell, top - depth - 4), at(shell, top - 16), at(rim, top - 15), at(rim, top), *bowl]
    body = _made_of(rng, mesh.rings(np.array(rows), "steel", crease_deg=50))
    doors = _fronts(rng, bowl_y - half_bowl - 60)
    solids = (_top(rng, slab), doors, body, *_waste(rng, 0, bowl_y, top - depth + 1))
    return Room(solids, None, wall, 0.0, (-5.0, wall - 18), (holes_mm / 2 + 60, 400.0))


def bath(rng: Rng, *, holes_mm: float) -> Room:
    """Bath rim with its tub."""
    back, ledge = between(rng, 40, 75), between(rng, 42, 70)
    half_tub, half_x = between(rng, 240, 300), max(between(rng, 420, 800), holes_mm)
    tub_y = -ledge - half_tub
    front = tub_y - half_tub - between(rng, 40, 70)
    outer = ring((back + front) / 2, half_x + 60, (back - front) / 2, 9.0)
    inner = ring(tub_y, half_x - 30, half_tub, float(rng.choice([3.0, 4.0, 6.0])))
    body = hollow(
        outer,
        inner,
        apron=420.0,
        depth=between(rng, 330, 400),
        material="ceramic",
        edge=between(rng, 10, 24),
        rim=between(rng, 3, 8) if rng.random() < 0.4 else 0.0,
        steepness=between(rng, 4, 7),
    )
    white = _white(rng)
    return Room(
        (body.of("ceramic", tint=white, roughness=between(rng, 0.05, 0.2)),),
        None,
        back + 0.5,
        0.0,
        (-10.0, back - 25),
        (holes_mm / 2 + 60, half_x - 40),
    )


def worktop(rng: Rng, *, holes_mm: float, height_mm: float = 200.0) -> Room:
    """Tap on a level worktop, beside nothing, or behind a bowl that stands on it."""
    wall = between(rng, 35, 120)
    solids: list[Solid] = []
    bowl_high = between(rng, 95, 145)
    if height_mm > bowl_high + 55:
        half_y, half_x = between(rng, 150, 200), between(rng, 180, 290)
        near = -between(rng, 38, 55)
        round_ = rng.random() < 0.4
        edge = ring(
            near - half_y, half_y if round_ else half_x, half_y, 2.0 if round_ else float(rng.choice([2.0, 4.0, 8.0]))
        )
        foot = between(rng, 0.5, 0.97)
        middle = edge.mean(0)
        wallt = between(rng, 7, 18)
        rows = [
            at(middle + (edge - middle) * (foot + (1 - foot) * np.sin(t * np.pi / 2)), bowl_high * t)
            for t in np.linspace(0, 0.97, 14)
        ]
        rows += [at(edge, bowl_high, inset=wallt * 0.3), at(edge, bowl_high, inset=wallt * 0.7)]
        inner = middle + (edge - middle) * (1 - wallt / np.linalg.norm(edge - middle, axis=1, keepdims=True))
        rows += [*bowl_rows(inner, bowl_high - 15, 3.0, between(rng, 2.2, 5.0), bowl_high)]
        solids.append(
            mesh.rings(np.array(rows), "ceramic", crease_deg=50).of("ceramic", tint=_white(rng), roughness=0.06)
        )
        solids += _waste(rng, 0, float(middle[1]), 16.0)
    return Room(tuple(solids), 0.0, wall, 0.0, (-10.0, wall - 30), (holes_mm / 2 + 70, 320.0))


def walled(rng: Rng, room: Room, *, brick: bool = False) -> Room:
    """The room with a plain wall and floor behind it and, often, real tiles or bricks in front of its wall."""
    if room.wall_y_mm is None:
        return room
    back = backing(rng, room.wall_y_mm + 9, -between(rng, 720, 1100))
    if rng.random() < (0.3 if brick else 0.55):
        return replace(room, solids=(*room.solids, *back))
    face = moved(tiles(rng, brick=brick), (0, room.wall_y_mm, 0))
    return replace(room, solids=(*room.solids, *back, *face), wall_y_mm=room.wall_y_mm + 8)


def for_deck(rng: Rng, name: str, *, holes_mm: float, height_mm: float) -> Room:
    """A room for a deck tap by its name: basin, sink, bath or worktop."""
    if name == "worktop":
        return walled(rng, worktop(rng, holes_mm=holes_mm, height_mm=height_mm))
    maker = {"basin": basin, "sink": sink, "bath": bath}[name]
    return walled(rng, maker(rng, holes_mm=holes_mm))


def for_wall(rng: Rng, name: str) -> Room:
    """A room for a wall tap: bare wall, outdoor wall, shower, or a basin or bath below."""
    wall = walled(rng, Room((), None, 0.0), brick=name == "outdoor")
    if name in ("sink_wall", "bath_wall"):
        kind = pick(rng, ("basin", "sink")) if name == "sink_wall" else "bath"
        maker = {"basin": basin, "sink": sink, "bath": bath}[kind]
        low = maker(rng, holes_mm=0.0)
        drop = -between(rng, 130, 220) if kind != "bath" else -between(rng, 150, 330)
        under = low.lowered(drop, -(low.wall_y_mm or 0.0))
        return replace(under, solids=(*under.solids, *wall.solids), wall_y_mm=wall.wall_y_mm)
    return wall
