"""Handles of installed taps: cross, capstan, tee, knob, lever, push button, single lever.

Every handle stands on z = 0 with the spindle on the z axis; levers point to -y. Sizes are common practice, no source.
"""

from __future__ import annotations

import math

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
    index_mark,
    lobed,
    loft,
    moved,
    pick,
    taper,
)


def _hub(rng: Rng, radius_mm: float, height_mm: float) -> Solid:
    neck = radius_mm * between(rng, 0.6, 0.95)
    top = radius_mm * between(rng, 0.75, 1.0)
    crown = height_mm * between(rng, 0.02, 0.14)
    return mesh.lathe(
        [
            (neck, 0.0),
            (neck, height_mm * 0.2),
            (radius_mm, height_mm * 0.4),
            (radius_mm, height_mm * 0.72),
            (top, height_mm * 0.9),
            (top * 0.86, height_mm),
            (top * 0.3, height_mm + crown),
        ],
        "chrome",
        around=48,
    )


def _arm(rng: Rng, length_mm: float, root_mm: float, style: str, rise_mm: float) -> Solids:
    path = bezier([(-1.0, 0.0), (-length_mm * 0.5, rise_mm * 0.2), (-length_mm, rise_mm)], count=16)
    t = np.linspace(0, 1, 16)
    widths = {
        "straight": root_mm * (1 - 0.12 * t),
        "flared": root_mm * (0.95 - 0.5 * t + 0.85 * t**3),
        "tapered": root_mm * (1.15 - 0.5 * t),
        "waisted": root_mm * (1 - 0.45 * np.sin(np.pi * np.minimum(t * 1.15, 1))),
    }[style]
    arm = loft(path, widths, widths * between(rng, 0.75, 1.0), around=24)
    end = widths[-1] / 2 * between(rng, 1.0, 1.35)
    tip = mesh.lathe(
        [(end * math.sin(a), -end * math.cos(a)) for a in np.linspace(0.05, np.pi - 0.05, 12)], "chrome", around=28
    )
    return arm, tip.moved((0.0, -length_mm, rise_mm))


def cross(rng: Rng, finish: Finish, mark: Tint, *, arms: int = 4, size: float = 1.0) -> Solids:
    """Cross (4 arms), three-arm or tee (2 arms) handle, with a hot or cold mark on top."""
    radius, height = between(rng, 8, 12) * size, between(rng, 13, 24) * size
    length, root = between(rng, 24, 36) * size, between(rng, 6.5, 10) * size
    style = pick(rng, ("straight", "flared", "tapered", "waisted"))
    rise = between(rng, -1, 5) * size
    turn0 = between(rng, 0, 360)
    pieces: list[Solid] = [_hub(rng, radius, height)]
    pair = _arm(rng, length, root, style, rise)
    for k in range(arms):
        turn = mesh.rotation_about("z", turn0 + 360 * k / arms)
        pieces += moved(pair, (0, 0, height * 0.56), rotation=turn)
    ceramic = rng.random() < 0.25
    button = index_mark(radius * between(rng, 0.45, 0.72), height + 0.6, mark)
    trim = mesh.cylinder(radius * 1.5, height - 0.5, height + 1.1, "ceramic", around=36) if ceramic else button
    return (*finish.on(*pieces), trim, button.moved((0, 0, 0.8)))


def capstan(rng: Rng, finish: Finish, mark: Tint) -> Solids:
    """Capstan head: a drum with short stub arms near its top."""
    radius, height = between(rng, 12, 17), between(rng, 22, 32)
    drum = mesh.lathe(
        [
            (radius * 0.7, 0.0),
            (radius * 0.72, height * 0.3),
            (radius, height * 0.5),
            (radius, height * 0.9),
            (radius * 0.85, height),
            (radius * 0.2, height + 2),
        ],
        "chrome",
        around=64,
    )
    stub = _arm(rng, radius + between(rng, 7, 13), between(rng, 6, 8.5), "straight", 0.0)
    turn0 = between(rng, 0, 90)
    arms = [
        p
        for k in range(4)
        for p in moved(stub, (0, 0, height * 0.72), rotation=mesh.rotation_about("z", turn0 + 90 * k))
    ]
    return (*finish.on(drum, *arms), index_mark(radius * between(rng, 0.35, 0.6), height + 2.2, mark))


def knob(rng: Rng, finish: Finish, mark: Tint) -> Solids:
    """Turning knob that hides the head: fluted metal or plastic, lobed, clear, or tapered with grips."""
    style = pick(rng, ("fluted", "lobed", "clear", "wheel", "drum"), (0.32, 0.24, 0.16, 0.08, 0.2))
    r, h = between(rng, 17, 24), between(rng, 24, 42)
    skirt = between(rng, 0.72, 1.0)
    if style == "drum":  # as narrow as the body, as high as wide, with a waist under it
        r, h, skirt = between(rng, 12, 18), between(rng, 22, 36), between(rng, 0.55, 0.8)
    profile = [
        (r * skirt, 0.0),
        (r * skirt, h * 0.12),
        (r, h * 0.35),
        (r * 0.97, h * 0.82),
        (r * 0.84, h),
        (r * 0.2, h + 1.2),
    ]
    if style == "wheel":
        r *= 1.35
        rim = mesh.o_ring(2 * r, between(rng, 8, 11), h * 0.45, "chrome")
        spokes = [loft(np.array([[-2.0, 0.0], [-r * 0.5, 0.0], [-r + 3, 0.0]]), 7.0, 5.0, around=20) for _ in range(3)]
        turned = [s.moved((0, 0, h * 0.45), rotation=mesh.rotation_about("z", 120 * k)) for k, s in enumerate(spokes)]
        body = (*finish.on(rim, *turned, mesh.cylinder(20, 0, h * 0.6, "chrome")),)
        return (*body, index_mark(5, h * 0.6, mark))
    if style == "clear":
        count, depth, pinch, material = int(rng.choice([6, 8, 10])), 0.1, 0.7, "clear_plastic"
    elif style == "lobed":
        count, depth, pinch, material = int(rng.choice([3, 4, 5])), between(rng, 0.12, 0.25), 0.9, ""
    else:
        count, depth, pinch, material = int(rng.choice([8, 10, 12, 16, 20])), between(rng, 0.04, 0.12), 0.5, ""
    shape = lobed(profile, count, depth, material or "chrome", pinch=pinch, around=max(72, 12 * count))
    if material:
        shape = shape.of(material, roughness=0.06)
    elif rng.random() < 0.25:
        grey = between(rng, 0.02, 0.06) if rng.random() < 0.5 else between(rng, 0.75, 0.9)
        shape = shape.of("coloured_plastic", tint=(grey, grey, grey))
    else:
        shape = finish.on(shape)[0]
    return shape, index_mark(r * between(rng, 0.35, 0.6), h + 0.8, mark)


def lever(rng: Rng, finish: Finish, mark: Tint, *, long: bool = False, yaw_deg: float = 0.0) -> Solids:
    """Quarter-turn lever: a hub and one arm to -y, turned by ``yaw_deg``; ``long`` is an elbow (medical) lever."""
    r, h = between(rng, 10, 19), between(rng, 12, 26)
    reach = between(rng, 120, 170) if long else between(rng, 48, 88)
    rise = between(rng, -4, 0.22 * reach)
    style = pick(rng, ("blade", "rod", "paddle", "loop"), (0.45, 0.25, 0.25, 0.05))
    hub = mesh.lathe(
        [
            (r * between(rng, 0.8, 1.0), 0.0),
            (r, h * 0.2),
            (r, h * 0.85),
            (r * 0.9, h),
            (r * 0.3, h + between(rng, 0.3, 2.5)),
        ],
        "chrome",
        around=56,
    )
    z = h * between(rng, 0.5, 0.75)
    path = bezier([(0.0, z), (-reach * 0.45, z + rise * between(rng, -0.2, 0.9)), (-reach, z + rise)], count=22)
    thick = between(rng, 5, 8.5)
    width = {
        "blade": taper(1.3 * r, between(rng, 8, 14), 22),
        "rod": taper(thick * 1.25, thick * 1.1, 22),
        "paddle": taper(between(rng, 9, 12), between(rng, 15, 22), 22, power=1.6),
        "loop": taper(9, 9, 22),
    }[style]
    depth = taper(thick * between(rng, 1.0, 1.7), thick * 0.75, 22)
    square = 2.0 if style == "rod" else pick_square(rng)
    arm = loft(path, width, depth if style != "rod" else width, squareness=square)
    cap = mesh.lathe(
        [
            (w * math.sin(a) + 1e-3, -w * math.cos(a))
            for w in [min(width[-1], depth[-1]) / 2]
            for a in np.linspace(0.05, np.pi - 0.05, 9)
        ],
        "chrome",
        around=20,
    )
    pieces = [hub, arm, cap.moved((0, path[-1][0], path[-1][1]))]
    if style == "rod" and rng.random() < 0.5:
        ball = between(rng, 5, 8)
        pieces.append(
            mesh.lathe(
                [(ball * math.sin(a), -ball * math.cos(a)) for a in np.linspace(0.05, 3.09, 14)], "chrome", around=32
            ).moved((0, path[-1][0], path[-1][1]))
        )
    turned = moved(finish.on(*pieces), (0, 0, 0), rotation=mesh.rotation_about("z", yaw_deg))
    return (*turned, index_mark(r * between(rng, 0.3, 0.6), h + 0.8, mark))


def pick_square(rng: Rng) -> float:
    """Superellipse exponent of a bar's section: round to rounded rectangle."""
    return float(rng.choice([2.0, 2.6, 4.0, 7.0]))


def push_head(rng: Rng, finish: Finish, mark: Tint) -> Solids:
    """Push button: a sleeve with a plunger that stands out of it, wide mushroom or flush cap."""
    style = pick(rng, ("cap", "mushroom", "plunger"), (0.45, 0.3, 0.25))
    r, h = between(rng, 17, 24), between(rng, 20, 36)
    if style == "cap":
        gap = between(rng, 2.0, 5.0)
        sleeve = mesh.cylinder(2 * r * 0.9, 0, gap + 3, "chrome")
        cap = mesh.lathe(
            [
                (r * 0.98, gap),
                (r, gap + 1),
                (r, h - 3),
                (r * 0.93, h - 0.8),
                (r * 0.8, h),
                (r * 0.3, h + between(rng, 0, 3)),
            ],
            "chrome",
            around=72,
        )
        pieces, top, disc = [sleeve, cap], h + 0.6, r * between(rng, 0.35, 0.72)
    elif style == "mushroom":
        stem = mesh.cylinder(between(rng, 14, 20), 0, h * 0.7, "chrome")
        dome = [(r * 1.1 * math.cos(a), h * 0.55 + h * 0.4 * math.sin(a)) for a in np.linspace(0, 1.45, 9)]
        pieces, top, disc = [stem, mesh.lathe([(r * 0.7, h * 0.5), *dome], "chrome")], h * 0.95, r * 0.4
    else:
        sleeve = mesh.lathe(
            [(r, 0), (r, h * 0.55), (r * 0.94, h * 0.6), (r * 0.76, h * 0.6), (r * 0.76, h * 0.4)], "chrome"
        )
        rod = mesh.lathe([(r * 0.7, h * 0.3), (r * 0.7, h * 0.9), (r * 0.6, h), (r * 0.2, h + 1.5)], "chrome")
        pieces, top, disc = [sleeve, rod], h + 1.2, r * between(rng, 0.3, 0.55)
    if style == "cap" and rng.random() < 0.3:
        ring = mesh.o_ring(2 * r + 0.8, 1.6, h * 0.5, "chrome")
        pieces.append(ring)
    return (*finish.on(*pieces), index_mark(disc, top, mark, thick_mm=0.8))


def single_lever(rng: Rng, finish: Finish, radius_mm: float, *, style: str | None = None) -> Solids:
    """Lever of a mixer on its cap, the cartridge axis along z: blade, pin, loop, block or stick."""
    kind = style or pick(rng, ("blade", "pin", "loop", "block", "stick"), (0.4, 0.2, 0.15, 0.15, 0.1))
    r, h = radius_mm, between(rng, 14, 30)
    crown = between(rng, 0.5, 8)
    square = kind == "block"
    if square:
        cap = mesh.rounded_box((2 * r, 2 * r, h * 0.7), "chrome", radius_mm=1.5, corner_mm=between(rng, 2, 8))
        h = h * 0.7
    else:
        cap = mesh.lathe(
            [(r * 0.97, 0.0), (r, 1.0), (r, h * 0.6), (r * 0.93, h * 0.88), (r * 0.75, h), (r * 0.25, h + crown)],
            "chrome",
        )
    reach, lift = between(rng, 55, 120), between(rng, 5, 38)
    tip = (-reach * math.cos(math.radians(lift)), h * 0.6 + reach * math.sin(math.radians(lift)))
    path = bezier([(0.0, h * 0.55), (tip[0] * 0.5, h * 0.6 + tip[1] * between(rng, 0.1, 0.5)), tip], count=24)
    if kind == "stick":
        top = between(rng, 45, 85)
        rod = loft(np.column_stack([-np.linspace(0, top * 0.25, 10), np.linspace(0, top, 10)]), 9.0, 9.0)
        return finish.on(cap, rod, _ball(between(rng, 6, 10)).moved((0, -top * 0.25, top)))
    if kind == "pin":
        d = between(rng, 6, 9.5)
        return finish.on(cap, loft(path, d, d), _ball(d / 2 * 1.02).moved((0, *path[-1])))
    if kind == "loop":
        half = between(rng, 9, 14)
        bar = between(rng, 5, 8)
        side = bezier([(0, 0), (half * 1.6, reach * 0.3), (half * 1.5, reach * 1.2), (0, reach)], count=28)
        z = h * 0.55 + (side[:, 1] * math.sin(math.radians(lift)))
        y = -side[:, 1] * math.cos(math.radians(lift))
        loops = [
            mesh.swept(np.column_stack([s * side[:, 0], y, z]), np.full(28, bar), "chrome", around=18) for s in (1, -1)
        ]
        return finish.on(cap, *loops)
    wide = (1.7 * r, between(rng, 14, 30)) if square else (r * between(rng, 0.8, 1.7), between(rng, 10, 22))
    blade = loft(
        path,
        taper(*wide, 24, power=0.7),
        taper(between(rng, 8, 15), between(rng, 3.5, 7), 24, power=0.6),
        squareness=6.0 if square else pick_square(rng),
    )
    return finish.on(cap, blade)


def _ball(radius_mm: float) -> Solid:
    return mesh.lathe(
        [(radius_mm * math.sin(a), -radius_mm * math.cos(a)) for a in np.linspace(0.03, np.pi - 0.03, 16)],
        "chrome",
        around=36,
        crease_deg=60,
    )
