"""Sensor taps: a spout with a dark eye window and no handle. Sizes: common practice, no source."""

from __future__ import annotations

import math

import numpy as np

from data_synthetic import mesh
from data_synthetic.mesh import Array, Solid
from data_synthetic.tap_shapes import (
    DARK,
    Rng,
    Solids,
    Tap,
    arch,
    between,
    bezier,
    draw_finish,
    flange,
    folded,
    loft,
    moved,
    outlet,
    outward,
    pick,
    pick_maker,
    raised,
    taper,
)


def build(rng: Rng) -> Tap:
    """Sensor tap: low cast spout, straight column, swan neck, slanted block, or wall spout."""
    makers = ((_cast, 0.3), (_column, 0.2), (_swan, 0.22), (_block, 0.1), (_wall, 0.18))
    return pick_maker(rng, makers)(rng)


def eye(rng: Rng, width_mm: float, height_mm: float, *, shape: str | None = None) -> Solids:
    """Sensor window facing +z, its face just above z = 0: dark glossy pane, lens rings, perhaps a lamp and a bezel."""
    kind = shape or pick(rng, ("pill", "round", "box"), (0.4, 0.35, 0.25))
    if kind == "round":
        width_mm = height_mm = min(width_mm, height_mm) if rng.random() < 0.5 else math.sqrt(width_mm * height_mm)
    corner = min(width_mm, height_mm) * (0.49 if kind != "box" else 0.12)
    pane = mesh.rounded_box((width_mm, height_mm, 7.0), "black_plastic", radius_mm=0.5, corner_mm=corner).moved(
        (0, 0, -6.2)
    )
    pieces = [pane.of("black_plastic", tint=DARK, roughness=0.06)]
    across = min(width_mm, height_mm)
    both = max(width_mm, height_mm) > 1.5 * across
    for side in (-1, 1) if both else (0,):
        d = across * between(rng, 0.35, 0.55)
        spot = mesh.cylinder(d, 0.5, 1.0, "black_plastic", chamfer_mm=0.2, around=28)
        shift = side * max(width_mm, height_mm) * 0.24
        where = (shift, 0, 0) if width_mm >= height_mm else (0, shift, 0)
        pieces.append(spot.of("black_plastic", tint=(0.09, 0.02, 0.03), roughness=0.04).moved(where))
    if rng.random() < 0.4:
        lamp = mesh.cylinder(1.8, 0.5, 1.1, "coloured_plastic", chamfer_mm=0.2, around=12)
        colour = (0.9, 0.05, 0.03) if rng.random() < 0.7 else (0.1, 0.3, 0.95)
        pieces.append(lamp.of("coloured_plastic", tint=colour).moved((0, across * 0.3, 0)))
    if rng.random() < 0.35:
        bezel = mesh.rounded_box((width_mm + 3, height_mm + 3, 6.0), "chrome", radius_mm=0.6, corner_mm=corner + 1.5)
        pieces.append(bezel.moved((0, 0, -5.7)))
    return tuple(pieces)


def _faced(pieces: Solids, y_mm: float, z_mm: float, *, pitch_deg: float = 0.0) -> Solids:
    """An eye turned to -y (pitch 0), or leaning down (positive) towards the basin, at (0, y, z)."""
    return moved(pieces, (0, y_mm, z_mm), rotation=mesh.rotation_about("x", 90 + pitch_deg))


def _on_path(pieces: Solids, path: Array, at: int, thick_mm: float) -> Solids:
    """An eye on the lower (inner) side of a spout's path at one of its points."""
    ahead = path[min(at + 1, len(path) - 1)] - path[at - 1]
    ahead = ahead / np.linalg.norm(ahead)
    below = np.array([ahead[1], -ahead[0]])
    below = below if below[1] < 0 else -below
    place = path[at] + below * thick_mm / 2
    pitch = math.degrees(math.atan2(-below[1], -below[0]))
    return _faced(pieces, float(place[0]), float(place[1]), pitch_deg=pitch)


def _tap(subtype: str, solids: Solids, mount: str, rooms: tuple[str, ...], reach_mm: float, height_mm: float) -> Tap:
    return Tap(subtype, solids, mount, rooms, reach_mm, height_mm)


def _cast(rng: Rng) -> Tap:
    """Low cast spout that leans out of its foot, eye in the neck or under the nose."""
    finish = draw_finish(rng)
    h, reach = between(rng, 85, 160), between(rng, 100, 155)
    root, tip = between(rng, 42, 56), between(rng, 26, 38)
    path = bezier(
        [(6, 0), (2, h * between(rng, 0.5, 0.8)), (-reach * 0.35, h * 1.1), (-reach, h * between(rng, 0.55, 0.95))],
        count=48,
    )
    soft = float(rng.choice([2.0, 2.5, 3.5]))
    deep = taper(root, between(rng, 18, 26), 48, power=0.75)
    spout = loft(path, taper(root, tip, 48, power=0.8), deep, squareness=soft, rounded_mm=between(rng, 2, 7))
    foot = flange(rng, root * between(rng, 0.56, 0.66), root * 0.4, style=pick(rng, ("flat", "step")))
    at = int(rng.integers(8, 17)) if rng.random() < 0.7 else int(rng.integers(36, 42))
    window = _on_path(eye(rng, between(rng, 14, 24), between(rng, 15, 28)), path, at, float(deep[at]) - 0.2)
    down = np.array([[path[-5][0], path[-5][1]], [path[-5][0] - 2, path[-5][1] - deep[-1] * 0.42]])
    nose = outlet(down, finish, diameter_mm=min(22, tip * 0.8), long_mm=between(rng, 3, 7))
    return _tap("cast-spout", (*finish.on(spout, foot.moved((0, 4, 0))), *window, *nose), "deck", ("basin",), reach, h)


def _column(rng: Rng) -> Tap:
    """Upright round or square column with a straight spout near its top, eye in the column."""
    finish = draw_finish(rng)
    r, h, reach = between(rng, 20, 27), between(rng, 95, 260), between(rng, 95, 150)
    h = h if rng.random() < 0.5 else between(rng, 95, 145)
    square = rng.random() < 0.3
    if square:
        body = mesh.rounded_box((2 * r, 2 * r, h), "chrome", radius_mm=1.2, corner_mm=between(rng, 2, 8))
    else:
        top = pick(rng, ("flat", "dome"))
        crown = (
            [(r - 1, h), (2, h)]
            if top == "flat"
            else [(r * 0.9, h + r * 0.3), (r * 0.5, h + r * 0.5), (2, h + r * 0.55)]
        )
        body = mesh.lathe([(r * 1.15, 0), (r * 1.15, 4), (r, 4.4), (r, h - 1), *crown], "chrome", around=88)
    z = h - between(rng, 16, 30)
    drop = between(rng, -10, 25)
    path = bezier([(0, z), (-reach * 0.6, z - drop * 0.3), (-reach, z - drop)], count=30)
    d = between(rng, 22, 1.5 * r)
    spout = loft(
        path, taper(d, d * 0.85, 30), taper(d * 0.9, d * 0.75, 30), squareness=6.0 if square else 2.0, rounded_mm=2
    )
    low = max(18.0, z - d * 0.5 - 16)
    window = _faced(
        eye(rng, between(rng, 11, 18), between(rng, 15, 26)), -r + 0.1, between(rng, min(low, h * 0.3), low)
    )
    down = np.array([[path[-4][0], path[-4][1]], [path[-4][0] - 0.5, path[-4][1] - d * 0.36]])
    nose = outlet(down, finish, diameter_mm=min(22, d * 0.8), long_mm=5)
    return _tap("column", (*finish.on(body, spout), *window, *nose), "deck", ("basin", "basin", "worktop"), reach, h)


def _swan(rng: Rng) -> Tap:
    """Tall arc spout on a stout foot, eye in the foot or at the outlet."""
    finish = draw_finish(rng)
    d, foot_d, foot_h = between(rng, 18, 27), between(rng, 38, 52), between(rng, 38, 90)
    path = raised(
        arch(between(rng, 50, 190), between(rng, 48, 85), between(rng, 135, 188), between(rng, 4, 40)), foot_h - 2
    )
    foot = mesh.lathe(
        [
            (foot_d * 0.58, 0),
            (foot_d * 0.58, 3),
            (foot_d / 2, 4),
            (foot_d / 2, foot_h * 0.75),
            (foot_d * 0.44, foot_h * 0.92),
            (d * 0.55, foot_h + between(rng, 0, 8)),
            (2, foot_h),
        ],
        "chrome",
        around=80,
        crease_deg=40,
    )
    window = _faced(
        eye(rng, between(rng, 12, 20), between(rng, 14, 24)), -foot_d / 2 + 0.1, foot_h * between(rng, 0.36, 0.55)
    )
    nose = outlet(path, finish, diameter_mm=d * 1.12, long_mm=between(rng, 6, 16))
    return _tap(
        "swan-neck",
        (*finish.on(loft(path, d, d, hollow_mm=3), foot), *window, *nose),
        "deck",
        ("basin", "worktop", "sink"),
        float(-path[:, 0].min()),
        float(path[:, 1].max()),
    )


def _block(rng: Rng) -> Tap:
    """Square-section spout like a folded bar, eye in the upright or under the end."""
    finish = draw_finish(rng)
    wide, deep = between(rng, 36, 52), between(rng, 26, 44)
    h, reach = between(rng, 95, 190), between(rng, 100, 150)
    corner = between(rng, 12, 40)
    lean = between(rng, -14, 10)
    path = folded(h, reach, corner, lean)
    depth = taper(deep, between(rng, 14, 24), len(path), power=0.8)
    spout = loft(path, wide, depth, squareness=8.0, rounded_mm=1.5)
    part_up = between(rng, 0.4, 0.7)
    face_y = -float(depth[round(23 * part_up)]) / 2 + 0.3
    window = _faced(eye(rng, between(rng, 12, 20), between(rng, 14, 24)), face_y, (h - corner) * part_up)
    under = path[-7]
    down = np.array([under, [under[0] - 0.5, under[1] - depth[-7] * 0.42]])
    nose = outlet(down, finish, diameter_mm=min(wide, 24) * 0.85, long_mm=5)
    foot = mesh.rounded_box((wide + 8, deep + 8, 4), "chrome", radius_mm=1, corner_mm=4)
    return _tap("block", (*finish.on(spout, foot), *window, *nose), "deck", ("basin", "worktop"), reach, h)


def _wall(rng: Rng) -> Tap:
    """Wall spout with the eye under its nose or in its wall plate."""
    finish = draw_finish(rng)
    reach, d = between(rng, 120, 220), between(rng, 26, 46)
    soft = float(rng.choice([2.0, 3.0, 7.0]))
    path = bezier([(0, 0), (-reach * 0.6, between(rng, -4, 12)), (-reach, between(rng, -22, 6))], count=40)
    deep = taper(d, between(rng, 18, 28), 40)
    ease = between(rng, 2, 7)
    spout: Solid = loft(path, taper(d * 1.1, d * 0.9, 40), deep, squareness=soft, rounded_mm=ease)
    down = np.array([[path[-6][0], path[-6][1]], [path[-6][0] - 0.5, path[-6][1] - deep[-5] * 0.42]])
    nose = outlet(down, finish, diameter_mm=21, long_mm=5)
    plate: list[Solid] = []
    window: Solids
    if rng.random() < 0.4:
        high, wide = between(rng, 110, 170), between(rng, 70, 120)
        board = mesh.rounded_box((wide, high, 6), "chrome", radius_mm=1.2, corner_mm=between(rng, 3, 30)).moved(
            (0, -high * 0.22, 0)
        )
        plate = list(outward([board]))
        window = _faced(eye(rng, 16, 20), -5.8, -high * between(rng, 0.36, 0.5))
    else:
        plate = list(outward([flange(rng, d * 0.55 + between(rng, 8, 20), d / 2)]))
        at = int(rng.integers(22, 33)) if rng.random() < 0.6 else 36
        window = _on_path(eye(rng, between(rng, 13, 20), between(rng, 15, 26)), path, at, float(deep[at]) - 0.2)
        if rng.random() < 0.65:
            tip = path[-1]
            window = (
                *window,
                *_faced(eye(rng, between(rng, 9, 14), between(rng, 8, 11)), float(tip[0]) - ease - 0.2, float(tip[1])),
            )
    return _tap("wall-spout", (*finish.on(spout, *plate), *nose, *window), "wall", ("wall", "sink_wall"), reach, 60)
