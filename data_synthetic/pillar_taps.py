"""Taps that work one supply: pillar, bib and wall taps with a screw-down, quarter-turn or push head.

The three kinds share their bodies, as in the trade; head and handle tell them apart. Common practice, no source.
"""

from __future__ import annotations

import numpy as np

from data_synthetic import mesh
from data_synthetic.mesh import Array, Solid
from data_synthetic.tap_heads import PUSH, QUARTER, SCREW, head_pair
from data_synthetic.tap_shapes import (
    Finish,
    Rng,
    Solids,
    Tap,
    between,
    bezier,
    draw_finish,
    loft,
    moved,
    outlet,
    pick,
    pick_maker,
    taper,
)
from data_synthetic.wall_taps import bib, wall_spout


def build(class_id: str, rng: Rng) -> Tap:
    """One tap or pair of the class: pillar, bib, wall or bath pattern."""
    patterns = {
        SCREW: ((_pillar, 0.5), (bib, 0.32), (wall_spout, 0.18)),
        QUARTER: ((_pillar, 0.62), (bib, 0.28), (wall_spout, 0.1)),
        PUSH: ((_pillar, 0.68), (wall_spout, 0.32)),
    }[class_id]
    return pick_maker(rng, patterns)(class_id, rng)


def _column(rng: Rng, height_mm: float, style: str) -> tuple[list[Solid], float]:
    """Body of a pillar tap: pieces and the radius at its top."""
    h, r = height_mm, between(rng, 14, 19)
    foot = between(rng, 22, 28)
    if style == "classic":
        profile = [
            (foot, 0),
            (foot, 2),
            (foot * 0.93, 4.5),
            (r * 0.85, 9),
            (r * 0.78, h * 0.3),
            (r, h * 0.52),
            (r * 1.08, h * 0.66),
            (r * 1.0, h * 0.84),
            (r * 0.86, h * 0.93),
            (r * 0.95, h),
            (2, h),
        ]
        top = r * 0.95
    elif style == "cone":
        top = r * 0.95
        profile = [(foot, 0), (foot, 1.5), (foot * 0.9, 6), (top * 1.12, h * 0.6), (top, h), (2, h)]
    elif style == "slab":
        top = between(rng, 17, 23)
        profile = [(foot, 0), (foot, 3), (foot - 1, 4), (top, 4.2), (top, h), (2, h)]
    else:
        top = r
        profile = [
            (foot, 0),
            (foot, 3),
            (r * 1.15, 5),
            (r * 1.15, h * 0.28),
            (r * 0.8, h * 0.34),
            (r * 0.8, h * 0.5),
            (r * 1.1, h * 0.6),
            (r * 1.1, h * 0.94),
            (r, h),
            (2, h),
        ]
    pieces = [mesh.lathe(profile, "chrome", around=80, crease_deg=40 if style == "classic" else 25)]
    if style == "ringed":
        pieces.append(mesh.o_ring(2 * r * 0.95, 5, h * 0.42, "chrome"))
    return pieces, top


def _side_spout(rng: Rng, finish: Finish, z_mm: float, reach_mm: float, drop_mm: float) -> tuple[Solids, Array]:
    """Cast spout out of a body's side at ``z_mm``: bent, straight, hooked or flat. Returns pieces and path."""
    style = pick(rng, ("bent", "straight", "hook", "flat"), (0.4, 0.2, 0.28, 0.12))
    root, tip = between(rng, 20, 28), between(rng, 15, 20)
    end = z_mm - drop_mm
    if style == "hook":
        crest = between(rng, 4, 16)
        path = bezier(
            [(0, z_mm - 4), (-reach_mm * 0.55, z_mm + crest), (-reach_mm, z_mm + crest), (-reach_mm, end)], count=34
        )
    elif style == "bent":
        path = bezier(
            [(0, z_mm), (-reach_mm * 0.5, z_mm + 4), (-reach_mm * 0.95, z_mm), (-reach_mm * 1.02, end)], count=34
        )
    elif style == "straight":
        path = bezier([(0, z_mm - 6), (-reach_mm * 0.5, z_mm), (-reach_mm, z_mm + between(rng, -14, 6))], count=30)
    else:
        path = bezier([(0, z_mm), (-reach_mm * 0.6, z_mm), (-reach_mm, z_mm - between(rng, 0, 10))], count=30)
    count = len(path)
    if style in ("straight", "flat"):
        wide = taper(root, between(rng, 20, 30) if style == "flat" else tip, count)
        deep = taper(root * 0.9, between(rng, 9, 13) if style == "flat" else tip, count)
        spout = loft(path, wide, deep, squareness=5.0 if style == "flat" else 2.0, rounded_mm=between(rng, 0.8, 5))
        nose = np.array([[path[-1][0] + 9, path[-1][1]], [path[-1][0] + 9, path[-1][1] - (deep[-1] * 0.5)]])
        return (
            *finish.on(spout),
            *outlet(nose, finish, diameter_mm=min(wide[-1] * 0.8, 17), long_mm=between(rng, 3, 9)),
        ), path
    wide = taper(root, tip, count, power=0.8)
    spout = loft(path, wide, wide * np.linspace(between(rng, 0.85, 1.1), 1, count), hollow_mm=5)
    pieces = finish.on(spout)
    if rng.random() < 0.5:
        pieces = (
            *pieces,
            *outlet(path, finish, diameter_mm=tip * between(rng, 1.05, 1.2), long_mm=between(rng, 4, 10)),
        )
    return pieces, path


def _pillar(class_id: str, rng: Rng) -> Tap:
    finish, bath = draw_finish(rng), rng.random() < 0.22
    size = 1.18 if bath else 1.0
    high = not bath and rng.random() < 0.14  # the high-necked pattern for a kitchen sink
    h = between(rng, 105, 150) if high else between(rng, 44, 78) * size
    column, top = _column(rng, h, pick(rng, ("classic", "cone", "slab", "ringed"), (0.4, 0.2, 0.25, 0.15)))
    reach = between(rng, 78, 118) * size
    z = h * between(rng, 0.72, 0.84) if high else h * between(rng, 0.55, 0.78)
    spout, path = _side_spout(rng, finish, z, reach, between(rng, 10, min(32, z - 12)))
    hot, cold = head_pair(class_id, rng, finish, top)
    body = (*finish.on(*column), *spout)
    one, other = (*body, *moved(cold, (0, 0, h))), (*body, *moved(hot, (0, 0, h)))
    alone = rng.random() < 0.4
    rooms = ("bath", "bath", "basin") if bath else ("basin", "basin", "basin", "sink", "worktop")
    rooms = ("sink", "sink", "worktop") if high else rooms
    return Tap(
        "bath-pillar" if bath else "high-pillar" if high else "pillar",
        one if rng.random() < 0.5 or not alone else other,
        "deck",
        rooms,
        float(-path[:, 0].min()),
        h + 45,
        partner=() if alone else other,
        spacing_mm=between(rng, 150, 230) * size,
    )
