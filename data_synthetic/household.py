"""Things round a tap that are not taps: soap, bottle, cloth, pipes, towel rail, shower head, radiator valve, handle.

Each stands on z = 0 at the origin, or on the wall y = 0 and reaches to -y. Sizes are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from data_synthetic import mesh
from data_synthetic.mesh import Solid
from data_synthetic.tap_shapes import (
    Finish,
    Rng,
    Solids,
    Tint,
    between,
    bezier,
    draw_finish,
    flange,
    loft,
    moved,
    outward,
    pick,
)

Maker = Callable[[Rng], Solids]


def colour(rng: Rng) -> Tint:
    """A colour as things in a bathroom have: mostly pale or dull, sometimes strong."""
    base = rng.uniform(0.25, 0.95) if rng.random() < 0.6 else rng.uniform(0.05, 0.6)
    swing = rng.uniform(0.5, 1.15, 3) if rng.random() < 0.5 else rng.uniform(0.9, 1.05, 3)
    r, g, b = np.clip(base * swing, 0.02, 0.95)
    return float(r), float(g), float(b)


def soap(rng: Rng) -> Solids:
    """Bar of soap, perhaps in a dish."""
    bar = mesh.rounded_box(
        (between(rng, 70, 95), between(rng, 45, 60), between(rng, 18, 30)), "white_plastic", radius_mm=9, corner_mm=18
    )
    bar = bar.of("coloured_plastic", tint=colour(rng), roughness=0.45)
    if rng.random() < 0.5:
        dish = mesh.lathe([(40, 0), (52, 6), (58, 12), (55, 12), (48, 8), (2, 7)], "ceramic")
        return dish.of("ceramic", tint=colour(rng)), bar.moved(
            (0, 0, 7), rotation=mesh.rotation_about("z", between(rng, 0, 180))
        )
    return (bar.moved((0, 0, 0), rotation=mesh.rotation_about("z", between(rng, 0, 180))),)


def bottle(rng: Rng) -> Solids:
    """Bottle with a screw cap or a pump."""
    r, h = between(rng, 24, 36), between(rng, 90, 170)
    body = mesh.lathe(
        [(r * 0.9, 0), (r, 4), (r, h * 0.8), (r * 0.8, h * 0.92), (12, h), (12, h + 6), (2, h + 6)],
        "clear_plastic",
        crease_deg=45,
    )
    body = body.of("coloured_plastic", tint=colour(rng), roughness=between(rng, 0.1, 0.4))
    label = mesh.cylinder(2 * r + 0.5, h * 0.25, h * 0.65, "paper").of("paper", tint=colour(rng))
    if rng.random() < 0.4:
        cap = mesh.cylinder(30, h + 4, h + 24, "white_plastic").of("coloured_plastic", tint=colour(rng))
        return body, label, cap
    path = [(0, h + 4), (0, h + 30), (0, h + 42), (-6, h + 48), (-34, h + 46), (-40, h + 40)]
    pump = loft(bezier(path, count=24), 9.0, 9.0, "white_plastic", around=20)
    collar = mesh.cylinder(28, h + 3, h + 16, "white_plastic")
    tint = colour(rng)
    turn = mesh.rotation_about("z", between(rng, 0, 360))
    return (
        body,
        label,
        *moved(
            (pump.of("coloured_plastic", tint=tint), collar.of("coloured_plastic", tint=tint)), (0, 0, 0), rotation=turn
        ),
    )


def cup(rng: Rng) -> Solids:
    """Tumbler with a toothbrush or two."""
    r, h = between(rng, 28, 38), between(rng, 75, 105)
    glass = mesh.lathe([(r * 0.8, 0), (r, h), (r - 3, h), (r * 0.8 - 3, 5), (2, 5)], "ceramic").of(
        "ceramic", tint=colour(rng)
    )
    brushes = []
    for _ in range(int(rng.integers(1, 3))):
        top, turn = between(rng, 150, 190), between(rng, 0, 2 * math.pi)
        lean = r * 0.8
        path = np.array([[0, 0, 6.0], [lean * math.cos(turn), lean * math.sin(turn), top]])
        stick = mesh.swept(np.linspace(path[0], path[1], 12), np.linspace(6, 9, 12), "white_plastic", around=12)
        brushes.append(stick.of("coloured_plastic", tint=colour(rng)))
    return (glass, *brushes)


def sponge(rng: Rng) -> Solids:
    """Sponge with a scouring side."""
    size = (between(rng, 80, 110), between(rng, 55, 70), between(rng, 22, 32))
    body = mesh.rounded_box(size, "cloth", radius_mm=4).of("cloth", tint=(0.85, 0.75, between(rng, 0.1, 0.4)))
    pad = (
        mesh.rounded_box((size[0], size[1], 8.0), "cloth", radius_mm=2)
        .of("cloth", tint=(0.1, 0.35, 0.15))
        .moved((0, 0, size[2] - 1))
    )
    return moved((body, pad), (0, 0, 0), rotation=mesh.rotation_about("z", between(rng, 0, 180)))


def cloth(rng: Rng) -> Solids:
    """Folded or crumpled cloth lying down."""
    rows = []
    half, waves = between(rng, 60, 100), rng.uniform(0, 2 * np.pi, 4)
    angle = 2 * np.pi * np.arange(64) / 64
    for t, z in ((1.0, 0.0), (1.02, 4.0), (0.96, 9.0), (0.8, 13.0), (0.55, 16.0), (0.25, 15.0)):
        reach = half * t * (1 + 0.13 * np.sin(3 * angle + waves[0]) + 0.07 * np.sin(7 * angle + waves[1] + t))
        lift = z * (1 + 0.5 * np.sin(5 * angle + waves[2]) * t + 0.35 * np.sin(2 * angle + waves[3]))
        rows.append(np.column_stack([reach * np.cos(angle), 0.8 * reach * np.sin(angle), np.maximum(lift, 0)]))
    return (mesh.rings(np.array(rows), "cloth", crease_deg=70).of("cloth", tint=colour(rng)),)


def plant(rng: Rng) -> Solids:
    """Small pot with leaves."""
    r, h = between(rng, 30, 42), between(rng, 50, 75)
    pot = mesh.lathe(
        [(r * 0.75, 0), (r, h), (r + 4, h), (r + 4, h - 10), (r + 4, h + 2), (r - 2, h + 2), (2, h - 6)], "ceramic"
    )
    leaves = []
    for _ in range(9):
        long, turn = between(rng, 50, 110), between(rng, 0, 360)
        path = bezier([(0, h - 6), (-long * 0.3, h + long), (-long, h + long * between(rng, 0.2, 1.0))], count=14)
        leaf = loft(path, 14 * np.sin(np.linspace(0.3, 3.0, 14)) + 1, 1.5, "paint", around=12)
        leaves.append(
            leaf.of("paint", tint=(0.12, between(rng, 0.25, 0.45), 0.1)).moved(
                (0, 0, 0), rotation=mesh.rotation_about("z", turn)
            )
        )
    return (pot.of("ceramic", tint=colour(rng)), *leaves)


def candle(rng: Rng) -> Solids:
    """Candle."""
    r, h = between(rng, 22, 34), between(rng, 40, 110)
    body = mesh.cylinder(2 * r, 0, h, "white_plastic", chamfer_mm=2).of(
        "coloured_plastic", tint=colour(rng), roughness=0.5
    )
    return body, mesh.cylinder(2, h, h + 9, "black_plastic", around=10)


def paste(rng: Rng) -> Solids:
    """Lying tube of paste."""
    long = between(rng, 110, 160)
    t = np.linspace(0, 1, 14)
    tube = loft(np.column_stack([-long * t, np.full(14, 12.0)]), 30 + 14 * t, 22 * (1 - t) + 2, "white_plastic")
    cap = mesh.cylinder(22, 0, 22, "white_plastic").moved((0, 0, 12), rotation=mesh.rotation_about("x", -90))
    turn = mesh.rotation_about("z", between(rng, 0, 360))
    tint = colour(rng)
    return moved(
        (tube.of("coloured_plastic", tint=tint), cap.of("coloured_plastic", tint=colour(rng))), (0, 0, 0), rotation=turn
    )


def pipe(diameter_mm: float, z0_mm: float, z1_mm: float, material: str) -> Solid:
    """Long straight pipe with few triangles."""
    r = diameter_mm / 2
    return mesh.lathe([(r, z0_mm), (r, z1_mm)], material, around=40, longest_mm=200.0)


SMALL: tuple[Maker, ...] = (soap, bottle, bottle, cup, sponge, cloth, plant, candle, paste)


def towel_rail(rng: Rng) -> Solids:
    """Rail or ring for a towel, perhaps with the towel."""
    finish, wide, out = draw_finish(rng), between(rng, 250, 600), between(rng, 50, 80)
    post = (flange(rng, 24, 9), mesh.cylinder(18, 0, out + 6, "chrome"))
    rail = mesh.cylinder(between(rng, 12, 19), -wide / 2, wide / 2, "chrome").moved(
        (0, -out, 0), rotation=mesh.rotation_about("y", 90)
    )
    posts = [p for x in (-wide / 2 + 10, wide / 2 - 10) for p in moved(outward(post), (x, 0, 0))]
    pieces = finish.on(rail, *posts)
    if rng.random() < 0.5:
        towel = mesh.rounded_box((between(rng, 150, wide * 0.8), 26, 380), "cloth", radius_mm=8, corner_mm=11).moved(
            (between(rng, -30, 30), -out, -366)
        )
        pieces = (*pieces, towel.of("cloth", tint=colour(rng)))
    return pieces


def shower_head(rng: Rng) -> Solids:
    """Shower rose on an arm."""
    finish, out, r = draw_finish(rng), between(rng, 150, 300), between(rng, 45, 110)
    path = bezier([(0, 0), (-out * 0.6, between(rng, 0, 40)), (-out, 0), (-out - 15, -45)], count=30)
    arm = loft(path, 20.0, 20.0)
    rose = mesh.lathe([(r * 0.95, -8), (r, -4), (r * 0.9, 2), (22, 16), (13, 26), (2, 30)], "chrome").moved(
        (0, -out - 15, -52)
    )
    face = mesh.cylinder(1.8 * r, -9, -7.5, "grey_plastic").moved((0, -out - 15, -52))
    return (*finish.on(arm, rose, *outward([flange(rng, 30, 10)])), face)


def radiator_valve(rng: Rng) -> Solids:
    """Radiator valve with a plastic head on a pipe, standing before the wall."""
    finish = Finish(pick(rng, ("chrome", "brass", "satin_nickel")))
    riser = pipe(15, -400, 0, "copper" if rng.random() < 0.4 else "white_plastic")
    body = finish.on(
        mesh.hexagon(24, -2, 14, "brass"), mesh.cylinder(20, 10, 40, "brass"), mesh.hexagon(27, 22, 34, "brass")
    )
    arm = mesh.cylinder(22, 0, 45, "brass").moved((0, 0, 24), rotation=mesh.rotation_about("y", 90))
    r = between(rng, 18, 26)
    head = mesh.splined(int(rng.integers(20, 36)), 2 * r, 38, 38 + between(rng, 35, 70), "white_plastic", depth_mm=1.2)
    radiator = (
        mesh.rounded_box((900, 60, 500), "paint", radius_mm=8, corner_mm=14)
        .of("paint", tint=(0.88, 0.88, 0.86))
        .moved((495, 0, -60))
    )
    return moved((riser, *body, *finish.on(arm), head, radiator), (0, -75, 0))


def door_handle(rng: Rng) -> Solids:
    """Lever handle of a door or window on its plate."""
    finish, reach = draw_finish(rng), between(rng, 95, 140)
    plate = mesh.rounded_box((40, between(rng, 60, 220), 7), "chrome", radius_mm=2, corner_mm=between(rng, 3, 19))
    neck = mesh.cylinder(20, 5, 50, "chrome")
    bar = bezier([(0, 0), (-8, 0), (-reach * 0.5, between(rng, -12, 4)), (-reach, 0)], count=20)
    lever = loft(bar, 18.0, 15.0, squareness=2.5, rounded_mm=4).moved((0, 0, 52), rotation=None)
    lever = lever.moved((0, 0, 0), rotation=mesh.rotation_about("z", 90 if rng.random() < 0.5 else -90))
    return outward(finish.on(plate, neck, lever))


def hooks(rng: Rng) -> Solids:
    """Coat hooks."""
    finish = draw_finish(rng)
    path = bezier([(0, 0), (-30, -6), (-52, -20), (-48, 22)], count=24)
    one = (loft(path, 9.0, 9.0, rounded_mm=4), *outward([flange(rng, 18, 6)]))
    return tuple(p for k in range(int(rng.integers(1, 4))) for p in moved(finish.on(*one), (70.0 * k - 70, 0, 0)))


def socket_outlet(rng: Rng) -> Solids:
    """Light switch or socket plate."""
    plate = mesh.rounded_box((86, 86, 9), "white_plastic", radius_mm=2, corner_mm=5)
    pieces = [plate]
    for x in (-20, 20) if rng.random() < 0.5 else (0,):
        pieces.append(mesh.rounded_box((26, 44, 5), "white_plastic", radius_mm=2).moved((x, 0, 7)))
    return outward(pieces)


def soap_dispenser(rng: Rng) -> Solids:
    """Dispenser box on the wall with its lever or pump."""
    finish = draw_finish(rng)
    size = (between(rng, 90, 130), between(rng, 180, 260), between(rng, 70, 100))
    box = mesh.rounded_box(size, "white_plastic", radius_mm=8, corner_mm=14)
    box = box.of("coloured_plastic", tint=colour(rng), roughness=0.3) if rng.random() < 0.5 else finish.on(box)[0]
    paddle = mesh.rounded_box((size[0] * 0.6, 40, 14), "grey_plastic", radius_mm=4).moved(
        (0, -size[1] / 2 + 26, size[2] * 0.9)
    )
    return outward((box, paddle))


def pipes(rng: Rng) -> Solids:
    """Pipes before a wall with elbows, clips and an isolating valve."""
    copper = "copper" if rng.random() < 0.6 else "white_plastic"
    pieces: list[Solid] = []
    for k in range(int(rng.integers(1, 4))):
        x, d = 60.0 * k - 60, float(rng.choice([15.0, 15.0, 22.0]))
        pieces.append(pipe(d, -700, 900, copper).moved((x, -22, 0)))
        z = between(rng, -120, 120)
        pieces += [
            mesh.hexagon(d + 9, z, z + 15, "brass").moved((x, -22, 0)),
            mesh.cylinder(d + 5, z + 14, z + 44, "brass").moved((x, -22, 0)),
            mesh.hexagon(d + 9, z + 43, z + 58, "brass").moved((x, -22, 0)),
        ]
        clip = mesh.rounded_box((d + 12, 20, 16), "white_plastic", radius_mm=3).moved((x, -12, z - 160))
        pieces.append(clip)
    return tuple(pieces)


def trap(rng: Rng) -> Solids:
    """Bottle trap below a basin with its waste pipe into the wall."""
    finish = Finish("chrome") if rng.random() < 0.5 else Finish("white_plastic")
    drop = pipe(32, 40, 300, "chrome").moved((0, -130, 0))
    cup_ = mesh.lathe([(24, -70), (32, -64), (32, 20), (26, 30), (17, 44), (2, 44)], "chrome").moved((0, -130, 0))
    rings = [mesh.splined(24, 46, z, z + 14, "chrome", depth_mm=1.5).moved((0, -130, 0)) for z in (40.0, 120.0)]
    out = mesh.cylinder(32, 0, 130, "chrome")
    return finish.on(drop, cup_, *rings, *outward([out, flange(rng, 38, 17)]))


ON_WALL: tuple[Maker, ...] = (
    towel_rail,
    shower_head,
    radiator_valve,
    door_handle,
    hooks,
    socket_outlet,
    soap_dispenser,
    pipes,
    trap,
)


def feed_pipe(rng: Rng, spacing_mm: float) -> Solids:
    """Surface pipe that comes up (or down) the wall to a bib tap, one for each tap of a pair."""
    material = pick(rng, ("copper", "steel", "white_plastic"), (0.7, 0.15, 0.15))
    d, down = between(rng, 15, 22), rng.random() < 0.8
    run = pipe(d, -900 if down else 14, -14 if down else 900, material).moved((0, -d / 2 - 1, 0))
    clip = mesh.rounded_box((d + 10, d + 3, 12), "white_plastic", radius_mm=2).moved(
        (0, -d / 2 - 1, -190 if down else 170)
    )
    return tuple(
        p
        for x in ((0.0,) if not spacing_mm else (-spacing_mm / 2, spacing_mm / 2))
        for p in moved((run, clip), (x, 0, 0))
    )
