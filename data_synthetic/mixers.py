"""Single-lever mixers that stand on a deck: basin, vessel, kitchen. Sizes are common practice, no source."""

from __future__ import annotations

import math

import numpy as np

from data_synthetic import handles, mesh
from data_synthetic.mesh import Array, Solid
from data_synthetic.tap_shapes import (
    BLUE,
    RED,
    Finish,
    Rng,
    Solids,
    Tap,
    arch,
    between,
    bezier,
    draw_finish,
    folded,
    loft,
    moved,
    outlet,
    pick,
    pick_maker,
    raised,
    taper,
)
from data_synthetic.wall_mixers import concealed, wall_bar


def build(rng: Rng) -> Tap:
    """Single-lever mixer: basin, kitchen, tall for a vessel, wall, bath or shower."""
    makers = ((_basin, 0.4), (_kitchen, 0.28), (wall_bar, 0.18), (concealed, 0.14))
    return pick_maker(rng, makers)(rng)


def _dots(rng: Rng, radius_mm: float, z_mm: float) -> Solids:
    """Red and blue half marks on the front of a body."""
    if rng.random() < 0.35:
        return ()
    d = between(rng, 1.4, 2.6)
    dot = mesh.cylinder(2 * d, -0.6, 0.5, "coloured_plastic", around=20)
    face = mesh.rotation_about("x", 90)
    pieces = []
    for side, colour in ((-1, RED), (1, BLUE)):
        x = side * d * 1.1
        y = -math.sqrt(max(radius_mm**2 - x**2, 1.0))
        pieces.append(dot.of("coloured_plastic", tint=colour).moved((x, y, z_mm), rotation=face))
    return tuple(pieces)


def _trunk(rng: Rng, radius_mm: float, height_mm: float) -> tuple[list[Solid], bool]:
    """Upright body of a mixer from z = 0; True where it is square."""
    r, h = radius_mm, height_mm
    kind = pick(rng, ("straight", "cone", "waist", "square", "bulge"), (0.35, 0.2, 0.15, 0.15, 0.15))
    if kind == "square":
        body = mesh.rounded_box((2 * r, 2 * r, h), "chrome", radius_mm=1.0, corner_mm=between(rng, 2, 9))
        return [body], True
    foot = r * between(rng, 1.0, 1.22)
    mid = {
        "straight": [(r, 5.0)],
        "cone": [(foot * 0.98, 6.0)],
        "waist": [(r * 0.86, h * 0.3), (r * 0.88, h * 0.55)],
        "bulge": [(r * 1.08, h * 0.3), (r * 1.12, h * 0.55)],
    }[kind]
    lip = between(rng, 2, 4.5)
    profile = [(foot, 0.0), (foot, lip), *[(x, max(z, lip + 0.3)) for x, z in mid], (r, h - 0.8), (r - 0.8, h), (2, h)]
    return [mesh.lathe(profile, "chrome", around=88, crease_deg=28)], False


def _cast_spout(rng: Rng, z_mm: float, reach_mm: float, root_mm: float, square: bool) -> tuple[Solid, Array, float]:
    """Short spout of a basin mixer: piece, path, outlet diameter."""
    rise = between(rng, -6, 34)
    crest = z_mm + rise
    straight = rng.random() < 0.5
    points = [(0, z_mm - 2), (-reach_mm * 0.5, z_mm + rise * 0.5), (-reach_mm, crest)]
    if not straight:
        points = [
            (0, z_mm - 6),
            (-reach_mm * 0.45, crest + 8),
            (-reach_mm * 0.85, crest + 4),
            (-reach_mm, crest - between(rng, 8, 20)),
        ]
    path = bezier(points, count=36)
    tip = between(rng, 24, 33)
    wide = taper(root_mm, tip if not square else root_mm * between(rng, 0.7, 1.0), 36, power=0.7)
    deep = taper(root_mm * between(rng, 0.6, 0.95), between(rng, 17, 25), 36, power=0.8)
    soft = 7.0 if square else float(rng.choice([2.0, 2.4, 3.2]))
    return (
        loft(path, wide, deep, squareness=soft, rounded_mm=between(rng, 1, 7)),
        path,
        min(float(wide[-1]), float(deep[-1])),
    )


def _pipe_spout(rng: Rng, z_mm: float, reach_mm: float) -> tuple[Solid, Array, float]:
    """Spout of bent pipe that leaves a basin mixer's body at its side: piece, path, outlet diameter."""
    d = between(rng, 17, 26)
    rise, drop = between(rng, -4, 22), between(rng, 2, 40)
    path = bezier(
        [
            (0, z_mm),
            (-reach_mm * between(rng, 0.3, 0.5), z_mm + rise),
            (-reach_mm * between(rng, 0.75, 0.95), z_mm + rise),
            (-reach_mm, z_mm + rise - drop),
        ],
        count=36,
    )
    return loft(path, taper(d * between(rng, 1.0, 1.25), d, 36), d, rounded_mm=between(rng, 0.5, 2)), path, d


def _nozzle(rng: Rng, finish: Finish, path: Array, thick_mm: float) -> Solids:
    """Aerator under the end of a spout, pointing down."""
    d = between(rng, 20, 25)
    drop = thick_mm * 0.5 + between(rng, 1, 6)
    tilt = between(rng, 0, 4)
    y = float(path[-1][0]) + d * 0.55
    near = path[np.argmin(np.abs(path[:, 0] - y))]
    down = np.array([[y, near[1]], [y - tilt, near[1] - thick_mm * 0.35]])
    return outlet(down, finish, diameter_mm=min(d, thick_mm * 1.25), long_mm=max(drop - thick_mm * 0.35, 3.0) + 2)


def _basin(rng: Rng) -> Tap:
    finish = draw_finish(rng)
    vessel = rng.random() < 0.2
    r = between(rng, 20, 28)
    h = between(rng, 180, 260) if vessel else between(rng, 62, 125)
    trunk, square = _trunk(rng, r, h)
    reach = between(rng, 95, 150)
    z = h * between(rng, 0.5, 0.72) if not vessel else h - between(rng, 25, 60)
    piped = not square and rng.random() < 0.3
    spout, path, thick = (
        _pipe_spout(rng, z, reach) if piped else _cast_spout(rng, z, reach, min(1.75 * r, 44.0), square)
    )
    pieces = (*finish.on(*trunk, spout), *_nozzle(rng, finish, path, thick), *_dots(rng, r * 0.99, h - 8))
    side = rng.random() < 0.14
    lean = between(rng, -12, 12) if not square else 0.0
    back = rng.random() < 0.12
    turned = between(rng, -75, 75) if piped and rng.random() < 0.5 else between(rng, -35, 35)  # a pipe swivels
    yaw = 180.0 if back else (turned if piped or rng.random() < 0.3 else 0.0)
    lever = handles.single_lever(
        rng, finish, r * between(rng, 0.92, 1.06), style="block" if square and rng.random() < 0.7 else None
    )
    if side:
        dome = finish.on(mesh.lathe([(r * 0.98, h - 1), (r * 0.9, h + 4), (r * 0.5, h + 9), (1, h + 10)], "chrome"))
        pieces = (*pieces, *dome, *_side_lever(rng, finish, r, h * between(rng, 0.5, 0.75)))
    else:
        turn = mesh.rotation_about("z", yaw) @ mesh.rotation_about("x", lean)
        gap = finish.on(mesh.cylinder(1.8 * r, -5, 2, "chrome"))
        pieces = (*pieces, *moved((*gap, *moved(lever, (0, 0, 1))), (0, 0, h + abs(lean) * 0.1), rotation=turn))
    rooms = ("worktop",) if vessel else ("basin", "basin", "basin", "worktop", "bath")
    return Tap("vessel-mixer" if vessel else "basin-mixer", pieces, "deck", rooms, reach, h + 40)


def _side_lever(rng: Rng, finish: Finish, radius_mm: float, z_mm: float) -> Solids:
    """Cartridge housing on the right-hand side with its lever up, forward or slanting."""
    r, out = radius_mm * between(rng, 0.72, 0.95), between(rng, 14, 30)
    house = mesh.cylinder(2 * r, 0, radius_mm + out, "chrome", chamfer_mm=1)
    style = pick(rng, ("pin", "blade", "loop"), (0.55, 0.35, 0.1))
    hand = 1 if rng.random() < 0.85 else -1
    up = between(rng, 0, 105)
    lever = moved(
        handles.single_lever(rng, finish, r, style=style),
        (0, 0, radius_mm + out + 1),
        rotation=mesh.rotation_about("z", -up if hand > 0 else up - 180),
    )
    pieces = (*finish.on(house), *lever)
    side = mesh.rotation_about("y", 90)
    turn = side if hand > 0 else mesh.rotation_about("z", 180) @ side
    return moved(pieces, (0, 0, z_mm), rotation=turn)


def _kitchen_spout(rng: Rng, finish: Finish, style: str, body_mm: float, square: bool) -> tuple[Solids, Array]:
    """Long spout of a kitchen mixer: low, angled, swan-necked or in an open spring. Pieces and path."""
    h, d = body_mm, between(rng, 18, 27)
    if style == "low":
        reach = between(rng, 170, 240)
        far = (-reach * 0.9, h + between(rng, 10, 90))
        path = bezier(
            [
                (0, h * 0.6),
                (-reach * 0.4, h * 0.7 + between(rng, 20, 90)),
                far,
                (-reach, h * 0.5 + between(rng, 0, 60)),
            ],
            count=44,
        )
        spout = loft(path, taper(d * 1.3, d, 44), taper(d * 1.3, d, 44), hollow_mm=4)
    elif style == "angled":
        path = raised(
            folded(between(rng, 110, 220), between(rng, 170, 230), between(rng, 8, 30), between(rng, -6, 22)), h - 2
        )
        spout = loft(path, d, d, squareness=6.0 if square else 2.0, rounded_mm=2)
        return (*finish.on(spout), *_nozzle(rng, finish, path, d)), path
    else:
        swan = arch(between(rng, 90, 210), between(rng, 75, 115), between(rng, 150, 190), between(rng, 20, 80))
        path = raised(swan, h - 2)
        spout = loft(path, d, d, hollow_mm=4)
    nose = outlet(path, finish, diameter_mm=d * between(rng, 1.05, 1.3), long_mm=between(rng, 8, 34))
    coil = _spring(rng, finish, path, d) if style == "spring" else ()
    return (*finish.on(spout), *nose, *coil), path


def _kitchen(rng: Rng) -> Tap:
    """Kitchen mixer: lever at the side of its body, or on top of a low one."""
    finish = draw_finish(rng)
    r, h = between(rng, 21, 27), between(rng, 65, 150)
    trunk, square = _trunk(rng, r, h)
    style = pick(rng, ("swan", "angled", "low", "spring"), (0.45, 0.2, 0.25, 0.1))
    spout, path = _kitchen_spout(rng, finish, style, h, square)
    reach, rooms = float(-path[:, 0].min()), ("sink", "sink", "worktop")
    pieces = (*finish.on(*trunk), *spout, *_dots(rng, r * 0.99, h * 0.7))
    if style == "low":
        kind = pick(rng, ("blade", "loop", "pin"), (0.6, 0.25, 0.15))
        lever = handles.single_lever(rng, finish, r * 1.02, style=kind)
        turned = moved(lever, (0, 0, h + 1), rotation=mesh.rotation_about("z", between(rng, -30, 30)))
        return Tap("kitchen-mixer", (*pieces, *turned), "deck", rooms, reach, h + 60)
    yaw = mesh.rotation_about("z", between(rng, -35, 35) if rng.random() < 0.4 else 0.0)
    solids = (*moved(pieces, (0, 0, 0), rotation=yaw), *_side_lever(rng, finish, r, h * between(rng, 0.4, 0.62)))
    return Tap("kitchen-mixer", solids, "deck", rooms, reach, float(path[:, 1].max()))


def _spring(rng: Rng, finish: Finish, path_yz: Array, diameter_mm: float) -> Solids:
    """Open coil round the upper part of a pull-down spout."""
    start = len(path_yz) // 5
    piece = np.column_stack([np.zeros(len(path_yz) - start), path_yz[start:]])
    steps = np.linalg.norm(np.diff(piece, axis=0), axis=1)
    s = np.concatenate([[0], np.cumsum(steps)])
    fine = np.arange(0, s[-1], 1.2)
    line = np.column_stack([np.interp(fine, s, piece[:, k]) for k in range(3)])
    ahead = np.gradient(line, axis=0)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    up = np.cross(ahead, [1.0, 0, 0])
    turn = 2 * np.pi * fine / between(rng, 7, 10)
    r = diameter_mm / 2 + 3.5
    coil = line + r * (np.cos(turn)[:, None] * np.array([1.0, 0, 0]) + np.sin(turn)[:, None] * up)
    return finish.on(mesh.tube(coil, 3.0, "chrome", around=8))
