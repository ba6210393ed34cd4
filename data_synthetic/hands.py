"""Hands that pinch a part, steady it, lie beside it or hold it in the palm: bare, with nails, or in a glove.

Lengths and widths are about those of adult hands (from memory, no source); the tones of skin go from very light to
very dark.
"""

from __future__ import annotations

import numpy as np

from data_synthetic.footprint import hull_xy, overlap
from data_synthetic.mesh import Array, Solid, swept
from data_synthetic.spindle import pick, within

HAND_SHARE = 0.14  # of the loose parts
LIGHT_SKIN, DARK_SKIN = np.array([0.93, 0.77, 0.68]), np.array([0.30, 0.19, 0.14])  # sRGB
GLOVES = ((0.16, 0.30, 0.62), (0.09, 0.09, 0.10), (0.88, 0.88, 0.86), (0.86, 0.50, 0.16), (0.35, 0.38, 0.33))
GLOVED_SHARE = 0.25
TIP = (0.0, 0.42, 0.66, 0.83, 0.94, 1.0)  # of the breadth, where the finger tip rounds off
PALM_SHARE = 0.5  # of the lying parts beside which there is nothing to measure by
REACHES = {"pinch": 0.5, "steady": 0.3, "beside": 0.2}
Tint = tuple[float, float, float]


def _tint(rng: np.random.Generator) -> tuple[Tint, bool]:
    """Colour of a hand, and whether it is a glove's."""
    if rng.random() < GLOVED_SHARE:
        colour = np.array(GLOVES[int(rng.integers(len(GLOVES)))]) * rng.uniform(0.85, 1.1)
        return _rgb(colour), True
    share = rng.random()
    return _rgb((1 - share) * LIGHT_SKIN + share * DARK_SKIN + rng.normal(0, 0.02, 3)), False


def _rgb(colour: Array) -> Tint:
    red, green, blue = np.clip(colour, 0.03, 0.97)
    return float(red), float(green), float(blue)


def finger(
    tip_mm: Array, away_mm: Array, *, long_mm: float, wide_mm: float, bend_deg: float, tint: Tint, nail: bool
) -> list[Solid]:
    """A finger from its tip along a direction (3,), bent downwards towards the tip, with a nail on its upper side."""
    away = away_mm / np.linalg.norm(away_mm)
    side = np.cross(away, [0.0, 0.0, 1.0])
    side /= np.linalg.norm(side)
    up = np.cross(side, away)
    along = np.concatenate([wide_mm * np.linspace(0, 0.5, len(TIP)), np.linspace(0.55 * wide_mm, long_mm, 14)])
    arch = np.radians(bend_deg) * long_mm / 2 * np.sin(np.clip(along / long_mm, 0, 1) * np.pi / 2)
    path = np.asarray(tip_mm, float) + along[:, None] * away + arch[:, None] * up
    knuckles = 1 + 0.05 * np.cos(along / long_mm * 4 * np.pi) + 0.12 * along / long_mm
    breadth = wide_mm * knuckles * np.concatenate([TIP, np.ones(14)])
    breadth[0] = 0.05 * wide_mm
    flesh = swept(path, breadth, "skin", around=28, flatten=0.86).of("skin", tint=tint)
    if not nail:
        return [flesh]
    middle = np.linspace(0.12, 0.75, 8) * wide_mm
    height = np.interp(middle, along, arch) + 0.36 * np.interp(middle, along, breadth)
    plate = np.asarray(tip_mm, float) + middle[:, None] * away + height[:, None] * up
    shape = 0.66 * wide_mm * np.sqrt(np.clip(1 - np.linspace(-1, 0.75, 8) ** 4, 0.02, 1))
    pale = _rgb(0.75 * np.array(tint) + 0.22)
    return [flesh, swept(plate, shape, "skin", around=20, flatten=0.32).of("skin", tint=pale, roughness=0.25)]


def _hand(rng: np.random.Generator, tips_mm: list[Array], towards: Array) -> tuple[Solid, ...]:
    """Fingers whose tips are at these places, and the back of the hand that they come out of."""
    tint, glove = _tint(rng)
    wide, long = within(rng, 13.5, 19.0), within(rng, 68, 90)
    root = np.mean(tips_mm, axis=0) + (long + 18) * towards + np.array([0, 0, within(rng, 18, 45)])
    across = np.array([-towards[1], towards[0], 0.0])
    solids: list[Solid] = []
    for number, tip in enumerate(tips_mm):
        knuckle = root + across * (number - (len(tips_mm) - 1) / 2) * 1.15 * wide
        reach = float(np.linalg.norm(knuckle - tip))
        solids += finger(tip, knuckle - tip, long_mm=reach, wide_mm=wide * within(rng, 0.9, 1.1),
                         bend_deg=within(rng, 5, 45), tint=tint, nail=not glove)  # fmt: skip
    back = root + np.linspace(-12, 130, 12)[:, None] * towards + np.linspace(0, 25, 12)[:, None] * [0, 0, 1]
    breadth = 4.6 * wide * np.array([0.35, 0.72, 0.9, 0.98, 1, 1, 0.98, 0.92, 0.84, 0.76, 0.7, 0.68])
    return (*solids, swept(back, breadth, "skin", around=32, flatten=0.4).of("skin", tint=tint))


def palm(rng: np.random.Generator, part_mm: Array) -> tuple[Solid, ...]:
    """Now and then an open hand under a part (N, 3) [mm] whose lowest point is at z = 0; else nothing.

    The part sinks about a millimetre into it. Breadth of a hand about 75 to 95 mm, from memory, no source.
    """
    if rng.random() >= PALM_SHARE:
        return ()
    tint, _ = _tint(rng)
    tint = _rgb(0.8 * np.array(tint) + 0.2 * LIGHT_SKIN)  # a palm is paler than the back of the hand
    wide, thick, angle, side = within(rng, 76, 94), within(rng, 24, 32), within(rng, 0, 2 * np.pi), rng.choice([-1, 1])
    along = np.array([np.cos(angle), np.sin(angle), 0.0])
    across = side * np.array([-along[1], along[0], 0.0])
    middle = np.append((part_mm[:, :2].min(0) + part_mm[:, :2].max(0)) / 2, within(rng, 0.5, 1.5))

    def at(forth: float, beside: float, high_mm: float) -> Array:
        return np.asarray(middle + wide * (forth * along + beside * across) + np.array([0.0, 0.0, high_mm]))

    reach = np.linspace(-4.0, 0.62, 24)
    path = np.array([at(r, 0.0, 6 * max(0.0, abs(r) - 0.3) - thick / 2) for r in reach])
    breadth = wide * np.interp(
        reach, [-4.0, -1.0, -0.75, -0.3, 0.3, 0.5, 0.58, 0.62], [1.0, 0.68, 0.78, 1.0, 1.0, 0.93, 0.8, 0.55]
    )
    solids = [swept(path, breadth, "skin", around=48, flatten=thick / wide).of("skin", tint=tint)]
    curl = within(rng, 5, 45)
    for number, share in enumerate((0.94, 1.0, 0.95, 0.76)):  # from the forefinger to the little finger
        beside = 0.36 - 0.24 * number
        tip = at(0.5 + 0.9 * share, 1.15 * beside, curl * within(rng, 0.7, 1.3) - 4)
        solids += _digit(rng, tip, at(0.2, 0.8 * beside, -0.7 * thick), 0.2 * wide * share, tint)
    thumb = at(0.35, within(rng, 0.7, 0.95), within(rng, -5, 20))
    return (*solids, *_digit(rng, thumb, at(-0.5, 0.12, -0.65 * thick), 0.25 * wide, tint))


def _digit(rng: np.random.Generator, tip_mm: Array, root_mm: Array, wide_mm: float, tint: Tint) -> list[Solid]:
    away = root_mm - tip_mm
    return finger(tip_mm, away, long_mm=float(np.linalg.norm(away)), wide_mm=wide_mm, bend_deg=within(rng, 0, 10),
                  tint=tint, nail=False)  # fmt: skip


def _edge(outline_xy: Array, angle_rad: float) -> Array:
    """The place (2,) of a convex outline (N, 2) that is furthest out in a direction."""
    ahead = np.array([np.cos(angle_rad), np.sin(angle_rad)])
    return np.asarray(outline_xy[int(np.argmax(outline_xy @ ahead))] + 5.0 * ahead)


def reaching(rng: np.random.Generator, part_mm: Array, kept_xy: list[Array]) -> tuple[Solid, ...]:
    """Now and then a hand at a part (N, 3) [mm] on the bench, which covers none of the outlines ``kept_xy``.

    It pinches the part between two fingers, steadies it with one or two, or lies beside it.
    """
    if rng.random() >= HAND_SHARE:
        return ()
    outline, top = hull_xy(part_mm), float(part_mm[:, 2].max())
    for _ in range(6):
        kind = pick(rng, REACHES)
        angle = within(rng, 0, 2 * np.pi)
        towards = np.array([np.cos(angle), np.sin(angle), 0.0])
        height = min(max(0.5 * top, 7.5), 30.0)
        if kind == "pinch":
            spread = np.radians(within(rng, 45, 95))
            places = [_edge(outline, angle + turn) for turn in (-spread, spread)]
        elif kind == "steady":
            places = [_edge(outline, angle + np.radians(within(rng, -35, 35))) for _ in range(int(rng.integers(1, 3)))]
            height = top + 4.0 if rng.random() < 0.35 else height
        else:
            middle = _edge(outline, angle) + towards[:2] * within(rng, 10, 45)
            count = int(rng.integers(2, 5))
            places = [middle + 19.0 * (n - (count - 1) / 2) * np.array([-towards[1], towards[0]]) for n in range(count)]
            height = 8.5
        made = _hand(rng, [np.append(place, height) for place in places], towards)
        shadow = [hull_xy(piece.vertices_mm) for piece in made]
        if not any(overlap(one, other) for one in shadow for other in kept_xy):
            return made
    return ()
