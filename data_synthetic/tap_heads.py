"""What sits on a tap's body, by class: bonnet and turning handle, quarter-turn lever, push button."""

from __future__ import annotations

import numpy as np

from data_synthetic import handles, mesh
from data_synthetic.tap_shapes import (
    Finish,
    Rng,
    Solids,
    Tint,
    between,
    hot_cold,
    moved,
    pick,
)

SCREW, QUARTER, PUSH = "compression-screw", "quarter-turn-ceramic", "push-non-hold-open"


def head_pair(
    class_id: str, rng: Rng, finish: Finish, radius_mm: float, *, garden: bool = False
) -> tuple[Solids, Solids]:
    """Head and handle of a pair (hot, cold), from z = 0 on the body's top; the two differ in mark and hand only."""
    marks = hot_cold(rng)
    state = int(rng.integers(2**32))
    made = [
        _head(class_id, np.random.default_rng(state), finish, radius_mm, mark, garden, hot)
        for hot, mark in enumerate(marks[::-1])
    ]
    return made[1], made[0]


def _head(class_id: str, rng: Rng, finish: Finish, radius_mm: float, mark: Tint, garden: bool, hot: int) -> Solids:
    if class_id == PUSH:
        collar = mesh.cylinder(radius_mm * 1.9, -0.5, between(rng, 2, 9), "chrome")
        return (*finish.on(collar), *moved(handles.push_head(rng, finish, mark), (0, 0, 2)))
    if class_id == QUARTER:
        h = between(rng, 3, 26)
        collar = mesh.lathe([(radius_mm, -0.5), (radius_mm, h * 0.7), (radius_mm * 0.8, h), (2, h)], "chrome")
        yaw = between(rng, 15, 80) * (1 if rng.random() < 0.5 else 0)
        pieces = handles.lever(rng, finish, mark, long=rng.random() < 0.22, yaw_deg=-yaw if hot else yaw)
        return (*finish.on(collar), *moved(pieces, (0, 0, h)))
    style = pick(
        rng, ("bare", "bell", "knob", "capstan"), (0.85, 0.05, 0.05, 0.05) if garden else (0.2, 0.38, 0.3, 0.12)
    )
    if style == "knob":
        return moved(handles.knob(rng, finish, mark), (0, 0, between(rng, -0.5, 4)))
    pieces, top = _bonnet(rng, finish, radius_mm, bare=style == "bare")
    arms = int(rng.choice([2, 4])) if garden or rng.random() < 0.15 else int(rng.choice([3, 4, 4, 4]))
    handle = (
        handles.capstan(rng, finish, mark)
        if style == "capstan"
        else handles.cross(rng, finish, mark, arms=arms, size=between(rng, 0.85, 1.15))
    )
    return (*pieces, *moved(handle, (0, 0, top - 1)))


def _bonnet(rng: Rng, finish: Finish, radius_mm: float, *, bare: bool) -> tuple[Solids, float]:
    """Bonnet on top of a body from z = 0: bell shroud, or bare hexagon and gland nut. Returns pieces and top."""
    if bare:
        hexagon, gland = between(rng, 20, 27), between(rng, 13, 17)
        h1, h2, rise = between(rng, 7, 11), between(rng, 7, 12), between(rng, 3, 14)
        metal = finish if rng.random() < 0.6 else Finish("brass")
        pieces = metal.on(
            mesh.hexagon(hexagon, -0.5, h1, "brass"),
            mesh.cylinder(gland * 1.02, h1 - 0.5, h1 + 2.5, "brass"),
            mesh.hexagon(gland, h1 + 2, h1 + 2 + h2, "brass"),
        )
        spindle = mesh.cylinder(between(rng, 7.5, 9.5), h1 + h2, h1 + h2 + rise + 4, "brass")
        return (*pieces, *metal.on(spindle)), h1 + h2 + 2 + rise
    h, top = between(rng, 22, 46), between(rng, 8, 11)
    r = radius_mm * between(rng, 0.95, 1.15)
    bell = pick(rng, ("bell", "cone", "ogee"))
    mid = {
        "bell": [(r * 0.98, h * 0.35), (r * 0.8, h * 0.68), (top * 1.1, h * 0.92)],
        "cone": [(top + 1, h * 0.9)],
        "ogee": [(r * 0.9, h * 0.2), (top * 1.1, h * 0.5), (top * 1.05, h * 0.8)],
    }[bell]
    shroud = mesh.lathe([(r * 0.94, 0.0), (r, 1.0), (r, h * 0.1), *mid, (top, h), (top * 0.5, h)], "chrome", around=72)
    ring = mesh.o_ring(2 * (top + 0.8), 2.6, h * 0.9, "chrome")
    gap = between(rng, 0, 5)
    stem = mesh.cylinder(between(rng, 8, 11), h - 1, h + gap + 2, "chrome")
    return finish.on(shroud, ring, stem), h + gap
