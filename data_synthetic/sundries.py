"""More things of house, desk and toolbox for class "none": bulbs, fuses, bricks, gears, castors, bottles, sockets...

Each is built about the z axis. Shapes and sizes are common practice, no source, except pipe threads (``thread``).
"""

from __future__ import annotations

import math

import numpy as np

from data_synthetic import mesh
from data_synthetic.boolean import combined
from data_synthetic.household import colour
from data_synthetic.mesh import Solid
from data_synthetic.oddments import metal, plastic
from data_synthetic.tap_shapes import Rng, Solids, between, lobed, moved, pick
from data_synthetic.thread import PIPE_THREADS, pipe_thread, threaded

ACROSS = mesh.rotation_about("x", 90)


def _ball(radius_mm: float, made: str, *, first: float = 0.03, last: float = 0.03) -> Solid:
    turns = np.linspace(first, np.pi - last, 16)
    return mesh.lathe([(radius_mm * math.sin(a), -radius_mm * math.cos(a)) for a in turns], made, around=40,
                      crease_deg=50)  # fmt: skip


def bulb(rng: Rng) -> Solids:
    """Lamp: threaded or two-pin foot, plastic neck, globe, candle or reflector."""
    foot, neck = between(rng, 13, 27), between(rng, 10, 25)
    pins = rng.random() < 0.25
    base = (
        [mesh.cylinder(foot, 0, 12, "ceramic"), *(mesh.cylinder(2, -7, 1, "steel", around=12).moved((x, 0, 0))
                                                  for x in (-4, 4))]
        if pins
        else [mesh.cylinder(foot * 0.4, -4, 1, "steel"), threaded(foot, foot * 0.13, 0, 16, "steel", around=40)]
    )  # fmt: skip
    z, r = 14.0, foot * between(rng, 0.7, 1.3)
    cone = plastic(rng, mesh.lathe([(foot * 0.5, z - 1), (r * 0.9, z + neck)], "white_plastic"))
    if rng.random() < 0.4:
        top = mesh.lathe([(r * 0.9, z + neck), (r * 1.4, z + neck + 18), (r * 1.4, z + neck + 21), (r, z + neck + 21)],
                         "steel")  # fmt: skip
    else:
        top = _ball(r, "ceramic").moved((0, 0, z + neck + r * 0.5))
    return (*base, cone, top)


def fuse(rng: Rng) -> Solids:
    """Cartridge fuse, or a screw-in fuse with a window."""
    d, h = between(rng, 5, 15), between(rng, 20, 40)
    made = pick(rng, ("ceramic", "glass", "white_plastic", "fibre"))
    cap = h * between(rng, 0.15, 0.28)
    ends = [mesh.cylinder(d, z, z + cap, "steel" if rng.random() < 0.5 else "brass") for z in (0.0, h - cap)]
    return (mesh.cylinder(d * 0.93, 0.5, h - 0.5, made), *ends)


def brick(rng: Rng) -> Solids:
    """Toy brick with studs."""
    unit, columns, rows = 8.0, int(rng.integers(1, 5)), int(rng.integers(1, 3))
    high = float(rng.choice((3.2, 9.6)))
    body = mesh.rounded_box((columns * unit - 0.2, rows * unit - 0.2, high), "white_plastic", radius_mm=0.2)
    studs = [
        mesh.cylinder(4.8, high - 0.1, high + 1.7, "white_plastic", around=24).moved(
            ((i - (columns - 1) / 2) * unit, (j - (rows - 1) / 2) * unit, 0)
        )
        for i in range(columns)
        for j in range(rows)
    ]
    tint, rough = colour(rng), between(rng, 0.12, 0.3)
    return tuple(piece.of("coloured_plastic", tint=tint, roughness=rough) for piece in (body, *studs))


def gear(rng: Rng) -> Solids:
    """Gear wheel with a hub and a bore."""
    count, r, h = int(rng.integers(10, 40)), between(rng, 9, 28), between(rng, 3, 14)
    wheel = mesh.splined(count, 2 * r, 0, h, "brass", depth_mm=min(4.0, 2.2 * r / count + 0.6), land=0.25)
    bore = mesh.cylinder(r * between(rng, 0.2, 0.45), -1, 2 * h + 20, "brass", around=32)
    hub = mesh.cylinder(r * between(rng, 0.6, 0.9), h - 0.2, h * between(rng, 1.2, 2.0), "brass")
    pieces = [combined(wheel, "minus", bore), combined(hub, "minus", bore)]
    made = pick(rng, ("steel", "brass", "white_plastic", "black_plastic"))
    return tuple(piece.of(made) for piece in pieces)


def castor(rng: Rng) -> Solids:
    """Furniture castor: tyre between cheeks, fork plate, stem."""
    r, wide = between(rng, 14, 28), between(rng, 12, 22)
    tyre = plastic(rng, mesh.cylinder(2 * r, -wide / 2, wide / 2, "rubber", chamfer_mm=3))
    cheeks = [mesh.cylinder(r, -wide / 2 - 1, wide / 2 + 1, "steel"), mesh.cylinder(5, -wide * 0.8, wide * 0.8, "zinc")]
    fork = [
        mesh.rounded_box((r, 2.2, r * 1.5), "zinc", radius_mm=0.4).moved((0, s * wide * 0.68, -r * 0.2))
        for s in (-1, 1)
    ]
    plate = mesh.rounded_box((r * 1.4, wide * 1.6, 2.5), "zinc", radius_mm=0.5).moved((0, 0, r * 1.25))
    stem = mesh.cylinder(between(rng, 6, 11), r * 1.25, r * 2.4, "steel")
    return (*moved((tyre, *cheeks), (0, 0, 0), rotation=ACROSS), *fork, plate, stem)


def bottle(rng: Rng) -> Solids:
    """Small bottle, vial, jar or tube with its cap."""
    r, h = between(rng, 9, 24), between(rng, 28, 80)
    neck, shoulder = r * between(rng, 0.35, 0.8), h * between(rng, 0.05, 0.25)
    body = mesh.lathe([(r - 1, 0), (r, 1), (r, h - shoulder), (neck, h), (neck, h + 4)], "glass", crease_deg=40)
    made = pick(rng, ("white_plastic", "coloured_plastic", "clear_plastic"))
    cap = mesh.splined(36, 2 * neck + 3, h + 1, h + between(rng, 8, 18), "white_plastic", depth_mm=0.4)
    label = mesh.cylinder(2 * r + 0.3, h * 0.15, h * 0.55, "paper", chamfer_mm=0.05)
    pieces = (body.of(made, tint=colour(rng)), plastic(rng, cap))
    return (*pieces, label.of("paper", tint=colour(rng))) if rng.random() < 0.6 else pieces


def connector(rng: Rng) -> Solids:
    """Electrical plug or jack: knurled sleeve, pin, cable stub."""
    d, long = between(rng, 8, 18), between(rng, 18, 34)
    made = metal(rng)
    sleeve = mesh.splined(int(rng.integers(16, 40)), d, 0, long, made, depth_mm=0.4)
    pin = mesh.lathe([(d * 0.22, long - 1), (d * 0.22, long + 12), (d * 0.15, long + 13), (d * 0.22, long + 15),
                      (1, long + 17)], "bright_brass", around=32)  # fmt: skip
    boot = mesh.lathe([(d * 0.25, -18), (d * 0.42, 0.5)], "black_plastic", around=32)
    lead = mesh.cylinder(d * 0.35, -between(rng, 25, 60), -16, "cable", around=24)
    return sleeve if rng.random() < 0.5 else plastic(rng, sleeve), pin, boot, lead


def cable_gland(rng: Rng) -> Solids:
    """Cable gland: moulded thread, hexagon, domed nut with a hole."""
    d, long = between(rng, 12, 25), between(rng, 7, 12)
    dome = mesh.lathe([(d * 0.62, long + 5), (d * 0.62, long + 11), (d * 0.4, long + 16), (d * 0.25, long + 16),
                       (d * 0.25, long + 8)], "grey_plastic")  # fmt: skip
    pieces = (
        threaded(d, 1.5, 0, long, "grey_plastic", form="metric", around=48),
        mesh.hexagon(d * 1.2, long - 0.3, long + 5.5, "grey_plastic"),
        dome,
    )
    made = pick(rng, ("grey_plastic", "black_plastic", "white_plastic", "satin_nickel"))
    return tuple(piece.of(made) for piece in pieces)


def wall_plug(rng: Rng) -> Solids:
    """Wall plug: ribbed sleeve, split, with or without its screw."""
    r, long = between(rng, 3, 7), between(rng, 25, 60)
    rows = [(r * (0.8 if k % 2 else 1.0), long * k / 16) for k in range(17)]
    sleeve = plastic(rng, mesh.lathe(rows, "grey_plastic", around=32, crease_deg=20))
    collar = mesh.cylinder(2.6 * r, long - 0.5, long + 1.5, "grey_plastic", around=40)
    if rng.random() < 0.5:
        head = mesh.lathe([(r * 0.6, long), (r * 1.3, long + 4), (r * 1.2, long + 4.8)], "steel", around=40)
        return sleeve, head
    return sleeve, collar


def spray_nozzle(rng: Rng) -> Solids:
    """Nozzle or grease nipple: hexagon, cone, ball tip."""
    flats, made = between(rng, 7, 22), metal(rng)
    long = between(rng, 1.2, 2.4) * flats
    tip = mesh.lathe(
        [(flats * 0.42, 0), (flats * 0.3, long * 0.5), (flats * 0.16, long), (flats * 0.12, long), (0.4, long * 0.9)],
        made,
        around=48,
    )
    base = mesh.hexagon(flats, -flats * 0.5, 0.5, made)
    ball = _ball(flats * 0.24, made).moved((0, 0, long))
    return (base, tip, ball) if rng.random() < 0.4 else (base, tip)


def handwheel(rng: Rng) -> Solids:
    """Handwheel or star knob of a valve or machine, with a threaded stud."""
    r, h = between(rng, 16, 32), between(rng, 10, 20)
    knob = plastic(rng, lobed([(r * 0.8, 0), (r, 3), (r, h - 3), (r * 0.7, h), (2, h)], int(rng.integers(4, 9)), 0.16,
                              "black_plastic"))  # fmt: skip
    stud = threaded(between(rng, 6, 12), 1.25, -between(rng, 10, 35), 1, "steel", form="metric", around=36)
    return (knob, stud) if rng.random() < 0.7 else (knob, mesh.cylinder(r * 0.7, -8, 1, "brass"))


def eye_bolt(rng: Rng) -> Solids:
    """Screw eye, hook or towing ring."""
    d, r = between(rng, 4, 9), between(rng, 8, 18)
    sweep = np.linspace(-np.pi / 2, np.radians(between(rng, 120, 265)), 40)
    path = np.column_stack([r * np.cos(sweep), np.zeros(40), r + r * np.sin(sweep)])
    ring = mesh.tube(path, d, "zinc")
    shank = threaded(d, 0.15 * d + 0.3, -between(rng, 20, 45), 1, "zinc", form="metric", around=32)
    return ring, shank


def basin_plug(rng: Rng) -> Solids:
    """Basin plug with a ring, or a waste's strainer with a rim."""
    r, h = between(rng, 17, 24), between(rng, 9, 18)
    if rng.random() < 0.5:
        body = mesh.lathe([(r * 0.85, 0), (r, h), (r * 1.15, h), (r * 1.15, h + 2), (2, h + 3)], "rubber")
        eye = mesh.tube(np.column_stack([4 * np.cos(np.linspace(0, np.pi, 16)), np.zeros(16),
                                         h + 2 + 6 * np.sin(np.linspace(0, np.pi, 16))]), 1.8, "chrome")  # fmt: skip
        return body.of(pick(rng, ("rubber", "coloured_rubber", "white_plastic"))), eye
    rim = mesh.lathe([(r * 0.9, 0), (r * 0.9, h), (r * 1.4, h + 1), (r * 1.35, h + 2.5), (2, h + 1)], "chrome")
    hole = mesh.cylinder(r * 0.3, h + 0.8, h + 2.2, "black_plastic", around=20)
    angles = np.arange(6) * np.pi / 3
    return rim, *(hole.moved((0.55 * r * math.cos(a), 0.55 * r * math.sin(a), 0)) for a in angles)


def gate_valve(rng: Rng) -> Solids:
    """Stop valve with its handwheel: body in line, bonnet, spindle, wheel."""
    name = pick(rng, ("G3/8", "G1/2", "G3/4"))
    d = PIPE_THREADS[name][0]
    made = pick(rng, ("brass", "bronze", "chrome"), (0.6, 0.25, 0.15))
    half = between(rng, 22, 34)
    end = pipe_thread(name, half - 11, half, made)
    run = [mesh.cylinder(d * 1.2, -half * 0.7, half * 0.7, made), mesh.hexagon(d * 1.35, half * 0.5, half * 0.75, made)]
    along = [piece for k in (0.0, 180.0) for piece in moved(
        (*run, end), (0, 0, 0), rotation=mesh.rotation_about("y", 90 + k))]  # fmt: skip
    z = d * 0.6
    top = [mesh.hexagon(d * 1.1, z, z + 8, made), mesh.cylinder(d * 0.7, z + 7, z + 18, made),
           mesh.cylinder(7, z + 17, z + 32, "brass")]  # fmt: skip
    wheel = lobed([(d * 0.9, 0), (d, 2), (d, 5), (d * 0.5, 7)], int(rng.integers(4, 7)), 0.1, "paint")
    return (*along, *top, wheel.of("paint", tint=colour(rng), roughness=0.35).moved((0, 0, z + 26)))


def chess_or_thimble(rng: Rng) -> Solids:
    """Turned pawn, thimble, marble, or a stack of coins."""
    kind = pick(rng, ("pawn", "thimble", "marble", "cotton-reel"))
    r, h = between(rng, 8, 15), between(rng, 20, 50)
    if kind == "marble":
        return (_ball(r, "glass").of("glass", tint=colour(rng)),)
    if kind == "thimble":
        return (mesh.lathe([(r, 0), (r * 0.75, h * 0.45), (r * 0.5, h * 0.5)], metal(rng), crease_deg=50),)
    if kind == "cotton-reel":
        middle = mesh.lathe([(r * 0.8, 1), (r * 0.85, h - 1)], "cloth").of("cloth", tint=colour(rng))
        rims = [mesh.lathe([(r, z), (r, z + 2), (r * 0.6, z + 4)], "wood") for z in (0.0, h - 3)]
        return (middle, *(plastic(rng, rim) if rng.random() < 0.5 else rim for rim in rims))
    body = mesh.lathe([(r, 0), (r, 4), (r * 0.45, h * 0.35), (r * 0.35, h * 0.7), (r * 0.55, h * 0.72), (2, h * 0.76)],
                      "wood", crease_deg=40)  # fmt: skip
    tint = colour(rng)
    return tuple(p.of("wood", tint=tint) for p in (body, _ball(r * 0.5, "wood").moved((0, 0, h * 0.76 + r * 0.4))))


def box_thing(rng: Rng) -> Solids:
    """Block of any sort: memory stick, eraser, match box, terminal block, adaptor."""
    x, y, z = sorted((between(rng, 12, 60), between(rng, 8, 32), between(rng, 5, 22)), reverse=True)
    body = plastic(rng, mesh.rounded_box((x, y, z), "white_plastic", radius_mm=between(rng, 0.2, 3)))
    pieces = [body]
    if rng.random() < 0.5:
        pieces.append(mesh.rounded_box((13, min(12.0, y * 0.8), min(4.5, z * 0.6)), "steel", radius_mm=0.2).moved(
            (x / 2 + 6, 0, z * 0.2)))  # fmt: skip
    if rng.random() < 0.5:
        band = mesh.rounded_box((x * 0.5, y + 0.3, z + 0.3), "paper", radius_mm=0.1).moved((0, 0, -0.15))
        pieces.append(band.of("paper", tint=colour(rng)))
    if rng.random() < 0.3:
        pieces += [mesh.cylinder(y * 0.22, z - 0.2, z + 1, "brass", around=24).moved((s * x * 0.3, 0, 0))
                   for s in (-1, 1)]  # fmt: skip
    return tuple(pieces)
