"""Things that lie about on a bench: washers, screws, nuts, pencil, tape, keys, pipe, rag, screwdriver, battery."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from data_synthetic.boolean import combined
from data_synthetic.finish import noise
from data_synthetic.mesh import (
    Solid,
    cylinder,
    hexagon,
    hoop,
    lathe,
    o_ring,
    polygon_xy,
    prism,
    rings,
    rotation_about,
    rounded_box,
    swept,
    tube,
    washer,
)  # fmt: skip
from data_synthetic.spindle import pick, plastic_tint, within
from data_synthetic.thread import threaded

Thing = tuple[Solid, ...]
VARIANTS = 40
FLAT = rotation_about("y", 90)


def a_washer(rng: np.random.Generator) -> Thing:
    """A metal, fibre or rubber washer, or an O-ring."""
    outer = within(rng, 8, 34)
    if rng.random() < 0.35:
        cord = within(rng, 1.5, 3.5)
        return (o_ring(outer, cord, cord / 2),)
    material = pick(rng, {"steel": 0.4, "fibre": 0.2, "rubber": 0.2, "brass": 0.1, "copper": 0.1})
    return (washer(outer, outer * within(rng, 0.35, 0.7), 0, within(rng, 0.8, 3), material),)


def a_nut(rng: np.random.Generator) -> Thing:
    """A hexagon nut."""
    flats = within(rng, 8, 32)
    material = pick(rng, {"steel": 0.6, "brass": 0.4})
    body = hexagon(flats, 0, flats * within(rng, 0.25, 0.6), material)
    hole = cylinder(flats * 0.62, -1, flats, material)
    return (combined(body, "minus", hole),)


def a_screw(rng: np.random.Generator) -> Thing:
    """A screw or bolt lying down."""
    wide, long = within(rng, 3, 7), within(rng, 14, 55)
    material = pick(rng, {"steel": 0.5, "zinc": 0.25, "brass": 0.25})
    shank = threaded(wide, wide * 0.2 + 0.25, 2.5, long, material, form="metric", around=32)
    head = hexagon(wide * 1.7, 0, wide * 0.7, material) if rng.random() < 0.4 else lathe(
        [(wide * 0.95, 0), (wide * 0.9, wide * 0.25), (wide * 0.5, wide * 0.6)], material, around=40)  # fmt: skip
    drop = np.degrees(np.arctan2(wide * 0.45, long))
    lying = [piece.moved((0, 0, 0), rotation=rotation_about("y", 90 + float(drop))) for piece in (shank, head)]
    return _down(lying)


def a_pencil(rng: np.random.Generator) -> Thing:
    """A hexagonal pencil or a round pen."""
    long, wide = within(rng, 80, 175), within(rng, 7, 9)
    tint = plastic_tint(rng)
    if rng.random() < 0.6:
        shaft = prism(polygon_xy(6, wide, per_side=2), 0, long, "paint").of("paint", tint=tint)
        tip = lathe([(wide / 2, long), (1.2, long + 17)], "wood", around=24)
        lead = lathe([(1.2, long + 17), (0.2, long + 20)], "black_plastic", around=16)
    else:
        shaft = cylinder(wide, 0, long, "coloured_plastic").of("coloured_plastic", tint=tint)
        tip = lathe([(wide / 2, long), (1.4, long + 12)], "grey_plastic", around=24)
        lead = cylinder(1.0, long + 11, long + 14, "steel", around=12)
    return _down([piece.moved((0, 0, 0), rotation=FLAT) for piece in (shaft, tip, lead)])


def a_tape(rng: np.random.Generator) -> Thing:
    """A roll of tape on its side face."""
    outer, high = within(rng, 42, 85), within(rng, 12, 20)
    core = outer * within(rng, 0.5, 0.75)
    tint = plastic_tint(rng)
    roll = washer(outer, core, 0, high, "coloured_plastic").of("coloured_plastic", tint=tint)
    return roll, washer(core + 0.05, core - 4, 0.3, high - 0.3, "paper")


def a_key(rng: np.random.Generator) -> Thing:
    """A flat key: bow, blade, notches."""
    material = pick(rng, {"steel": 0.5, "brass": 0.35, "zinc": 0.15})
    bow = prism(polygon_xy(int(rng.integers(6, 24)), within(rng, 20, 26), per_side=2), 0, 2.0, material)
    bow = combined(bow, "minus", cylinder(within(rng, 4, 9), -1, 4, material).moved((-6, 0, 0)))
    blade = rounded_box((34, 8, 1.9), material, radius_mm=0.2).moved((26, 0, 0))
    for k in range(5):
        notch = rounded_box((2.5, within(rng, 2, 7), 6), material, radius_mm=0.1)
        blade = combined(blade, "minus", notch.moved((18 + 4.8 * k, 4, -2)))
    return bow, blade


def a_pipe(rng: np.random.Generator) -> Thing:
    """An offcut of copper or plastic pipe."""
    outer, long = float(rng.choice([15.0, 22.0, 10.0])), within(rng, 35, 120)
    material = pick(rng, {"copper": 0.6, "white_plastic": 0.25, "grey_plastic": 0.15})
    r = outer / 2
    pipe = hoop([(r - 1, 0), (r, 0), (r, long), (r - 1, long)], material)
    return _down([pipe.moved((0, 0, 0), rotation=FLAT)])


def a_rag(rng: np.random.Generator) -> Thing:
    """A crumpled cloth: a low mound."""
    reach, high = within(rng, 30, 75), within(rng, 6, 20)
    around, rows = 64, 14
    angle = 2 * np.pi * np.arange(around) / around
    out = np.linspace(1.0, 0.03, rows)[:, None]
    edge = 1 + 0.12 * np.cos(angle * int(rng.integers(3, 6)) + rng.uniform(0, 6)) + 0.05 * rng.normal(size=around)
    x, y = out * reach * edge * np.cos(angle), out * reach * edge * np.sin(angle)
    flat = np.stack([x, y, np.zeros_like(x)], -1)
    bumps = noise(flat.reshape(-1, 3), reach * 0.5, rng).reshape(x.shape)
    z = np.maximum(high * (1 - out**2) * (0.7 + 0.3 * bumps), 0.3) + 0.5 * (1 - out)
    z[0] = 0.0
    cover = rings(np.stack([x, y, z], -1), "cloth", crease_deg=80)
    return (cover.of("cloth", tint=plastic_tint(rng)),)


def a_screwdriver(rng: np.random.Generator) -> Thing:
    """A screwdriver lying down."""
    grip, blade = within(rng, 65, 100), within(rng, 60, 120)
    wide = within(rng, 18, 30)
    handle = lathe([(wide * 0.3, 0), (wide * 0.5, 6), (wide * 0.42, grip * 0.6), (wide * 0.5, grip * 0.8),
                    (wide * 0.25, grip)], "coloured_plastic", crease_deg=60)  # fmt: skip
    handle = handle.of("coloured_plastic", tint=plastic_tint(rng))
    shaft = cylinder(within(rng, 4, 7), grip - 3, grip + blade, "steel", around=32)
    drop = float(np.degrees(np.arctan2(wide * 0.4, grip + blade)))
    turn = rotation_about("y", 90 + drop)
    return _down([piece.moved((0, 0, 0), rotation=turn) for piece in (handle, shaft)])


def a_battery(rng: np.random.Generator) -> Thing:
    """A round cell lying down."""
    wide, long = (14.2, 49.0) if rng.random() < 0.7 else (10.3, 43.5)
    jacket = cylinder(wide, 0, long, "paint").of("paint", tint=plastic_tint(rng), roughness=0.2)
    return _down([p.moved((0, 0, 0), rotation=FLAT) for p in (jacket, cylinder(5, long - 1, long + 1.3, "steel"))])


def a_wire(rng: np.random.Generator) -> Thing:
    """A loop of cord or cable."""
    t = np.linspace(0, 1, 60)
    a, b = within(rng, 20, 70), within(rng, 15, 60)
    turns = within(rng, 0.5, 1.6) * 2 * np.pi
    wide = within(rng, 1.5, 5)
    path = np.column_stack([a * np.cos(turns * t) * (1 + 0.2 * t), b * np.sin(turns * t), wide / 2 + wide * t])
    material = pick(rng, {"cable": 0.5, "white_plastic": 0.3, "coloured_plastic": 0.2})
    return (tube(path, wide, material, around=10),)


def a_block(rng: np.random.Generator) -> Thing:
    """A box, tin, eraser or block of wood."""
    size = (within(rng, 15, 90), within(rng, 12, 60), within(rng, 6, 32))
    material = pick(rng, {"paper": 0.35, "coloured_plastic": 0.3, "wood": 0.2, "zinc": 0.15})
    tint = plastic_tint(rng) if material in ("paper", "coloured_plastic") else None
    return (rounded_box(size, material, radius_mm=within(rng, 0.4, 2), corner_mm=within(rng, 0.6, 4)).of(
        material, tint=tint),)  # fmt: skip


def a_hose(rng: np.random.Generator) -> Thing:
    """A braided hose end with its nut."""
    long = within(rng, 60, 150)
    t = np.linspace(0, 1, 40)
    path = np.column_stack([long * t, within(rng, -30, 30) * t**2, np.full(40, 7.0)])
    hose = swept(path, np.full(40, 12.0), "steel", around=24)
    nut = hexagon(within(rng, 17, 24), 0, 13, "chrome").moved((-12, 0, 7), rotation=FLAT)
    return _down([hose, nut])


def _down(pieces: list[Solid]) -> Thing:
    low = min(float(piece.vertices_mm[:, 2].min()) for piece in pieces)
    return tuple(piece.moved((0, 0, -low)) for piece in pieces)


THINGS: tuple[tuple[Callable[[np.random.Generator], Thing], float], ...] = (
    (a_washer, 3.0), (a_nut, 1.5), (a_screw, 2.5), (a_pencil, 1.2), (a_tape, 0.8), (a_key, 0.8), (a_pipe, 0.7),
    (a_rag, 0.6), (a_screwdriver, 0.8), (a_battery, 0.6), (a_wire, 0.6), (a_block, 0.8), (a_hose, 0.4),
)  # fmt: skip


@lru_cache(maxsize=len(THINGS) * VARIANTS)
def _made(kind: int, variant: int) -> Thing:
    return THINGS[kind][0](np.random.default_rng([kind, variant]))


def thing(rng: np.random.Generator) -> Thing:
    """One thing on z = 0 about the origin, turned at random; of each kind there are ``VARIANTS``, made once."""
    weights = np.array([weight for _, weight in THINGS])
    kind = int(rng.choice(len(THINGS), p=weights / weights.sum()))
    turn = rotation_about("z", within(rng, 0, 360))
    return tuple(piece.moved((0, 0, 0), rotation=turn) for piece in _made(kind, int(rng.integers(VARIANTS))))
