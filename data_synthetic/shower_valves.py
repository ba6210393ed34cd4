"""Thermostatic mixers (exposed bar, concealed plate) and push-operated shower valves.

Sizes are common practice, no source.
"""

from __future__ import annotations

import numpy as np

from data_synthetic import handles, mesh
from data_synthetic.household import pipe
from data_synthetic.mesh import Solid
from data_synthetic.tap_shapes import (
    BLUE,
    RED,
    Finish,
    Rng,
    Solids,
    Tap,
    Tint,
    between,
    bezier,
    draw_finish,
    flange,
    hot_cold,
    index_mark,
    lobed,
    loft,
    moved,
    outlet,
    outward,
    pick,
    taper,
)
from data_synthetic.wall_mixers import legs, shower_hose


def build_thermostatic(rng: Rng) -> Tap:
    """Thermostatic mixer: exposed bar (two end knobs) or concealed plate (one to three knobs)."""
    return _bar(rng) if rng.random() < 0.66 else _plate(rng)


def _stop_button(height_mm: float, radius_mm: float, angle_deg: float, size_mm: float, colour: Tint) -> Solid:
    """Override button on the side of a temperature knob."""
    button = mesh.cylinder(size_mm, -1.5, 2.2, "coloured_plastic", chamfer_mm=0.6, around=24)
    button = button.of("coloured_plastic", tint=colour).moved((0, 0, radius_mm), rotation=None)
    turn = mesh.rotation_about("z", angle_deg) @ mesh.rotation_about("x", 90)
    return button.moved((0, 0, height_mm), rotation=turn)


def _scale(rng: Rng, radius_mm: float, z_mm: float) -> Solids:
    """Printed temperature marks round a knob's foot: short raised dashes and a red-to-blue band."""
    pieces = []
    tick = mesh.rounded_box((0.9, 0.8, between(rng, 3, 5)), "black_plastic", radius_mm=0.2)
    for k in range(int(rng.integers(4, 9))):
        turn = mesh.rotation_about("z", -60 + 20 * k)
        pieces.append(tick.moved((0, -radius_mm, z_mm), rotation=None).moved((0, 0, 0), rotation=turn))
    return tuple(pieces)


def end_knob(rng: Rng, finish: Finish, radius_mm: float, *, hot: bool, style: str, angle_deg: float) -> Solids:
    """Knob from z = 0: fluted, ribbed collar, smooth with wings, or square; the temperature one has its stop button."""
    r, h = radius_mm * between(rng, 0.98, 1.16), between(rng, 36, 62)
    crown = 0.0 if style == "square" else between(rng, 0, 3)
    profile = [(r * 0.96, 0.0), (r, 1.5), (r, h * 0.88), (r * 0.9, h), (r * 0.3, h + crown)]
    extra: list[Solid] = []
    if style == "fluted":
        body = lobed(
            profile, int(rng.choice([8, 10, 12, 16])), between(rng, 0.06, 0.14), "chrome", pinch=0.6, around=160
        )
    elif style == "ribbed":
        body = mesh.lathe(profile, "chrome", around=80)
        collar = mesh.splined(int(rng.integers(28, 48)), 2 * r + 1.6, h * 0.35, h * 0.8, "chrome", depth_mm=1.0)
        grip = collar.of("grey_plastic", tint=(0.25, 0.25, 0.26)) if rng.random() < 0.25 else finish.on(collar)[0]
        extra.append(grip)
    elif style == "winged":
        body = mesh.lathe(profile, "chrome", around=80)
        wing = loft(
            np.array([[0.0, 0.0], [-r * 0.9, 0.0], [-r - between(rng, 9, 20), 0.0]]),
            9.0,
            h * 0.42,
            squareness=4.0,
            rounded_mm=3,
        )
        extra += finish.on(wing.moved((0, 0, h * 0.6), rotation=mesh.rotation_about("z", angle_deg - 90)))
    else:
        body = mesh.rounded_box((2 * r, 2 * r, h), "chrome", radius_mm=2, corner_mm=between(rng, 3, 9))
    pieces = [*finish.on(body), *extra]
    if hot:
        red = RED if rng.random() < 0.75 else ((0.75, 0.75, 0.76) if rng.random() < 0.5 else (0.1, 0.1, 0.1))
        pieces.append(_stop_button(h * between(rng, 0.5, 0.7), r, angle_deg, between(rng, 8, 12), red))
        if rng.random() < 0.55:
            pieces += _scale(rng, r + 0.1, 2.0)
    if rng.random() < 0.4:
        pieces.append(
            index_mark(
                r * between(rng, 0.3, 0.6),
                h + crown + 0.1,
                RED if hot else (BLUE if rng.random() < 0.4 else (0.8, 0.8, 0.8)),
            )
        )
    return tuple(pieces)


def _barrel(rng: Rng, r: float, half: float, square: bool) -> Solid:
    """Body of a bar mixer along z, round with a slight waist, or square."""
    if square:
        size = (2 * r, between(rng, 1.0, 1.5) * 2 * r, 2 * half)
        return mesh.rounded_box(size, "chrome", radius_mm=1, corner_mm=between(rng, 2, 8)).moved((0, 0, -half))
    waist = r * between(rng, 0.82, 1.06)
    one_end = [(waist, half * 0.55), (r, half * 0.78), (r, half - 2), (r * 0.92, half)]
    profile = [(x, -z) for x, z in one_end[::-1]] + one_end
    return mesh.lathe(profile, "chrome", around=88, crease_deg=40)


def _bar_ends(rng: Rng, finish: Finish, r: float, half: float, *, square: bool) -> Solids:
    """Temperature and flow knob at the two ends of a bar along x."""
    style = pick(rng, ("fluted", "ribbed", "winged"), (0.3, 0.35, 0.35))
    style = "square" if square and rng.random() < 0.6 else style
    state, button_at = int(rng.integers(2**32)), between(rng, -20, 70)
    knobs = [
        end_knob(np.random.default_rng(state), finish, r, hot=hot, style=style, angle_deg=button_at)
        for hot in (True, False)
    ]
    gap = finish.on(mesh.cylinder(1.7 * r, half - 1, half + 2.5, "chrome"))
    across = mesh.rotation_about("y", 90)
    turns = [across, mesh.rotation_about("z", 180) @ across]
    sides = turns if rng.random() < 0.7 else turns[::-1]  # temperature mostly on the right
    pieces: list[Solid] = []
    for knob, turn in zip(knobs, sides, strict=True):
        pieces += moved((*gap, *moved(knob, (0, 0, half + 2))), (0, 0, 0), rotation=turn)
    return tuple(pieces)


def _bar(rng: Rng) -> Tap:
    """Exposed bar: body between two unions, temperature knob at one end, flow knob at the other."""
    finish = draw_finish(rng)
    space, out, r = between(rng, 138, 162), between(rng, 40, 66), between(rng, 19, 27)
    half, square = space / 2 + between(rng, 14, 34), rng.random() < 0.2
    centre = -out - r * 0.6
    barrel = _barrel(rng, r, half, square).moved((0, 0, 0), rotation=mesh.rotation_about("y", 90))
    body = moved((*finish.on(barrel), *_bar_ends(rng, finish, r, half, square=square)), (0, centre, 0))
    extra, around, rooms = _bar_outlet(rng, finish, centre, r, half)
    solids = (*legs(rng, finish, space, out), *body, *extra)
    form = {"form": "bar-mixer"}
    return Tap("bar-mixer", solids, "wall", rooms, out + r, 90, spacing_mm=space, around=around, variety=form)


def _bar_outlet(
    rng: Rng, finish: Finish, centre_y_mm: float, r: float, half: float
) -> tuple[Solids, Solids, tuple[str, ...]]:
    """Where a bar's water leaves: hose below, riser above, or bath spout; perhaps a shelf on top."""
    kind = pick(rng, ("hose", "riser", "bath"), (0.55, 0.2, 0.25))
    pieces: list[Solid] = []
    around: Solids = ()
    x = 0.0 if rng.random() < 0.6 else between(rng, -half * 0.6, half * 0.6)
    if kind == "riser":
        pieces.append(mesh.hexagon(25, r * 0.9, r + 14, "chrome").moved((x, centre_y_mm, 0)))
        around = finish.on(pipe(between(rng, 18, 24), r + 10, 1400, "chrome").moved((x, centre_y_mm, 0)))
    else:
        pieces.append(mesh.cylinder(19, -r - 17, -r * 0.3, "chrome").moved((x, centre_y_mm, 0)))
        if rng.random() < 0.9:
            around = shower_hose(rng, (x, centre_y_mm, -r - 13))
    if kind == "bath":
        reach = between(rng, 90, 150)
        path = bezier(
            [
                (centre_y_mm, -r * 0.4),
                (centre_y_mm - reach * 0.5, -r * 0.9),
                (centre_y_mm - reach, -r),
                (centre_y_mm - reach, -r - 32),
            ]
        )
        spout = loft(path, taper(34, 27, 28), taper(26, 24, 28), squareness=2.6, hollow_mm=4)
        pieces += [spout.moved((0, 0, 0)), *outlet(path, finish, diameter_mm=25, long_mm=6)]
        around = around if rng.random() < 0.5 else ()
    if kind != "riser" and rng.random() < 0.1:
        glass = mesh.rounded_box((2 * half + 30, between(rng, 70, 110), 6), "glass", radius_mm=1)
        pieces.append(glass.moved((0, centre_y_mm, r + 3)))
    finished = tuple(p if p.material in ("glass", "grey_plastic") else finish.on(p)[0] for p in pieces)
    return finished, around, ("bath_wall", "shower") if kind == "bath" else ("shower", "shower", "bath_wall")


def _dial(rng: Rng, finish: Finish, *, hot: bool) -> Solids:
    """Knob on a concealed plate, axis along z, with its neck."""
    r, neck = between(rng, 19, 29), between(rng, 4, 22)
    style = pick(rng, ("fluted", "ribbed", "winged", "square"), (0.3, 0.25, 0.3, 0.15))
    pieces = end_knob(rng, finish, r, hot=hot and rng.random() < 0.75, style=style, angle_deg=between(rng, -150, -30))
    collar = mesh.lathe([(r * 1.25, 0), (r * 1.22, neck * 0.3), (r * 0.95, neck), (2, neck)], "chrome")
    return (*finish.on(collar), *moved(pieces, (0, 0, neck - 0.5)))


def _plate(rng: Rng) -> Tap:
    """Concealed valve: a plate on the wall with one, two or three knobs (the flow one may be a cross or a lever)."""
    finish = draw_finish(rng)
    count = int(rng.choice([1, 2, 3], p=[0.3, 0.55, 0.15]))
    pitch = between(rng, 74, 105)
    upright = rng.random() < 0.8
    long = (count - 1) * pitch + between(rng, 100, 170)
    wide = between(rng, 95, 165) if count > 1 else long
    thick = between(rng, 4, 9)
    kind = pick(rng, ("square", "round", "oval"), (0.5, 0.25, 0.25))
    if count == 1 and kind == "round":
        plate = flange(rng, long / 2, 20, style=pick(rng, ("flat", "dome", "step")))
    else:
        corner = min(wide, long) * (0.49 if kind != "square" else between(rng, 0.02, 0.15))
        plate = mesh.rounded_box((wide, long, thick), "chrome", radius_mm=1.5, corner_mm=corner)
    glass = kind == "square" and count > 1 and rng.random() < 0.12
    pieces = [plate.of("glass", tint=(0.03, 0.03, 0.03)) if glass else finish.on(plate)[0]]
    hot_first = rng.random() < 0.6
    for k in range(count):
        place = (k - (count - 1) / 2) * pitch
        hot = count == 1 or k == (0 if hot_first else count - 1)
        draw = rng.random()
        knob = _dial(rng, finish, hot=hot)
        if not hot and draw < 0.18:
            knob = moved(handles.cross(rng, finish, hot_cold(rng)[1], size=0.9), (0, 0, thick + 8))
            knob = (*knob, *finish.on(mesh.cylinder(18, thick - 1, thick + 12, "chrome")))
        pieces += moved(knob, (0, place, 2.0), rotation=None)
    if count == 1 and rng.random() < 0.6:
        ring = handles.single_lever(rng, finish, between(rng, 30, 36), style=pick(rng, ("pin", "blade")))
        size = 0.55
        pieces += [p.moved((0, 0, thick)) for p in _flattened(ring, size)]
    turn = mesh.rotation_about("z", 0.0 if upright else 90.0)
    return Tap(
        "concealed-plate",
        outward(moved(pieces, (0, 0, 0), rotation=turn)),
        "wall",
        ("shower", "shower", "bath_wall"),
        80,
        90,
        variety={"form": "concealed-valve"},
    )


def _flattened(pieces: Solids, factor: float) -> Solids:
    """A lever's cap made low, so that a knob can stand in front of it (flow lever round a temperature knob)."""
    squash = np.diag([1.0, 1.0, factor])
    return tuple(
        mesh.solid(p.vertices_mm @ squash, p.faces, p.material).of(p.material, tint=p.tint, roughness=p.roughness)
        for p in pieces
    )


def build_shower_push(rng: Rng) -> Tap:
    """Push-operated shower or wall valve: round plate, or exposed body on a riser, with one big button."""
    finish = draw_finish(rng)
    mark = ((0.75, 0.76, 0.78), (0.2, 0.2, 0.2), RED, BLUE)[int(rng.choice(4, p=[0.45, 0.2, 0.2, 0.15]))]
    big = between(rng, 26, 36)
    button = mesh.lathe(
        [(big * 0.96, 0), (big, 2), (big, between(rng, 12, 30)), (big * 0.9, 33), (big * 0.3, 35 + between(rng, 0, 6))],
        "chrome",
    )
    sleeve = mesh.lathe([(big * 1.2, -4), (big * 1.2, 6), (big * 1.05, 9), (2, 9)], "chrome")
    head = (
        *finish.on(button.moved((0, 0, 4)), sleeve),
        index_mark(big * between(rng, 0.3, 0.6), 40 + between(rng, 0, 3), mark),
    )
    if rng.random() < 0.5:
        head = (*moved(handles.push_head(rng, finish, mark), (0, 0, 3)), *finish.on(mesh.cylinder(46, -3, 6, "chrome")))
    if rng.random() < 0.6:
        plate = flange(rng, between(rng, 55, 85), 25, style=pick(rng, ("flat", "dome", "step")))
        if rng.random() < 0.35:
            side = between(rng, 100, 160)
            plate = mesh.rounded_box((side, side, 6), "chrome", radius_mm=1.5, corner_mm=between(rng, 3, 20))
        pieces = outward((*finish.on(plate), *moved(head, (0, 0, 8))))
        return Tap("shower-push", pieces, "wall", ("shower",), 60, 80)
    r, out = between(rng, 22, 30), between(rng, 30, 50)
    body = mesh.lathe(
        [(r * 0.7, -out), (r, -out * 0.6), (r, out * 0.3), (r * 0.95, out * 0.5), (2, out * 0.5)], "chrome"
    )
    front = moved(
        (*finish.on(body), *moved(head, (0, 0, out * 0.5))), (0, -out - 12, 0), rotation=mesh.rotation_about("x", 90)
    )
    riser = pipe(between(rng, 15, 22), -500 if rng.random() < 0.6 else 0, 1300, "chrome").moved((0, -out - 10, 0))
    nut = mesh.hexagon(27, r * 0.9, r + 16, "chrome").moved((0, -out - 10, 0))
    foot = outward(finish.on(flange(rng, between(rng, 26, 34), 12), mesh.cylinder(22, 0, out, "chrome")))
    return Tap(
        "shower-push-exposed", (*front, *finish.on(nut), *foot), "wall", ("shower",), 100, 80, around=finish.on(riser)
    )
