"""Small things that lie on a bench and might be taken for a tap insert: bolts, cells, caps, bits, bearings, keys...

Each is built about the z axis. Shapes and sizes are common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np

from data_synthetic import mesh
from data_synthetic.boolean import combined
from data_synthetic.household import colour
from data_synthetic.mesh import Solid
from data_synthetic.tap_shapes import Rng, Solids, between, bezier, lobed, loft, moved, pick
from data_synthetic.thread import threaded

METALS = ("steel", "zinc", "brass", "chrome", "satin_nickel")


def metal(rng: Rng) -> str:
    """A metal as small hardware is made of."""
    return pick(rng, METALS, (0.4, 0.25, 0.15, 0.1, 0.1))


def plastic(rng: Rng, piece: Solid) -> Solid:
    """The piece in a plastic of some colour."""
    if rng.random() < 0.3:
        return piece.of(pick(rng, ("white_plastic", "black_plastic", "grey_plastic")))
    return piece.of("coloured_plastic", tint=colour(rng), roughness=between(rng, 0.15, 0.5))


def bolt(rng: Rng) -> Solids:
    """Hexagon or socket head bolt."""
    d = float(rng.choice([6, 8, 10, 12, 16, 20]))
    long, made = between(rng, 1.5 * d, 5 * d), metal(rng)
    pitch = 0.11 * d + 0.45
    head_z = 0.65 * d
    if rng.random() < 0.65:
        head = mesh.hexagon(1.55 * d, 0, head_z, made)
    else:
        head = combined(mesh.cylinder(1.5 * d, 0, d, made), "minus", mesh.hexagon(0.8 * d, -1, d * 0.5, made))
        head_z = d
    plain = between(rng, 0, 0.4) * long
    shank = mesh.cylinder(d, head_z - 0.2, head_z + plain + 0.5, made)
    return head, shank, threaded(d, pitch, head_z + plain, head_z + long, made, form="metric", around=48)


def nut(rng: Rng) -> Solids:
    """Hexagon, flanged, cap or wing nut."""
    flats, made = between(rng, 10, 36), metal(rng)
    h = flats * between(rng, 0.35, 0.8)
    body = combined(mesh.hexagon(flats, 0, h, made), "minus", mesh.cylinder(flats * 0.6, -1, h + 1, made))
    kind = pick(rng, ("plain", "flange", "cap", "wing"), (0.5, 0.2, 0.2, 0.1))
    if kind == "flange":
        return body, mesh.washer(flats * 1.3, flats * 0.6, -0.5, 2, made)
    if kind == "cap":
        dome = [(flats * 0.46 * math.cos(a), h - 0.2 + flats * 0.46 * math.sin(a)) for a in np.linspace(0, 1.5, 10)]
        return mesh.hexagon(flats, 0, h, made), mesh.lathe(dome, made)
    if kind == "wing":
        wing = loft(
            bezier([(0, h * 0.4), (-flats * 0.9, h * 0.5), (-flats * 1.1, h * 2)], count=16),
            4.0,
            10.0,
            made,
            rounded_mm=2,
        )
        return mesh.lathe([(flats * 0.5, 0), (flats * 0.35, h), (2, h)], made), *(
            wing.moved((0, 0, 0), rotation=mesh.rotation_about("z", t)) for t in (0, 180)
        )
    return (body,)


def washers(rng: Rng) -> Solids:
    """Stack of washers and rings."""
    outer, z, pieces = between(rng, 14, 36), 0.0, []
    for _ in range(int(rng.integers(1, 7))):
        made = pick(rng, ("steel", "fibre", "rubber", "brass", "copper", "coloured_rubber"))
        d, t = outer * between(rng, 0.75, 1.1), between(rng, 0.8, 3.5)
        shift = rng.normal(0, outer * 0.03, 2)
        pieces.append(mesh.washer(d, d * between(rng, 0.35, 0.7), z, z + t, made).moved((shift[0], shift[1], 0)))
        z += t
    return tuple(pieces)


def bearing(rng: Rng) -> Solids:
    """Ball bearing, open or with a shield."""
    outer = between(rng, 19, 47)
    inner, h = outer * between(rng, 0.34, 0.48), outer * between(rng, 0.25, 0.34)
    wall = (outer - inner) / 2 * 0.28
    races = [mesh.washer(outer, outer - 2 * wall, 0, h, "steel"), mesh.washer(inner + 2 * wall, inner, 0, h, "steel")]
    if rng.random() < 0.55:
        shield = mesh.washer(outer - 2 * wall + 0.2, inner + 2 * wall - 0.2, h * 0.08, h * 0.92, "steel")
        return (*races, plastic(rng, shield) if rng.random() < 0.6 else shield)
    middle, ball = (outer + inner) / 4, (outer - inner) / 4 * 0.8
    one = _ball(ball, "chrome")
    count = int(2 * math.pi * middle / (2.5 * ball))
    balls = [
        one.moved((middle * math.cos(a), middle * math.sin(a), h / 2)) for a in 2 * np.pi * np.arange(count) / count
    ]
    return (*races, *balls)


def _ball(radius_mm: float, made: str) -> Solid:
    return mesh.lathe(
        [(radius_mm * math.sin(a), -radius_mm * math.cos(a)) for a in np.linspace(0.03, np.pi - 0.03, 16)],
        made,
        around=32,
        crease_deg=60,
    )


def cell(rng: Rng) -> Solids:
    """Battery: round cell, button cell or block."""
    kind = pick(rng, ("round", "button", "block"), (0.6, 0.2, 0.2))
    tint = colour(rng)
    if kind == "block":
        box = mesh.rounded_box((26, 17, 46), "paint", radius_mm=1.5).of("paint", tint=tint, roughness=0.3)
        return box, *(mesh.cylinder(7, 45, 49, "steel").moved((x, 0, 0)) for x in (-6.5, 6.5))
    if kind == "button":
        d, h = between(rng, 9, 24), between(rng, 2, 6)
        return mesh.cylinder(d, 0, h * 0.8, "steel"), mesh.cylinder(d * 0.85, h * 0.7, h, "steel")
    d, h = ((14.3, 50.0), (10.3, 44.0), (26.0, 49.5), (33.5, 61.0))[int(rng.integers(4))]
    split = between(rng, 0.3, 0.8) * h
    lower = mesh.cylinder(d, 0.6, split, "paint").of("paint", tint=tint, roughness=0.25)
    upper = mesh.cylinder(d, split - 0.3, h - 1.8, "paint").of(
        "paint" if rng.random() < 0.5 else "copper", roughness=0.25
    )
    return lower, upper, mesh.cylinder(d * 0.8, 0, 1, "steel"), mesh.cylinder(d * 0.36, h - 2, h, "steel")


def cap(rng: Rng) -> Solids:
    """Bottle cap, jar lid, crown cap or lens cap."""
    kind = pick(rng, ("screw", "jar", "crown", "lens"))
    if kind == "crown":
        body = lobed([(16, 0), (14.5, 4.5), (13, 6), (2, 6.2)], 21, 0.06, "steel", around=168)
        return (body.of("paint", tint=colour(rng), roughness=0.25) if rng.random() < 0.7 else body,)
    r = {"screw": between(rng, 13, 22), "jar": between(rng, 28, 42), "lens": between(rng, 22, 36)}[kind]
    h = {"screw": between(rng, 11, 26), "jar": between(rng, 10, 18), "lens": between(rng, 5, 9)}[kind]
    shell = [(r - 1.6, 0.0), (r, 0.0), (r, h - 1.5), (r - 1.2, h), (2.0, h)]
    if kind == "screw":
        return (plastic(rng, mesh.splined(int(rng.integers(40, 90)), 2 * r, 0, h, "white_plastic", depth_mm=0.5)),)
    body = mesh.lathe(shell, "steel")
    if kind == "jar":
        return (body.of("paint", tint=colour(rng), roughness=0.25), mesh.o_ring(2 * r + 1, 1.8, 1.2, "steel"))
    pads = [mesh.rounded_box((14, 8, h + 0.4), "black_plastic").moved((x, 0, 0)) for x in (-r * 0.6, r * 0.6)]
    return (body.of("black_plastic"), *pads)


def spark_plug(rng: Rng) -> Solids:
    """Spark plug: thread, hexagon, ribbed white insulator, terminal."""
    d = float(rng.choice([10.0, 12.0, 14.0, 18.0]))
    z = between(rng, 12, 26)
    body = (
        mesh.cylinder(d * 0.45, -3, 1, "ceramic_disc"),
        threaded(d, 1.25, 0, z, "zinc", form="metric", around=48),
        mesh.cylinder(d * 1.3, z - 0.5, z + 6, "zinc"),
        mesh.hexagon(d * 1.3 + 2, z + 6, z + 16, "zinc"),
    )
    r, top = d * 0.42, z + 16 + between(rng, 20, 30)
    ribs = [p for k in range(4) for p in ((r, z + 22 + 4 * k), (r + 0.9, z + 23 + 4 * k), (r, z + 24.5 + 4 * k))]
    white = mesh.lathe(
        [(d * 0.55, z + 15), (r + 0.6, z + 20), *ribs, (r * 0.9, max(top, z + 40)), (2, max(top, z + 40))], "ceramic"
    )
    tip = mesh.lathe(
        [
            (2.2, max(top, z + 40) - 0.5),
            (3.2, max(top, z + 40) + 2),
            (3.2, max(top, z + 40) + 8),
            (2, max(top, z + 40) + 9),
        ],
        "steel",
    )
    hook = mesh.swept(
        np.array([[d * 0.4, 0, 1.0], [d * 0.4, 0, -5.0], [d * 0.3, 0, -6.2], [0, 0, -6.2]]),
        np.full(4, 2.2),
        "steel",
        around=10,
    )
    return (*body, white, tip, hook)


def bit(rng: Rng) -> Solids:
    """Screwdriver bit, socket, or twist drill."""
    kind = pick(rng, ("bit", "socket", "drill"))
    if kind == "bit":
        long = between(rng, 25, 70)
        tip = mesh.prism(mesh.polygon_xy(4, 4.0, per_side=4), long - 4, long + 4, "steel", chamfer_mm=1.8)
        return (
            mesh.hexagon(6.35, 0, min(long * 0.5, 26), "steel"),
            mesh.cylinder(5.5, 10, long, "steel", chamfer_mm=1.5),
            tip,
        )
    if kind == "socket":
        d, h = between(rng, 14, 34), between(rng, 24, 60)
        body = mesh.lathe(
            [(d * 0.4, 0), (d * 0.42, h * 0.3), (d / 2, h * 0.5), (d / 2, h - 1), (d / 2 - 1, h), (2, h)], "chrome"
        )
        body = combined(body, "minus", mesh.hexagon(d * 0.72, h * 0.55, h + 5, "chrome"))
        return (combined(body, "minus", mesh.prism(mesh.polygon_xy(4, d * 0.42), -1, h * 0.3, "chrome")),)
    d, long = between(rng, 4, 14), between(rng, 60, 130)
    count = 120
    angle = 2 * np.pi * np.arange(40) / 40
    rows = []
    for k in range(count):
        t = k / (count - 1)
        flute = 0.42 * min(1.0, max(0.0, (t - 0.35) * 12))
        point = min(1.0, (1 - t) * long / (d * 0.35) + 0.03)
        phase = angle - t * long / d * 1.1
        r = d / 2 * point * (1 - flute * np.maximum(np.cos(2 * phase), 0) ** 1.2)
        rows.append(np.column_stack([r * np.cos(angle), r * np.sin(angle), np.full(40, t * long)]))
    return (
        mesh.rings(np.array(rows), "steel", crease_deg=40).of(
            "steel", tint=(0.1, 0.1, 0.11) if rng.random() < 0.4 else None
        ),
    )


def coil_spring(rng: Rng) -> Solids:
    """Coil spring on its own."""
    outer, long = between(rng, 8, 24), between(rng, 18, 60)
    wire = outer * between(rng, 0.07, 0.14)
    turns = max(4.0, long / (wire * between(rng, 1.6, 3.5)))
    t = np.linspace(0, 1, int(turns * 22))
    r = (outer - wire) / 2
    path = np.column_stack(
        [r * np.cos(2 * np.pi * turns * t), r * np.sin(2 * np.pi * turns * t), wire / 2 + (long - wire) * t]
    )
    return (mesh.tube(path, wire, "steel", around=10),)


def key(rng: Rng) -> Solids:
    """Key with its blade along z."""
    long, bow = between(rng, 45, 65), between(rng, 11, 15)
    head = mesh.cylinder(2 * bow, 0, 2.4, "brass").moved((0, 0, 0))
    head = combined(head, "minus", mesh.cylinder(bow * 0.7, -1, 4, "brass").moved((0, bow * 0.5, 0)))
    blade = mesh.rounded_box((8, long, 2.2), "brass", radius_mm=0.4).moved((0, -long / 2 - bow * 0.7, 0.1))
    teeth = [
        mesh.rounded_box((between(rng, 2, 4), 3, 4), "brass", radius_mm=0.1).moved((4.5, -bow - 8 - 5 * k, -0.8))
        for k in range(5)
    ]
    for tooth in teeth:
        blade = combined(blade, "minus", tooth)
    made = pick(rng, ("brass", "steel", "satin_nickel"))
    return moved((head.of(made), blade.of(made)), (0, 0, bow), rotation=mesh.rotation_about("x", -90))


def pen(rng: Rng) -> Solids:
    """Pen or marker."""
    r, h = between(rng, 4, 9), between(rng, 110, 145)
    body = mesh.lathe([(1, 0), (r * 0.5, 10), (r, 24), (r, h), (r * 0.7, h + 2), (1, h + 3)], "white_plastic")
    clip = mesh.rounded_box((3.5, 1.6, 38), "steel", radius_mm=0.5).moved((0, -r - 1.2, h - 36))
    return plastic(rng, body), clip


def pulley(rng: Rng) -> Solids:
    """Pulley or small wheel with a groove."""
    r, h = between(rng, 14, 30), between(rng, 8, 18)
    wheel = mesh.hoop(
        [(r * 0.25, 0), (r, 0), (r, h * 0.15), (r * 0.72, h * 0.5), (r, h * 0.85), (r, h), (r * 0.25, h)], "zinc"
    )
    hub = mesh.washer(r * 0.8, r * 0.4, -2, h + 2, "steel")
    return (plastic(rng, wheel) if rng.random() < 0.5 else wheel, hub)


def cupboard_knob(rng: Rng) -> Solids:
    """Cupboard knob or control knob."""
    r, h = between(rng, 12, 22), between(rng, 18, 34)
    if rng.random() < 0.5:
        body = mesh.lathe(
            [(r * 0.6, 0), (r * 0.42, h * 0.35), (r, h * 0.65), (r * 0.9, h * 0.9), (r * 0.3, h)],
            "chrome",
            crease_deg=60,
        )
        return (body.of(pick(rng, ("chrome", "brass", "wood", "ceramic", "bronze"))),)
    body = lobed(
        [(r, 0), (r, 3), (r * 0.85, 4), (r * 0.8, h), (2, h)],
        int(rng.integers(14, 30)),
        0.06,
        "black_plastic",
        around=180,
    )
    line = mesh.rounded_box((1.4, r * 0.8, 0.8), "white_plastic", radius_mm=0.2).moved((0, -r * 0.4, h - 0.3))
    return plastic(rng, body), line


def candle_or_cork(rng: Rng) -> Solids:
    """Tea light, cork or rubber stopper."""
    kind = pick(rng, ("light", "cork", "stopper"))
    if kind == "light":
        return (
            mesh.cylinder(38, 0, 15, "steel"),
            mesh.cylinder(35.5, 2, 15.4, "white_plastic"),
            mesh.cylinder(1.5, 15, 22, "black_plastic", around=10),
        )
    r, h = between(rng, 9, 24), between(rng, 18, 42)
    body = mesh.lathe([(r * 0.85, 0), (r, h), (2, h)], "wood" if kind == "cork" else "rubber")
    return (body if kind == "cork" else body.of(pick(rng, ("rubber", "coloured_rubber"))),)


def dice(rng: Rng) -> Solids:
    """Die or a plain block."""
    size = between(rng, 12, 26)
    body = plastic(rng, mesh.rounded_box((size, size, size), "white_plastic", radius_mm=size * 0.12))
    spot = mesh.cylinder(size * 0.18, size - 0.3, size + 0.15, "black_plastic", chamfer_mm=0.05, around=20)
    places = ((0, 0), (-1, -1), (1, 1), (-1, 1), (1, -1))[: int(rng.integers(1, 6))]
    return body, *(spot.moved((x * size * 0.25, y * size * 0.25, 0)) for x, y in places)


def roller(rng: Rng) -> Solids:
    """Reel of cord or tape."""
    r, h = between(rng, 18, 40), between(rng, 12, 40)
    rows = [
        (r * 0.45, h * 0.08),
        *[(r * (0.85 + 0.03 * (k % 2)), h * (0.1 + 0.8 * k / 24)) for k in range(25)],
        (r * 0.45, h * 0.92),
    ]
    wound = mesh.lathe(rows, "cloth").of("cloth", tint=colour(rng))
    ends = [mesh.washer(2 * r, r * 0.4, z, z + h * 0.1, "white_plastic") for z in (0.0, h * 0.9)]
    core = mesh.cylinder(r * 0.9, h * 0.02, h * 0.98, "white_plastic")
    return (wound, core, *(plastic(rng, end) for end in ends)) if rng.random() < 0.8 else (wound, *ends)
