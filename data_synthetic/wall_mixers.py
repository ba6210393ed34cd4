"""Single-lever mixers on a wall: exposed on two unions, or built in behind a plate.

Sizes are common practice, no source.
"""

from __future__ import annotations

import numpy as np

from data_synthetic import handles, mesh
from data_synthetic.tap_shapes import (
    BLUE,
    RED,
    Finish,
    Rng,
    Solids,
    Tap,
    between,
    bezier,
    draw_finish,
    flange,
    index_mark,
    loft,
    moved,
    outlet,
    outward,
    pick,
    taper,
)


def legs(rng: Rng, finish: Finish, spacing_mm: float, out_mm: float) -> Solids:
    """Two wall unions with cover plates and nuts, carrying a bar ``out_mm`` in front of the wall."""
    r = between(rng, 27, 36)
    plate, style = flange(rng, r, 12), int(rng.integers(2))
    nut = (
        mesh.hexagon(between(rng, 28, 32), out_mm * 0.45, out_mm * 0.45 + 12, "chrome")
        if style
        else mesh.lathe([(14, 8), (17, out_mm * 0.4), (17, out_mm * 0.75), (13, out_mm)], "chrome")
    )
    pipe = mesh.cylinder(22, 0, out_mm, "chrome")
    leg = outward(finish.on(plate, pipe, nut))
    return (*moved(leg, (-spacing_mm / 2, 0, 0)), *moved(leg, (spacing_mm / 2, 0, 0)))


def shower_hose(rng: Rng, start_mm: tuple[float, float, float]) -> Solids:
    """Metal or plastic hose that hangs from an outlet in a bow."""
    x, y, z = start_mm
    side, fall = between(rng, -260, 260), between(rng, 250, 600)
    path = bezier(
        [
            (x, y, z),
            (x, y, z - fall * 0.5),
            (x + side * 0.2, y + 5, z - fall),
            (x + side, y + 12, z - fall * 0.9),
            (x + side, y + 15, z - fall * 0.2),
        ],
        count=160,
    )
    d = np.asarray(between(rng, 12, 16) + 0.7 * (np.arange(160) % 2), float)
    tint = (0.06, 0.06, 0.06) if rng.random() < 0.15 else None
    hose = mesh.swept(path, d, "steel", around=14).of("rubber" if tint else "steel", tint=tint, roughness=0.3)
    nut = mesh.lathe([(8.5, z - 24), (11.5, z - 12), (11.5, z), (4, z)], "chrome", around=36).moved((x, y, 0))
    return hose, nut


def _lever_on(rng: Rng, finish: Finish, r: float, rise: float) -> Solids:
    """Cartridge housing and lever of a wall mixer about the x axis: in front, on top or slanting."""
    tilt = pick(rng, ("front", "top", "slant"), (0.45, 0.35, 0.2))
    lean = {"front": 90.0, "top": between(rng, -5, 12), "slant": between(rng, 30, 60)}[tilt]
    house = finish.on(mesh.cylinder(2 * r * 1.02, 0, rise + 12, "chrome", chamfer_mm=1.5))
    turned = mesh.rotation_about("z", 180.0 if tilt == "front" and rng.random() < 0.35 else 0.0)
    lever = moved(handles.single_lever(rng, finish, r * 1.02), (0, 0, rise + 13), rotation=turned)
    return moved((*house, *lever), (0, 0, 0), rotation=mesh.rotation_about("x", lean))


def bath_spout(rng: Rng, finish: Finish, start_y_mm: float, r: float) -> tuple[Solids, float]:
    """Spout that leaves a wall mixer's body to -y and down; pieces and reach from the body."""
    reach, d, y = between(rng, 110, 230), between(rng, 20, 26), start_y_mm
    far = (y - reach * 0.8, -between(rng, 0, 30))
    path = bezier([(y, -r * 0.2), (y - reach * 0.3, -r * 1.2), far, (y - reach, -between(rng, 32, 60))], count=36)
    spout = loft(path, taper(d * 1.2, d, 36), taper(d * 1.1, d, 36), hollow_mm=4)
    return (*finish.on(spout), *outlet(path, finish, diameter_mm=d * 1.05, long_mm=8)), reach


def wall_bar(rng: Rng) -> Tap:
    """Exposed wall mixer on two unions: lever on top or in front, spout or shower outlet below."""
    finish = draw_finish(rng)
    space, out, r = between(rng, 130, 160), between(rng, 42, 66), between(rng, 19, 26)
    rise, half = r * between(rng, 1.0, 1.35), space / 2 + between(rng, 8, 18)
    one_end = [(rise, space * 0.12), (r * 0.85, space * 0.3), (r * 0.8, half - 3), (r * 0.55, half)]
    bar = mesh.lathe([(x, -z) for x, z in one_end[::-1]] + one_end, "chrome", crease_deg=45)
    centre = -out - r * 0.5
    body = finish.on(bar.moved((0, 0, 0), rotation=mesh.rotation_about("y", 90)))
    pieces = (
        *legs(rng, finish, space, out), *moved((*body, *_lever_on(rng, finish, r, rise)), (0, centre, 0))
    )  # fmt: skip
    around: Solids = ()
    reach, bath = 120.0, rng.random() < 0.55
    if bath:
        spout, reach = bath_spout(rng, finish, centre, r)
        pieces = (*pieces, *spout)
    if not bath or rng.random() < 0.35:
        nipple = mesh.cylinder(19, -r - 18, -r * 0.3, "chrome")
        pieces = (*pieces, *finish.on(nipple.moved((0, centre, 0))))
        around = shower_hose(rng, (0.0, centre, -r - 14))
    rooms = ("bath_wall", "shower", "sink_wall") if bath else ("shower", "bath_wall")
    return Tap("wall-mixer", pieces, "wall", rooms, out + reach, 80, spacing_mm=space, around=around)


def concealed(rng: Rng) -> Tap:
    """Built-in single lever: a plate on the wall with one lever; often a spout beside it."""
    finish = draw_finish(rng)
    size = between(rng, 110, 190)
    kind = pick(rng, ("round", "square", "oval"))
    plate = flange(rng, size / 2, 20, style=pick(rng, ("flat", "dome", "step")))
    if kind != "round":
        wide = size * (between(rng, 0.8, 1.4) if kind == "oval" else 1.0)
        plate = mesh.rounded_box(
            (wide, size, between(rng, 4, 9)),
            "chrome",
            radius_mm=1.5,
            corner_mm=size * (0.49 if kind == "oval" else between(rng, 0.02, 0.2)),
        )
    r, neck = between(rng, 19, 26), between(rng, 16, 40)
    house = mesh.cylinder(2 * r * 0.95, 0, neck, "chrome", chamfer_mm=1)
    lever = moved(
        handles.single_lever(rng, finish, r),
        (0, 0, neck + 1),
        rotation=mesh.rotation_about("z", between(rng, -40, 40) + (180 if rng.random() < 0.2 else 0)),
    )
    pieces = outward((*finish.on(plate, house), *lever))
    marks = (
        outward(tuple(index_mark(2.5, 9, colour).moved((x, size * 0.3, 0)) for x, colour in ((-8, RED), (8, BLUE))))
        if rng.random() < 0.2
        else ()
    )
    reach = between(rng, 70, 110)
    if rng.random() < 0.35:
        reach, d, side = between(rng, 140, 210), between(rng, 20, 30), between(rng, 110, 160)
        path = bezier(
            [(0, 0), (-reach * 0.7, between(rng, 0, 10)), (-reach, 0), (-reach, -between(rng, 8, 25))], count=30
        )
        spout = (*outward([flange(rng, between(rng, 26, 34), d / 2)]), loft(path, d, d * 0.9, hollow_mm=4))
        pieces = (*pieces, *moved(finish.on(*spout), (-side, 0, 0)))
        return Tap("concealed-spout", (*pieces, *marks), "wall", ("sink_wall", "bath_wall"), reach, 80)
    return Tap("concealed-lever", (*pieces, *marks), "wall", ("shower", "bath_wall"), reach, 80)
