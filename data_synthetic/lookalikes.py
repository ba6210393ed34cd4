"""Objects that are not fittings (class "none"): pipe fittings, valves and oddments that resemble inserts, or nothing.

Shapes and sizes are common practice, no source, except pipe threads (ISO 228-1, through ``thread``).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from data_synthetic import mesh, oddments, sundries
from data_synthetic.boolean import combined
from data_synthetic.household import colour
from data_synthetic.mesh import Array, Part, Solid
from data_synthetic.tap_shapes import Rng, Solids, between, bezier, lobed, loft, moved, pick
from data_synthetic.thread import PIPE_THREADS, pipe_thread

Maker = Callable[[Rng], Solids]


def _stuff(rng: Rng) -> str:
    return pick(
        rng,
        ("brass", "copper", "chrome", "white_plastic", "grey_plastic", "zinc", "steel", "bronze"),
        (0.34, 0.12, 0.16, 0.12, 0.06, 0.1, 0.05, 0.05),
    )


def _size(rng: Rng, *names: str) -> tuple[str, float]:
    name = pick(rng, names or ("G3/8", "G1/2", "G3/4"))
    return name, PIPE_THREADS[name][0]


def _mouth(bore_mm: float, outer_mm: float, long_mm: float, made: str) -> Solid:
    """Open socket from z = 0 up, its bore visible."""
    r, b = outer_mm / 2, bore_mm / 2
    return mesh.lathe(
        [(r * 0.8, 0), (r, 1), (r, long_mm - 0.6), (r - 0.6, long_mm), (b, long_mm), (b, long_mm * 0.3)], made
    )


def _bend(rng: Rng, turn_deg: float, outer_mm: float, made: str) -> tuple[Solid, Array]:
    """Curved middle of an elbow in the (y, z) plane, from the origin upwards."""
    radius = outer_mm * between(rng, 0.6, 1.3)
    turn = np.radians(np.linspace(0, turn_deg, 20))
    path = np.column_stack([-radius * (1 - np.cos(turn)), radius * np.sin(turn)])
    return loft(path, outer_mm * 0.92, outer_mm * 0.92, made), path


def elbow(rng: Rng) -> Solids:
    """Elbow for solder, threads or push fit, 90 or 45 degrees."""
    made, d = _stuff(rng), between(rng, 14, 32)
    bend, path = _bend(rng, float(rng.choice([90.0, 90.0, 45.0])), d, made)
    mouth = _mouth(d * 0.88, d * between(rng, 1.06, 1.4), d * between(rng, 0.5, 1.0), made)
    first = mouth.moved((0, 0, 0), rotation=mesh.rotation_about("x", 180))
    ahead = path[-1] - path[-2]
    lean = math.degrees(math.atan2(-ahead[0], ahead[1]))
    second = mouth.moved((0, path[-1][0], path[-1][1]), rotation=mesh.rotation_about("x", lean))
    return bend, first, second


def tee(rng: Rng) -> Solids:
    """Tee of three sockets or male ends."""
    made, d = _stuff(rng), between(rng, 14, 30)
    long = d * between(rng, 1.0, 1.5)
    end = _mouth(d * 0.85, d * 1.15, long * 0.5, made)
    run = mesh.cylinder(d, -long, long, made)
    side = mesh.cylinder(d * 0.98, 0, long, made).moved((0, 0, 0), rotation=mesh.rotation_about("x", 90))
    ends = (
        end.moved((0, 0, long * 0.6)),
        end.moved((0, 0, -long * 0.6), rotation=mesh.rotation_about("x", 180)),
        end.moved((0, -long * 0.6, 0), rotation=mesh.rotation_about("x", 90)),
    )
    return (run, side, *ends)


def coupling(rng: Rng) -> Solids:
    """Straight socket, compression coupling with nuts, or reducer."""
    made, d = _stuff(rng), between(rng, 15, 30)
    kind = pick(rng, ("socket", "compression", "reducer"))
    if kind == "socket":
        half = _mouth(d * 0.85, d * 1.1, d * between(rng, 0.7, 1.2), made)
        return half, half.moved((0, 0, 0.4), rotation=mesh.rotation_about("x", 180))
    if kind == "reducer":
        end, small = _mouth(d * 0.85, d * 1.1, d * 0.7, made), _mouth(d * 0.55, d * 0.75, d * 0.6, made)
        return (
            mesh.lathe([(d * 0.5, -1), (d * 0.36, d * 0.4), (2, d * 0.4)], made),
            end.moved((0, 0, 0), rotation=mesh.rotation_about("x", 180)),
            small.moved((0, 0, d * 0.3)),
        )
    flats = d * 1.35
    nuts = _compression_nut(flats, d, made)
    return (
        mesh.cylinder(d * 1.1, -d, d, made),
        mesh.hexagon(flats * 0.95, -d * 0.3, d * 0.3, made),
        *moved(nuts, (0, 0, d * 0.5)),
        *moved(nuts, (0, 0, -d * 0.5), rotation=mesh.rotation_about("x", 180)),
    )


def _compression_nut(flats: float, d: float, made: str) -> Solids:
    return mesh.hexagon(flats, 0, d * 0.7, made), _mouth(d * 0.85, flats * 0.92, d * 0.85, made)


def loose_nut(rng: Rng) -> Solids:
    """Compression nut with its olive, or a back nut."""
    d = between(rng, 12, 28)
    made = pick(rng, ("brass", "chrome"), (0.75, 0.25))
    flats = d * between(rng, 1.4, 1.6)
    h = d * between(rng, 0.5, 0.95)
    body = combined(mesh.hexagon(flats, 0, h, made), "minus", mesh.cylinder(d * 1.2, h * 0.3, h + 1, made))
    body = combined(body, "minus", mesh.cylinder(d, -1, h + 1, made))
    if rng.random() < 0.4:
        olive = mesh.hoop([(d / 2, h), (d / 2 + 1.1, h + 2), (d / 2 + 1.1, h + 4), (d / 2, h + 6)], "copper")
        return body, olive
    return (body,)


def hose_tail(rng: Rng) -> Solids:
    """Hose tail: thread, hexagon, barbs."""
    name, d = _size(rng)
    made = pick(rng, ("brass", "chrome", "grey_plastic", "steel"), (0.6, 0.15, 0.15, 0.1))
    z = between(rng, 9, 14)
    flats, h = d * between(rng, 1.1, 1.3), between(rng, 5, 9)
    r, count, step = d * between(rng, 0.3, 0.58), int(rng.integers(3, 7)), between(rng, 4.0, 7)
    base, waist = z + h, between(rng, 0.76, 0.9)
    top = base + step * count + 1
    if rng.random() < 0.4:  # rounded rings
        turns = np.linspace(0, 2 * math.pi * count, 12 * count + 1)
        swell = waist + (1 - waist) * np.abs(np.sin(turns / 2)) ** between(rng, 0.7, 2)
        rings = [(r * float(s), base + step * float(t) / (2 * math.pi)) for s, t in zip(swell, turns, strict=True)]
    else:
        rings = [
            p
            for k in range(count)
            for p in ((r * waist, base + 1 + step * k), (r, base + 1.8 + step * k), (r * waist, base + step * (k + 1)))
        ]
    bore = r * (0.05 if rng.random() < 0.3 else between(rng, 0.45, 0.65))
    tail = mesh.lathe(
        [(r * waist, base - 1), *rings, (r * 0.8, top), (bore, top), (bore * 0.9, top - 5)], made, crease_deg=20
    )
    return pipe_thread(name, 0, z, made), mesh.hexagon(flats, z - 0.5, base, made), tail


def isolating_valve(rng: Rng) -> Solids:
    """Small ball valve with compression ends, screwdriver slot or lever."""
    made = pick(rng, ("chrome", "brass"))
    d = float(rng.choice([15.0, 15.0, 22.0]))
    flats, long = d * between(rng, 1.45, 1.65), d * between(rng, 1.05, 1.4)
    nuts = _compression_nut(flats, d, made)
    body = (
        mesh.cylinder(d * 1.25, -long, long, made),
        mesh.hexagon(flats * 0.94, -d * 0.35, d * 0.35, made),
        *moved(nuts, (0, 0, long * 0.6)),
        *moved(nuts, (0, 0, -long * 0.6), rotation=mesh.rotation_about("x", 180)),
    )
    stem = mesh.cylinder(d * 0.62, 0, flats * 0.62, made)
    if rng.random() < 0.5:
        slot = mesh.rounded_box((d * 0.5, 1.4, 2), "black_plastic", radius_mm=0.1).moved((0, 0, flats * 0.62 - 1.6))
        side = (stem, slot)
    else:
        lever = loft(
            bezier([(0, flats * 0.66), (-d, flats * 0.7), (-d * 2.2, flats * 0.95)], count=16), 9.0, 3.0, squareness=5.0
        )
        tint = ((0.7, 0.05, 0.05), (0.05, 0.15, 0.6))[int(rng.integers(2))]
        side = (stem, lever.of("paint", tint=tint, roughness=0.3))
    return (*body, *moved(side, (0, 0, 0), rotation=mesh.rotation_about("x", 90)))


def nipple(rng: Rng) -> Solids:
    """Male nipple, bush, or plug with a hexagon or a square."""
    name, d = _size(rng)
    made = pick(rng, ("brass", "chrome", "zinc", "cast_iron"), (0.5, 0.15, 0.2, 0.15))
    z, flats, h = between(rng, 9, 15), d * between(rng, 1.1, 1.25), between(rng, 5, 10)
    lower, hexagon = pipe_thread(name, 0, z, made), mesh.hexagon(flats, z - 0.3, z + h, made)
    kind = pick(rng, ("nipple", "plug", "square", "extension"))
    if kind == "nipple":
        upper = pipe_thread(name, z + h - 0.3, 2 * z + h, made)
        return lower, hexagon, combined(upper, "minus", mesh.cylinder(d * 0.6, z + h + 2, 2 * z + h + 2, made))
    if kind == "square":
        return (
            lower,
            mesh.cylinder(d * 1.1, z - 0.3, z + 2.5, made),
            mesh.prism(mesh.polygon_xy(4, d * 0.6), z + 2, z + 2 + d * 0.6, made),
        )
    if kind == "extension":
        long = between(rng, 15, 50)
        return (
            lower,
            mesh.cylinder(d * 1.25, z - 0.3, z + long, made, chamfer_mm=0.8),
            _mouth(d * 0.9, d * 1.24, 6, made).moved((0, 0, z + long - 5.9)),
        )
    return lower, hexagon


def aerator(rng: Rng) -> Solids:
    """Aerator taken off a spout: ring with flats and a mesh."""
    r, h = between(rng, 10, 14), between(rng, 9, 16)
    ring = mesh.lathe(
        [(r * 0.82, 0), (r, 0.8), (r, h * 0.55), (r * 0.93, h * 0.6), (r * 0.93, h), (r * 0.8, h), (r * 0.78, h - 2)],
        "chrome",
    )
    return ring, mesh.cylinder(1.54 * r, 1.0, h - 1.2, "white_plastic"), mesh.o_ring(1.9 * r, 1.8, h - 0.5)


def union_hose(rng: Rng) -> Solids:
    """Cut-off end of a braided hose with its nut."""
    d, long, flats = between(rng, 10, 14), between(rng, 40, 110), between(rng, 17, 30)
    h = between(rng, 12, 18)
    t = np.linspace(0, long, 60)
    wide = np.asarray(d + 0.5 * (np.arange(60) % 2), float)
    hose = mesh.swept(
        np.column_stack([8 * np.sin(t / long * 1.4), np.zeros(60), h + t]),
        wide,
        "steel",
        around=20,
    )
    nut = combined(mesh.hexagon(flats, 0, h, "chrome"), "minus", mesh.cylinder(flats * 0.72, -1, h * 0.7, "chrome"))
    return nut, mesh.cylinder(d + 2.5, h - 1, h + 16, "steel"), hose


def gauge_or_vent(rng: Rng) -> Solids:
    """Automatic vent, drain cock or check valve: turned bodies with a thread."""
    name, d = _size(rng, "G1/4", "G3/8", "G1/2")
    made = pick(rng, ("brass", "chrome"))
    z, r = between(rng, 8, 12), d * between(rng, 0.75, 1.3)
    h = between(rng, 28, 60)
    body = mesh.lathe([(d * 0.5, z - 0.4), (r, z + 5), (r, z + h), (r * 0.8, z + h + 3), (2, z + h + 4)], made)
    top = oddments.plastic(rng, lobed([(4, 0), (5, 1), (5, 8), (2, 9)], 8, 0.1, "black_plastic")).moved(
        (0, 0, z + h + 3)
    )
    return pipe_thread(name, 0, z, made), mesh.hexagon(d * 1.1, z + 0.5, z + 7, made), body, top


def garden_coupling(rng: Rng) -> Solids:
    """Plastic snap coupling of a garden hose."""
    r, tint = between(rng, 14, 18), colour(rng)
    body = mesh.lathe(
        [
            (r * 0.8, 0),
            (r, 2),
            (r, 18),
            (r * 0.7, 21),
            (r * 0.7, 26),
            (r * 1.05, 28),
            (r, 46),
            (r * 0.75, 48),
            (r * 0.6, 48),
            (r * 0.6, 30),
        ],
        "black_plastic",
    )
    ring = mesh.splined(24, 2 * r + 3, 4, 16, "coloured_plastic", depth_mm=1.2).of("coloured_plastic", tint=tint)
    return body, ring


def pipe_offcut(rng: Rng) -> Solids:
    """Offcut of pipe, round or square bar."""
    made, d, long = _stuff(rng), between(rng, 10, 28), between(rng, 25, 110)
    if rng.random() < 0.25:
        return (mesh.prism(mesh.polygon_xy(int(rng.choice([4, 6])), d), 0, long, made),)
    wall = between(rng, 0.7, 3)
    return (mesh.hoop([(d / 2 - wall, 0), (d / 2, 0), (d / 2, long), (d / 2 - wall, long)], made),)


@dataclass(frozen=True, slots=True)
class _Kind:
    maker: Maker
    weight: float
    stands: bool = True


KINDS: tuple[_Kind, ...] = (
    _Kind(elbow, 3, stands=False),
    _Kind(tee, 2, stands=False),
    _Kind(coupling, 3),
    _Kind(loose_nut, 2),
    _Kind(hose_tail, 3),
    _Kind(isolating_valve, 3),
    _Kind(nipple, 3),
    _Kind(aerator, 1.5),
    _Kind(union_hose, 2, stands=False),
    _Kind(gauge_or_vent, 2),
    _Kind(garden_coupling, 1.5),
    _Kind(pipe_offcut, 1.5),
    _Kind(oddments.bolt, 3),
    _Kind(oddments.nut, 2),
    _Kind(oddments.washers, 2),
    _Kind(oddments.bearing, 2),
    _Kind(oddments.cell, 2.5),
    _Kind(oddments.cap, 2.5),
    _Kind(oddments.spark_plug, 2, stands=False),
    _Kind(oddments.bit, 2),
    _Kind(oddments.coil_spring, 1.5),
    _Kind(oddments.key, 1.5, stands=False),
    _Kind(oddments.pen, 1.5, stands=False),
    _Kind(oddments.pulley, 1.5),
    _Kind(oddments.cupboard_knob, 2.5),
    _Kind(oddments.candle_or_cork, 1.5),
    _Kind(oddments.dice, 1),
    _Kind(oddments.roller, 1),
    _Kind(sundries.bulb, 2),
    _Kind(sundries.fuse, 2),
    _Kind(sundries.brick, 1.5),
    _Kind(sundries.gear, 1.5),
    _Kind(sundries.castor, 1.5, stands=False),
    _Kind(sundries.bottle, 2),
    _Kind(sundries.connector, 2, stands=False),
    _Kind(sundries.cable_gland, 2),
    _Kind(sundries.wall_plug, 1.5, stands=False),
    _Kind(sundries.spray_nozzle, 2),
    _Kind(sundries.handwheel, 1.5),
    _Kind(sundries.eye_bolt, 1.5, stands=False),
    _Kind(sundries.basin_plug, 1.5),
    _Kind(sundries.gate_valve, 3, stands=False),
    _Kind(sundries.chess_or_thimble, 2),
    _Kind(sundries.box_thing, 2),
)

#: Kinds kept from training: what the network says of them tells how it takes objects it has never seen.
UNSEEN: frozenset[Maker] = frozenset(
    {garden_coupling, gauge_or_vent, oddments.bearing, oddments.spark_plug, oddments.pulley, oddments.bit}
)
EMPTY_SHARE = 0.08  # of draws give an empty bench


def build(rng: Rng, *, unseen: bool = False) -> Part:
    """One look-alike of class "none", standing on z = 0; now and then no object at all (no solids).

    ``unseen`` draws from the kinds that training never shows, and always an object.
    """
    if not unseen and rng.random() < EMPTY_SHARE:
        return Part("none", "empty", (), stands_on=())
    weights = np.array([kind.weight * ((kind.maker in UNSEEN) == unseen) for kind in KINDS])
    return build_kind(int(rng.choice(len(KINDS), p=weights / weights.sum())), rng)


def build_kind(index: int, rng: Rng) -> Part:
    """The look-alike of one entry of ``KINDS``."""
    kind = KINDS[index]
    solids = kind.maker(rng)
    points = np.concatenate([piece.vertices_mm for piece in solids])
    wide_x, wide_y, high = np.ptp(points, axis=0)
    stands = kind.stands and high > 0.7 * max(wide_x, wide_y)  # a flat thing just lies; it does not stand on edge
    name, lowest = kind.maker.__name__.replace("_", "-"), float(points[:, 2].min())
    return Part("none", name, moved(solids, (0, 0, -lowest)), stands_on=("seat",) if stands else ())
